package api

import (
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"dewbench/service"
)

// route is one way to reach a call over HTTP.
type route struct {
	method   string // HTTP
	path     string // template, as in the proto file
	call     protoreflect.MethodDescriptor
	body     string // field of the request that the body is, "*" for all, "" for none
	fullName string // of the call, as gRPC has it

	parts []string // what stands between the slashes of the path; "*" is anything
	verb  string   // what stands behind the colon at the end of the path

	query   map[string]protoreflect.FieldDescriptor // query keys
	keys    []string                                // the same in order
	updates *updateShape                            // nil: it updates nothing
	both    []protoreflect.FieldDescriptor          // the way to the field that both path and body give; nil: there is none
}

// templateVariable is a variable of a path template, with the part of the path that
// it stands for.
var templateVariable = regexp.MustCompile(`\{([^{}=]+)(?:=([^{}]+))?\}`)

// routesOf reads the HTTP rules of a call.
func routesOf(call protoreflect.MethodDescriptor) ([]route, error) {
	rule, _ := proto.GetExtension(call.Options(), annotations.E_Http).(*annotations.HttpRule)
	if rule == nil {
		return nil, nil
	}
	var routes []route
	for _, r := range append([]*annotations.HttpRule{rule}, rule.GetAdditionalBindings()...) {
		rt := route{call: call, body: r.GetBody(), fullName: fmt.Sprintf("/%s/%s", call.Parent().FullName(), call.Name())}
		switch p := r.GetPattern().(type) {
		case *annotations.HttpRule_Get:
			rt.method, rt.path = http.MethodGet, p.Get
		case *annotations.HttpRule_Post:
			rt.method, rt.path = http.MethodPost, p.Post
		case *annotations.HttpRule_Put:
			rt.method, rt.path = http.MethodPut, p.Put
		case *annotations.HttpRule_Patch:
			rt.method, rt.path = http.MethodPatch, p.Patch
		case *annotations.HttpRule_Delete:
			rt.method, rt.path = http.MethodDelete, p.Delete
		default:
			return nil, fmt.Errorf("%s has an HTTP rule of an unknown kind", call.FullName())
		}
		plain := templateVariable.ReplaceAllStringFunc(rt.path, func(variable string) string {
			if pattern := templateVariable.FindStringSubmatch(variable)[2]; pattern != "" {
				return pattern
			}
			return "*"
		})
		if strings.ContainsAny(plain, "{}") || strings.Contains(plain, "**") {
			return nil, fmt.Errorf("%s has the path %s, of a kind that is not matched here", call.FullName(), rt.path)
		}
		rt.parts, rt.verb, _ = splitPath(plain)
		rt.query = rt.queryFields()
		rt.keys = slices.Sorted(maps.Keys(rt.query))
		rt.updates = rt.shapeOf()
		rt.both = rt.namedTwice()
		routes = append(routes, rt)
	}
	return routes, nil
}

// splitPath returns what stands between the slashes of a path, and the verb behind
// the last colon. ok is false for what is no path, or has a verb of nothing.
func splitPath(path string) (parts []string, verb string, ok bool) {
	path, ok = strings.CutPrefix(path, "/")
	parts = strings.Split(path, "/")
	last := &parts[len(parts)-1]
	if i := strings.LastIndexByte(*last, ':'); i >= 0 {
		*last, verb = (*last)[:i], (*last)[i+1:]
		ok = ok && i > 0 && verb != ""
	}
	return parts, verb, ok
}

// findRoute returns the route of a request, or nil and the methods that its path
// takes. No id holds a colon, so what stands behind one is a verb.
func (g *gateway) findRoute(r *http.Request) (found *route, allowed []string) {
	path := r.URL.RawPath // with escapes, so that those of a slash or a colon do not part the path
	if path == "" {
		path = r.URL.Path
	}
	parts, verb, ok := splitPath(path)
	if !ok {
		return nil, nil
	}
	for i := range g.routes {
		rt := &g.routes[i]
		matches := rt.verb == verb && slices.EqualFunc(rt.parts, parts, func(want, part string) bool { return want == "*" || want == part })
		switch {
		case matches && rt.method == r.Method:
			return rt, nil
		case matches:
			allowed = append(allowed, rt.method)
		}
	}
	if slices.Contains(allowed, http.MethodGet) {
		allowed = append(allowed, http.MethodHead)
	}
	slices.Sort(allowed)
	return nil, allowed
}

// checkQuery tells what is wrong with a query, all of it at once. The gateway would
// drop keys that the call does not take. Beside a body that is a table or an archive
// all fields but it are keys.
func (rt *route) checkQuery(raw string, table bool) error {
	taken, keys := rt.query, rt.keys
	if table {
		taken = rt.fieldsBut(rt.rawField())
		keys = slices.Sorted(maps.Keys(taken))
	}
	query, err := url.ParseQuery(raw)
	if err != nil {
		return &service.Error{Reason: malformedRequest, Message: "the query cannot be read: " + err.Error()}
	}
	var unknown, bad []service.Violation
	for key, values := range query {
		field, known := taken[key]
		if key == snakeMaskKey {
			if field, known = taken[maskKey]; known && query.Has(maskKey) {
				values = append(values, query[maskKey]...)
			}
		}
		switch {
		case !known && rt.inBody(key):
			rule := "is not a query key of this call: it is a field of the body"
			if !table {
				rule += rt.rawHint()
			}
			unknown = append(unknown, service.Violation{Field: short(key), Rule: rule})
		case !known && len(keys) == 0:
			unknown = append(unknown, service.Violation{Field: short(key), Rule: "is not a query key: this call takes none"})
		case !known:
			unknown = append(unknown, service.Violation{Field: short(key), Rule: "is not a query key of this call; they are " + strings.Join(keys, ", ")})
		case len(values) > 1 && !field.IsList():
			bad = append(bad, service.Violation{Field: key, Rule: "stands more than once"})
		default:
			for _, value := range values {
				if rule := checkValue(field, value); rule != "" {
					bad = append(bad, service.Violation{Field: key, Rule: rule})
				}
			}
		}
	}
	for _, found := range []struct {
		reason     service.Reason
		violations []service.Violation
	}{{unknownQueryKey, unknown}, {malformedRequest, bad}} {
		if len(found.violations) > 0 {
			slices.SortFunc(found.violations, func(a, b service.Violation) int { return strings.Compare(a.Field, b.Field) })
			return service.Invalid(found.reason, found.violations)
		}
	}
	return nil
}

// inBody tells whether the body of the call has a field of a name.
func (rt *route) inBody(name string) bool {
	in := rt.call.Input()
	if rt.body == "" {
		return false
	}
	if rt.body != "*" {
		in = in.Fields().ByName(protoreflect.Name(rt.body)).Message()
	}
	return in.Fields().ByJSONName(name) != nil
}

// checkValue tells what is wrong with the value of a query key, if anything. The
// gateway would say it in words of its own.
func checkValue(field protoreflect.FieldDescriptor, value string) (rule string) {
	var err error
	switch field.Kind() {
	case protoreflect.StringKind, protoreflect.MessageKind:
		if !utf8.ValidString(value) {
			return "is not UTF-8"
		}
		if isInstant(field) {
			_, err = time.Parse(time.RFC3339Nano, value)
			rule = "must be an instant as RFC 3339 has it, such as 2026-05-11T09:00:00Z"
		}
	case protoreflect.Int32Kind:
		_, err = strconv.ParseInt(value, 10, 32)
		rule = "must be a whole number that fits in 32 bits"
	case protoreflect.BoolKind:
		_, err = strconv.ParseBool(value)
		rule = "must be true or false"
	case protoreflect.EnumKind:
		if field.Enum().Values().ByName(protoreflect.Name(value)) == nil {
			rule = "must be one of " + strings.Join(valueNames(field.Enum()), ", ")
			if field.IsList() {
				rule += "; for several, the key stands several times"
			}
			return rule
		}
	}
	if err != nil {
		return rule
	}
	return ""
}

// The query key of a mask, in both spellings that its paths have too.
const (
	maskKey      = "updateMask"
	snakeMaskKey = "update_mask"
)

// queryFields returns the query keys that a route takes: the JSON names of the
// request's plain fields that are in neither path nor body, and of its mask.
func (rt *route) queryFields() map[string]protoreflect.FieldDescriptor {
	if rt.body == "*" {
		return map[string]protoreflect.FieldDescriptor{}
	}
	return rt.fieldsBut(rt.body)
}

// isInstant tells whether a field is an instant.
func isInstant(field protoreflect.FieldDescriptor) bool {
	return field.Message() != nil && !field.IsList() && field.Message().FullName() == (&timestamppb.Timestamp{}).ProtoReflect().Descriptor().FullName()
}

// fieldsBut returns the plain fields of the request that are neither in the path nor the
// body, by their JSON names.
func (rt *route) fieldsBut(body string) map[string]protoreflect.FieldDescriptor {
	keys := map[string]protoreflect.FieldDescriptor{}
	fields := rt.call.Input().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		inPath := strings.Contains(rt.path, "{"+string(f.Name())+"}") || strings.Contains(rt.path, "{"+string(f.Name())+"=")
		if inPath || string(f.Name()) == body || f.Message() != nil && !isMask(f) && !isInstant(f) {
			continue
		}
		keys[f.JSONName()] = f
	}
	return keys
}
