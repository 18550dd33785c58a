package service

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"go.einride.tech/aip/filtering"
	"go.einride.tech/aip/ordering"
	expr "google.golang.org/genproto/googleapis/api/expr/v1alpha1"
	"google.golang.org/protobuf/reflect/protoreflect"

	"dewbench/service/civil"
)

// condition is one comparison of a filter.
type condition struct {
	field, op, value string
}

// filterable says which operators each field of a list takes.
type filterable map[string][]string

func (f filterable) names() string {
	names := make([]string, 0, len(f))
	for name := range f {
		names = append(names, name)
	}
	slices.Sort(names)
	return strings.Join(names, ", ")
}

// parseFilter reads a filter (AIP-160): comparisons of the given fields, joined
// by AND. An empty filter has no conditions.
func parseFilter(filter string, fields filterable) ([]condition, error) {
	if strings.TrimSpace(filter) == "" {
		return nil, nil
	}
	refuse := func(format string, args ...any) error {
		return Invalid(InvalidFilter, []Violation{{"filter", fmt.Sprintf(format, args...)}})
	}
	var parser filtering.Parser
	parser.Init(filter)
	parsed, err := parser.Parse()
	if err != nil {
		// The parser's own error is many lines of where it stood.
		return nil, refuse("cannot be read; write comparisons joined by AND, for instance genus = \"Drosera\"")
	}
	var conditions []condition
	var walk func(*expr.Expr) error
	walk = func(e *expr.Expr) error {
		call := e.GetCallExpr()
		if call == nil {
			return refuse("must be comparisons (field, operator, value) joined by AND")
		}
		args := call.GetArgs()
		switch call.GetFunction() {
		case filtering.FunctionAnd, filtering.FunctionFuzzyAnd:
			for _, arg := range args {
				if err := walk(arg); err != nil {
					return err
				}
			}
			return nil
		case filtering.FunctionOr, filtering.FunctionNot:
			return refuse("takes no %s: write comparisons joined by AND", call.GetFunction())
		}
		if len(args) != 2 {
			return refuse("takes no function %q: write comparisons joined by AND", short(call.GetFunction()))
		}
		field := fieldPath(args[0])
		ops, known := fields[field]
		if !known {
			return refuse("cannot compare %q; the fields are %s", short(field), fields.names())
		}
		if !slices.Contains(ops, call.GetFunction()) {
			return refuse("%s cannot be compared by %s, only by %s", field, call.GetFunction(), strings.Join(ops, " "))
		}
		var value string
		switch {
		case args[1].GetConstExpr() != nil:
			switch constant := args[1].GetConstExpr().GetConstantKind().(type) {
			case *expr.Constant_StringValue:
				value = constant.StringValue
			case *expr.Constant_Int64Value:
				value = strconv.FormatInt(constant.Int64Value, 10)
			default:
				return refuse("%s is compared with text in double quotes, a whole number or a name", field)
			}
		case args[1].GetIdentExpr() != nil:
			value = args[1].GetIdentExpr().GetName()
		default:
			return refuse("%s is compared with text in double quotes or a name", field)
		}
		conditions = append(conditions, condition{field, call.GetFunction(), value})
		return nil
	}
	if err := walk(parsed.GetExpr()); err != nil {
		return nil, err
	}
	return conditions, nil
}

// Field is a field of a list that filters may compare.
type Field struct {
	ops  []string
	read func(text string) (value any, rule string) // the value, or the rule that it breaks
}

// Fields are the fields of a list that filters may compare.
type Fields map[string]Field

// Condition is a comparison of a filter. Value is a string, an int64, a civil.Day,
// an int32 (the number of an enum's value), or microseconds since 1970 UTC as int64.
type Condition struct {
	Field, Op string
	Value     any
}

var (
	same    = []string{"=", "!="}
	ordered = []string{"=", "!=", "<", "<=", ">", ">="}
)

// TextField is text that is compared as it is, or the name of something.
var TextField = Field{same, func(text string) (any, string) { return text, "" }}

// SearchField is text that is compared as it is, and searched for a part without
// regard to case.
var SearchField = Field{[]string{"=", "!=", ":"}, TextField.read}

// IntegerField is a whole number of 32 bits.
var IntegerField = Field{ordered, func(text string) (any, string) {
	n, err := strconv.ParseInt(text, 10, 64)
	if err != nil || n < math.MinInt32 || n > math.MaxInt32 {
		return nil, "is not a whole number that fits in 32 bits"
	}
	return n, ""
}}

// DayField is a civil day.
var DayField = Field{ordered, func(text string) (any, string) {
	d, err := civil.Parse(text)
	if err != nil {
		return nil, err.Error() + ", in double quotes"
	}
	return d, ""
}}

// TimeField is an instant.
var TimeField = Field{ordered, func(text string) (any, string) {
	t, err := time.Parse(time.RFC3339, text)
	if err != nil || t.Year() < 1 || t.Year() > 9999 {
		return nil, "is not an instant of RFC 3339 in double quotes, such as \"2026-05-01T12:00:00Z\""
	}
	return t.UnixMicro(), ""
}}

// EnumField is one of an enum's values, but for the zero one, which is no value.
func EnumField(enum protoreflect.Enum) Field {
	values := enum.Descriptor().Values()
	var names []string
	for i := range values.Len() {
		if v := values.Get(i); v.Number() != 0 {
			names = append(names, string(v.Name()))
		}
	}
	return Field{same, func(text string) (any, string) {
		v := values.ByName(protoreflect.Name(text))
		if v == nil {
			return nil, "is none of its values; they are " + strings.Join(names, ", ")
		}
		return int32(v.Number()), ""
	}}
}

// ParseFilter reads a filter (AIP-160): comparisons of the given fields, joined by
// AND. An empty filter has no conditions.
func ParseFilter(filter string, fields Fields) ([]Condition, error) {
	ops := filterable{}
	for name, f := range fields {
		ops[name] = f.ops
	}
	read, err := parseFilter(filter, ops)
	if err != nil {
		return nil, err
	}
	var conditions []Condition
	for _, c := range read {
		value, rule := fields[c.field].read(c.value)
		if rule == "" && strings.ContainsRune(c.value, 0) {
			rule = "holds a NUL character" // which Postgres does not take
		}
		if rule != "" {
			return nil, Invalid(InvalidFilter, []Violation{{"filter", fmt.Sprintf("%s: %q %s", c.field, short(c.value), rule)}})
		}
		conditions = append(conditions, Condition{c.field, c.op, value})
	}
	return conditions, nil
}

// Order is the order of a list. Field is "" for the list's own.
type Order struct {
	Field string
	Desc  bool
}

// ParseOrder reads orderBy (AIP-132) of a list that is ordered by one field.
func ParseOrder(orderBy string, fields ...string) (Order, error) {
	read, err := parseOrder(orderBy, fields...)
	switch {
	case err != nil || len(read) == 0:
		return Order{}, err
	case len(read) > 1:
		return Order{}, Invalid(InvalidOrder, []Violation{{"orderBy", "takes one field; the fields are " + strings.Join(fields, ", ")}})
	}
	return Order{read[0].Path, read[0].Desc}, nil
}

// fieldPath writes a field as it stands in a filter, with dots; "" for what is no
// field.
func fieldPath(e *expr.Expr) string {
	if member := e.GetSelectExpr(); member != nil {
		return fieldPath(member.GetOperand()) + "." + member.GetField()
	}
	return e.GetIdentExpr().GetName()
}

// quotedMost is how many characters of a caller's words an error quotes.
const quotedMost = 80

// short returns what a caller wrote, cut to what an error may quote.
func short(text string) string { return Cut(text, quotedMost) }

// Cut returns text as UTF-8 of at most most characters, with an ellipsis where
// something was cut off.
func Cut(text string, most int) string {
	n := 0
	for i := range text {
		if n++; n > most {
			text = text[:i] + "…"
			break
		}
	}
	return strings.ToValidUTF8(text, "?")
}

// parseOrder reads orderBy (AIP-132): some of the given fields, each at most
// once.
func parseOrder(orderBy string, fields ...string) ([]ordering.Field, error) {
	refuse := func(format string, args ...any) error {
		return Invalid(InvalidOrder, []Violation{{"orderBy", fmt.Sprintf(format, args...)}})
	}
	var order ordering.OrderBy
	if err := order.UnmarshalString(orderBy); err != nil {
		return nil, refuse("cannot be read; write fields joined by commas, each optionally followed by desc")
	}
	for i, f := range order.Fields {
		if !slices.Contains(fields, f.Path) {
			return nil, refuse("cannot order by %q; the fields are %s", short(f.Path), strings.Join(fields, ", "))
		}
		if slices.ContainsFunc(order.Fields[:i], func(o ordering.Field) bool { return o.Path == f.Path }) {
			return nil, refuse("names %s twice", f.Path)
		}
	}
	return order.Fields, nil
}
