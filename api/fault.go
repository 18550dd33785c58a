package api

import (
	"bytes"
	"encoding/json"
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"unicode/utf8"

	"google.golang.org/protobuf/reflect/protoreflect"

	"dewbench/service"
)

// decodeError is how protojson says what it cannot read: where, and why.
var decodeError = regexp.MustCompile(`(?s)^proto:[\s\x{a0}]*\(line (\d+):(\d+)\): (.*)$`)

// The reasons that protojson has for what is JSON, but not the message.
var (
	unknownField  = regexp.MustCompile(`^unknown field "`)
	twiceField    = regexp.MustCompile(`^duplicate field "`)
	secondOfGroup = regexp.MustCompile(`^error parsing "[^"]*", oneof ([\w.]+) is already set$`)
	badValue      = regexp.MustCompile(`^(?:invalid value for |invalid google\.protobuf\.|google\.protobuf\.)`)
)

// faultIn says in the words of the API what protojson found wrong in a body, with the
// path of the field. It returns nil for what it has no words for. The body is the field
// of a request that the route names, or all of it.
func (rt *route) faultIn(body []byte, message protoreflect.MessageDescriptor, err error) *service.Error {
	found := decodeError.FindStringSubmatch(err.Error())
	if found == nil {
		return nil
	}
	line, _ := strconv.Atoi(found[1])
	column, _ := strconv.Atoi(found[2])
	path, in, field := placeAt(body, offsetOf(body, line, column), message)
	if len(path) == 0 {
		return nil
	}
	key, rule := path[len(path)-1], ""
	switch why := found[3]; {
	case unknownField.MatchString(why) && in != nil:
		rule = rt.unknownText(key, in)
	case twiceField.MatchString(why):
		rule = "stands twice, perhaps in two spellings"
	case secondOfGroup.MatchString(why):
		group := secondOfGroup.FindStringSubmatch(why)[1]
		at := in.Oneofs().ByName(protoreflect.FullName(group).Name())
		if at == nil {
			return nil
		}
		rule = "only one of these can be given: " + strings.Join(jsonNames(at.Fields()), ", ")
	case badValue.MatchString(why) && field != nil:
		rule = valueText(field)
	}
	if rule == "" {
		return nil
	}
	place := short(strings.ReplaceAll(strings.Join(path, "."), ".[", "["))
	if rt.body != "*" {
		place = rt.call.Input().Fields().ByName(protoreflect.Name(rt.body)).JSONName() + "." + place
	}
	return service.Invalid(malformedRequest, []service.Violation{{Field: place, Rule: rule}})
}

// unknownText says what to write in place of a field that is none of a message.
func (rt *route) unknownText(key string, in protoreflect.MessageDescriptor) string {
	if _, ok := rt.query[key]; ok {
		return "is not a field of the body: it is a query key, as in ?" + key + "="
	}
	names := jsonNames(in.Fields())
	if near := service.DidYouMean(key, names); near != "" {
		return "is not a field: " + near
	}
	return "is not a field; they are " + strings.Join(names, ", ")
}

// valueText says what a field of JSON takes.
func valueText(field protoreflect.FieldDescriptor) string {
	switch field.Kind() {
	case protoreflect.BoolKind:
		return "must be true or false"
	case protoreflect.EnumKind:
		return "must be one of " + strings.Join(valueNames(field.Enum()), ", ") + ", in double quotes"
	case protoreflect.StringKind:
		return "must be a text, in double quotes"
	case protoreflect.BytesKind:
		return "must be base64, in double quotes"
	case protoreflect.DoubleKind, protoreflect.FloatKind:
		return "must be a number"
	case protoreflect.MessageKind:
		switch field.Message().FullName() {
		case "google.protobuf.Timestamp":
			return "must be an instant of the years 1 to 9999 in the form 2026-05-11T07:30:00Z, with its offset from UTC (RFC 3339)"
		case "google.protobuf.Duration":
			return `must be a number of seconds in the form "90s"`
		case "google.protobuf.FieldMask":
			return `must be names of fields joined by commas, in double quotes`
		}
		return ""
	}
	return "must be a whole number that fits in 32 bits" // the contract takes no others
}

// offsetOf returns the byte at a line and column, both from 1, columns in characters.
func offsetOf(text []byte, line, column int) int {
	at := 0
	for ; line > 1; line-- {
		end := bytes.IndexByte(text[at:], '\n')
		if end < 0 {
			return len(text)
		}
		at += end + 1
	}
	for ; column > 1 && at < len(text); column-- {
		_, size := utf8.DecodeRune(text[at:])
		at += size
	}
	return at
}

// placeAt returns the way through JSON to the token that ends behind offset: keys as
// they are known, and [index]. in is the message that the last key is looked for in,
// field what it names; both are nil where nobody knows.
func placeAt(text []byte, offset int, message protoreflect.MessageDescriptor) (path []string, in protoreflect.MessageDescriptor, field protoreflect.FieldDescriptor) {
	decoder := json.NewDecoder(bytes.NewReader(text))
	type level struct {
		object bool
		in     protoreflect.MessageDescriptor
		field  protoreflect.FieldDescriptor // of the value that is open
		key    string
		index  int
		value  bool // the next token is the value of key
	}
	levels := []level{{in: message}}
	for {
		token, err := decoder.Token()
		if err != nil {
			return nil, nil, nil
		}
		top := &levels[len(levels)-1]
		delim, isDelim := token.(json.Delim)
		if top.object && !top.value && !isDelim {
			top.key, top.value = fmt.Sprint(token), true
			if top.field = nil; top.in != nil {
				if top.field = top.in.Fields().ByJSONName(top.key); top.field == nil {
					top.field = top.in.Fields().ByName(protoreflect.Name(top.key))
				}
			}
			if top.field != nil {
				top.key = top.field.JSONName()
			}
		} else if !isDelim || delim == '{' || delim == '[' {
			top.value = false
			if !top.object {
				top.index++
			}
		}
		if int(decoder.InputOffset()) > offset {
			for i, l := range levels {
				switch {
				case l.object:
					path = append(path, l.key)
				case i > 0:
					path = append(path, fmt.Sprintf("[%d]", l.index-1))
				}
			}
			last := levels[len(levels)-1]
			if last.object || len(levels) == 1 {
				return path, last.in, last.field
			}
			return path, last.in, levels[len(levels)-2].field
		}
		if !isDelim {
			continue
		}
		switch delim {
		case '{':
			next := level{object: true, in: top.in}
			if top.object {
				next.in = nil
				if top.field != nil {
					next.in = top.field.Message()
				}
			}
			levels = append(levels, next)
		case '[':
			next := level{}
			if top.object && top.field != nil {
				next.in = top.field.Message()
			}
			levels = append(levels, next)
		default:
			levels = levels[:len(levels)-1]
		}
	}
}
