package api

import (
	"encoding/json"
	"math"
	"testing"

	gocmp "github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"pgregory.net/rapid"

	pb "dewbench/proto/dewbench/v1"
)

// drawMessage sets the fields of a message, also those that a later contract adds.
func drawMessage(t *rapid.T, m protoreflect.Message) {
	scalar := func(f protoreflect.FieldDescriptor) protoreflect.Value {
		switch f.Kind() {
		case protoreflect.StringKind:
			return protoreflect.ValueOfString(rapid.OneOf(rapid.String(), rapid.SampledFrom([]string{"", "\"\\/", "\x00\x1f\x7f", "Ä\u2028🌱", "2026-05-11"})).Draw(t, "text"))
		case protoreflect.Int32Kind:
			return protoreflect.ValueOfInt32(rapid.Int32().Draw(t, "int32"))
		case protoreflect.Int64Kind:
			return protoreflect.ValueOfInt64(rapid.Int64().Draw(t, "int64"))
		case protoreflect.DoubleKind:
			return protoreflect.ValueOfFloat64(rapid.OneOf(rapid.Float64(), rapid.SampledFrom([]float64{0, 0.1, 3.5, 1e21, 1e-7, math.MaxFloat64, 5e-324})).Draw(t, "double"))
		case protoreflect.EnumKind:
			return protoreflect.ValueOfEnum(protoreflect.EnumNumber(rapid.IntRange(0, 40).Draw(t, "enum")))
		}
		t.Fatalf("a field of kind %s", f.Kind())
		return protoreflect.Value{}
	}
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		if f.IsList() {
			list := m.Mutable(f).List()
			for range rapid.IntRange(0, 3).Draw(t, "length") {
				if f.Message() != nil {
					drawMessage(t, list.AppendMutable().Message())
				} else {
					list.Append(scalar(f))
				}
			}
			continue
		}
		if rapid.Bool().Draw(t, "set") {
			m.Set(f, scalar(f))
		}
	}
}

// What is written by hand says the same as what protojson writes.
func TestFastJSON(t *testing.T) {
	slow := protojson.MarshalOptions{EmitDefaultValues: true}
	rapid.Check(t, func(t *rapid.T) {
		m := &pb.ListDueFeedingsResponse{}
		drawMessage(t, m.ProtoReflect())
		text, ok := fastJSON(m)
		if !ok {
			t.Fatal("it is not written by hand")
		}
		want, err := slow.Marshal(m)
		if err != nil {
			t.Fatal(err)
		}
		var a, b any
		if err := json.Unmarshal(text, &a); err != nil {
			t.Fatalf("%v: %s", err, text)
		}
		if err := json.Unmarshal(want, &b); err != nil {
			t.Fatal(err)
		}
		if diff := gocmp.Diff(b, a); diff != "" {
			t.Fatalf("protojson and we differ (-protojson +ours):\n%s", diff)
		}
		back := &pb.ListDueFeedingsResponse{}
		if err := protojson.Unmarshal(text, back); err != nil || !proto.Equal(m, back) {
			t.Fatalf("%v: read back %v\nwant %v", err, back, m)
		}
	})
	if _, ok := fastJSON(&pb.DueFeeding{}); ok {
		t.Error("another message is written by hand")
	}
}
