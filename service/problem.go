package service

import (
	"errors"
	"fmt"
)

// problems gathers all that is wrong with a request.
type problems struct {
	violations []Violation // the first of them
	refused    int         // how many there are
	reason     Reason      // of all so far; InvalidFields if they differ
}

// refuse notes a field that breaks a rule. Of many it only counts the later ones.
func (p *problems) refuse(reason Reason, field, rule string, args ...any) {
	if p.note(reason) {
		p.violations = append(p.violations, Violation{field, fmt.Sprintf(rule, args...)})
	}
}

// take gathers the violations of an error and returns errRefused; an error without
// violations it returns as it is.
func (p *problems) take(err error) error {
	var e *Error
	if !errors.As(err, &e) || len(e.Violations) == 0 {
		return err
	}
	for _, v := range e.Violations {
		p.refuse(e.Reason, v.Field, "%s", v.Rule)
	}
	return errRefused
}

// note counts a problem and tells whether it is to be kept.
func (p *problems) note(reason Reason) bool {
	if p.refused == 0 {
		p.reason = reason
	} else if p.reason != reason {
		p.reason = InvalidFields
	}
	p.refused++
	return p.refused <= violationsKept
}

// err returns the error that names what is wrong, or nil. Its reason is that of all
// problems, if they have one in common.
func (p *problems) err() error {
	if p.refused == 0 {
		return nil
	}
	return invalid(p.reason, p.violations, p.refused)
}
