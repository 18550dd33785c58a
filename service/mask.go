package service

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"go.einride.tech/aip/fieldbehavior"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
)

// Mask is which fields of a resource a change writes.
type Mask struct{ paths []maskPath }

// maskPath leads from a resource through messages in it to a field.
type maskPath []protoreflect.FieldDescriptor

// String writes the path in lowerCamelCase.
func (p maskPath) String() string {
	names := make([]string, len(p))
	for i, field := range p {
		names[i] = field.JSONName()
	}
	return strings.Join(names, ".")
}

// proto writes the path in snake_case.
func (p maskPath) proto() string {
	names := make([]string, len(p))
	for i, field := range p {
		names[i] = string(field.Name())
	}
	return strings.Join(names, ".")
}

// toldToo are fields that the server tells of what it keeps though the contract does
// not say so: their message stands in ComputeDue too, where they are given.
var toldToo = map[protoreflect.FullName]bool{"dewbench.v1.Feeding.traps_target": true}

// isOutputOnly tells whether only the server tells a field.
func isOutputOnly(field protoreflect.FieldDescriptor) bool {
	return fieldbehavior.Has(field, annotations.FieldBehavior_OUTPUT_ONLY) || toldToo[field.FullName()]
}

// whyNot says why a change cannot write a field, which stands at the top of a
// resource or in a message of it; "": it can.
func whyNot(field protoreflect.FieldDescriptor, top bool) string {
	switch {
	case top && field.Name() == "etag":
		return "is compared, never written"
	case fieldbehavior.Has(field, annotations.FieldBehavior_IDENTIFIER):
		return "is the name of the resource"
	case isOutputOnly(field):
		return toldBy
	case fieldbehavior.Has(field, annotations.FieldBehavior_IMMUTABLE):
		return "cannot be changed"
	}
	return ""
}

// ReadMask reads which fields a change writes: those of the mask, by path, each part
// of it in lowerCamelCase or snake_case, or all of them for `*`. Without a mask it
// is the fields that the body has: over HTTP the keys of its JSON, with null too. place
// is "" or the item of a batch.
//
// A body may then also have fields that only the server tells, so that a client can
// send back what it got: they must be as they are in the present message, but for
// the ignored ones, which change by themselves.
func ReadMask(ctx context.Context, asked *fieldmaskpb.FieldMask, present, body proto.Message, place string, ignored ...string) (Mask, error) {
	var m Mask
	var p problems
	resource := body.ProtoReflect()
	if asked != nil {
		for _, rule := range m.readPaths(asked.GetPaths(), resource.Descriptor()) {
			p.refuse(InvalidUpdateMask, pathAt(place, "updateMask"), "%s", rule)
		}
	} else {
		m.readBody(sentFields(ctx, resource, place), present.ProtoReflect(), resource, place, ignored, &p)
	}
	if err := p.err(); err != nil {
		return Mask{}, err
	}
	slices.SortFunc(m.paths, func(a, b maskPath) int { return strings.Compare(a.String(), b.String()) })
	return m, nil
}

// readBody takes the fields that were sent.
func (m *Mask) readBody(sent []protoreflect.FieldDescriptor, present, body protoreflect.Message, place string, ignored []string, p *problems) {
	name := string(body.Descriptor().Name())
	name = strings.ToLower(name[:1]) + name[1:] // as requests name it
	told := 0
	for _, field := range sent {
		why := whyNot(field, true)
		switch {
		case why == "":
			m.paths = append(m.paths, maskPath{field})
		case field.Name() == "etag" || field.Name() == "name": // no change: the one is compared, the other says what changes
		default:
			told++
			same := present.Has(field) == body.Has(field) && present.Get(field).Equal(body.Get(field))
			if !same && !slices.Contains(ignored, string(field.Name())) {
				p.refuse(InvalidFields, pathAt(place, name+"."+field.JSONName()), "%s: leave it out, or send it as it stands now%s", why, whatTells[field.FullName()])
			}
		}
	}
	if len(m.paths)+told == 0 {
		p.refuse(InvalidUpdateMask, pathAt(place, "updateMask"), "must name what to change, as the body has no field to write")
	}
}

// sentFields returns the fields that a body has.
func sentFields(ctx context.Context, body protoreflect.Message, place string) []protoreflect.FieldDescriptor {
	var sent []protoreflect.FieldDescriptor
	places, _ := ctx.Value(bodyFieldsKey{}).(map[string][]string)
	keys, known := places[place]
	if !known {
		body.Range(func(field protoreflect.FieldDescriptor, _ protoreflect.Value) bool {
			sent = append(sent, field)
			return true
		})
		slices.SortFunc(sent, byPlace) // Range has no order
		return sent
	}
	for _, key := range keys {
		if field := fieldNamed(body.Descriptor(), key); field != nil { // the decoder refuses others, and what stands twice
			sent = append(sent, field)
		}
	}
	return sent
}

// byPlace compares fields of a message by the order in which they are declared.
func byPlace(a, b protoreflect.FieldDescriptor) int { return cmp.Compare(a.Index(), b.Index()) }

func (m *Mask) readPaths(paths []string, resource protoreflect.MessageDescriptor) (rules []string) {
	if len(paths) == 0 {
		return []string{"must name a field, or be left out"}
	}
	named := map[string]bool{}
	for _, path := range paths {
		if path == "*" {
			if len(paths) > 1 {
				rules = append(rules, `names other fields beside "*", which stands for all`)
				continue
			}
			m.takeAll(resource)
			return nil
		}
		found, rule := resolvePath(path, resource)
		switch at := found.String(); {
		case rule != "":
			rules = append(rules, rule)
		case named[at]:
			rules = append(rules, fmt.Sprintf("names %q twice", at))
		default:
			named[at] = true
			m.paths = append(m.paths, found)
		}
	}
	for _, path := range m.paths {
		for i := 1; i < len(path); i++ {
			if whole := path[:i].String(); named[whole] {
				rules = append(rules, fmt.Sprintf("names %q, and %q in it", whole, path))
			}
		}
	}
	return rules
}

func (m *Mask) takeAll(resource protoreflect.MessageDescriptor) {
	for i := range resource.Fields().Len() {
		if field := resource.Fields().Get(i); whyNot(field, true) == "" {
			m.paths = append(m.paths, maskPath{field})
		}
	}
}

// resolvePath finds the field of a path.
func resolvePath(path string, in protoreflect.MessageDescriptor) (found maskPath, rule string) {
	parts := strings.Split(path, ".")
	for i, part := range parts {
		field := fieldNamed(in, part)
		if field == nil {
			return nil, unknownPath(path, part, in, i == 0)
		}
		found = append(found, field)
		if why := whyNot(field, i == 0); why != "" {
			return nil, fmt.Sprintf("%q: %s %s", short(path), found, why)
		}
		if i == len(parts)-1 {
			break
		}
		switch in = field.Message(); {
		case field.IsList(), field.IsMap():
			return nil, fmt.Sprintf("%q: %s is a list, which is only written whole", short(path), found)
		case in == nil, in.ParentFile().Package() == "google.protobuf":
			return nil, fmt.Sprintf("%q: %s has no fields", short(path), found)
		}
	}
	return found, ""
}

func unknownPath(path, part string, in protoreflect.MessageDescriptor, top bool) (rule string) {
	var names []string
	for i := range in.Fields().Len() {
		if field := in.Fields().Get(i); whyNot(field, top) == "" {
			names = append(names, field.JSONName())
		}
	}
	return fmt.Sprintf("%q: there is no field %q; those that can be written are %s", short(path), short(part), strings.Join(names, ", "))
}

// fieldNamed returns the field of a name in lowerCamelCase or snake_case, or nil.
func fieldNamed(in protoreflect.MessageDescriptor, name string) protoreflect.FieldDescriptor {
	if field := in.Fields().ByJSONName(name); field != nil {
		return field
	}
	return in.Fields().ByName(protoreflect.Name(name))
}

// Paths returns what the mask writes, in lowerCamelCase, in alphabetical order.
func (m Mask) Paths() []string {
	paths := make([]string, len(m.paths))
	for i, path := range m.paths {
		paths[i] = path.String()
	}
	return paths
}

// Has tells whether the mask writes a field of the resource, or something in it.
// The name may be in either spelling.
func (m Mask) Has(field string) bool {
	return slices.ContainsFunc(m.paths, func(path maskPath) bool {
		return path[0].JSONName() == field || string(path[0].Name()) == field
	})
}

// Apply writes the fields of the mask from body into current: sets what the body
// has, clears what it lacks. A list, or a message that the mask names, is replaced
// as a whole; but what the server tells in it stays. Nothing of body is shared
// with current afterwards.
func Apply(mask Mask, current, body proto.Message) {
	for _, path := range mask.paths {
		writePath(current.ProtoReflect(), body.ProtoReflect(), path)
	}
}

// writePath tells whether it set something, if only to zero.
func writePath(to, from protoreflect.Message, path maskPath) bool {
	field := path[0]
	switch {
	case len(path) == 1 && !from.Has(field):
		to.Clear(field)
		return !field.HasPresence() && !field.IsList() && !field.IsMap()
	case len(path) == 1:
		replaceField(to, from, field)
		return true
	case to.Has(field):
		writePath(to.Mutable(field).Message(), from.Get(field).Message(), path[1:])
		return true
	case from.Has(field):
		// To clear something in a message that is not there does not make one, nor
		// another case of a oneof.
		fresh := to.NewField(field)
		if !writePath(fresh.Message(), from.Get(field).Message(), path[1:]) {
			return false
		}
		to.Set(field, fresh)
		return true
	}
	return false
}

// replaceField sets a field to a copy of what from has.
func replaceField(to, from protoreflect.Message, field protoreflect.FieldDescriptor) {
	only := from.New()
	only.Set(field, from.Get(field))
	value := proto.Clone(only.Interface()).ProtoReflect().Get(field)
	switch {
	case field.IsMap():
	case field.IsList() && field.Message() != nil:
		for i := range value.List().Len() {
			keepTold(value.List().Get(i).Message(), nil)
		}
	case !field.IsList() && field.Message() != nil && to.Has(field):
		keepTold(value.Message(), to.Get(field).Message())
	case !field.IsList() && field.Message() != nil:
		keepTold(value.Message(), nil)
	}
	to.Set(field, value)
}

// keepTold gives the fields of a new message that an update cannot write the values
// that they have in the old one, which may be nil.
func keepTold(value, old protoreflect.Message) {
	for i := range value.Descriptor().Fields().Len() {
		field := value.Descriptor().Fields().Get(i)
		kept := old != nil && old.Has(field)
		switch {
		case whyNot(field, false) != "" && kept:
			value.Set(field, old.Get(field))
		case whyNot(field, false) != "":
			value.Clear(field)
		case !value.Has(field) || field.Message() == nil || field.IsMap():
		case field.IsList():
			for k := range value.Get(field).List().Len() {
				keepTold(value.Get(field).List().Get(k).Message(), nil)
			}
		case kept:
			keepTold(value.Get(field).Message(), old.Get(field).Message())
		default:
			keepTold(value.Get(field).Message(), nil)
		}
	}
}

type bodyFieldsKey struct{}

// WithBodyFields says which fields the JSON of the resources of a request has, null
// included, by the places of the changes: "" for a request with one, requests[0] and
// so on for a batch. It is for the HTTP door.
func WithBodyFields(ctx context.Context, places map[string][]string) context.Context {
	return context.WithValue(ctx, bodyFieldsKey{}, places)
}

type bodyNameKey struct{}

// WithBodyName says how the body of a change names its resource, where its path names
// the plant by tag; "" if it does not. It is for the HTTP door, which asks once the body
// is read.
func WithBodyName(ctx context.Context, name func() string) context.Context {
	return context.WithValue(ctx, bodyNameKey{}, name)
}

// bodyName returns what WithBodyName told, or "".
func bodyName(ctx context.Context) string {
	if name, ok := ctx.Value(bodyNameKey{}).(func() string); ok {
		return name()
	}
	return ""
}

// spellMasks spells the masks of a request that changes something in one way: each
// path in snake_case, in alphabetical order, and where there is none the fields
// that the body has.
func spellMasks(ctx context.Context, req protoreflect.Message, place string) {
	fields := req.Descriptor().Fields()
	if all := fields.ByName("requests"); all != nil && all.IsList() {
		for i := range req.Get(all).List().Len() {
			spellMasks(ctx, req.Get(all).List().Get(i).Message(), fmt.Sprintf("requests[%d]", i))
		}
		return
	}
	mask := fields.ByName("update_mask")
	if mask == nil {
		return
	}
	asked, _ := req.Get(mask).Message().Interface().(*fieldmaskpb.FieldMask)
	for i := range fields.Len() {
		resource := fields.Get(i)
		if resource == mask || resource.Message() == nil || resource.IsList() || resource.Message().Fields().ByName("name") == nil {
			continue
		}
		var paths []string
		if req.Has(mask) {
			for _, path := range asked.GetPaths() {
				if found, rule := resolvePath(path, resource.Message()); rule == "" {
					path = found.proto()
				}
				paths = append(paths, path)
			}
		} else {
			for _, field := range sentFields(ctx, req.Get(resource).Message(), place) {
				if field.Name() != "name" && field.Name() != "etag" {
					paths = append(paths, string(field.Name()))
				}
			}
		}
		slices.Sort(paths)
		req.Set(mask, protoreflect.ValueOfMessage((&fieldmaskpb.FieldMask{Paths: slices.Compact(paths)}).ProtoReflect()))
	}
}
