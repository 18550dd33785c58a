package api

import (
	"fmt"
	"regexp"
	"regexp/syntax"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	rules "buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"buf.build/go/protovalidate"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
)

// violationsOf names the fields of broken rules as JSON does, below the path of
// the message that was checked. A group of which one field must be given is no
// field: its message is named, and the rule lists its fields.
func violationsOf(invalid *protovalidate.ValidationError, root string, checked protoreflect.MessageDescriptor) []service.Violation {
	out := make([]service.Violation, len(invalid.Violations))
	for i, v := range invalid.Violations {
		path, in, rule := root, checked, ""
		var field protoreflect.FieldDescriptor
		for _, e := range v.Proto.GetField().GetElements() {
			if group := in.Oneofs().ByName(protoreflect.Name(e.GetFieldName())); e.GetFieldNumber() == 0 && group != nil {
				rule = "exactly one of these must be given: " + strings.Join(jsonNames(group.Fields()), ", ")
				break
			}
			if path != "" {
				path += "."
			}
			field = in.Fields().ByName(protoreflect.Name(e.GetFieldName()))
			path += field.JSONName()
			if e.HasIndex() {
				path += fmt.Sprintf("[%d]", e.GetIndex())
			}
			in = field.Message()
		}
		if rule == "" {
			rule = ruleText(v, field)
		}
		out[i] = service.Violation{Field: path, Rule: rule}
	}
	return out
}

func jsonNames(fields protoreflect.FieldDescriptors) []string {
	names := make([]string, fields.Len())
	for i := range names {
		names[i] = fields.Get(i).JSONName()
	}
	return names
}

// noWords is the text of a rule that has no words here. A test sees to it that the
// proto files have no such rule.
const noWords = "breaks the rule of the contract"

// ruleText says a broken rule of the proto files in the words of the API: the
// library's own are those of programmers. The field is nil where the rule is one of a
// message.
func ruleText(v *protovalidate.Violation, field protoreflect.FieldDescriptor) string {
	rule := v.RuleDescriptor
	if rule == nil {
		return v.Proto.GetMessage() // of an expression: it stands in the proto file
	}
	switch rule.Name() {
	case "required":
		return "must be given"
	case "unique":
		return "must hold each entry only once"
	case "min_items":
		if v.RuleValue.Uint() == 1 {
			return "must not be empty"
		}
		return fmt.Sprintf("must hold at least %d entries", v.RuleValue.Uint())
	case "max_items":
		return atMostEntries(int(v.RuleValue.Uint()))
	case "max_len":
		return fmt.Sprintf("must be at most %d characters", v.RuleValue.Uint())
	case "min_len":
		if v.RuleValue.Uint() == 1 {
			return "must not be empty"
		}
		return fmt.Sprintf("must be at least %d characters", v.RuleValue.Uint())
	case "pattern":
		return patternText(v.RuleValue.String())
	case "defined_only":
		return "must be one of " + strings.Join(valueNames(field.Enum()), ", ")
	case "finite":
		return "must be a number, not NaN or infinite"
	case "gt", "gte", "lt", "lte":
		return rangeText(v, field)
	case "in":
		return "must be one of " + strings.Join(textsOf(v.RuleValue.List()), ", ")
	case "not_in":
		if rule.Parent().Name() == "EnumRules" { // it holds the zero
			return "must be given"
		}
		return "must not be " + strings.Join(textsOf(v.RuleValue.List()), " or ")
	}
	return noWords
}

func atMostEntries(n int) string { return fmt.Sprintf("must hold at most %d entries", n) }

// valueNames returns the names that an enum takes: the zero says nothing.
func valueNames(enum protoreflect.EnumDescriptor) []string {
	var names []string
	for i := range enum.Values().Len() {
		if v := enum.Values().Get(i); v.Number() != 0 {
			names = append(names, string(v.Name()))
		}
	}
	return names
}

func textsOf(values protoreflect.List) []string {
	out := make([]string, values.Len())
	for i := range out {
		out[i] = values.Get(i).String()
	}
	return out
}

// units are the units that the names of fields end in.
var units = map[string]string{"mm": " mm", "deg": " degrees", "hours": " hours", "days": " days", "percent": " percent"}

// rangeText tells between which bounds a number, an instant or a span must be. A
// violation names one bound; the other stands beside it in the proto file.
func rangeText(v *protovalidate.Violation, field protoreflect.FieldDescriptor) string {
	set, _ := proto.GetExtension(field.Options(), rules.E_Field).(*rules.FieldRules)
	m := set.ProtoReflect()
	path := v.Proto.GetRule().GetElements()
	for _, e := range path[:len(path)-1] {
		m = m.Get(m.Descriptor().Fields().ByName(protoreflect.Name(e.GetFieldName()))).Message()
	}
	bound := func(name protoreflect.Name) (string, bool) {
		f := m.Descriptor().Fields().ByName(name)
		return boundText(m.Get(f)), m.Has(f)
	}
	name := string(field.Name())
	unit := units[name[strings.LastIndexByte(name, '_')+1:]]
	least, hasLeast := bound("gte")
	most, hasMost := bound("lte")
	if hasLeast && hasMost {
		return "must be from " + least + " to " + most + unit
	}
	var bounds []string
	for _, b := range []struct {
		name  protoreflect.Name
		words string
	}{{"gt", "more than "}, {"gte", "at least "}, {"lt", "less than "}, {"lte", "at most "}} {
		if value, has := bound(b.name); has {
			bounds = append(bounds, b.words+value)
		}
	}
	return "must be " + strings.Join(bounds, " and ") + unit
}

// boundText writes the bound of a range as JSON takes it.
func boundText(v protoreflect.Value) string {
	switch bound := v.Interface().(type) {
	case float64:
		return strconv.FormatFloat(bound, 'f', -1, 64)
	case protoreflect.Message:
		switch m := bound.Interface().(type) {
		case *timestamppb.Timestamp:
			return m.AsTime().Format(time.RFC3339Nano)
		case *durationpb.Duration:
			text := strconv.FormatFloat(m.AsDuration().Seconds(), 'f', -1, 64) + "s"
			if days := m.AsDuration() / (24 * time.Hour); days > 0 && m.AsDuration()%(24*time.Hour) == 0 {
				text += fmt.Sprintf(" (%d days)", days)
			}
			return text
		}
	}
	return v.String()
}

// resources are the kinds of things that have names, in the order of their names.
var resources = func() []*annotations.ResourceDescriptor {
	var found []*annotations.ResourceDescriptor
	protoregistry.GlobalFiles.RangeFilesByPackage(pb.File_dewbench_v1_plant_proto.Package(), func(file protoreflect.FileDescriptor) bool {
		for i := range file.Messages().Len() {
			r, _ := proto.GetExtension(file.Messages().Get(i).Options(), annotations.E_Resource).(*annotations.ResourceDescriptor)
			for _, pattern := range r.GetPattern() { // each by itself
				found = append(found, &annotations.ResourceDescriptor{Singular: r.GetSingular(), Pattern: []string{pattern}})
			}
		}
		return true
	})
	slices.SortFunc(found, func(a, b *annotations.ResourceDescriptor) int {
		return strings.Compare(a.GetPattern()[0], b.GetPattern()[0])
	})
	return found
}()

// resourceName finds the name of a thing in a text, the first and all of it.
var resourceName = func() *regexp.Regexp {
	var forms []string
	for _, r := range resources {
		forms = append(forms, placeholder.ReplaceAllString(r.GetPattern()[0], "[a-z0-9-]+"))
	}
	found := regexp.MustCompile(strings.Join(forms, "|"))
	found.Longest()
	return found
}()

var placeholder = regexp.MustCompile(`\{\w+\}`)

var patternTexts sync.Map // by pattern: some requests break one a thousand times

// patternText tells what has the form that a pattern asks for: a name, an id, or a
// day.
func patternText(pattern string) string {
	if known, ok := patternTexts.Load(pattern); ok {
		return known.(string)
	}
	text := makePatternText(pattern)
	patternTexts.Store(pattern, text)
	return text
}

func makePatternText(pattern string) string {
	tree, err := syntax.Parse(pattern, syntax.Perl)
	if err != nil {
		return noWords
	}
	form := regexp.MustCompile(pattern) // the parser took it
	var kinds, forms []string
	numbered := "" // what is counted, so that its id is a number
	for _, r := range resources {
		name := r.GetPattern()[0]
		switch {
		case form.MatchString(placeholder.ReplaceAllString(name, "x")):
		case form.MatchString(placeholder.ReplaceAllString(name, "1")):
			numbered = r.GetSingular()
		default:
			continue
		}
		if kind := withArticle(r.GetSingular()); !slices.Contains(kinds, kind) {
			kinds = append(kinds, kind)
		}
		forms = append(forms, name)
	}
	part := repeated(tree)
	whole := len(tree.Sub) == 3 && part == tree.Sub[1] // between the begin and the end of the text
	switch {
	case numbered != "":
		return "must be the name of " + joined(kinds, "or") + ": " + joined(forms, "or") + ", where {" + numbered + "} is a number from 1"
	case len(kinds) > 0:
		text := "must be the name of " + joined(kinds, "or") + ": " + joined(forms, "or")
		if part != nil {
			text += ", with ids of " + charsText(part)
		}
		return text
	case part != nil && whole:
		return "must be " + charsText(part)
	case form.MatchString(time.DateOnly):
		return "must be a day in the form YYYY-MM-DD"
	}
	return noWords
}

func withArticle(noun string) string {
	if strings.ContainsAny(noun[:1], "aeiou") {
		return "an " + noun
	}
	return "a " + noun
}

// joined lists words, with one such as "or" before the last.
func joined(words []string, word string) string {
	last := len(words) - 1
	if last == 0 {
		return words[0]
	}
	return strings.Join(words[:last], ", ") + " " + word + " " + words[last]
}

// repeated returns the first part of a pattern that repeats one of some characters, or
// nil.
func repeated(tree *syntax.Regexp) *syntax.Regexp {
	if tree.Op == syntax.OpRepeat && tree.Sub[0].Op == syntax.OpCharClass {
		return tree
	}
	for _, sub := range tree.Sub {
		if found := repeated(sub); found != nil {
			return found
		}
	}
	return nil
}

// charWords are the words for characters that are hard to see in a text.
var charWords = map[rune]string{'-': "hyphens", '.': "full stops", '_': "underscores"}

// charsText tells how many of which characters a part of a pattern takes.
func charsText(part *syntax.Regexp) string {
	count := fmt.Sprintf("%d to %d", part.Min, part.Max)
	if part.Min == 0 {
		count = fmt.Sprintf("at most %d", part.Max)
	}
	var spans, single []string
	for class := part.Sub[0].Rune; len(class) > 0; class = class[2:] {
		from, to := class[0], class[1]
		if to-from > 1 {
			spans = append(spans, fmt.Sprintf("%c-%c", from, to))
			continue
		}
		for c := from; c <= to; c++ {
			if word, known := charWords[c]; known {
				single = append(single, word)
			} else {
				single = append(single, string(c))
			}
		}
	}
	slices.Reverse(spans) // letters first
	return count + " of " + joined(append(spans, single...), "and")
}
