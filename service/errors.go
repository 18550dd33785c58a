// Package service holds the calls of the API: one file per resource with the
// methods of its generated server interface. It turns messages into plain
// values, asks the topics below it, and turns their results into messages.
package service

import (
	"fmt"
	"strings"
)

// Reason is the stable, machine-readable reason of an error.
type Reason string

// The reasons of errors that calls give. The room api has the table from reasons
// to codes, and those of errors that come from the transport.
const (
	InvalidFields    Reason = "INVALID_FIELDS"
	InvalidFilter    Reason = "INVALID_FILTER"
	InvalidOrder     Reason = "INVALID_ORDER"
	InvalidPageToken Reason = "INVALID_PAGE_TOKEN"
	TaxonNotFound    Reason = "TAXON_NOT_FOUND"
	ShuttingDown     Reason = "SHUTTING_DOWN"
)

// Violation is one field that breaks a rule.
type Violation struct {
	Field string // path in lowerCamelCase, for instance plants[3].feedings[0].fedDate
	Rule  string // what it must be
}

// Error is an error that a caller can mend or understand.
type Error struct {
	Reason     Reason
	Message    string
	Violations []Violation
}

func (e *Error) Error() string { return e.Message }

const (
	// violationsShown is how many violations the message spells out.
	violationsShown = 3
	// violationsKept is how many are kept for the details, as far as they have no
	// more than violationBytes together. gRPC sends details as a trailer, of which
	// some clients take 8 KiB at most.
	violationsKept = 100
	violationBytes = 5000
)

// Invalid returns the error for fields that break rules. The message says how
// many there are.
func Invalid(reason Reason, violations []Violation) *Error {
	return invalid(reason, violations, len(violations))
}

// invalid is Invalid where only the first of count violations were kept.
func invalid(reason Reason, violations []Violation, count int) *Error {
	var text strings.Builder
	for i, v := range violations {
		if i == violationsShown {
			fmt.Fprintf(&text, "; and %d more", count-i)
			break
		}
		if i > 0 {
			text.WriteString("; ")
		}
		if v.Field != "" {
			text.WriteString(v.Field + ": ")
		}
		text.WriteString(v.Rule)
	}
	kept, size := 0, 0
	for kept < min(len(violations), violationsKept) {
		if size += len(violations[kept].Field) + len(violations[kept].Rule); size > violationBytes && kept > 0 {
			break
		}
		kept++
	}
	return &Error{Reason: reason, Message: text.String(), Violations: violations[:kept]}
}
