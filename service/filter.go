package service

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"go.einride.tech/aip/filtering"
	"go.einride.tech/aip/ordering"
	expr "google.golang.org/genproto/googleapis/api/expr/v1alpha1"
	"google.golang.org/protobuf/reflect/protoreflect"

	"dewbench/service/civil"
)

// Condition is one comparison of a filter. Op is one of = != < <= > >= ; `:` for
// text that has the value as a part, without regard to case; or Present.
type Condition struct {
	Field string
	Op    string
	// By the kind of the field: a string, int64, float64, bool, civil.Day, int32 (the
	// number of an enum's value), or microseconds since 1970 UTC as int64. With
	// Present: nil.
	Value any
}

// mostConditions is how many comparisons a filter may have: more than anybody writes, and
// each is made for every row.
const mostConditions = 100

// Present is the operator of `field:*`: the field has a value.
const Present = ":*"

var (
	equality   = []string{"=", "!="}
	comparison = []string{"=", "!=", "<", "<=", ">", ">="}
)

// Field is a field that a list can be filtered by: its operators, and how a value is
// read: a string, an int64, a float64, or nil for what is none of these. wrong says
// what is wrong with it; "": nothing.
type Field struct {
	ops  []string
	read func(field string, value any) (read any, wrong string)
	// elsewhere is the key of the request that asks for it, where the filter takes none.
	elsewhere string
}

// Elsewhere is for what many try to filter by and a key of the request asks for.
func Elsewhere(key string) Field { return Field{elsewhere: key} }

// Fields are the fields that a list can be filtered by.
type Fields map[string]Field

// With returns the field with other operators than are usual for its kind.
func (f Field) With(ops ...string) Field {
	f.ops = ops
	return f
}

// The kinds of fields.
var (
	// TextField is text that is compared as a whole.
	TextField = Field{ops: equality, read: readText}
	// SearchField is text in which `:` finds a part.
	SearchField = Field{ops: []string{"=", "!=", ":"}, read: readText}
	// NameField is the name of a resource, or another name in the same letters.
	NameField = Field{ops: equality, read: readName}
	BoolField = Field{ops: equality, read: readBool}
	// IntegerField is a whole number of 32 bits.
	IntegerField = Field{ops: comparison, read: readInteger}
	NumberField  = Field{ops: comparison, read: readNumber}
	DayField     = Field{ops: comparison, read: readDay}
	TimeField    = Field{ops: comparison, read: readTime}
	// TimeOrDayField is an instant that is compared with a civil day too: the list
	// knows in which zone.
	TimeOrDayField = Field{ops: comparison, read: readTimeOrDay}
)

// EnumField is compared with the names of an enum.
func EnumField(enum protoreflect.Enum) Field {
	values := enum.Descriptor().Values()
	var names []string
	for i := range values.Len() {
		if v := values.Get(i); v.Number() != 0 { // that it is not known can be asked for too, but nobody is led there
			names = append(names, string(v.Name()))
		}
	}
	return Field{ops: equality, read: func(field string, value any) (any, string) {
		name, ok := value.(string)
		if !ok {
			return nil, field + " is compared with a name, one of " + strings.Join(names, ", ")
		}
		found := values.ByName(protoreflect.Name(name))
		if found == nil {
			return nil, fmt.Sprintf("%q is no value of %s; they are %s", short(name), field, strings.Join(names, ", "))
		}
		return int32(found.Number()), ""
	}}
}

func readText(field string, value any) (any, string) {
	text, ok := value.(string)
	switch {
	case !ok:
		return nil, field + " is compared with text in double quotes or a name"
	case strings.ContainsRune(text, 0):
		return nil, field + " is compared with text without zero characters"
	}
	return text, ""
}

var nameForm = regexp.MustCompile(`^[A-Za-z0-9-]+(/[A-Za-z0-9-]+)*$`)

func readName(field string, value any) (any, string) {
	if name, ok := value.(string); ok && nameForm.MatchString(name) {
		return name, ""
	}
	return nil, field + " is compared with a name, of letters, digits, hyphens and slashes"
}

func readBool(field string, value any) (any, string) {
	switch value {
	case "true":
		return true, ""
	case "false":
		return false, ""
	}
	return nil, field + " is compared with true or false"
}

func readInteger(field string, value any) (any, string) {
	if n, ok := value.(int64); ok && n >= math.MinInt32 && n <= math.MaxInt32 {
		return n, ""
	}
	return nil, field + " is compared with a whole number of 32 bits, without leading zeros"
}

func readNumber(field string, value any) (any, string) {
	switch n := value.(type) {
	case int64:
		return float64(n), ""
	case float64:
		return n, ""
	}
	return nil, field + " is compared with a number like 4 or 2.5"
}

func readDay(field string, value any) (any, string) {
	text, ok := value.(string)
	if day, err := civil.Parse(text); ok && err == nil {
		return day, ""
	}
	return nil, field + " is compared with a day of the calendar, YYYY-MM-DD"
}

// instantForm is RFC 3339, section 5.6, of which time.Parse takes more than it
// should. Rows keep microseconds.
var instantForm = regexp.MustCompile(`^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,6})?(Z|[+-]([01]\d|2[0-3]):[0-5]\d)$`)

func readTime(field string, value any) (any, string) {
	text, ok := value.(string)
	if ok && instantForm.MatchString(text) {
		at, err := time.Parse(time.RFC3339, text)
		if at = at.UTC(); err == nil && at.Year() >= 1 && at.Year() <= 9999 {
			return at.UnixMicro(), ""
		}
	}
	return nil, field + " is compared with an instant like \"2026-05-11T07:30:00Z\" (RFC 3339, at most six decimals)"
}

func readTimeOrDay(field string, value any) (any, string) {
	if day, wrong := readDay(field, value); wrong == "" {
		return day, ""
	}
	at, wrong := readTime(field, value)
	if wrong != "" {
		wrong += ", or with a day, YYYY-MM-DD"
	}
	return at, wrong
}

func (f Fields) names() string {
	names := make([]string, 0, len(f))
	for name, field := range f {
		if field.elsewhere != "" {
			continue
		}
		names = append(names, name)
	}
	slices.Sort(names)
	return strings.Join(names, ", ")
}

// ParseFilter reads a filter (AIP-160): comparisons of the given fields, joined
// by AND. An empty filter has no conditions.
func ParseFilter(filter string, fields Fields) ([]Condition, error) {
	filter = strings.TrimSpace(quoteBare(filter))
	if filter == "" {
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
	written := func(e *expr.Expr) string {
		at := int(parsed.GetSourceInfo().GetPositions()[e.GetId()])
		return filter[min(at, len(filter)):]
	}
	var conditions []Condition
	var walk func(*expr.Expr) error
	walk = func(e *expr.Expr) error {
		call := e.GetCallExpr()
		if call == nil {
			return refuse("must be comparisons (field, operator, value) joined by AND")
		}
		op, args := call.GetFunction(), call.GetArgs()
		switch op {
		case filtering.FunctionAnd, filtering.FunctionFuzzyAnd:
			for _, arg := range args {
				if err := walk(arg); err != nil {
					return err
				}
			}
			return nil
		case filtering.FunctionOr, filtering.FunctionNot:
			return refuse("takes no %s: write comparisons joined by AND", op)
		}
		if len(conditions) == mostConditions {
			return refuse("has more than %d comparisons", mostConditions)
		}
		if len(args) != 2 {
			return refuse("takes no function %q: write comparisons joined by AND", short(op))
		}
		name := fieldPath(args[0])
		field, known := fields[name]
		if !known {
			return refuse("cannot compare %q; the fields are %s", short(name), fields.names())
		}
		if field.elsewhere != "" {
			return refuse("cannot compare %q: the key %s asks for it; the fields are %s", name, field.elsewhere, fields.names())
		}
		value := valueOf(args[1], written(args[1]))
		if op == ":" && value == "*" && strings.HasPrefix(written(args[1]), "*") {
			op = Present
		}
		if !slices.Contains(field.ops, op) {
			return refuse("%s cannot be compared by %s, only by %s", name, op, strings.Join(field.ops, " "))
		}
		if op == Present {
			conditions = append(conditions, Condition{name, op, nil})
			return nil
		}
		if text, ok := value.(string); ok && !utf8.ValidString(text) {
			return refuse("%s is compared with text that is not UTF-8", name)
		}
		read, wrong := field.read(name, value)
		if wrong != "" {
			return refuse("%s", wrong)
		}
		conditions = append(conditions, Condition{name, op, read})
		return nil
	}
	if err := walk(parsed.GetExpr()); err != nil {
		return nil, err
	}
	return conditions, nil
}

// valueOf returns the value of a comparison, which stands in the filter as
// written: a string (also a bare word), an int64, a float64, or nil for what is
// none of these.
func valueOf(e *expr.Expr, written string) any {
	switch v := e.GetConstExpr().GetConstantKind().(type) {
	case *expr.Constant_StringValue:
		return v.StringValue
	case *expr.Constant_Int64Value:
		if !strings.HasPrefix(written, strconv.FormatInt(v.Int64Value, 10)) {
			return nil // the parser reads 010 as octal, and 0x10
		}
		return v.Int64Value
	case *expr.Constant_DoubleValue:
		return v.DoubleValue
	}
	if ident := e.GetIdentExpr(); ident != nil {
		return ident.GetName()
	}
	return nil
}

// quoteBare puts quotes around days, instants and names of resources that stand
// bare as a value, for instance 2026-05-11 or taxa/drosera-capensis. The grammar
// has no tokens for them.
func quoteBare(filter string) string {
	var out strings.Builder
	quote, escaped := byte(0), false
	for i := 0; i < len(filter); i++ {
		c := filter[i]
		out.WriteByte(c)
		switch {
		case quote != 0:
			if c == quote && !escaped {
				quote = 0
			}
			escaped = c == '\\' && !escaped
			continue
		case c == '"' || c == '\'':
			quote = c
			continue
		case !strings.ContainsRune("=<>:", rune(c)):
			continue
		}
		rest := filter[i+1:]
		lead := len(rest) - len(strings.TrimLeft(strings.TrimPrefix(rest, "="), " \t\r\n"))
		bare := rest[lead:]
		bare = bare[:len(bare)-len(strings.TrimLeft(bare, bareCharacters))]
		if len(bare) > 1 && strings.ContainsAny(bare[1:], "-:/") {
			out.WriteString(rest[:lead] + `"` + bare + `"`)
			i += lead + len(bare)
		}
	}
	return out.String()
}

const bareCharacters = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789_./:+-"

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

// Order is the order of a list. Field is "" for the list's own.
type Order struct {
	Field string
	Desc  bool
}

// ParseOrder reads orderBy (AIP-132) of a list that has one order at a time: one of
// the given, which may be followed by desc.
func ParseOrder(orderBy string, fields ...string) (Order, error) {
	order, err := parseOrders(orderBy, fields...)
	switch {
	case err != nil || len(order) == 0:
		return Order{}, err
	case len(order) > 1:
		return Order{}, badOrder("must be one of %s, alone or followed by desc", strings.Join(fields, ", "))
	}
	return order[0], nil
}

// parseOrders reads orderBy of a list that is ordered by several fields at once: some
// of the given, each at most once.
func parseOrders(orderBy string, fields ...string) ([]Order, error) {
	var read ordering.OrderBy
	if err := read.UnmarshalString(orderBy); err != nil {
		return nil, badOrder("cannot be read; write one of %s, alone or followed by desc in lower case", strings.Join(fields, ", "))
	}
	var order []Order
	for _, f := range read.Fields {
		if !slices.Contains(fields, f.Path) {
			return nil, badOrder("cannot order by %q; the fields are %s", short(f.Path), strings.Join(fields, ", "))
		}
		if slices.ContainsFunc(order, func(o Order) bool { return o.Field == f.Path }) {
			return nil, badOrder("names %s twice", f.Path)
		}
		order = append(order, Order{f.Path, f.Desc})
	}
	return order, nil
}

func badOrder(format string, args ...any) error {
	return Invalid(InvalidOrder, []Violation{{"orderBy", fmt.Sprintf(format, args...)}})
}
