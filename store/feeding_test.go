package store_test

import (
	"fmt"
	"maps"
	"math"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
	"dewbench/store/storetest"
)

func (b bed) feed(all ...*pb.Feeding) []*pb.Feeding {
	b.Helper()
	return put(b, func(c *store.Collection) ([]*pb.Feeding, error) { return c.CreateFeedings(all, at(0)) })
}

func (b bed) feeding(plant, id string) *pb.Feeding {
	b.Helper()
	return get(b, func(c *store.Collection) (*pb.Feeding, error) { return c.Feeding(plant, id) })
}

func TestFeedingAtTheEdges(t *testing.T) {
	longest := durationpb.New(400 * 24 * time.Hour)
	each(t, func(b bed) {
		b.plants("p")
		all := []*pb.Feeding{
			{FedTime: stampOf(0), TrapsFed: proto.Int32(0)},
			{FedTime: stampOf(-1), TrapsFed: proto.Int32(5_000_000), TrapsTarget: proto.Int32(1), ItemLengthMm: proto.Float64(5e-324)},
			{FedTime: stampOf(-62135596800000000), TrapsFed: proto.Int32(1), TrapsTarget: proto.Int32(5_000_000), ItemLengthMm: proto.Float64(1000)},
			{FedTime: stampOf(253402300799999999), TrapsFed: proto.Int32(1), OutcomeTime: stampOf(-62135596800000000), ItemLengthMm: proto.Float64(0.1)},
			{FedTime: stampOf(noon), TrapsFed: proto.Int32(1), Stimulated: proto.Bool(false), OutcomeTime: stampOf(0)},
			{FedTime: stampOf(noon), TrapsFed: proto.Int32(1), Stimulated: proto.Bool(true), Food: "foods/fish-flakes", Thaw: "it's the 2nd"},
			{FedTime: stampOf(noon), TrapsFed: proto.Int32(1), Note: strings.Repeat("🪴", 4000), Feeder: strings.Repeat("ü", 200)},
			{FedTime: stampOf(noon), TrapsFed: proto.Int32(1), Note: " \r\n\t'\"\\%_ ", Traps: []*pb.FedTrap{
				{},
				{ItemLengthMm: proto.Float64(0.30000000000000004), Reaction: pb.FedTrap_CLOSED, FirstMovement: &durationpb.Duration{}, Outcome: pb.Feeding_REJECTED},
				{FirstMovement: durationpb.New(time.Nanosecond), WatchedFor: longest},
				{WatchedFor: durationpb.New(26*time.Hour + 30*time.Second)},
			}},
		}
		for n := range pb.Feeding_Outcome_name {
			all = append(all, &pb.Feeding{
				FedTime: stampOf(noon), TrapsFed: proto.Int32(1), Outcome: pb.Feeding_Outcome(n), Traps: []*pb.FedTrap{{Outcome: pb.Feeding_Outcome(n)}},
			})
		}
		many := &pb.Feeding{FedTime: stampOf(noon), TrapsFed: proto.Int32(200)}
		for n := range 200 {
			many.Traps = append(many.Traps, &pb.FedTrap{Reaction: pb.FedTrap_Reaction(n % len(pb.FedTrap_Reaction_name)), WatchedFor: durationpb.New(time.Duration(n) * time.Second)})
		}
		all = append(all, many)
		for n, m := range all {
			m.Name = store.FeedingName("c1", "p", fmt.Sprint("f", n))
		}
		for n, made := range b.feed(all...) {
			want := proto.CloneOf(all[n])
			want.Plant, want.Recorder, want.Etag = "collections/c1/plants/p", "growers/g1", made.GetEtag()
			want.CreateTime, want.UpdateTime = stampOf(noon), stampOf(noon)
			tells(b, "made", made, want)
			tells(b, "read", b.feeding("p", fmt.Sprint("f", n)), want)
		}
		// What is finer than a microsecond is cut off, not rounded.
		fine := fed("p", "fine", noon)
		fine.FedTime.Nanos += 999
		if got := b.feed(fine)[0].GetFedTime(); got.GetNanos() != stampOf(noon).GetNanos() {
			b.Errorf("the time is %v", got)
		}
		early := fed("p", "early", -1)
		early.FedTime.Nanos += 999
		if got := b.feed(early)[0].GetFedTime(); got.AsTime() != time.UnixMicro(-1).UTC() {
			b.Errorf("the time is %v", got)
		}
	})
}

func TestFeedingErrors(t *testing.T) {
	each(t, func(b bed) {
		b.plants("p", "q")
		b.feed(fed("p", "a", noon))
		create := func(all ...*pb.Feeding) func(c *store.Collection) error {
			return func(c *store.Collection) error {
				_, err := c.CreateFeedings(all, at(1))
				return err
			}
		}
		b.in(create())
		b.in(create(fed("q", "a", noon))) // ids are the plant's
		b.refusedIn(store.ErrExists, create(fed("p", "b", noon), fed("p", "a", noon)))
		b.refusedIn(store.ErrExists, create(fed("p", "b", noon), fed("p", "b", noon)))
		b.refusedIn(store.ErrReference, create(fed("p", "b", noon), fed("r", "b", noon)))
		names := []string{
			store.FeedingName("c1", "p", "a"), store.FeedingName("c1", "p", "b"), store.FeedingName("c1", "p", "a"), store.FeedingName("c1", "q", "a"),
			store.FeedingName("c1", "q", "A"), store.FeedingName("c1", "q", ""), store.FeedingName("c1", "r", "a"),
		}
		byName := func() []string {
			found := get(b, func(c *store.Collection) (map[string]*pb.Feeding, error) { return c.FeedingsByName(names) })
			for name, m := range found {
				tells(b, "name", m.GetName(), name)
			}
			return slices.Sorted(maps.Keys(found))
		}
		tells(b, "those that are there", byName(), []string{names[0], names[3]})
		b.in(func(c *store.Collection) error { _, err := c.DeleteFeeding("p", "a", at(1), agree); return err })
		tells(b, "those that are there or voided", byName(), []string{names[0], names[3]})
	})
}

// Many rows go another way to Postgres than one: as arrays.
func TestCreateFeedingsOfAnyText(t *testing.T) {
	each(t, func(b bed) {
		b.plants("p")
		var all []*pb.Feeding
		for i, note := range []string{"", "NULL", `{a,"b\c"}`, "'; --", "a\r\n\t\x7f", "Dionaea \u2018B52\u2019 \U0001fab4", "\ufeff\u202e"} {
			m := fed("p", fmt.Sprintf("f%d", i), noon+int64(i))
			m.Note, m.Feeder, m.TrapsFed = note, strings.Repeat(note, 2), proto.Int32(int32(i))
			if i%2 == 1 {
				m.ItemLengthMm, m.Stimulated, m.TrapsTarget = proto.Float64(1/float64(i)), proto.Bool(i%3 == 0), proto.Int32(math.MaxInt32)
			}
			all = append(all, m)
		}
		var made []*pb.Feeding
		b.in(func(c *store.Collection) (err error) {
			made, err = c.CreateFeedings(all, at(1))
			return err
		})
		for i, m := range all {
			kept := get(b, func(c *store.Collection) (*pb.Feeding, error) {
				return c.Feeding("p", store.Segment(m.GetName(), "feedings"))
			})
			tells(b, "what was made", made[i], kept)
			tells(b, "note", []string{kept.GetNote(), kept.GetFeeder()}, []string{m.GetNote(), m.GetFeeder()})
			tells(b, "numbers", []any{kept.TrapsFed, kept.TrapsTarget, kept.ItemLengthMm, kept.Stimulated}, []any{m.TrapsFed, m.TrapsTarget, m.ItemLengthMm, m.Stimulated})
		}
	})
}

// A URL may keep the driver from preparing statements: it goes by the types of Go then.
func TestManyRowsUnprepared(t *testing.T) {
	for _, mode := range []string{"describe_exec", "exec", "simple_protocol"} {
		t.Run(mode, func(t *testing.T) {
			where, err := url.Parse(twoOwners.URL(t, store.Postgres))
			if err != nil {
				t.Fatal(err)
			}
			query := where.Query()
			query.Set("default_query_exec_mode", mode)
			where.RawQuery = query.Encode()
			b := bed{t, storetest.Open(t, where.String())}
			b.plants("p", "q")
			one, other := fed("p", "a", noon), fed("q", "b", noon)
			one.Stimulated, one.ItemLengthMm, other.TrapsTarget = proto.Bool(true), proto.Float64(2.5), proto.Int32(3)
			b.feed(one, other)
			due := map[string]*store.Due{"p": {Record: []byte{0, 255}}, "q": {Decision: []byte{1}}}
			b.in(func(c *store.Collection) error { return c.KeepDue("1", due) })
			kept := get(b, func(c *store.Collection) (map[string]*store.Due, error) { return c.KeptDue([]string{"p", "q"}) })
			tells(b, "kept", [][]byte{kept["p"].Record, kept["p"].Decision, kept["q"].Record, kept["q"].Decision}, [][]byte{{0, 255}, nil, nil, {1}})
			p, q := b.feeding("p", "a"), b.feeding("q", "b")
			tells(b, "numbers", []any{p.Stimulated, p.ItemLengthMm, p.TrapsTarget, q.Stimulated, q.ItemLengthMm, q.TrapsTarget},
				[]any{one.Stimulated, one.ItemLengthMm, one.TrapsTarget, other.Stimulated, other.ItemLengthMm, other.TrapsTarget})
		})
	}
}

func TestReassignFeeding(t *testing.T) {
	each(t, func(b bed) {
		b.plants("p", "q", "r")
		b.feed(fed("p", "a", noon), fed("q", "taken", noon), fed("p", "taken", noon))
		b.in(func(c *store.Collection) error {
			_, err := c.UpdateFeeding("p", "a", at(1), func(m *pb.Feeding) error { m.Note = "of the wrong plant"; return nil })
			return err
		})
		stood := b.feeding("p", "a")
		reassign := func(plant, id, to string, us int64) func(c *store.Collection) error {
			return func(c *store.Collection) error {
				_, err := c.ReassignFeeding(plant, id, to, at(us), agree)
				return err
			}
		}
		b.refusedIn(store.ErrNotFound, reassign("p", "b", "q", 2))
		b.refusedIn(store.ErrNotFound, reassign("q", "a", "p", 2))
		b.refusedIn(store.ErrReference, reassign("p", "a", "none", 2))
		b.refusedIn(store.ErrExists, reassign("p", "taken", "q", 2))
		b.refusedIn(errMine, func(c *store.Collection) error {
			_, err := c.ReassignFeeding("p", "a", "q", at(2), refuse)
			return err
		})
		tells(b, "after refusals", b.feeding("p", "a"), stood)

		moved := put(b, func(c *store.Collection) (*pb.Feeding, error) {
			return c.ReassignFeeding("p", "a", "q", at(2), func(m *pb.Feeding) error {
				tells(b, "what the change gets", m, stood)
				m.TrapsTarget = proto.Int32(4)
				return nil
			})
		})
		want := proto.CloneOf(stood)
		want.Name, want.Plant, want.TrapsTarget = "collections/c1/plants/q/feedings/a", "collections/c1/plants/q", proto.Int32(4)
		want.UpdateTime, want.Etag = stampOf(noon+2), moved.GetEtag()
		if moved.GetEtag() == stood.GetEtag() {
			b.Error("the etag is the same")
		}
		tells(b, "reassigned", moved, want)
		tells(b, "read", b.feeding("q", "a"), want)
		b.refusedIn(store.ErrNotFound, func(c *store.Collection) error { _, err := c.Feeding("p", "a"); return err })

		// The id is free again at the old plant, where it begins a history of its own.
		b.feed(fed("p", "a", noon))
		b.refusedIn(store.ErrExists, reassign("q", "a", "p", 3))
		b.in(reassign("q", "a", "r", 3))
		b.in(reassign("r", "a", "r", 4)) // to where it is already
		history := func(plant string) (actions []pb.Revision_Action, stood []string) {
			all := get(b, func(c *store.Collection) ([]*pb.Revision, error) {
				all, _, err := c.Revisions(store.FeedingKind, plant, "a", store.List{Limit: big})
				return all, err
			})
			for n, r := range all {
				if int(r.GetNumber()) != n+1 {
					b.Errorf("revision %d has number %d", n+1, r.GetNumber())
				}
				actions, stood = append(actions, r.GetAction()), append(stood, r.GetFeeding().GetName())
			}
			return actions, stood
		}
		for plant, want := range map[string]struct {
			actions []pb.Revision_Action
			stood   []string
		}{
			"p": {[]pb.Revision_Action{pb.Revision_CREATED}, []string{""}},
			"q": {},
			"r": {
				[]pb.Revision_Action{pb.Revision_CREATED, pb.Revision_UPDATED, pb.Revision_REASSIGNED, pb.Revision_REASSIGNED, pb.Revision_REASSIGNED},
				[]string{
					"", "collections/c1/plants/p/feedings/a", "collections/c1/plants/p/feedings/a",
					"collections/c1/plants/q/feedings/a", "collections/c1/plants/r/feedings/a",
				},
			},
		} {
			actions, stood := history(plant)
			tells(b, "actions of "+plant, actions, want.actions)
			tells(b, "what stood before of "+plant, stood, want.stood)
		}
		b.newer("feedings", "collection_id = 'c1' AND plant_id = ? AND feeding_id = 'a'", "r")
		b.refusedIn(store.ErrNewer, reassign("r", "a", "q", 5))
		// Each place where it was leads to where it is.
		for plant, want := range map[string]string{"p": "r", "q": "r", "r": "r"} {
			got := get(b, func(c *store.Collection) (string, error) { return c.Reassigned(store.FeedingKind, plant, "a") })
			tells(b, "where it went from "+plant, got, want)
		}
		b.refusedIn(store.ErrNotFound, func(c *store.Collection) error { _, err := c.Reassigned(store.ObservationKind, "p", "a"); return err })
		b.refusedIn(store.ErrNotFound, func(c *store.Collection) error { _, err := c.Reassigned(store.FeedingKind, "p", "taken"); return err })
		// A voided one stays void.
		b.in(func(c *store.Collection) error { _, err := c.DeleteFeeding("p", "a", at(6), agree); return err })
		b.in(reassign("p", "a", "q", 7))
		if b.feeding("q", "a").GetDeleteTime() == nil {
			b.Error("a voided feeding counts again")
		}
		histories := get(b, func(c *store.Collection) (map[string]*store.History, error) { return c.Histories(nil) })
		tells(b, "plants with a history", slices.Sorted(maps.Keys(histories)), []string{"p", "q", "r"})
	})
}
