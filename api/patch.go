package api

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/url"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"dewbench/service"
)

// An update without a mask writes the fields that its body has, and a null clears.
// That cannot be told from the message: a null and what is not there are the same
// in it, as are zeros in fields without presence. So the keys of the JSON go to the
// service beside the message (service.WithBodyFields), in the context of the call,
// where nobody outside can set them.

// Beyond these numbers of keys of a resource and of updates in a batch nobody
// looks: the decoder or the validation refuses the request.
const (
	mostKeys    = 1000
	mostUpdates = 1000
)

// updateShape tells where the JSON of a route has the resources that are updated.
type updateShape struct {
	batch    protoreflect.FieldDescriptor // the list of updates; nil: the body is the resource
	resource protoreflect.FieldDescriptor // of an update
	mask     protoreflect.FieldDescriptor // likewise
}

// shapeOf returns the shape of a route, nil for one that updates nothing.
func (rt *route) shapeOf() *updateShape {
	input := rt.call.Input()
	if mask := maskField(input); mask != nil && rt.body != "*" {
		return &updateShape{resource: input.Fields().ByName(protoreflect.Name(rt.body)), mask: mask}
	}
	for i := range input.Fields().Len() {
		list := input.Fields().Get(i)
		if rt.body != "*" || !list.IsList() || list.Message() == nil || maskField(list.Message()) == nil {
			continue
		}
		update := list.Message()
		for k := range update.Fields().Len() {
			if resource := update.Fields().Get(k); resource.Message() != nil && !isMask(resource) {
				return &updateShape{batch: list, resource: resource, mask: maskField(update)}
			}
		}
	}
	return nil
}

// isMask tells whether a field is one mask.
func isMask(field protoreflect.FieldDescriptor) bool {
	return field.Message() != nil && !field.IsList() && field.Message().FullName() == (&fieldmaskpb.FieldMask{}).ProtoReflect().Descriptor().FullName()
}

func maskField(in protoreflect.MessageDescriptor) protoreflect.FieldDescriptor {
	for i := range in.Fields().Len() {
		if field := in.Fields().Get(i); isMask(field) {
			return field
		}
	}
	return nil
}

// requestBody is the body of a request, after inflation.
type requestBody struct {
	*bytes.Reader
	text []byte
	// masks are the paths of the masks in it, one for each update of a batch, nil
	// where there is none. They are not in the text any more: protojson takes
	// neither snake_case nor `*`.
	masks [][]string
	route *route
	name  string         // in the decoded text, where the one in the path takes its place
	fault *service.Error // what the decoder found wrong, where there are words for it
	query url.Values     // of a body that is a table
}

type bodyKey struct{}

func newRequestBody(rt *route, text []byte) *requestBody {
	return &requestBody{Reader: bytes.NewReader(text), text: text, route: rt}
}

// Close does nothing.
func (*requestBody) Close() error { return nil }

// readUpdates returns the keys of each resource in the body of an update, by the
// place of the update, and takes out the masks of a batch. What is not of the shape is
// left to the decoder to refuse.
func (b *requestBody) readUpdates() (places map[string][]string) {
	shape := b.route.updates
	if shape.batch == nil {
		return map[string][]string{"": keysOf(b.text)}
	}
	places = map[string][]string{}
	var edited bytes.Buffer
	copied := 0
	decoder := json.NewDecoder(bytes.NewReader(b.text))
	update := func(key string) error {
		var value json.RawMessage
		if err := decoder.Decode(&value); err != nil {
			return err
		}
		at := len(b.masks) - 1
		switch {
		case named(shape.resource, key):
			places[fmt.Sprintf("%s[%d]", shape.batch.JSONName(), at)] = keysOf(value)
		case named(shape.mask, key) && value[0] == '"':
			var paths string
			if err := json.Unmarshal(value, &paths); err != nil {
				return err
			}
			b.masks[at] = strings.Split(paths, ",")
			end := int(decoder.InputOffset())
			edited.Write(b.text[copied : end-len(value)])
			edited.WriteString(`""`)
			copied = end
		}
		return nil
	}
	// An error is the decoder's to tell: it reads the text anew.
	_ = members(decoder, func(key string) error {
		if !named(shape.batch, key) {
			return decoder.Decode(new(json.RawMessage))
		}
		return entries(decoder, func() error {
			if len(b.masks) == mostUpdates {
				return errShape
			}
			b.masks = append(b.masks, nil)
			return members(decoder, update)
		})
	})
	edited.Write(b.text[copied:])
	b.Reader = bytes.NewReader(edited.Bytes())
	return places
}

// setMasks gives a decoded message the masks that were taken out of its text.
func (b *requestBody) setMasks(message proto.Message) {
	for i, paths := range b.masks {
		if paths == nil || len(paths) == 1 && paths[0] == "" { // an empty mask was decoded as one
			continue
		}
		shape := b.route.updates
		updates := message.ProtoReflect().Get(shape.batch).List()
		mask := &fieldmaskpb.FieldMask{Paths: paths}
		updates.Get(i).Message().Set(shape.mask, protoreflect.ValueOfMessage(mask.ProtoReflect()))
	}
}

// namedTwice returns the way to the field of the request that a path names and a body
// may name too, or nil.
func (rt *route) namedTwice() []protoreflect.FieldDescriptor {
	variable := templateVariable.FindStringSubmatch(rt.path)
	if variable == nil || rt.body == "" {
		return nil
	}
	var way []protoreflect.FieldDescriptor
	in := rt.call.Input()
	for _, name := range strings.Split(variable[1], ".") {
		field := in.Fields().ByName(protoreflect.Name(name))
		way, in = append(way, field), field.Message()
	}
	if rt.body != "*" && rt.body != string(way[0].Name()) {
		return nil
	}
	return way
}

// keepName keeps the name in a decoded message before the one in the path takes its
// place.
func (b *requestBody) keepName(message proto.Message) {
	way := b.route.both
	if way != nil && b.route.body != "*" { // the message is what the first field holds
		way = way[1:]
	}
	b.name = textAt(message.ProtoReflect(), way)
}

// textAt returns the text to which a way of fields leads, "" for no way.
func textAt(m protoreflect.Message, way []protoreflect.FieldDescriptor) string {
	for i, field := range way {
		if i == len(way)-1 {
			return m.Get(field).String()
		}
		m = m.Get(field).Message()
	}
	return ""
}

// checkName finds a name in the body of a request that is not the one in its path.
func checkName(ctx context.Context, request protoreflect.Message, found *[]service.Violation) {
	body, _ := ctx.Value(bodyKey{}).(*requestBody)
	if body == nil || body.name == "" || body.route.call.Input() != request.Descriptor() {
		return
	}
	way := body.route.both
	parts := strings.Split(ownName(ctx, body.name), "/")
	inPath := strings.Split(ownName(ctx, textAt(request, way)), "/")
	tag := request.Descriptor().Fields().ByName("tag")
	byTag := tag != nil && request.Get(tag).String() != ""
	if slices.EqualFunc(inPath, parts, func(path, part string) bool { return path == part || byTag && path == "-" }) {
		return
	}
	var at []string
	for _, field := range way {
		at = append(at, field.JSONName())
	}
	*found = append(*found, service.Violation{Field: strings.Join(at, "."), Rule: "must be that of the path, or be left out"})
}

// ownName writes the id of the caller for "me".
func ownName(ctx context.Context, name string) string {
	caller := service.CallerOf(ctx)
	if rest, mine := strings.CutPrefix(name+"/", "growers/me/"); mine && caller != nil {
		return strings.TrimSuffix("growers/"+caller.Grower+"/"+rest, "/")
	}
	return name
}

func named(field protoreflect.FieldDescriptor, key string) bool {
	return key == field.JSONName() || key == string(field.Name())
}

var errShape = errors.New("not of the expected shape")

// keysOf returns the keys of a JSON object, not nil; none for what is no object.
func keysOf(text []byte) []string {
	keys := []string{}
	decoder := json.NewDecoder(bytes.NewReader(text))
	// An error is the decoder's to tell: it reads the text anew.
	_ = members(decoder, func(key string) error {
		if len(keys) == mostKeys {
			return errShape
		}
		keys = append(keys, key)
		return decoder.Decode(new(json.RawMessage))
	})
	return keys
}

// members walks over the JSON object that comes next; each reads the value of a
// key.
func members(decoder *json.Decoder, each func(key string) error) error {
	return walk(decoder, '{', func() error {
		key, err := decoder.Token()
		if err != nil {
			return err
		}
		return each(key.(string)) // nothing else can stand there
	})
}

// entries walks over the JSON array that comes next; each reads an entry.
func entries(decoder *json.Decoder, each func() error) error { return walk(decoder, '[', each) }

func walk(decoder *json.Decoder, open json.Delim, each func() error) error {
	if start, err := decoder.Token(); err != nil || start != open {
		return errors.Join(errShape, err)
	}
	for decoder.More() {
		if err := each(); err != nil {
			return err
		}
	}
	_, err := decoder.Token()
	return err
}

var _ io.ReadCloser = (*requestBody)(nil)
