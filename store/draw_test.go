package store_test

import (
	"math"
	"slices"
	"strings"
	"time"

	"buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"buf.build/go/protovalidate"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"
)

// Random messages, drawn by what the contract says of their fields, so that a field
// which it gets later is drawn too.

// fullness is how much of a message is set.
type fullness int

const (
	some fullness = iota
	all
	none // what may be absent is
)

// left are fields that the store does not keep: names and etags, which it makes, and
// days, which are made from instants. Benches are left to the caller: they must be
// there.
var left = []protoreflect.Name{"name", "etag", "fed_date", "outcome_date", "observe_date", "taken_date", "bench"}

// drawInto sets what users set of a message. The rules of the contract hold for it.
func drawInto(t *rapid.T, m proto.Message) {
	how := rapid.SampledFrom([]fullness{some, some, some, all, none}).Draw(t, "fullness")
	drawFields(t, m.ProtoReflect(), how)
	if err := protovalidate.Validate(m); err != nil {
		t.Fatalf("a message was drawn that the contract refuses: %v", err)
	}
}

func drawFields(t *rapid.T, m protoreflect.Message, how fullness) {
	fields := m.Descriptor().Fields()
	chosen := map[protoreflect.Name]protoreflect.Name{} // field of each oneof
	for i := range fields.Len() {
		f := fields.Get(i)
		rules := rulesOf(f)
		if slices.Contains(left, f.Name()) && rules.GetString().GetMinLen() == 0 || outputOnly(f) {
			continue
		}
		label := string(f.Name())
		if one := f.ContainingOneof(); one != nil && !one.IsSynthetic() {
			if _, ok := chosen[one.Name()]; !ok {
				chosen[one.Name()] = one.Fields().Get(rapid.IntRange(0, one.Fields().Len()-1).Draw(t, string(one.Name()))).Name()
			}
			if chosen[one.Name()] != f.Name() {
				continue
			}
		} else if !rules.GetRequired() && f.HasPresence() && (how == none || how == some && rapid.Bool().Draw(t, "no "+label)) {
			continue
		}
		if !f.IsList() {
			m.Set(f, drawValue(t, f, rules, how, m.NewField(f)))
			continue
		}
		most := min(int(rules.GetRepeated().GetMaxItems()), 7)
		n := 0
		switch how {
		case some:
			n = rapid.IntRange(0, most).Draw(t, "number of "+label)
		case all:
			n = most
		}
		list := m.Mutable(f).List()
		var had []any
		for range n {
			v := drawValue(t, f, rules.GetRepeated().GetItems(), how, list.NewElement())
			if rules.GetRepeated().GetUnique() {
				if slices.Contains(had, v.Interface()) {
					continue
				}
				had = append(had, v.Interface())
			}
			list.Append(v)
		}
	}
}

func rulesOf(f protoreflect.FieldDescriptor) *validate.FieldRules {
	rules, _ := proto.GetExtension(f.Options(), validate.E_Field).(*validate.FieldRules)
	return rules
}

func outputOnly(f protoreflect.FieldDescriptor) bool {
	behaviors, _ := proto.GetExtension(f.Options(), annotations.E_FieldBehavior).([]annotations.FieldBehavior)
	// The target is told by the server, but when a session is recorded.
	return slices.Contains(behaviors, annotations.FieldBehavior_OUTPUT_ONLY) && f.Name() != "traps_target"
}

func drawValue(t *rapid.T, f protoreflect.FieldDescriptor, rules *validate.FieldRules, how fullness, fresh protoreflect.Value) protoreflect.Value {
	label := string(f.Name())
	switch f.Kind() {
	case protoreflect.BoolKind:
		return protoreflect.ValueOfBool(rapid.Bool().Draw(t, label))
	case protoreflect.Int32Kind:
		from, to := int32(math.MinInt32), int32(math.MaxInt32)
		if r := rules.GetInt32(); r != nil {
			from, to = r.GetGte(), r.GetLte()
		}
		return protoreflect.ValueOfInt32(rapid.Int32Range(from, to).Draw(t, label))
	case protoreflect.DoubleKind:
		r := rules.GetDouble()
		from := r.GetGte()
		if r.HasGt() {
			from = math.Nextafter(r.GetGt(), math.Inf(1))
		}
		v := rapid.Float64Range(from, r.GetLte()).Draw(t, label)
		if f.Name() == "latitude_deg" { // kept to the degree
			v = math.Trunc(v) + 0 // and without a negative zero
		}
		return protoreflect.ValueOfFloat64(v)
	case protoreflect.EnumKind:
		var numbers []protoreflect.EnumNumber
		for i := range f.Enum().Values().Len() {
			n := f.Enum().Values().Get(i).Number()
			if !slices.Contains(rules.GetEnum().GetNotIn(), int32(n)) {
				numbers = append(numbers, n)
			}
		}
		return protoreflect.ValueOfEnum(rapid.SampledFrom(numbers).Draw(t, label))
	case protoreflect.StringKind:
		return protoreflect.ValueOfString(drawText(t, label, rules.GetString()))
	case protoreflect.MessageKind:
		switch f.Message().FullName() {
		case "google.protobuf.Timestamp":
			r := rules.GetTimestamp()
			s := rapid.Int64Range(r.GetGte().GetSeconds(), r.GetLte().GetSeconds()).Draw(t, label)
			us := rapid.Int32Range(0, 999_999).Draw(t, label+" microseconds")
			return protoreflect.ValueOfMessage((&timestamppb.Timestamp{Seconds: s, Nanos: us * 1000}).ProtoReflect())
		case "google.protobuf.Duration":
			ns := rapid.Int64Range(0, rules.GetDuration().GetLte().AsDuration().Nanoseconds()).Draw(t, label)
			return protoreflect.ValueOfMessage(durationpb.New(time.Duration(ns)).ProtoReflect())
		}
		drawFields(t, fresh.Message(), how)
		return fresh
	}
	t.Fatalf("%s: no value of a %s can be drawn", f.FullName(), f.Kind())
	return fresh
}

// hard are texts that storages, encodings and comparisons stumble over. NUL is not
// among them: Postgres does not take it.
var hard = []string{
	"", " ", "' OR 1=1 --", `"; DROP TABLE plants; --`, `\`, `\n`, "%", "_", "a%b_c", "?", "$1", "@name", ":name", "{}", "null", "0", "-",
	"\t\r\n", "\x01\x7f", "\u2028\u2029", "\ufeff", "\ufffd", "\U0010ffff", "<b>&amp;</b>", `{"a":1}`,
	"Größe", "GRÖSSE", "ẞ", "İıIi", "e\u0301", "é", "Σςσ", "ﬁ", "\u0345", "Drosera × obovata", "白い花", "🌱🪴", "עברית", "ａｂｃ",
}

// drawText draws text that rules allow.
func drawText(t *rapid.T, label string, rules *validate.StringRules) string {
	most := int(rules.GetMaxLen())
	if most == 0 {
		most = 100
	}
	switch pattern := rules.GetPattern(); {
	case strings.HasPrefix(pattern, "^[0-9]{4}-"):
		days := rapid.Int64Range(-719162, 2932896).Draw(t, label) // years 1 to 9999
		return time.Unix(days*86400, 0).UTC().Format(time.DateOnly)
	case strings.HasPrefix(pattern, "^taxa/"):
		return "taxa/" + rapid.StringMatching("[a-z0-9-]{1,63}").Draw(t, label)
	case pattern != "":
		t.Fatalf("%s: no text for %s can be drawn", label, pattern)
	case len(rules.GetIn()) > 0:
		return rapid.SampledFrom(rules.GetIn()).Draw(t, label)
	}
	var s string
	switch rapid.IntRange(0, 5).Draw(t, "kind of "+label) {
	case 0:
		s = strings.Repeat(string(rapid.Rune().Draw(t, label)), most)
	case 1, 2:
		s = rapid.StringN(0, min(most, 20), -1).Draw(t, label)
	default:
		s = rapid.SampledFrom(hard).Draw(t, label)
	}
	s = strings.ReplaceAll(s, "\x00", "0")
	if s == "" && rules.GetMinLen() > 0 {
		s = "x"
	}
	return s
}
