package service

import (
	"fmt"
	"slices"
	"strings"

	"go.einride.tech/aip/filtering"
	"go.einride.tech/aip/ordering"
	expr "google.golang.org/genproto/googleapis/api/expr/v1alpha1"
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
			text, ok := args[1].GetConstExpr().GetConstantKind().(*expr.Constant_StringValue)
			if !ok {
				return refuse("%s is compared with text in double quotes or a name", field)
			}
			value = text.StringValue
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
