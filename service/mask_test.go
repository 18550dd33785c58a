package service

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protodesc"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/descriptorpb"
	"google.golang.org/protobuf/types/dynamicpb"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	pb "dewbench/proto/dewbench/v1"
)

func paths(paths ...string) *fieldmaskpb.FieldMask { return &fieldmaskpb.FieldMask{Paths: paths} }

// sent is the context of a call whose body has the given keys; nil: of one that did
// not come over HTTP.
func sent(keys []string) context.Context {
	if keys == nil {
		return context.Background()
	}
	return WithBodyFields(context.Background(), map[string][]string{"": keys})
}

// rulesOf returns the violations of an error, and its reason.
func rulesOf(t *testing.T, err error) ([]Violation, Reason) {
	t.Helper()
	var known *Error
	if !errors.As(err, &known) {
		t.Fatalf("%v", err)
	}
	return known.Violations, known.Reason
}

func TestReadMask(t *testing.T) {
	plant := &pb.Plant{Name: "collections/c/plants/p", Tag: "A1", Etag: `"k"`, Quantity: 3, Regimen: &pb.Regimen{}}
	for _, c := range []struct {
		mask *fieldmaskpb.FieldMask
		sent []string
		want []string
	}{
		{paths("tag"), nil, []string{"tag"}},
		{paths("walkOrder", "trap_type", "regimen.intervalDays", "regimen.tolerance_days"), nil,
			[]string{"regimen.intervalDays", "regimen.toleranceDays", "trapType", "walkOrder"}},
		{paths("tag"), []string{"clone", "quantity"}, []string{"tag"}},
		{paths("parents"), nil, []string{"parents"}},
		{paths("regimen"), nil, []string{"regimen"}},
		{nil, []string{"walk_order", "tag", "name", "etag", "quantity", "lastFeedTime"}, []string{"tag", "walkOrder"}},
		{nil, []string{"quantity"}, []string{}},
		{nil, nil, []string{"regimen", "tag"}},
	} {
		m, err := ReadMask(sent(c.sent), c.mask, plant, plant, "")
		if err != nil || !cmp.Equal(m.Paths(), c.want) {
			t.Errorf("%v, sent %q: %v, %v", c.mask.GetPaths(), c.sent, m, err)
		}
	}
	all, err := ReadMask(t.Context(), paths("*"), plant, plant, "")
	want := []string{"acquireDate", "bench", "clone", "cultivar", "habit", "locality", "parents", "propagation", "regimen", "scientificName",
		"source", "tag", "taxon", "trapType", "walkOrder"}
	if diff := cmp.Diff(want, all.Paths()); err != nil || diff != "" {
		t.Error(err, diff)
	}
	if !all.Has("bench") || !all.Has("walkOrder") || !all.Has("walk_order") || all.Has("quantity") || all.Has("name") || all.Has("etag") {
		t.Errorf("%v", all.Paths())
	}
	if deep, err := ReadMask(t.Context(), paths("regimen.interval_days"), plant, plant, ""); err != nil || !deep.Has("regimen") || deep.Has("tag") {
		t.Errorf("%v, %v", deep.Paths(), err)
	}

	for _, c := range []struct {
		mask *fieldmaskpb.FieldMask
		sent []string
		want []string // parts of the rules
	}{
		{paths(), nil, []string{"must name a field"}},
		{paths(""), nil, []string{`"": there is no field ""`}},
		{paths("colour", "tag", "Tag"), nil, []string{`"colour": there is no field "colour"; those that can be written are tag, taxon`, `no field "Tag"`}},
		{paths("quantity", "last_feed_time", "due.status"), nil, []string{`"quantity": quantity is told by the server`,
			`"last_feed_time": lastFeedTime is told by the server`, `"due.status": due is told`}},
		{paths("name"), nil, []string{"name is the name of the resource"}},
		{paths("etag"), nil, []string{"etag is compared, never written"}},
		{paths("tag.x", "parents.0", "acquireDate."), nil, []string{`"tag.x": tag has no fields`, `"parents.0": parents is a list`, "acquireDate has no fields"}},
		{paths("regimen.colour"), nil, []string{`"regimen.colour": there is no field "colour"; those that can be written are intervalDays`}},
		{paths("regimen.checkDays.x"), nil, []string{"regimen.checkDays is a list"}},
		{paths("regimen."), nil, []string{`there is no field ""`}},
		{paths(".tag"), nil, []string{`there is no field ""`}},
		{paths("tag", "tag"), nil, []string{`names "tag" twice`}},
		{paths("walkOrder", "walk_order"), nil, []string{`names "walkOrder" twice`}},
		{paths("regimen.intervalDays", "regimen"), nil, []string{`names "regimen", and "regimen.intervalDays" in it`}},
		{paths("*", "tag"), nil, []string{`"*", which stands for all`}},
		{paths("tag", "*"), nil, []string{`"*", which stands for all`}},
		{paths("*.tag"), nil, []string{`no field "*"`}},
		{paths("tag ", "%d"), nil, []string{`no field "tag "`, `no field "%d"`}},
		{nil, []string{}, []string{"must name what to change"}},
		{nil, []string{"name", "etag"}, []string{"must name what to change"}},
	} {
		m, err := ReadMask(sent(c.sent), c.mask, plant, plant, "")
		bad, reason := rulesOf(t, err)
		if len(m.Paths()) > 0 || len(bad) != len(c.want) || reason != InvalidUpdateMask {
			t.Errorf("%v, sent %q: %v, %v", c.mask.GetPaths(), c.sent, m, bad)
			continue
		}
		for i, v := range bad {
			if v.Field != "updateMask" || !strings.Contains(v.Rule, c.want[i]) {
				t.Errorf("%v: %v, want %q", c.mask.GetPaths(), v, c.want[i])
			}
		}
	}

	// A feeding's target is told by the server, though in ComputeDue it is given.
	feeding := &pb.Feeding{TrapsTarget: proto.Int32(2)}
	for _, bad := range []*fieldmaskpb.FieldMask{paths("trapsTarget"), paths("fedTime.seconds")} {
		if _, err := ReadMask(t.Context(), bad, feeding, feeding, ""); reasonFor(err) != InvalidUpdateMask {
			t.Errorf("%v: %v", bad, err)
		}
	}
	if m, err := ReadMask(t.Context(), paths("*"), feeding, feeding, ""); err != nil || m.Has("trapsTarget") || !m.Has("trapsFed") {
		t.Errorf("%v, %v", m.Paths(), err)
	}
	if _, err := ReadMask(t.Context(), paths("fact"), &pb.Observation{}, &pb.Observation{}, ""); reasonFor(err) != InvalidUpdateMask {
		t.Errorf("the name of a oneof: %v", err)
	}
	// However many paths are wrong, the error stays within its bounds.
	many := paths(slices.Repeat([]string{strings.Repeat("é", 5000)}, 5000)...)
	if _, err := ReadMask(t.Context(), many, plant, plant, ""); len(err.Error()) > 3000 {
		t.Errorf("%d bytes", len(err.Error()))
	}
}

// In a batch each change has its place.
func TestReadMaskOfBatch(t *testing.T) {
	current, body := &pb.Plant{Quantity: 3}, &pb.Plant{Tag: "A1", Quantity: 4}
	ctx := WithBodyFields(t.Context(), map[string][]string{"requests[0]": {"clone", "tag"}, "requests[1]": {"quantity"}, "requests[2]": {}})
	if m, err := ReadMask(ctx, nil, current, body, "requests[0]"); err != nil || !slices.Equal(m.Paths(), []string{"clone", "tag"}) {
		t.Errorf("%v, %v", m.Paths(), err)
	}
	for place, want := range map[string]string{
		"requests[1]": "requests[1].plant.quantity: is told by the server: leave it out, or send it as it stands now; it follows from observations with count",
		"requests[2]": "requests[2].updateMask: must name what to change, as the body has no field to write",
		"requests[3]": "requests[3].plant.quantity: is told by the server: leave it out, or send it as it stands now; it follows from observations with count",
	} {
		if _, err := ReadMask(ctx, nil, current, body, place); err == nil || err.Error() != want {
			t.Errorf("%s: %v", place, err)
		}
	}
	if _, err := ReadMask(ctx, paths("x"), current, body, "requests[0]"); err == nil || !strings.HasPrefix(err.Error(), `requests[0].updateMask: "x": there is no`) {
		t.Errorf("%v", err)
	}
}

// What the server tells may come back as it was got, without a mask.
func TestSentBack(t *testing.T) {
	current := &pb.Plant{
		Name: "collections/c/plants/p", Tag: "A1", Quantity: 3, State: pb.Plant_GROWING, FormerTags: []string{"A0"},
		CreateTime: &timestamppb.Timestamp{Seconds: 5}, LastSizes: &pb.Plant_Sizes{WorkingTraps: proto.Int32(4)}, Etag: `"k1"`,
	}
	everything := []string{"name", "tag", "quantity", "state", "formerTags", "create_time", "lastSizes", "etag"}
	for _, keys := range [][]string{everything, nil} {
		body := proto.CloneOf(current)
		body.Tag, body.Name, body.Etag = "B1", "collections/c/plants/-", `"old"`
		if m, err := ReadMask(sent(keys), nil, current, body, ""); err != nil || !slices.Equal(m.Paths(), []string{"tag"}) {
			t.Errorf("%v, %v", m.Paths(), err)
		}
	}
	body := proto.CloneOf(current)
	body.Tag, body.Quantity, body.FormerTags, body.LastSizes.WorkingTraps, body.CreateTime = "B1", 4, nil, proto.Int32(0), nil
	refused := func(ignored ...string) []string {
		_, err := ReadMask(sent(append(everything, "updateTime")), nil, current, body, "", ignored...)
		if err == nil {
			return nil
		}
		bad, reason := rulesOf(t, err)
		var fields []string
		for _, v := range bad {
			fields = append(fields, v.Field)
			if !strings.HasPrefix(v.Rule, "is told by the server: ") || reason != InvalidFields {
				t.Errorf("%v, %s", v, reason)
			}
		}
		return fields
	}
	if got, want := refused(), []string{"plant.quantity", "plant.formerTags", "plant.createTime", "plant.lastSizes"}; !slices.Equal(got, want) {
		t.Errorf("%q", got)
	}
	// What changes by itself cannot be compared.
	if got := refused("last_sizes", "former_tags", "create_time"); !slices.Equal(got, []string{"plant.quantity"}) {
		t.Errorf("%q", got)
	}
	if got := refused("last_sizes", "former_tags", "create_time", "quantity"); got != nil {
		t.Errorf("%q", got)
	}
	// With a mask, what it does not name does not matter.
	m, err := ReadMask(sent(everything), paths("tag"), current, body, "")
	if err != nil {
		t.Fatal(err)
	}
	if Apply(m, current, body); current.GetTag() != "B1" || current.GetQuantity() != 3 {
		t.Errorf("%v", current)
	}
}

func TestApply(t *testing.T) {
	survey := &pb.Observation{Fact: &pb.Observation_CatchSurvey_{CatchSurvey: &pb.Observation_CatchSurvey{TrapsExamined: 9, PreyFound: 2}}, Note: "n"}
	stalk := &pb.Observation{Fact: &pb.Observation_Stalk_{Stalk: pb.Observation_CUT}, Note: "n"}
	for name, c := range map[string]struct {
		current, body, want proto.Message
		mask                string
		sent                []string
	}{
		"set, clear and leave": {
			&pb.Plant{Tag: "A1", Clone: "x", WalkOrder: proto.Int32(4), Source: "s"}, &pb.Plant{Tag: "B1", Source: "other"},
			&pb.Plant{Tag: "B1", Source: "s"}, "tag,clone,walkOrder", nil,
		},
		"zero is not absent": {
			&pb.Plant{WalkOrder: proto.Int32(4)}, &pb.Plant{WalkOrder: proto.Int32(0)}, &pb.Plant{WalkOrder: proto.Int32(0)}, "walk_order", nil,
		},
		"null clears": {
			&pb.Plant{Tag: "A1", Clone: "x", WalkOrder: proto.Int32(4), Regimen: &pb.Regimen{DigestDays: proto.Int32(9)}, Parents: []string{"p"}}, &pb.Plant{Clone: "y"},
			&pb.Plant{Tag: "A1", Clone: "y"}, "", []string{"clone", "walkOrder", "regimen", "parents"},
		},
		"a list is replaced": {
			&pb.Plant{Parents: []string{"a", "b"}}, &pb.Plant{Parents: []string{"c"}}, &pb.Plant{Parents: []string{"c"}}, "parents", nil,
		},
		"a named message is replaced": {
			&pb.Plant{Regimen: &pb.Regimen{IntervalDays: proto.Int32(7), DigestDays: proto.Int32(9)}}, &pb.Plant{Regimen: &pb.Regimen{IntervalDays: proto.Int32(10)}},
			&pb.Plant{Regimen: &pb.Regimen{IntervalDays: proto.Int32(10)}}, "regimen", nil,
		},
		"a message that was sent is replaced": {
			&pb.Plant{Regimen: &pb.Regimen{IntervalDays: proto.Int32(7), DigestDays: proto.Int32(9)}}, &pb.Plant{Regimen: &pb.Regimen{IntervalDays: proto.Int32(10)}},
			&pb.Plant{Regimen: &pb.Regimen{IntervalDays: proto.Int32(10)}}, "", []string{"regimen"},
		},
		"a deeper path merges": {
			&pb.Plant{Regimen: &pb.Regimen{IntervalDays: proto.Int32(7), DigestDays: proto.Int32(9), CheckDays: []int32{1, 2}}},
			&pb.Plant{Regimen: &pb.Regimen{IntervalDays: proto.Int32(10), CheckDays: []int32{3}}},
			&pb.Plant{Regimen: &pb.Regimen{IntervalDays: proto.Int32(10), CheckDays: []int32{3}}}, "regimen.intervalDays,regimen.digest_days,regimen.checkDays", nil,
		},
		"a deeper path makes the message": {
			&pb.Plant{}, &pb.Plant{Regimen: &pb.Regimen{IntervalDays: proto.Int32(10), DigestDays: proto.Int32(1)}},
			&pb.Plant{Regimen: &pb.Regimen{IntervalDays: proto.Int32(10)}}, "regimen.intervalDays", nil,
		},
		"to clear in a message that is not there": {
			&pb.Plant{Tag: "A1"}, &pb.Plant{Regimen: &pb.Regimen{}}, &pb.Plant{Tag: "A1"}, "regimen.intervalDays,regimen.checkDays", nil,
		},
		"to clear in a message that the body lacks": {
			&pb.Plant{Regimen: &pb.Regimen{IntervalDays: proto.Int32(7), CutStalks: proto.Bool(true)}}, &pb.Plant{},
			&pb.Plant{Regimen: &pb.Regimen{CutStalks: proto.Bool(true)}}, "regimen.intervalDays", nil,
		},
		"another case of a oneof":               {survey, stalk, stalk, "stalk", nil},
		"another case of a oneof, sent":         {survey, stalk, stalk, "", []string{"stalk"}},
		"another case, the old one named too":   {survey, stalk, stalk, "catchSurvey,stalk", nil},
		"all of it":                             {survey, stalk, stalk, "*", nil},
		"another case by a deeper path":         {stalk, survey, &pb.Observation{Note: "n", Fact: &pb.Observation_CatchSurvey_{CatchSurvey: &pb.Observation_CatchSurvey{PreyFound: 2}}}, "catchSurvey.preyFound", nil},
		"another case by a deeper path to zero": {stalk, &pb.Observation{Fact: &pb.Observation_CatchSurvey_{CatchSurvey: &pb.Observation_CatchSurvey{}}}, &pb.Observation{Note: "n", Fact: &pb.Observation_CatchSurvey_{CatchSurvey: &pb.Observation_CatchSurvey{}}}, "catchSurvey.preyFound", nil},
		"clear a case":                          {stalk, &pb.Observation{}, &pb.Observation{Note: "n"}, "stalk", nil},
		"clear a case that is not there":        {stalk, &pb.Observation{}, stalk, "catchSurvey", nil},
		"clear in a case that is not there":     {stalk, &pb.Observation{}, stalk, "catchSurvey.preyFound", nil},
		"clear in a case": {survey, &pb.Observation{},
			&pb.Observation{Note: "n", Fact: &pb.Observation_CatchSurvey_{CatchSurvey: &pb.Observation_CatchSurvey{TrapsExamined: 9}}}, "catchSurvey.preyFound", nil},
	} {
		t.Run(name, func(t *testing.T) {
			var mask *fieldmaskpb.FieldMask
			if c.mask != "" {
				mask = paths(strings.Split(c.mask, ",")...)
			}
			m, err := ReadMask(sent(c.sent), mask, c.current, c.body, "")
			if err != nil {
				t.Fatal(err)
			}
			body, got := proto.Clone(c.body), proto.Clone(c.current)
			Apply(m, got, body)
			if diff := cmp.Diff(c.want, got, protocmp.Transform()); diff != "" {
				t.Error(diff)
			}
			if !proto.Equal(body, c.body) {
				t.Errorf("the body became %v", body)
			}
		})
	}
}

// Fields that the server tells stand in messages too.
func TestToldInMessages(t *testing.T) {
	inner := nested(t)
	field := func(m protoreflect.Message, name string) protoreflect.FieldDescriptor {
		return m.Descriptor().Fields().ByName(protoreflect.Name(name))
	}
	whole := func(free, told string, list ...string) *dynamicpb.Message {
		m := dynamicpb.NewMessage(inner)
		part := m.Mutable(field(m, "part")).Message()
		part.Set(field(part, "free"), protoreflect.ValueOfString(free))
		part.Set(field(part, "told"), protoreflect.ValueOfString(told))
		for _, text := range list {
			e := m.Mutable(field(m, "parts")).List().AppendMutable().Message()
			e.Set(field(e, "free"), protoreflect.ValueOfString(text))
			e.Set(field(e, "told"), protoreflect.ValueOfString(text))
		}
		return m
	}
	for _, mask := range []*fieldmaskpb.FieldMask{paths("*"), paths("part", "parts"), nil} {
		current, body := whole("a", "kept", "x"), whole("b", "forged", "y", "z")
		m, err := ReadMask(t.Context(), mask, current, body, "")
		if err != nil {
			t.Fatal(err)
		}
		Apply(m, current, body)
		if got := protoJSON(t, current); got != `{"part":{"free":"b","told":"kept"},"parts":[{"free":"y"},{"free":"z"}]}` {
			t.Errorf("%v: %s", mask, got)
		}
	}
	empty := dynamicpb.NewMessage(inner)
	m, err := ReadMask(t.Context(), paths("part"), empty, empty, "")
	if err != nil {
		t.Fatal(err)
	}
	if Apply(m, empty, whole("b", "forged")); protoJSON(t, empty) != `{"part":{"free":"b"}}` {
		t.Errorf("%v", empty)
	}
	_, err = ReadMask(t.Context(), paths("part.told", "fixed"), empty, empty, "")
	if bad, _ := rulesOf(t, err); len(bad) != 2 || !strings.Contains(bad[0].Rule, "part.told is told") ||
		!strings.Contains(bad[1].Rule, "fixed cannot be changed") {
		t.Errorf("%v", bad)
	}
}

// nested is the descriptor of a message with what the resources do not have (yet).
func nested(t *testing.T) protoreflect.MessageDescriptor {
	t.Helper()
	var file descriptorpb.FileDescriptorProto
	if err := protojson.Unmarshal([]byte(`{
		"name": "nested.proto", "package": "nested", "syntax": "proto3", "dependency": ["google/api/field_behavior.proto"],
		"messageType": [
			{"name": "Part", "field": [
				{"name": "free", "number": 1, "label": "LABEL_OPTIONAL", "type": "TYPE_STRING", "jsonName": "free"},
				{"name": "told", "number": 2, "label": "LABEL_OPTIONAL", "type": "TYPE_STRING", "jsonName": "told", "options": {"[google.api.field_behavior]": ["OUTPUT_ONLY"]}}
			]},
			{"name": "Whole", "field": [
				{"name": "part", "number": 1, "label": "LABEL_OPTIONAL", "type": "TYPE_MESSAGE", "typeName": ".nested.Part", "jsonName": "part"},
				{"name": "parts", "number": 2, "label": "LABEL_REPEATED", "type": "TYPE_MESSAGE", "typeName": ".nested.Part", "jsonName": "parts"},
				{"name": "fixed", "number": 3, "label": "LABEL_OPTIONAL", "type": "TYPE_STRING", "jsonName": "fixed", "options": {"[google.api.field_behavior]": ["IMMUTABLE"]}}
			]}
		]}`), &file); err != nil {
		t.Fatal(err)
	}
	d, err := protodesc.NewFile(&file, protoregistry.GlobalFiles)
	if err != nil {
		t.Fatal(err)
	}
	return d.Messages().ByName("Whole")
}

// protoJSON writes a message without the spaces that protojson varies.
func protoJSON(t interface{ Fatal(...any) }, m proto.Message) string {
	text, err := protojson.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	plain, err := json.Marshal(jsonTree(t, text))
	if err != nil {
		t.Fatal(err)
	}
	return string(plain)
}

func jsonTree(t interface{ Fatal(...any) }, text []byte) map[string]any {
	var tree map[string]any
	if err := json.Unmarshal(text, &tree); err != nil {
		t.Fatal(err)
	}
	return tree
}

// drawMessage draws any message of a type, not always a valid one.
func drawMessage(t *rapid.T, m protoreflect.Message, depth int) {
	switch into := m.Interface().(type) {
	case *timestamppb.Timestamp:
		into.Seconds = rapid.Int64Range(-1e9, 4e9).Draw(t, "seconds")
		return
	case *durationpb.Duration:
		into.Seconds = rapid.Int64Range(0, 1e7).Draw(t, "seconds")
		return
	}
	for i := range m.Descriptor().Fields().Len() {
		field := m.Descriptor().Fields().Get(i)
		if !rapid.Bool().Draw(t, field.JSONName()) || field.Message() != nil && depth == 0 {
			continue
		}
		switch {
		case field.IsList():
			list := m.Mutable(field).List()
			for range rapid.IntRange(0, 3).Draw(t, "entries") {
				if field.Message() != nil {
					drawMessage(t, list.AppendMutable().Message(), depth-1)
				} else {
					list.Append(drawValue(t, field))
				}
			}
		case field.Message() != nil:
			drawMessage(t, m.Mutable(field).Message(), depth-1)
		default:
			m.Set(field, drawValue(t, field))
		}
	}
}

func drawValue(t *rapid.T, field protoreflect.FieldDescriptor) protoreflect.Value {
	switch field.Kind() {
	case protoreflect.StringKind:
		return protoreflect.ValueOfString(rapid.StringOfN(rapid.RuneFrom([]rune("abé")), 0, 3, -1).Draw(t, "text"))
	case protoreflect.BoolKind:
		return protoreflect.ValueOfBool(rapid.Bool().Draw(t, "truth"))
	case protoreflect.Int32Kind:
		return protoreflect.ValueOfInt32(rapid.Int32Range(-1, 5).Draw(t, "number"))
	case protoreflect.DoubleKind:
		return protoreflect.ValueOfFloat64(float64(rapid.IntRange(-2, 9).Draw(t, "number")) / 4)
	case protoreflect.EnumKind:
		values := field.Enum().Values()
		return protoreflect.ValueOfEnum(values.Get(rapid.IntRange(0, values.Len()-1).Draw(t, "enum")).Number())
	}
	t.Fatalf("%s is of kind %s, which is not drawn", field.FullName(), field.Kind())
	return protoreflect.Value{}
}

// writable lists the paths that a mask may name, by their JSON names, each with the
// field itself.
func writable(resource protoreflect.MessageDescriptor, before string, depth int) map[string]protoreflect.FieldDescriptor {
	found := map[string]protoreflect.FieldDescriptor{}
	for i := range resource.Fields().Len() {
		field := resource.Fields().Get(i)
		options := fmt.Sprint(field.Options())
		if strings.Contains(options, "OUTPUT_ONLY") || strings.Contains(options, "IDENTIFIER") || before == "" && field.Name() == "etag" ||
			field.FullName() == "dewbench.v1.Feeding.traps_target" {
			continue
		}
		found[before+field.JSONName()] = field
		if in := field.Message(); in != nil && !field.IsList() && depth > 0 && !strings.HasPrefix(string(in.FullName()), "google.protobuf.") {
			maps.Copy(found, writable(in, before+field.JSONName()+".", depth-1))
		}
	}
	return found
}

var resources = []proto.Message{&pb.Plant{}, &pb.Feeding{}, &pb.Observation{}, &pb.Bench{}, &pb.Collection{}}

// What Apply writes is what the same change of the JSON texts comes to.
func TestMaskAgainstJSON(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		resource := rapid.SampledFrom(resources).Draw(t, "resource").ProtoReflect()
		current, body := resource.New(), resource.New()
		drawMessage(t, current, 3)
		drawMessage(t, body, 3)
		fields := writable(resource.Descriptor(), "", 3)
		names := slices.Sorted(maps.Keys(fields))

		var mask *fieldmaskpb.FieldMask
		var keys, written []string
		switch rapid.IntRange(0, 3).Draw(t, "mask") {
		case 0: // all
			mask = paths("*")
			written = slices.DeleteFunc(names, func(name string) bool { return strings.Contains(name, ".") })
		case 1: // the keys of the body
			keys = slices.DeleteFunc(slices.Sorted(maps.Keys(jsonTree(t, []byte(protoJSON(t, body.Interface()))))), func(name string) bool { return fields[name] == nil })
			written = slices.Clone(keys)
			for _, name := range rapid.SliceOfNDistinct(rapid.SampledFrom(names), 1, 3, rapid.ID).Draw(t, "nulls") {
				if !strings.Contains(name, ".") && !slices.Contains(keys, name) {
					keys, written = append(keys, name), append(written, name)
				}
			}
			if len(keys) == 0 {
				return
			}
		default:
			for _, name := range rapid.SliceOfNDistinct(rapid.SampledFrom(names), 1, 6, rapid.ID).Draw(t, "paths") {
				if !slices.ContainsFunc(written, func(w string) bool { return strings.HasPrefix(w, name+".") || strings.HasPrefix(name, w+".") }) {
					written = append(written, name)
				}
			}
			mask = paths()
			for _, name := range written {
				if rapid.Bool().Draw(t, "snake") {
					name = snake(name)
				}
				mask.Paths = append(mask.Paths, name)
			}
		}

		want := jsonTree(t, []byte(protoJSON(t, current.Interface())))
		from := jsonTree(t, []byte(protoJSON(t, body.Interface())))
		slices.Sort(written)
		for _, name := range written {
			writeJSON(want, from, strings.Split(name, "."), resource.Descriptor())
		}
		m, err := ReadMask(sent(keys), mask, current.Interface(), body.Interface(), "")
		if err != nil {
			t.Fatalf("%v: %v", mask, err)
		}
		if !cmp.Equal(m.Paths(), written) {
			t.Fatalf("%v are the paths of %v", m.Paths(), written)
		}
		Apply(m, current.Interface(), body.Interface())
		if diff := cmp.Diff(want, jsonTree(t, []byte(protoJSON(t, current.Interface())))); diff != "" {
			t.Fatalf("%v (-want +got):\n%s", written, diff)
		}
		// Nothing is shared.
		again := proto.Clone(current.Interface())
		body.Range(func(field protoreflect.FieldDescriptor, _ protoreflect.Value) bool {
			scribble(body, field)
			return true
		})
		if !proto.Equal(again, current.Interface()) {
			t.Fatal("a change of the body changes the resource")
		}
	})
}

// snake writes lowerCamelCase as snake_case, some parts of a path at least.
func snake(path string) string {
	var out strings.Builder
	for _, r := range path {
		if r >= 'A' && r <= 'Z' {
			out.WriteString("_" + strings.ToLower(string(r)))
		} else {
			out.WriteRune(r)
		}
	}
	return out.String()
}

// writeJSON is what a path of a mask means, said in JSON.
func writeJSON(to, from map[string]any, path []string, in protoreflect.MessageDescriptor) {
	field := in.Fields().ByJSONName(path[0])
	value, given := from[path[0]]
	old, there := to[path[0]]
	set := func(value any) {
		if group := field.ContainingOneof(); group != nil {
			for i := range group.Fields().Len() {
				delete(to, group.Fields().Get(i).JSONName())
			}
		}
		to[path[0]] = value
	}
	switch {
	case len(path) == 1 && given:
		set(value)
	case len(path) == 1:
		delete(to, path[0])
	case there && given:
		writeJSON(old.(map[string]any), value.(map[string]any), path[1:], field.Message())
	case there:
		writeJSON(old.(map[string]any), map[string]any{}, path[1:], field.Message())
	case given:
		fresh := map[string]any{}
		writeJSON(fresh, value.(map[string]any), path[1:], field.Message())
		leaf := field.Message().Fields().ByJSONName(path[1])
		if len(fresh) > 0 || len(path) == 2 && !leaf.HasPresence() && !leaf.IsList() { // zero is a value where nothing is absent
			set(fresh)
		}
	}
}

// scribble changes what is in a field, in place.
func scribble(m protoreflect.Message, field protoreflect.FieldDescriptor) {
	switch {
	case field.IsList() && field.Message() != nil:
		for i := range m.Get(field).List().Len() {
			proto.Reset(m.Get(field).List().Get(i).Message().Interface())
		}
	case field.IsList():
		for i := range m.Get(field).List().Len() {
			m.Get(field).List().Set(i, m.Get(field).List().NewElement())
		}
	case field.Message() != nil:
		proto.Reset(m.Get(field).Message().Interface())
	}
}

func FuzzMask(f *testing.F) {
	for _, path := range []string{"", "*", "tag", "tag,clone", "walk_order,regimen.intervalDays", "regimen.check_days", "due.status", "fact", "stalk,measurement.height_mm",
		"name,etag", ".", "..", "traps.0", "fedTime.seconds", "\x00", "\xff", "*,*", "regimen,regimen", strings.Repeat("regimen.", 100)} {
		f.Add(path)
	}
	f.Fuzz(func(t *testing.T, list string) {
		for _, resource := range resources {
			body := proto.Clone(resource)
			m, err := ReadMask(t.Context(), paths(strings.Split(list, ",")...), body, body, "")
			if err != nil {
				bad, reason := rulesOf(t, err)
				for _, v := range bad {
					if v.Field != "updateMask" || v.Rule == "" || !utf8.ValidString(v.Rule) || len(v.Rule) > 2000 || reason != InvalidUpdateMask {
						t.Errorf("%q: %v", list, v)
					}
				}
				continue
			}
			again, err := ReadMask(t.Context(), paths(m.Paths()...), body, body, "")
			if err != nil || !cmp.Equal(again.Paths(), m.Paths()) {
				t.Errorf("%q: %v became %v, %v", list, m.Paths(), again, err)
			}
			if Apply(m, body, resource); !proto.Equal(body, resource) {
				t.Errorf("%q: nothing, written to nothing, became %v", list, body)
			}
		}
	})
}
