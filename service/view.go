package service

import (
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

// What a caller sees of a collection depends on what they are to it. For a visitor of a
// public one nothing exists but what stands here: not in answers, and not in filters,
// orders, errors or exports.

// shownToVisitors are the fields of each resource that visitors see. No free text, no
// places, no origins, no time of day, nothing of who did it.
var shownToVisitors = map[protoreflect.FullName][]protoreflect.Name{
	"dewbench.v1.Collection": {"name", "display_name", "visibility"},
	"dewbench.v1.Plant":      {"name", "taxon", "scientific_name", "trap_type", "habit", "quantity", "state", "last_sizes"},
	"dewbench.v1.Feeding": {
		"name", "plant", "fed_date", "traps_fed", "traps_target", "food", "item_length_mm", "stimulated", "outcome", "outcome_date", "traps",
	},
	"dewbench.v1.Observation": {"name", "plant", "observe_date", "measurement", "stalk", "catch_survey", "count", "repotting"},
}

// hiddenFacts are the kinds of observations that are not there for visitors.
var hiddenFacts = func() (kinds []store.FactKind) {
	fields := (&pb.Observation{}).ProtoReflect().Descriptor().Oneofs().ByName("fact").Fields()
	for i := range fields.Len() {
		if f := fields.Get(i); !slices.Contains(shownToVisitors["dewbench.v1.Observation"], f.Name()) {
			kinds = append(kinds, factKinds[f.JSONName()])
		}
	}
	return kinds
}()

// What visitors may filter lists by, and order them by.
var (
	visitorOrders      = []string{"name"}
	visitorCollections = Fields{"displayName": SearchField, "visibility": collectionFields["visibility"]}
	visitorPlants      = Fields{"taxon": TextField, "trapType": plantFields["trapType"], "state": plantFields["state"], "quantity": IntegerField}
	visitorFeedings    = Fields{"trapsFed": IntegerField, "outcome": feedingFields["outcome"], "food": TextField}
	visitorFacts       = Fields{"kind": TextField}
)

// seesLocality tells whether a caller may see where the wild ancestors of a collection's
// plants come from: only those who look after them.
func seesLocality(is Relation) bool { return is >= Keeper }

// show takes out of a resource what one who is this to its collection may not see.
func (c *Core) show(r Relation, m proto.Message) {
	if r >= Viewer {
		if p, ok := m.(*pb.Plant); ok && !seesLocality(r) {
			p.Locality = ""
		}
		return
	}
	reflected := m.ProtoReflect()
	shown := shownToVisitors[reflected.Descriptor().FullName()]
	reflected.Range(func(f protoreflect.FieldDescriptor, _ protoreflect.Value) bool {
		if !slices.Contains(shown, f.Name()) {
			reflected.Clear(f)
		}
		return true
	})
	if p, ok := m.(*pb.Plant); ok {
		// What the catalogue does not say is free text, also behind the name of a taxon.
		p.ScientificName = ""
		if t, ok := c.catalogue.Taxon(strings.TrimPrefix(p.GetTaxon(), taxonPrefix)); ok {
			p.ScientificName = t.ScientificName
		}
		if p.GetLastSizes() != nil {
			p.LastSizes.MeasureTime = nil
		}
	}
}

// sees tells whether an event is there at all for one who is this to its collection.
func (r Relation) sees(m proto.Message) bool {
	o, ok := m.(*pb.Observation)
	if !ok || r >= Viewer {
		return true
	}
	fact := o.ProtoReflect().WhichOneof(o.ProtoReflect().Descriptor().Oneofs().ByName("fact"))
	return fact != nil && slices.Contains(shownToVisitors["dewbench.v1.Observation"], fact.Name())
}

// visitorFact is factKind for visitors, for whom the hidden kinds are none.
func visitorFact(value any) (any, error) {
	kind, err := factKind(value)
	if err == nil && !slices.Contains(hiddenFacts, store.FactKind(kind.(int32))) {
		return kind, nil
	}
	var names []string
	for _, name := range strings.Split(factNames, ", ") {
		if !slices.Contains(hiddenFacts, factKinds[name]) {
			names = append(names, name)
		}
	}
	return nil, fmt.Errorf("%q is no value of kind; they are %s", short(fmt.Sprint(value)), strings.Join(names, ", "))
}

// isTo tells what the caller is to the collection that a list asks for; of those that
// collections/- stands for, a viewer at least.
func (v *visit) isTo(parent string) (Relation, error) {
	id := store.Segment(parent, "collections")
	if isDash(id) {
		return Viewer, nil
	}
	c, err := v.collection(id)
	if err != nil {
		return Stranger, err
	}
	v.visitor = c.is < Viewer
	return c.is, nil
}

// checkShowDeleted refuses to show visitors what was deleted.
func (r Relation) checkShowDeleted(req any) error {
	if d, ok := req.(interface{ GetShowDeleted() bool }); ok && r < Viewer && d.GetShowDeleted() {
		return Invalid(InvalidFields, []Violation{{"showDeleted", "is for those with whom the collection is shared"}})
	}
	return nil
}
