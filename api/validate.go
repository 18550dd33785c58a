package api

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"

	rules "buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"buf.build/go/protovalidate"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"dewbench/service"
)

// A request is judged in steps, so that a small one that holds millions of empty
// entries costs neither much time nor much memory: first how many entries there
// are at all, before it is decoded; then how long its lists are, and whether a text in
// them cannot be kept; then its fields, entry by entry, until enough is wrong.

// How many entries a request may hold: objects in JSON, fields in protobuf. A
// feeding of a day alone is an object of 25 bytes in JSON, and two fields of 14
// bytes together in protobuf, so no honest request within the limit of bytes
// meets these.
const (
	mostObjects = service.MaxRequestBytes / 20
	mostFields  = service.MaxRequestBytes / 6
)

// enoughViolations is how many broken rules are gathered before the rest of a
// request is not looked at.
const enoughViolations = 1000

// errTooMany is the error of a request with too many entries.
var errTooMany = &service.Error{Reason: requestTooLarge, Message: "the request holds too many entries"}

// objects counts the objects of a JSON text, at least.
func objects(text []byte) int { return bytes.Count(text, []byte("{")) }

// fields counts the fields of a message in protobuf, and of the messages in it
// down to a depth, until there are too many. Text that looks like a message counts
// too.
func fields(message []byte, depth int) int {
	count := 0
	for len(message) > 0 && count <= mostFields {
		_, kind, n := protowire.ConsumeTag(message)
		if n < 0 {
			return count
		}
		message = message[n:]
		count++
		if kind == protowire.BytesType && depth > 1 {
			inner, n := protowire.ConsumeBytes(message)
			if n < 0 {
				return count
			}
			count += fields(inner, depth-1)
			message = message[n:]
			continue
		}
		if n = protowire.ConsumeFieldValue(1, kind, message); n < 0 {
			return count
		}
		message = message[n:]
	}
	return count
}

// wireDepth is how deep fields are counted: those of the request, of a plant and
// of a feeding. Traps are fields of a feeding.
const wireDepth = 3

// depthOf is wireDepth; but what looks like fields in a table is none.
func depthOf(message any) int {
	if m, ok := message.(proto.Message); ok && csvField(m.ProtoReflect().Descriptor(), protoreflect.BytesKind) != nil {
		return 1
	}
	return wireDepth
}

// validate checks a request against the rules of the proto files. All that is
// wrong is told at once, up to enoughViolations.
func validate(ctx context.Context, validator protovalidate.Validator, message proto.Message) error {
	var found []service.Violation
	survey(message.ProtoReflect(), nil, &found)
	if len(found) == 0 {
		if err := checkEntries(ctx, validator, message.ProtoReflect(), &found); err != nil {
			return err
		}
	}
	checkName(ctx, message.ProtoReflect(), &found)
	if len(found) > 0 {
		return service.Invalid(service.InvalidFields, found)
	}
	return nil
}

// step is a step of a path in a message. It is written out only where something is
// wrong.
type step struct {
	before *step
	field  protoreflect.FieldDescriptor
	index  int // in a list; -1: the field itself
}

func (s *step) String() string {
	text := s.field.JSONName()
	if s.index >= 0 {
		text += fmt.Sprintf("[%d]", s.index)
	}
	if s.before != nil {
		text = s.before.String() + "." + text
	}
	return text
}

// survey finds lists that hold more than their rule says, without a look at their
// entries, and texts with a NUL, which databases do not take: in Postgres no text can
// hold it (its manual, section 8.3).
func survey(m protoreflect.Message, before *step, found *[]service.Violation) {
	planOf(m.Descriptor()).survey(m, before, found)
}

// plan is what survey looks at in messages of a type: most of their fields are
// neither.
type plan []planned

type planned struct {
	field  protoreflect.FieldDescriptor
	most   int   // entries that a list may hold
	isText bool  // or the entries of a list are
	inner  *plan // of the message, or of the entries of a list; nil: none
}

// hashedOnly is a text that no database gets: whatever it holds, it is one that opens
// nothing.
const hashedOnly protoreflect.FullName = "dewbench.v1.GetDueCalendarRequest.secret"

var plans sync.Map // *plan by protoreflect.MessageDescriptor

func planOf(d protoreflect.MessageDescriptor) *plan {
	if known, ok := plans.Load(d); ok {
		return known.(*plan)
	}
	p := makePlan(d, map[protoreflect.MessageDescriptor]*plan{})
	plans.Store(d, p)
	return p
}

// makePlan makes a plan, with those of the types in it. made has those that are begun.
// Maps are not looked at: requests have none.
func makePlan(d protoreflect.MessageDescriptor, made map[protoreflect.MessageDescriptor]*plan) *plan {
	if begun := made[d]; begun != nil {
		return begun
	}
	p := &plan{}
	made[d] = p
	for i := range d.Fields().Len() {
		next := planned{field: d.Fields().Get(i), most: math.MaxInt}
		set, _ := proto.GetExtension(next.field.Options(), rules.E_Field).(*rules.FieldRules)
		if most := set.GetRepeated(); most != nil && most.MaxItems != nil {
			next.most = int(most.GetMaxItems())
		}
		next.isText = next.field.Kind() == protoreflect.StringKind && next.field.FullName() != hashedOnly
		if in := next.field.Message(); in != nil && !next.field.IsMap() {
			_, isBegun := made[in]
			if next.inner = makePlan(in, made); !isBegun && len(*next.inner) == 0 {
				next.inner = nil // such as an instant
			}
		}
		if next.isText || next.inner != nil || next.most < math.MaxInt {
			*p = append(*p, next)
		}
	}
	return p
}

func (p *plan) survey(m protoreflect.Message, before *step, found *[]service.Violation) {
	for i := range *p {
		next := &(*p)[i]
		if len(*found) >= enoughViolations {
			return
		}
		if !m.Has(next.field) {
			continue
		}
		here := step{before, next.field, -1}
		if !next.field.IsList() {
			next.surveyValue(m.Get(next.field), &here, found)
			continue
		}
		list := m.Get(next.field).List()
		if list.Len() > next.most {
			*found = append(*found, service.Violation{Field: here.String(), Rule: atMostEntries(next.most)})
			continue
		}
		if !next.isText && next.inner == nil {
			continue
		}
		for here.index = 0; here.index < list.Len() && len(*found) < enoughViolations; here.index++ {
			next.surveyValue(list.Get(here.index), &here, found)
		}
	}
}

func (next *planned) surveyValue(v protoreflect.Value, here *step, found *[]service.Violation) {
	switch {
	case next.inner != nil:
		next.inner.survey(v.Message(), here, found)
	case next.isText && strings.IndexByte(v.String(), 0) >= 0:
		*found = append(*found, service.Violation{Field: here.String(), Rule: "must not hold a NUL character"})
	}
}

// checkEntries checks the request without its lists of entries, then each entry
// by itself.
func checkEntries(ctx context.Context, validator protovalidate.Validator, m protoreflect.Message, found *[]service.Violation) error {
	head := m.New()
	var lists []protoreflect.FieldDescriptor
	m.Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		if f.IsList() && f.Message() != nil {
			lists = append(lists, f)
		} else {
			head.Set(f, v)
		}
		return true
	})
	// Range has no order.
	slices.SortFunc(lists, func(a, b protoreflect.FieldDescriptor) int { return cmp.Compare(a.Index(), b.Index()) })
	if err := gather(validator, head.Interface(), "", found); err != nil {
		return err
	}
	for _, f := range lists {
		list := m.Get(f).List()
		for i := 0; i < list.Len() && len(*found) < enoughViolations; i++ {
			if err := ctx.Err(); err != nil {
				return err
			}
			path := fmt.Sprintf("%s[%d]", f.JSONName(), i)
			if err := gather(validator, list.Get(i).Message().Interface(), path, found); err != nil {
				return err
			}
		}
	}
	return nil
}

func gather(validator protovalidate.Validator, m proto.Message, path string, found *[]service.Violation) error {
	err := validator.Validate(m)
	var invalid *protovalidate.ValidationError
	if errors.As(err, &invalid) {
		*found = append(*found, violationsOf(invalid, path, m.ProtoReflect().Descriptor())...)
		return nil
	}
	return err
}
