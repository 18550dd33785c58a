// Command document turns what protoc-gen-openapiv2 wrote (first argument) into the
// OpenAPI document that the server hands out (second argument), and removes the
// former. It does what the generator has no setting for:
//
//   - variables in paths are named as in the resource's pattern: the generator only
//     strips an "s", which makes {taxa} and {benche};
//   - the limits of the validation rules are told, so that a client need not find
//     them out by errors;
//   - a message says which of its fields exclude each other;
//   - the first sentence of a call's comment is its summary, the rest its
//     description;
//   - nothing in the body of a PATCH is required;
//   - the headers are told that the HTTP door takes and sets for all calls: entity tags
//     and the conditions on them, and who is let in;
//   - definitions that nothing refers to are left out.
package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"regexp"
	"strings"

	"buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	dewbenchv1 "dewbench/proto/dewbench/v1"
)

func main() {
	if err := run(os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, "document:", err)
		os.Exit(1)
	}
}

func run(args []string) error {
	if len(args) != 2 {
		return errors.New("usage: document FROM TO")
	}
	in, err := os.ReadFile(args[0])
	if err != nil {
		return err
	}
	var d document
	if err := decode(in, &d); err != nil {
		return err
	}
	if err := d.amend(); err != nil {
		return err
	}
	var out bytes.Buffer
	enc := json.NewEncoder(&out)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	if err := enc.Encode(d); err != nil {
		return err
	}
	if err := os.WriteFile(args[1], out.Bytes(), 0o644); err != nil {
		return err
	}
	return os.Remove(args[0])
}

// decode refuses what the types below do not know, so that nothing is lost on the
// way when the generator learns something new.
func decode(b []byte, v any) error {
	dec := json.NewDecoder(bytes.NewReader(b))
	dec.DisallowUnknownFields()
	return dec.Decode(v)
}

type document struct {
	Swagger             string                           `json:"swagger"`
	Info                json.RawMessage                  `json:"info"`
	Tags                json.RawMessage                  `json:"tags,omitempty"`
	Consumes            []string                         `json:"consumes,omitempty"`
	Produces            []string                         `json:"produces,omitempty"`
	Paths               map[string]map[string]*operation `json:"paths"`
	Definitions         map[string]*schema               `json:"definitions"`
	SecurityDefinitions json.RawMessage                  `json:"securityDefinitions,omitempty"`
	Security            json.RawMessage                  `json:"security,omitempty"`
}

type operation struct {
	Summary     string               `json:"summary,omitempty"`
	Description string               `json:"description,omitempty"`
	OperationID string               `json:"operationId"`
	Deprecated  bool                 `json:"deprecated,omitempty"`
	Tags        []string             `json:"tags,omitempty"`
	Consumes    []string             `json:"consumes,omitempty"`
	Produces    []string             `json:"produces,omitempty"`
	Security    json.RawMessage      `json:"security,omitempty"`
	Parameters  []*parameter         `json:"parameters,omitempty"`
	Responses   map[string]*response `json:"responses"`
}

type parameter struct {
	Name     string  `json:"name"`
	In       string  `json:"in"`
	Required bool    `json:"required"`
	Schema   *schema `json:"schema,omitempty"`
	schema
	CollectionFormat string `json:"collectionFormat,omitempty"`
}

type response struct {
	Description string             `json:"description"`
	Schema      *schema            `json:"schema,omitempty"`
	Headers     map[string]*header `json:"headers,omitempty"`
	Examples    json.RawMessage    `json:"examples,omitempty"`
}

type header struct {
	Description string `json:"description,omitempty"`
	Type        string `json:"type"`
}

type schema struct {
	Ref                  string          `json:"$ref,omitempty"`
	AllOf                []*schema       `json:"allOf,omitempty"`
	Title                string          `json:"title,omitempty"`
	Description          string          `json:"description,omitempty"`
	Type                 string          `json:"type,omitempty"`
	Format               string          `json:"format,omitempty"`
	Enum                 []string        `json:"enum,omitempty"`
	Default              json.RawMessage `json:"default,omitempty"`
	Example              json.RawMessage `json:"example,omitempty"`
	ReadOnly             bool            `json:"readOnly,omitempty"`
	Pattern              string          `json:"pattern,omitempty"`
	MinLength            uint64          `json:"minLength,omitempty"`
	MaxLength            uint64          `json:"maxLength,omitempty"`
	Minimum              *float64        `json:"minimum,omitempty"`
	ExclusiveMinimum     bool            `json:"exclusiveMinimum,omitempty"`
	Maximum              *float64        `json:"maximum,omitempty"`
	ExclusiveMaximum     bool            `json:"exclusiveMaximum,omitempty"`
	MinItems             uint64          `json:"minItems,omitempty"`
	MaxItems             uint64          `json:"maxItems,omitempty"`
	UniqueItems          bool            `json:"uniqueItems,omitempty"`
	Items                *schema         `json:"items,omitempty"`
	Properties           properties      `json:"properties,omitempty"`
	AdditionalProperties json.RawMessage `json:"additionalProperties,omitempty"`
	Required             []string        `json:"required,omitempty"`
}

// properties keep the order of the fields in the .proto file.
type properties []property

type property struct {
	name string
	*schema
}

func (p *properties) UnmarshalJSON(b []byte) error {
	dec := json.NewDecoder(bytes.NewReader(b))
	dec.DisallowUnknownFields()
	if _, err := dec.Token(); err != nil {
		return err
	}
	for dec.More() {
		name, err := dec.Token()
		if err != nil {
			return err
		}
		prop := property{name.(string), new(schema)}
		if err := dec.Decode(prop.schema); err != nil {
			return err
		}
		*p = append(*p, prop)
	}
	return nil
}

func (p properties) MarshalJSON() ([]byte, error) {
	var out bytes.Buffer
	enc := json.NewEncoder(&out)
	enc.SetEscapeHTML(false)
	for i, prop := range p {
		out.WriteByte("{,"[min(i, 1)])
		if err := enc.Encode(prop.name); err != nil {
			return nil, err
		}
		out.WriteByte(':')
		if err := enc.Encode(prop.schema); err != nil {
			return nil, err
		}
	}
	out.WriteByte('}')
	return out.Bytes(), nil
}

func (d *document) amend() error {
	contract := dewbenchv1.File_dewbench_v1_server_proto.Package()
	methods := map[string]protoreflect.MethodDescriptor{}
	variables := map[string]string{} // by the collection before it: "taxa" has "taxon"
	names := map[string][]string{}   // the whole patterns by their last variable
	var errs []error
	protoregistry.GlobalFiles.RangeFilesByPackage(contract, func(f protoreflect.FileDescriptor) bool {
		for i := range f.Services().Len() {
			for j := range f.Services().Get(i).Methods().Len() {
				m := f.Services().Get(i).Methods().Get(j)
				if other, ok := methods[string(m.Name())]; ok {
					errs = append(errs, fmt.Errorf("%s and %s have the same operation id", other.FullName(), m.FullName()))
				}
				methods[string(m.Name())] = m
			}
		}
		for i := range f.Messages().Len() {
			r, _ := proto.GetExtension(f.Messages().Get(i).Options(), annotations.E_Resource).(*annotations.ResourceDescriptor)
			for _, pattern := range r.GetPattern() {
				parts := strings.Split(pattern, "/")
				for k := 1; k < len(parts); k += 2 {
					variables[parts[k-1]] = strings.Trim(parts[k], "{}")
				}
				last := strings.Trim(parts[len(parts)-1], "{}")
				names[last] = append(names[last], pattern)
			}
		}
		return true
	})

	paths := map[string]map[string]*operation{}
	for path, verbs := range d.Paths {
		renamed, old := rename(path, variables, func(name string) bool { // a field of the request, and no part of a name
			for _, op := range verbs {
				m := methods[strings.TrimRight(op.OperationID, "0123456789")]
				return m != nil && m.Input().Fields().ByName(protoreflect.Name(name)) != nil
			}
			return false
		})
		if paths[renamed] != nil {
			errs = append(errs, fmt.Errorf("two paths %s", renamed))
		}
		paths[renamed] = verbs
		for verb, op := range verbs {
			m := methods[strings.TrimRight(op.OperationID, "0123456789")] // further routes of a call are numbered
			if m == nil {
				errs = append(errs, fmt.Errorf("%s is no call", op.OperationID))
				continue
			}
			op.summarise()
			for _, p := range op.Parameters {
				if p.In == "path" {
					if name, ok := old[p.Name]; ok {
						p.Name = name
					}
					for _, pattern := range names[p.Name] {
						if p.Description == "" && strings.Contains(renamed, pattern) {
							p.Description = fmt.Sprintf("The last part of `%s`.", pattern)
						}
					}
				}
				if p.In == "query" {
					p.schema.limit(m.Input().Fields().ByJSONName(p.Name))
				}
				if body := bodyField(m); p.In == "body" && body != nil && verb == "patch" {
					p.Schema.Required = nil
					p.Schema.tellFields(body.Message())
				}
			}
			op.tellConditions(verb, m)
			if op.Security == nil {
				op.Responses["401"] = &response{
					Description: "There is no token, or it lets nobody in.", Schema: errorSchema(),
					Headers: map[string]*header{"WWW-Authenticate": {"What is needed (RFC 6750, section 3).", "string"}},
				}
			}
		}
	}
	d.Paths = paths

	for name, def := range d.Definitions {
		t, err := protoregistry.GlobalTypes.FindMessageByName(contract.Append(protoreflect.Name(name)))
		if err != nil {
			continue // an enum, or another package's
		}
		def.tellFields(t.Descriptor())
	}

	if def := d.Definitions["Any"]; def != nil {
		// Its own comment is a page about the binary form.
		def.Description = "A message of any type, with its own fields beside `@type`."
		for _, p := range def.Properties {
			p.Description = "The type, for instance `type.googleapis.com/google.rpc.ErrorInfo`."
		}
	}

	used := map[string]*schema{}
	for _, verbs := range d.Paths {
		for _, op := range verbs {
			for _, p := range op.Parameters {
				d.use(p.Schema, used)
			}
			for _, r := range op.Responses {
				d.use(r.Schema, used)
			}
		}
	}
	d.Definitions = used
	return errors.Join(errs...)
}

var variable = regexp.MustCompile(`([^/{}]+)/\{([^/{}]+)\}`)

// rename gives the variables of a path the names of the resources' patterns, but for
// those that are whole; old tells the new name by the one that it had.
func rename(path string, variables map[string]string, whole func(name string) bool) (renamed string, old map[string]string) {
	old = map[string]string{}
	renamed = variable.ReplaceAllStringFunc(path, func(s string) string {
		m := variable.FindStringSubmatch(s)
		name, ok := variables[m[1]]
		if !ok || whole(m[2]) {
			return s
		}
		old[m[2]] = name
		return m[1] + "/{" + name + "}"
	})
	return renamed, old
}

var sentenceEnd = regexp.MustCompile(`\.\s+`)

func (op *operation) summarise() {
	text := op.Summary
	if op.Description != "" {
		text += "\n\n" + op.Description
	}
	op.Summary, op.Description = text, ""
	if end := sentenceEnd.FindStringIndex(text); end != nil {
		op.Summary, op.Description = text[:end[0]+1], text[end[1]:]
	}
	op.Summary = strings.ReplaceAll(op.Summary, "\n", " ")
}

// bodyField returns the field of a request that is the body over HTTP; nil: the body
// is all of the request, or there is none.
func bodyField(m protoreflect.MethodDescriptor) protoreflect.FieldDescriptor {
	rule, _ := proto.GetExtension(m.Options(), annotations.E_Http).(*annotations.HttpRule)
	return m.Input().Fields().ByName(protoreflect.Name(rule.GetBody()))
}

// tellConditions tells of the entity tag of a GET, and of the conditions that a call
// takes: those that write take If-Match where they compare etags.
func (op *operation) tellConditions(verb string, m protoreflect.MethodDescriptor) {
	condition := func(name, description string) {
		op.Parameters = append(op.Parameters, &parameter{Name: name, In: "header", schema: schema{Description: description, Type: "string"}})
	}
	compared := m.Input()
	if body := bodyField(m); verb == "patch" && body != nil {
		compared = body.Message()
	}
	comparesEtag := compared.Fields().ByName("etag") != nil
	if verb == "get" {
		op.Responses["200"].Headers = map[string]*header{"ETag": {
			"Changes with the answer. Up to its dot, if it has one, it is the `etag` of the resource.", "string",
		}}
		condition("If-None-Match", "ETags of answers that the client has: if this is one of them, it is not sent again.")
		op.Responses["304"] = &response{Description: "The client has the answer."}
	}
	if verb == "get" || comparesEtag {
		condition("If-Match", "ETags or etags: if the resource has none of them, the call fails.")
		op.Responses["412"] = &response{Description: "The resource has changed.", Schema: errorSchema()}
	}
}

func errorSchema() *schema { return &schema{Ref: "#/definitions/ErrorResponse"} }

// tellFields tells the limits of a message's fields, and which exclude each other.
func (s *schema) tellFields(d protoreflect.MessageDescriptor) {
	for _, p := range s.Properties {
		p.limit(d.Fields().ByJSONName(p.name))
	}
	s.choices(d.Oneofs())
}

// use marks the definitions that a schema leads to.
func (d *document) use(s *schema, used map[string]*schema) {
	if s == nil {
		return
	}
	if name, ok := strings.CutPrefix(s.Ref, "#/definitions/"); ok && used[name] == nil {
		used[name] = d.Definitions[name]
		d.use(used[name], used)
	}
	d.use(s.Items, used)
	for _, part := range s.AllOf {
		d.use(part, used)
	}
	for _, p := range s.Properties {
		d.use(p.schema, used)
	}
}

// choices tells of which fields there is only one. OpenAPI 2 has no schema for it.
func (s *schema) choices(oneofs protoreflect.OneofDescriptors) {
	for i := range oneofs.Len() {
		o := oneofs.Get(i)
		if o.IsSynthetic() {
			continue
		}
		var names []string
		for j := range o.Fields().Len() {
			names = append(names, "`"+o.Fields().Get(j).JSONName()+"`")
		}
		number := "At most"
		rules, _ := proto.GetExtension(o.Options(), validate.E_Oneof).(*validate.OneofRules)
		if rules.GetRequired() {
			number = "Exactly"
		}
		s.Description += fmt.Sprintf("\n\n%s one of %s.", number, strings.Join(names, ", "))
	}
}

// limit tells the limits of a field. f may be nil: not a field of the message.
func (s *schema) limit(f protoreflect.FieldDescriptor) {
	if f == nil {
		return
	}
	if m := f.Message(); m != nil && m.FullName() == "google.protobuf.Duration" {
		// Seconds, as JSON has them.
		seconds := s
		if s.Items != nil {
			seconds = s.Items
		}
		seconds.Pattern = `^-?[0-9]+(\.[0-9]{1,9})?s$`
	}
	rules, _ := proto.GetExtension(f.Options(), validate.E_Field).(*validate.FieldRules)
	if rules == nil || rules.GetIgnore() == validate.Ignore_IGNORE_ALWAYS {
		return
	}
	s.apply(rules, rules.GetIgnore() == validate.Ignore_IGNORE_IF_ZERO_VALUE)
}

// apply tells the limits of rules. zeroToo: the zero value passes whatever they say.
func (s *schema) apply(rules *validate.FieldRules, zeroToo bool) {
	r := rules.ProtoReflect()
	kind := r.WhichOneof(r.Descriptor().Oneofs().ByName("type"))
	if kind == nil {
		return
	}
	r.Get(kind).Message().Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch f.Name() {
		case "gte", "gt":
			if n, ok := number(v); ok && !(zeroToo && n >= 0) {
				s.Minimum, s.ExclusiveMinimum = &n, f.Name() == "gt"
			}
		case "lte", "lt":
			if n, ok := number(v); ok && !(zeroToo && n <= 0) {
				s.Maximum, s.ExclusiveMaximum = &n, f.Name() == "lt"
			}
		case "pattern":
			s.Pattern = v.String()
			if zeroToo {
				s.Pattern = "^$|" + s.Pattern
			}
		case "min_len":
			if !zeroToo {
				s.MinLength = v.Uint()
			}
		case "max_len":
			s.MaxLength = v.Uint()
		case "min_items":
			if !zeroToo {
				s.MinItems = v.Uint()
			}
		case "max_items":
			s.MaxItems = v.Uint()
		case "unique":
			s.UniqueItems = v.Bool()
		case "items":
			if s.Items != nil {
				items := v.Message().Interface().(*validate.FieldRules)
				s.Items.apply(items, items.GetIgnore() == validate.Ignore_IGNORE_IF_ZERO_VALUE)
			}
		}
		return true
	})
}

// number is the value of a numeric rule; ok is false for instants and durations,
// whose limits JSON has no words for.
func number(v protoreflect.Value) (n float64, ok bool) {
	switch x := v.Interface().(type) {
	case int32:
		return float64(x), true
	case int64:
		return float64(x), true
	case uint32:
		return float64(x), true
	case uint64:
		return float64(x), true
	case float32:
		return float64(x), true
	case float64:
		return x, true
	}
	return 0, false
}
