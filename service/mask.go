package service

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/descriptorpb"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
)

// Mask is the fields that a change sets, as paths of names of the .proto files.
type Mask []string

// Has tells whether a field at the top is set, or something in it.
func (m Mask) Has(field string) bool {
	return slices.ContainsFunc(m, func(path string) bool { return path == field || strings.HasPrefix(path, field+".") })
}

type bodyFieldsKey struct{}

// WithBodyFields returns a context that tells which fields, by their names in JSON,
// the body of an HTTP request has, those with null too.
func WithBodyFields(ctx context.Context, fields []string) context.Context {
	return context.WithValue(ctx, bodyFieldsKey{}, fields)
}

// BodyFields returns what WithBodyFields told; false for a call that did not come
// over HTTP.
func BodyFields(ctx context.Context) ([]string, bool) {
	fields, ok := ctx.Value(bodyFieldsKey{}).([]string)
	return fields, ok
}

// behaves tells whether a field is annotated with one of the behaviours.
func behaves(f protoreflect.FieldDescriptor, behaviours ...annotations.FieldBehavior) bool {
	options, _ := f.Options().(*descriptorpb.FieldOptions)
	has, _ := proto.GetExtension(options, annotations.E_FieldBehavior).([]annotations.FieldBehavior)
	return slices.ContainsFunc(has, func(b annotations.FieldBehavior) bool { return slices.Contains(behaviours, b) })
}

// isOutputOnly tells whether only the server tells a field.
func isOutputOnly(f protoreflect.FieldDescriptor) bool {
	return behaves(f, annotations.FieldBehavior_OUTPUT_ONLY)
}

// settable tells whether users set a field at the top of a resource.
func settable(f protoreflect.FieldDescriptor) bool {
	return f.Name() != "etag" && !behaves(f, annotations.FieldBehavior_OUTPUT_ONLY, annotations.FieldBehavior_IDENTIFIER, annotations.FieldBehavior_IMMUTABLE)
}

// fieldNamed finds a field by its name in JSON or in the .proto file.
func fieldNamed(d protoreflect.MessageDescriptor, name string) protoreflect.FieldDescriptor {
	if f := d.Fields().ByJSONName(name); f != nil {
		return f
	}
	return d.Fields().ByName(protoreflect.Name(name))
}

// ReadMask returns the fields of a change. If no mask is asked for they are those
// that are present in the body: over HTTP the keys of the JSON object, else, and in
// a batch, the fields that are set. place is "" or the item of a batch.
//
// A body may then also have fields that only the server tells, so that a client can
// send back what it got: they must be as they are in the present message, but for
// the ignored ones, which change by themselves.
func ReadMask(ctx context.Context, asked *fieldmaskpb.FieldMask, present, body proto.Message, place string, ignored ...string) (Mask, error) {
	if asked != nil {
		return readPaths(asked.GetPaths(), body.ProtoReflect().Descriptor(), pathAt(place, "updateMask"))
	}
	now, new := present.ProtoReflect(), body.ProtoReflect()
	var fields []protoreflect.FieldDescriptor
	keys, told := BodyFields(ctx)
	if told && place == "" {
		for _, key := range keys {
			if f := fieldNamed(new.Descriptor(), key); f != nil { // others were refused with the body
				fields = append(fields, f)
			}
		}
	} else {
		new.Range(func(f protoreflect.FieldDescriptor, _ protoreflect.Value) bool {
			fields = append(fields, f)
			return true
		})
	}
	name := string(new.Descriptor().Name())
	prefix := pathAt(place, strings.ToLower(name[:1])+name[1:]) + "."
	var mask Mask
	var p problems
	for _, f := range fields {
		switch {
		case settable(f):
			mask = append(mask, string(f.Name()))
		case !isOutputOnly(f) || slices.Contains(ignored, string(f.Name())) || !new.Has(f): // the name and the etag are no change
		case !now.Get(f).Equal(new.Get(f)):
			p.refuse(InvalidFields, prefix+f.JSONName(), "is told by the server: leave it out")
		}
	}
	slices.Sort(mask)
	return mask, p.err()
}

func readPaths(paths []string, d protoreflect.MessageDescriptor, field string) (Mask, error) {
	var p problems
	refuse := func(rule string, args ...any) { p.refuse(InvalidUpdateMask, field, rule, args...) }
	var mask Mask
	for _, path := range paths {
		if path == "*" {
			if len(paths) > 1 {
				refuse("has * beside other fields")
			}
			for i := range d.Fields().Len() {
				if f := d.Fields().Get(i); settable(f) {
					mask = append(mask, string(f.Name()))
				}
			}
			continue
		}
		canonical, rule := readPath(path, d)
		switch {
		case rule != "":
			refuse("%q %s", short(path), rule)
		case slices.Contains(mask, canonical):
			refuse("names %q twice", short(path))
		default:
			mask = append(mask, canonical)
		}
	}
	if len(paths) == 0 {
		refuse("must name at least one field, or be left out: then it is the fields of the body")
	}
	return mask, p.err()
}

// readPath returns a path in names of the .proto files, or the rule that it breaks.
func readPath(path string, d protoreflect.MessageDescriptor) (canonical, rule string) {
	var names []string
	steps := strings.Split(path, ".")
	for i, step := range steps {
		f := fieldNamed(d, step)
		switch {
		case f == nil:
			return "", fmt.Sprintf("is not a field; there are %s", strings.Join(settableNames(d, i == 0), ", "))
		case i == 0 && f.Name() == "etag":
			return "", "is not changed: an etag in the body is compared with the present one"
		case i == 0 && !settable(f):
			return "", "is told by the server"
		}
		names = append(names, string(f.Name()))
		if i+1 == len(steps) {
			break
		}
		if f.Message() == nil || f.IsList() || f.IsMap() || f.Message().ParentFile().Package() != d.ParentFile().Package() {
			return "", fmt.Sprintf("goes into %s, which is changed as a whole", strings.Join(steps[:i+1], "."))
		}
		d = f.Message()
	}
	return strings.Join(names, "."), ""
}

func settableNames(d protoreflect.MessageDescriptor, top bool) []string {
	var names []string
	for i := range d.Fields().Len() {
		if f := d.Fields().Get(i); !top || settable(f) {
			names = append(names, f.JSONName())
		}
	}
	return names
}

// Apply sets in a message the fields of the mask as they are in the body. Lists and
// messages that a path names are replaced as a whole; what the body lacks is cleared.
func Apply(mask Mask, present, body proto.Message) {
	from := proto.Clone(body).ProtoReflect()
	for _, path := range mask {
		into, from := present.ProtoReflect(), from
		steps := strings.Split(path, ".")
		for _, step := range steps[:len(steps)-1] {
			f := into.Descriptor().Fields().ByName(protoreflect.Name(step))
			if !into.Has(f) && !from.Has(f) {
				into = nil // there is nothing to clear
				break
			}
			into, from = into.Mutable(f).Message(), from.Get(f).Message()
		}
		if into == nil {
			continue
		}
		f := into.Descriptor().Fields().ByName(protoreflect.Name(steps[len(steps)-1]))
		if from.Has(f) {
			into.Set(f, from.Get(f))
		} else {
			into.Clear(f)
		}
	}
}
