package api

import (
	"errors"
	"math"
	"regexp"
	"strings"
	"testing"

	rules "buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"buf.build/go/protovalidate"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "dewbench/proto/dewbench/v1"
)

// programmersWords are what no text of a rule holds: parts of regular expressions, and
// words of the library.
var programmersWords = regexp.MustCompile(`\[[A-Za-z0-9]-|\^|\$|\\|\{\d|\bvalue\b|in list|regex|greater|unspecified|` + noWords)

// Each rule of each request in the contract can be broken, and is told in words of the
// API then.
func TestEachRuleHasWords(t *testing.T) {
	validator, err := protovalidate.New()
	if err != nil {
		t.Fatal(err)
	}
	seen := map[protoreflect.FullName]bool{}
	count := 0
	var walk func(protoreflect.MessageType)
	walk = func(kind protoreflect.MessageType) {
		d := kind.Descriptor()
		if seen[d.FullName()] || d.ParentFile().Package() != pb.File_dewbench_v1_plant_proto.Package() {
			return
		}
		seen[d.FullName()] = true
		check := func(rule string, m protoreflect.Message) {
			t.Helper()
			count++
			err := validator.Validate(m.Interface())
			var invalid *protovalidate.ValidationError
			if !errors.As(err, &invalid) {
				t.Errorf("%s: %s is not broken: %v", d.FullName(), rule, err)
				return
			}
			broken := false
			told := violationsOf(invalid, "", d)
			for i, v := range invalid.Violations {
				if programmersWords.MatchString(told[i].Rule) {
					t.Errorf("%s: %s: %s: %s", d.FullName(), rule, told[i].Field, told[i].Rule)
				}
				path := protovalidate.FieldPathString(v.Proto.GetField()) + " " + v.Proto.GetRuleId()
				broken = broken || strings.HasPrefix(path, rule)
			}
			if !broken {
				t.Errorf("%s: %s is not broken: %v", d.FullName(), rule, err)
			}
		}
		if set, _ := proto.GetExtension(d.Options(), rules.E_Message).(*rules.MessageRules); len(set.GetCel()) > 0 {
			if len(set.GetCel()) != 1 || set.GetCel()[0].GetId() != "plant.events" {
				t.Fatalf("%s has rules that this test does not break", d.FullName())
			}
			check(" plant.events", (&pb.ComputeDueRequest_Plant{Key: "a", Feedings: make([]*pb.Feeding, 2001)}).ProtoReflect())
		}
		for i := range d.Oneofs().Len() {
			group := d.Oneofs().Get(i)
			if set, _ := proto.GetExtension(group.Options(), rules.E_Oneof).(*rules.OneofRules); set.GetRequired() {
				check(string(group.Name())+" required", kind.New())
			}
		}
		for i := range d.Fields().Len() {
			f := d.Fields().Get(i)
			set, _ := proto.GetExtension(f.Options(), rules.E_Field).(*rules.FieldRules)
			breaks(t, f, set, func(rule string, value protoreflect.Value) {
				t.Helper()
				m := kind.New()
				if value.IsValid() {
					m.Set(f, value)
				}
				check(string(f.Name())+rule, m)
			})
			if f.Message() != nil && !f.IsMap() {
				inner, err := protoregistry.GlobalTypes.FindMessageByName(f.Message().FullName())
				if err != nil {
					t.Fatal(err)
				}
				walk(inner)
			}
		}
	}
	for _, rt := range newServer(t).gateway.routes {
		kind, err := protoregistry.GlobalTypes.FindMessageByName(rt.call.Input().FullName())
		if err != nil {
			t.Fatal(err)
		}
		walk(kind)
	}
	if count < 200 {
		t.Errorf("only %d rules were found", count)
	}
}

// breaks calls back with a value of a field for each of its rules, which breaks it, and
// the beginning of the rule's id behind the field.
func breaks(t *testing.T, f protoreflect.FieldDescriptor, set *rules.FieldRules, broken func(rule string, value protoreflect.Value)) {
	t.Helper()
	if set.GetRequired() {
		broken(" required", protoreflect.Value{})
	}
	set.ProtoReflect().Range(func(kind protoreflect.FieldDescriptor, of protoreflect.Value) bool {
		if kind.Message() == nil {
			return true // required, and ignore
		}
		if kind.Name() == "cel" {
			t.Fatalf("%s has a rule that this test does not break", f.FullName())
		}
		of.Message().Range(func(rule protoreflect.FieldDescriptor, is protoreflect.Value) bool {
			id := " " + string(kind.Name()) + "." + string(rule.Name())
			switch string(rule.Name()) {
			case "pattern":
				broken(id, protoreflect.ValueOfString("\x01"))
			case "min_len":
				broken(id, protoreflect.ValueOfString(strings.Repeat("a", int(is.Uint())-1)))
			case "max_len":
				long := protoreflect.ValueOfString(strings.Repeat("a", int(is.Uint())+1))
				if f.Kind() == protoreflect.BytesKind {
					long = protoreflect.ValueOfBytes([]byte(long.String()))
				}
				broken(id, long)
			case "in":
				broken(id, protoreflect.ValueOfString("\x01"))
			case "not_in":
				for i := range is.List().Len() {
					one := is.List().Get(i)
					if f.Enum() != nil {
						one = protoreflect.ValueOfEnum(protoreflect.EnumNumber(one.Int()))
					}
					broken(id, one)
				}
			case "defined_only":
				broken(id, protoreflect.ValueOfEnum(9999))
			case "finite":
				broken(id, protoreflect.ValueOfFloat64(math.NaN()))
				broken(id, protoreflect.ValueOfFloat64(math.Inf(1)))
			case "gt", "gte", "lt", "lte":
				away := int64(1) // beyond the bound
				if strings.HasPrefix(string(rule.Name()), "g") {
					away = -1
				}
				id = " " + string(kind.Name()) + "." // the id tells both bounds
				switch bound := is.Interface().(type) {
				case int32:
					broken(id, protoreflect.ValueOfInt32(bound+int32(away)))
				case float64:
					broken(id, protoreflect.ValueOfFloat64(bound+float64(away)))
				case protoreflect.Message:
					switch m := bound.Interface().(type) {
					case *timestamppb.Timestamp:
						broken(id, protoreflect.ValueOfMessage((&timestamppb.Timestamp{Seconds: m.GetSeconds() + away}).ProtoReflect()))
					case *durationpb.Duration:
						broken(id, protoreflect.ValueOfMessage((&durationpb.Duration{Seconds: m.GetSeconds() + away}).ProtoReflect()))
					}
				default:
					t.Fatalf("%s has a rule that this test does not break: %s", f.FullName(), rule.FullName())
				}
			case "unique":
				broken(id, listOf(t, f, oneOf(f), 2))
			case "min_items":
				broken(id, listOf(t, f, oneOf(f), int(is.Uint())-1))
			case "max_items":
				broken(id, listOf(t, f, oneOf(f), int(is.Uint())+1))
			case "items":
				breaks(t, f, is.Message().Interface().(*rules.FieldRules), func(rule string, value protoreflect.Value) {
					t.Helper()
					broken("[0]"+rule, listOf(t, f, value, 1))
				})
			default:
				t.Fatalf("%s has a rule that this test does not break: %s", f.FullName(), rule.FullName())
			}
			return true
		})
		return true
	})
}

// oneOf returns an entry for a list.
func oneOf(f protoreflect.FieldDescriptor) protoreflect.Value {
	switch f.Kind() {
	case protoreflect.MessageKind:
		return protoreflect.Value{}
	case protoreflect.EnumKind:
		return protoreflect.ValueOfEnum(1)
	case protoreflect.StringKind:
		return protoreflect.ValueOfString("a")
	default:
		return protoreflect.ValueOfInt32(1)
	}
}

// listOf returns a list of a field that holds the same entry n times.
func listOf(t *testing.T, f protoreflect.FieldDescriptor, entry protoreflect.Value, n int) protoreflect.Value {
	t.Helper()
	kind, err := protoregistry.GlobalTypes.FindMessageByName(f.ContainingMessage().FullName())
	if err != nil {
		t.Fatal(err)
	}
	list := kind.New().NewField(f)
	for range n {
		if entry.IsValid() {
			list.List().Append(entry)
		} else {
			list.List().Append(list.List().NewElement())
		}
	}
	return list
}

// What the proto files ask for in a regular expression or a number is told so.
func TestRuleTexts(t *testing.T) {
	const ids = ", with ids of 1 to 63 of a-z, 0-9 and hyphens"
	for pattern, want := range map[string]string{
		"^[a-z0-9-]{1,63}$":      "must be 1 to 63 of a-z, 0-9 and hyphens",
		"^[A-Za-z0-9._-]{0,64}$": "must be at most 64 of a-z, A-Z, 0-9, hyphens, full stops and underscores",
		"^collections/[a-z0-9-]{1,63}/sheets/[1-9][0-9]{0,8}$": "must be the name of a sheet: collections/{collection}/sheets/{sheet}, where {sheet} is a number from 1",
		"^taxa/[a-z0-9-]{1,63}$":                               "must be the name of a taxon: taxa/{taxon}" + ids,
		"^plants$":                                             noWords,
		"(":                                                    noWords,
		"^[0-9]{4}-[0-9]{2}-\\d+$":                             "must be a day in the form YYYY-MM-DD",
		"^collections/[a-z0-9-]{1,63}/plants/[a-z0-9-]{1,63}/observations/[a-z0-9-]{1,63}$": "must be the name of an observation: collections/{collection}/plants/{plant}/observations/{observation}" + ids,
		"^collections/[a-z0-9-]{1,63}(/plants/[a-z0-9-]{1,63})?$":                           "must be the name of a collection or a plant: collections/{collection} or collections/{collection}/plants/{plant}" + ids,
	} {
		if got := patternText(pattern); got != want {
			t.Errorf("%s: %q, want %q", pattern, got, want)
		}
	}
	validator, err := protovalidate.New()
	if err != nil {
		t.Fatal(err)
	}
	for want, m := range map[string]proto.Message{
		"lampHours: must be from 0 to 24 hours":                                        &pb.Bench{Exposure: pb.Bench_ENCLOSED, LampHours: proto.Float64(25)},
		"walkOrder: must be from 0 to 1000000":                                         &pb.Bench{Exposure: pb.Bench_ENCLOSED, WalkOrder: proto.Int32(-1)},
		"exposure: must be one of OUTDOORS, GREENHOUSE, WINDOWSILL, ENCLOSED":          &pb.Bench{Exposure: 77},
		"heightMm: must be more than 0 and at most 10000 mm":                           &pb.Observation_Measurement{HeightMm: proto.Float64(0)},
		"checkDays[0]: must be from 1 to 60 days":                                      &pb.Regimen{CheckDays: []int32{61}},
		"pageSize: must be at least 0":                                                 &pb.ListTaxaRequest{PageSize: -1},
		"firstMovement: must be from 0s to 34560000s (400 days)":                       &pb.FedTrap{FirstMovement: durationpb.New(-1)},
		"fedTime: must be from 0001-01-01T00:00:00Z to 9999-12-31T23:59:59.999999999Z": &pb.Feeding{FedTime: &timestamppb.Timestamp{Seconds: 253402300800}},
		"benchId: must not be - or me":                                                 &pb.CreateBenchRequest{Parent: "collections/c", Bench: &pb.Bench{}, BenchId: "me"},
		"at most 2,000 feedings, observations and moves for each plant":                &pb.ComputeDueRequest_Plant{Key: "a", Moves: make([]*pb.ComputeDueRequest_Move, 2001)},
		"exactly one of these must be given: taxon, genus, trapType":                   &pb.Collection_GroupRegimen{},
		"scopes[0]: must be one of read, record, manage, stock":                        &pb.Token{DisplayName: "a", Scopes: []string{"all"}},
		"parent: must be the name of a collection: collections/{collection}" + ids:     &pb.CreateBenchRequest{Bench: &pb.Bench{}},
	} {
		err := validator.Validate(m)
		var invalid *protovalidate.ValidationError
		if !errors.As(err, &invalid) {
			t.Errorf("%s: %v", want, err)
			continue
		}
		found := false
		for _, v := range violationsOf(invalid, "", m.ProtoReflect().Descriptor()) {
			got := v.Rule
			if v.Field != "" {
				got = v.Field + ": " + got
			}
			found = found || got == want
		}
		if !found {
			t.Errorf("want %q, got %.500s", want, err)
		}
	}
}
