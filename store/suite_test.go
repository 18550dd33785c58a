package store_test

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
	"dewbench/store/storetest"
)

// Growers g1 and g2 own the collections c1 and c2. What tests do not say otherwise
// happens in c1.
var twoOwners = storetest.NewTemplate(func(ctx context.Context, s *store.Store) error {
	return s.Write(ctx, func(tx *store.Tx) error {
		for n, grower := range []string{"g1", "g2"} {
			if _, err := tx.Grower(grower).Create("Grower "+grower, noon); err != nil {
				return err
			}
			m := &pb.Collection{DisplayName: "Plants of " + grower, TimeZone: "UTC"}
			by := store.By{Us: noon, Grower: grower, Token: "t"}
			if _, err := tx.CreateCollection([]string{"c1", "c2"}[n], grower, m, by); err != nil {
				return err
			}
		}
		return nil
	})
})

// noon is 2026-03-01 12:00:00.123456 UTC, with all the digits that are kept.
const noon int64 = 1_772_366_400_123_456

const (
	second int64 = 1e6
	hour         = 3600 * second
	day          = 24 * hour
)

// at is grower g1 some microseconds after noon.
func at(us int64) store.By { return store.By{Us: noon + us, Grower: "g1", Token: "t1"} }

// stampOf writes microseconds as the API does.
func stampOf(us int64) *timestamppb.Timestamp { return timestamppb.New(time.UnixMicro(us)) }

func anyone(store.Ties) bool { return true }

// bed is a store of twoOwners, and the test that uses it.
type bed struct {
	*testing.T
	s *store.Store
}

// each runs f on both engines, each with a database of its own.
func each(t *testing.T, f func(b bed)) {
	t.Helper()
	t.Parallel()
	for _, engine := range storetest.Engines() {
		t.Run(string(engine), func(t *testing.T) {
			t.Parallel()
			f(bed{t, cloneOf(t, engine)})
		})
	}
}

func cloneOf(t *testing.T, engine store.Engine) *store.Store {
	t.Helper()
	return storetest.Clone(t, engine, twoOwners)
}

// write runs f in a transaction that must succeed.
func (b bed) write(f func(*store.Tx) error) {
	b.Helper()
	if err := b.s.Write(b.Context(), f); err != nil {
		b.Fatal(err)
	}
}

// read runs f in a transaction that must succeed.
func (b bed) read(f func(*store.Tx) error) {
	b.Helper()
	if err := b.s.Read(b.Context(), f); err != nil {
		b.Fatal(err)
	}
}

// refused runs f in a transaction that must fail with want.
func (b bed) refused(want error, f func(*store.Tx) error) {
	b.Helper()
	if err := b.s.Write(b.Context(), f); !errors.Is(err, want) {
		b.Errorf("got error %v, want %v", err, want)
	}
}

// within makes a function of a transaction from one of a collection.
func within(id string, f func(*store.Collection) error) func(*store.Tx) error {
	return func(tx *store.Tx) error {
		c, err := tx.Collection(id, "", anyone)
		if err != nil {
			return err
		}
		return f(c)
	}
}

// in writes in c1.
func (b bed) in(f func(*store.Collection) error) {
	b.Helper()
	b.write(within("c1", f))
}

// look reads in c1.
func (b bed) look(f func(*store.Collection) error) {
	b.Helper()
	b.read(within("c1", f))
}

// refusedIn writes in c1, which must fail with want.
func (b bed) refusedIn(want error, f func(*store.Collection) error) {
	b.Helper()
	b.refused(want, within("c1", f))
}

// get reads one thing in c1.
func get[V any](b bed, f func(*store.Collection) (V, error)) (v V) {
	b.Helper()
	b.look(func(c *store.Collection) (err error) {
		v, err = f(c)
		return err
	})
	return v
}

// put writes one thing in c1.
func put[V any](b bed, f func(*store.Collection) (V, error)) (v V) {
	b.Helper()
	b.in(func(c *store.Collection) (err error) {
		v, err = f(c)
		return err
	})
	return v
}

// tells compares what a store tells with what it should.
func tells(t rapid.TB, what string, got, want any) {
	t.Helper()
	// A plant of the store holds a message and so is one, for those that compare.
	if p, ok := want.(*store.Plant); ok {
		q, _ := got.(*store.Plant)
		tells(t, what, q.Plant, p.Plant)
		p, q = new(*p), new(*q)
		p.Plant, q.Plant = nil, nil
		if *p != *q {
			t.Errorf("%s: got %+v, want %+v", what, *q, *p)
		}
		return
	}
	if m, ok := want.(proto.Message); ok {
		if n, ok := got.(proto.Message); ok && proto.Equal(m, n) {
			return // told faster than by a comparison that can say what differs
		}
	}
	if diff := cmp.Diff(want, got, protocmp.Transform()); diff != "" {
		t.Errorf("%s (-want +got):\n%s", what, diff)
	}
}

// sets makes a function for an update that sets everything from m and keeps what is
// not the user's to set.
func sets[M proto.Message](m M) func(M) error {
	return func(present M) error {
		to, fields := present.ProtoReflect(), m.ProtoReflect().Descriptor().Fields()
		// As a mask is applied: what is optional is changed where it is kept.
		for i := range fields.Len() {
			if f := fields.Get(i); m.ProtoReflect().Has(f) {
				to.Set(f, m.ProtoReflect().Get(f))
			} else {
				to.Clear(f)
			}
		}
		return nil
	}
}

// errMine is what functions that refuse a change return.
var errMine = errors.New("refused by the test")

func refuse[M any](M) error { return errMine }

func agree[M any](M) error { return nil }

// newer says that a row was written by a later version of the program. where finds
// the row by its tenant and id.
func (b bed) newer(table, where string, args ...any) {
	b.Helper()
	b.write(func(tx *store.Tx) error {
		result := tx.Q().Exec("UPDATE "+table+" SET stamp = ? WHERE "+where, append([]any{store.LatestSchema() + 1}, args...)...)
		if result.Error == nil && result.RowsAffected != 1 {
			return errors.New("no such row")
		}
		return result.Error
	})
}

// bench adds benches with these ids.
func (b bed) benches(ids ...string) {
	b.Helper()
	b.in(func(c *store.Collection) error {
		for _, id := range ids {
			m := &pb.Bench{Name: store.BenchName(c.ID(), id), DisplayName: "Bench " + id}
			if _, err := c.CreateBench(m, at(0)); err != nil {
				return err
			}
		}
		return nil
	})
}

// plants adds plants with these ids, which are their tags too, on no bench.
func (b bed) plants(ids ...string) {
	b.Helper()
	b.in(func(c *store.Collection) error {
		var all []store.NewPlant
		for _, id := range ids {
			all = append(all, pot(c.ID(), id, id))
		}
		_, err := c.CreatePlants(all, at(0))
		return err
	})
}

// pot is a plant with nothing but a tag.
func pot(collection, id, tag string) store.NewPlant {
	return store.NewPlant{Message: &pb.Plant{Name: store.PlantName(collection, id), Tag: tag}}
}

// fed is a feeding with nothing but a time.
func fed(plant, id string, us int64) *pb.Feeding {
	return &pb.Feeding{Name: store.FeedingName("c1", plant, id), FedTime: stampOf(us), TrapsFed: proto.Int32(1)}
}

// seen is an observation with nothing but a time and a fact.
func seen(plant, id string, us int64, m *pb.Observation) *pb.Observation {
	m.Name, m.ObserveTime = store.ObservationName("c1", plant, id), stampOf(us)
	return m
}

// repotted is a fact without further fields.
func repotted() *pb.Observation {
	return &pb.Observation{Fact: &pb.Observation_Repotting_{Repotting: &pb.Observation_Repotting{}}}
}

// moved is a move to a bench of c1.
func moved(bench string) *pb.Observation {
	return &pb.Observation{Fact: &pb.Observation_Move_{Move: &pb.Observation_Move{Bench: store.BenchName("c1", bench)}}}
}

// one gets the only one of a list.
func one[V any](all []V, err error) (v V, _ error) {
	if err == nil && len(all) != 1 {
		err = errors.New("not one")
	}
	if err != nil {
		return v, err
	}
	return all[0], nil
}

// big is a page that holds all rows of a test.
const big = 1000
