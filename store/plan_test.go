package store_test

import (
	"math"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

func TestSessions(t *testing.T) {
	each(t, func(b bed) {
		b.plants("a", "b")
		with := func(m *pb.Feeding, outcome pb.Feeding_Outcome, us *int64) *pb.Feeding {
			m.Outcome = outcome
			if us != nil {
				m.OutcomeTime = stampOf(*us)
			}
			return m
		}
		b.feed(fed("a", "late", noon+2), fed("a", "early", noon-1), fed("b", "one", noon), fed("a", "two", noon),
			with(fed("a", "three", noon+1), pb.Feeding_MOULD, nil), with(fed("b", "four", noon+1), pb.Feeding_CLEAN, proto.Int64(noon+9)), fed("b", "void", noon))
		b.in(func(c *store.Collection) error { _, err := c.DeleteFeeding("b", "void", at(1), agree); return err })
		of := func(plants []string) []store.Session {
			return get(b, func(c *store.Collection) ([]store.Session, error) { return c.Sessions(plants, noon, noon+2) })
		}
		tells(b, "sessions", of(nil), []store.Session{
			{"a", "two", noon, 0, noon}, {"b", "one", noon, 0, noon},
			{"a", "three", noon + 1, pb.Feeding_MOULD, noon + 1}, {"b", "four", noon + 1, pb.Feeding_CLEAN, noon + 9},
		})
		tells(b, "sessions of b", of([]string{"b", "c"}), []store.Session{{"b", "one", noon, 0, noon}, {"b", "four", noon + 1, pb.Feeding_CLEAN, noon + 9}})
		tells(b, "sessions of none", of([]string{}), []store.Session(nil))
	})
}

// eventIDs are the last parts of the names of observations.
func eventIDs(all []*pb.Observation) []string {
	var out []string
	for _, m := range all {
		out = append(out, store.Segment(m.GetName(), "observations"))
	}
	return out
}

func TestSeen(t *testing.T) {
	each(t, func(b bed) {
		b.plants("a", "b", "c")
		stalk := func() *pb.Observation {
			return &pb.Observation{Fact: &pb.Observation_Stalk_{Stalk: pb.Observation_CUT}}
		}
		b.observe(seen("a", "z", noon, repotted()), seen("a", "y", noon+1, stalk()), seen("a", "x", noon+1, repotted()), seen("a", "late", noon+2, stalk()),
			seen("a", "early", noon-1, stalk()), seen("b", "one", noon, stalk()), seen("c", "one", noon, stalk()), seen("a", "void", noon, stalk()))
		b.in(func(c *store.Collection) error { _, err := c.DeleteObservation("a", "void", at(1), agree); return err })
		look := func(kinds []store.FactKind, from, until int64, plants ...string) map[string][]string {
			b.Helper()
			out := map[string][]string{}
			for plant, all := range get(b, func(c *store.Collection) (map[string][]*pb.Observation, error) {
				return c.Seen(plants, kinds, from, until)
			}) {
				out[plant] = eventIDs(all)
				tells(b, "an observation", all[0], b.observation(plant, out[plant][0]))
			}
			return out
		}
		tells(b, "of all kinds", look(nil, noon, noon+2, "b", "a", "x", "a"), map[string][]string{"a": {"z", "x", "y"}, "b": {"one"}})
		tells(b, "of one kind", look([]store.FactKind{store.Stalk}, math.MinInt64, noon+2, "a"), map[string][]string{"a": {"early", "y"}})
		tells(b, "of two", look([]store.FactKind{store.Stalk, store.Repotting}, noon+1, math.MaxInt64, "a"), map[string][]string{"a": {"x", "y", "late"}})
		tells(b, "of no kind that is there", look([]store.FactKind{store.Health}, noon, noon+2, "a"), map[string][]string{})
		tells(b, "of no plant", look(nil, noon, noon+2), map[string][]string{})
	})
}

// A voided event is a change too, and one of another collection is none.
func TestLastChange(t *testing.T) {
	each(t, func(b bed) {
		last := func(want int64) {
			b.Helper()
			tells(b, "the last change", get(b, (*store.Collection).LastChange), want)
		}
		b.plants("a")
		b.feed(fed("a", "one", noon))
		last(at(0).Us)
		b.in(func(c *store.Collection) error { _, err := c.DeleteFeeding("a", "one", at(7), agree); return err })
		last(at(7).Us)
		b.write(within("c2", func(c *store.Collection) error {
			_, err := c.CreatePlants([]store.NewPlant{pot(c.ID(), "b", "b")}, at(9))
			return err
		}))
		last(at(7).Us)
	})
}

func TestTreatments(t *testing.T) {
	each(t, func(b bed) {
		b.plants("a", "b")
		treated := func(until *string) *pb.Observation {
			return &pb.Observation{Fact: &pb.Observation_Treatment_{Treatment: &pb.Observation_Treatment{Product: "soap", UntilDate: until}}}
		}
		held := &pb.Observation{Fact: &pb.Observation_Hold_{Hold: &pb.Observation_Hold{UntilDate: proto.String("2026-05-11")}}}
		day := proto.String("2026-05-11")
		b.observe(seen("b", "two", noon, treated(day)), seen("a", "one", noon, treated(day)), seen("a", "zero", noon-1, treated(day)),
			seen("a", "late", noon+1, treated(day)), seen("a", "open", noon, treated(nil)), seen("a", "other", noon, treated(proto.String("2026-05-12"))),
			seen("a", "held", noon, held), seen("a", "void", noon, treated(day)))
		b.in(func(c *store.Collection) error { _, err := c.DeleteObservation("a", "void", at(1), agree); return err })
		got := get(b, func(c *store.Collection) ([]*pb.Observation, error) {
			return c.Treatments("2026-05-11", noon-1, noon+1)
		})
		tells(b, "treatments", eventIDs(got), []string{"zero", "one", "two"})
		tells(b, "a treatment", got[0], b.observation("a", "zero"))
		// It looks at those that end on the day, not at all of a year.
		plans := explainAll(b.T, b.s, func() {
			b.look(func(c *store.Collection) error { _, err := c.Treatments("2026-05-11", noon-1, noon+1); return err })
		})
		if !strings.Contains(plans[len(plans)-1], "observations_until") {
			b.Errorf("treatments by %q", plans)
		}
	})
}
