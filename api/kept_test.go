package api

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"
)

// write writes in the store of the desk, beside the API.
func (k *desk) write(t *testing.T, f func(c *store.Collection) error) {
	t.Helper()
	err := k.d.store.Write(t.Context(), func(tx *store.Tx) error {
		c, err := tx.Collection(store.Segment(k.name, "collections"), "", func(store.Ties) bool { return true })
		if err != nil {
			return err
		}
		return f(c)
	})
	if err != nil {
		t.Fatal(err)
	}
}

// kept is what is kept of a plant, but for the settings.
func (k *desk) kept(t *testing.T, id string) (d store.Due) {
	t.Helper()
	k.write(t, func(c *store.Collection) error {
		all, err := c.KeptDue([]string{id})
		if err == nil && all[id] != nil {
			d = *all[id]
		}
		return err
	})
	d.Settings = 0
	return d
}

func keptText(d store.Due) string {
	us := func(p *int64) any {
		if p == nil {
			return nil
		}
		return *p
	}
	last, pending, sizes := us(d.LastFeedUs), us(d.PendingUs), d.Sizes
	d.LastFeedUs, d.PendingUs, d.Sizes = nil, nil, nil
	return fmt.Sprintf("last %v pending %v sizes %v: %+v", last, pending, sizes, d)
}

// Feedings are recorded by what is kept of a plant. What is kept then is what the
// histories tell, whatever was recorded, voided and reassigned before, wherever the
// collection and whatever the clock was.
func TestKeptIsWhatHistoriesTell(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		for seed := range uint64(storetest.Fewer(3, 1)) {
			t.Run(fmt.Sprint(seed), func(t *testing.T) { keepAtRandom(t, engine, rand.New(rand.NewPCG(seed, 1))) })
		}
	})
}

func keepAtRandom(t *testing.T, engine store.Engine, r *rand.Rand) {
	k := openDesk(t, engine, "A", "B", "C")
	ids := []string{"a", "b", "c"}
	oneOf := func(all ...string) string { return all[r.IntN(len(all))] }
	fed := func(id string) string {
		l, err := k.ListFeedings(t.Context(), &pb.ListFeedingsRequest{Parent: k.plant(id)})
		if err != nil {
			t.Fatal(err)
		}
		if len(l.GetFeedings()) == 0 {
			return ""
		}
		return l.GetFeedings()[r.IntN(len(l.GetFeedings()))].GetName()
	}
	someTime := func() time.Time {
		if r.IntN(6) == 0 { // clocks are put back at St. John's
			return time.Date(2010, 11, 7, 2, 20+r.IntN(30), 0, 0, time.UTC)
		}
		return k.now().Add(time.Duration(r.IntN(40*24)-35*24) * time.Hour).Truncate(time.Duration(1+r.IntN(48)) * time.Hour)
	}
	batch := func() {
		req := &pb.BatchCreateFeedingsRequest{Parent: k.name + "/plants/-"}
		for range 1 + r.IntN(5) {
			one, at := &pb.CreateFeedingRequest{Parent: k.plant(oneOf(ids...)), Feeding: &pb.Feeding{}}, someTime()
			if one.Feeding.FedTime = timestamppb.New(at); r.IntN(3) == 0 {
				one.Feeding.FedTime, one.Feeding.FedDate = nil, proto.String(at.Format(time.DateOnly))
			}
			if r.IntN(3) == 0 {
				one.Feeding.Outcome = pb.Feeding_Outcome(1 + r.IntN(4))
			}
			if r.IntN(2) == 0 {
				one.FeedingId = fmt.Sprintf("f%d", r.IntN(1_000_000))
			}
			req.Requests = append(req.Requests, one)
		}
		made, err := k.BatchCreateFeedings(t.Context(), req)
		if err != nil {
			return // of a plant that was ended, or on a day that cannot be
		}
		seen := map[string]bool{}
		for _, m := range made.GetFeedings() {
			id := store.Segment(m.GetName(), "plants")
			if seen[id] {
				continue
			}
			seen[id] = true
			got := k.kept(t, id)
			// A change reads the history.
			if _, err := k.UpdateFeeding(t.Context(), &pb.UpdateFeedingRequest{Feeding: &pb.Feeding{Name: m.GetName(), Note: oneOf("x", "y", "z")}}); err != nil {
				t.Fatal(err)
			}
			if want := k.kept(t, id); keptText(got) != keptText(want) {
				t.Fatalf("of %s on %s is kept\n%s, want\n%s", id, k.now(), keptText(got), keptText(want))
			}
		}
	}
	for n := range 90 {
		id, err := oneOf(ids...), error(nil)
		switch r.IntN(16) {
		case 0, 1: // some are refused
			m := []*pb.Observation{move(k.bench("out")), move(k.bench("in")), counted(int32(1 + r.IntN(5))), sold(),
				{Fact: &pb.Observation_Measurement_{Measurement: &pb.Observation_Measurement{RosetteDiameterMm: proto.Float64(float64(10 + r.IntN(40)))}}},
				{Fact: &pb.Observation_Hold_{Hold: &pb.Observation_Hold{Reason: "thrips"}}},
			}[r.IntN(6)]
			m.ObserveTime = timestamppb.New(someTime())
			_, _ = k.CreateObservation(t.Context(), &pb.CreateObservationRequest{Parent: k.plant(id), ObservationId: fmt.Sprintf("o%d", n), Observation: m})
			if r.IntN(2) == 0 {
				_, _ = k.DeleteObservation(t.Context(), &pb.DeleteObservationRequest{Name: k.plant(id) + fmt.Sprintf("/observations/o%d", n)})
			}
		case 2:
			k.add(time.Duration(r.IntN(96)-30) * time.Hour)
		case 3:
			_, err = k.UpdateCollection(t.Context(), &pb.UpdateCollectionRequest{UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"time_zone"}},
				Collection: &pb.Collection{Name: k.name, TimeZone: oneOf("Pacific/Auckland", "America/St_Johns", "Pacific/Pago_Pago", "America/Havana")}})
		case 4:
			if name := fed(id); name != "" {
				_, err = k.DeleteFeeding(t.Context(), &pb.DeleteFeedingRequest{Name: name})
			}
		case 5:
			if name := fed(id); name != "" {
				_, _ = k.ReassignFeeding(t.Context(), &pb.ReassignFeedingRequest{Name: name, Plant: k.plant(oneOf(ids...))})
			}
		case 6:
			if _, err = k.DeletePlant(t.Context(), &pb.DeletePlantRequest{Name: k.plant(id)}); err == nil {
				_, err = k.UndeletePlant(t.Context(), &pb.UndeletePlantRequest{Name: k.plant(id)})
			}
		case 7:
			err = k.d.server.SettlePending(t.Context())
		case 8:
			err = k.d.server.RefreshDue(t.Context())
		case 9: // another program's, and perhaps of another form
			d := k.kept(t, id)
			if r.IntN(2) == 0 {
				d.Record = []byte{0, 99}
			}
			k.write(t, func(c *store.Collection) error { return c.KeepDue("another", map[string]*store.Due{id: &d}) })
		default:
			batch()
		}
		if err != nil && reasonIn(err) != "TAG_IN_USE" && reasonIn(err) != "BENCH_DELETED" {
			t.Fatal(err)
		}
	}
}

// Where clocks are put back after midnight a feeding may be of the day before that of an
// earlier one.
func TestKeptWhereTheDayComesBack(t *testing.T) {
	k := openDesk(t, store.SQLite, "A")
	move := func(zone string) {
		t.Helper()
		_, err := k.UpdateCollection(t.Context(), &pb.UpdateCollectionRequest{
			Collection: &pb.Collection{Name: k.name, TimeZone: zone}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"time_zone"}}})
		if err != nil {
			t.Fatal(err)
		}
	}
	midnight := time.Date(2010, 11, 7, 2, 30, 0, 0, time.UTC) // a minute later it is 23:01 at St. John's
	for i, after := range []time.Duration{30 * time.Second, 10 * time.Minute, 5 * time.Minute, -time.Hour, 40 * time.Second} {
		if i == 3 { // what is kept is in the order of another zone
			move("UTC")
			note(t, k, "f0")
		}
		move("America/St_Johns")
		id := fmt.Sprintf("f%d", i)
		if _, err := k.CreateFeeding(t.Context(), &pb.CreateFeedingRequest{Parent: k.plant("a"), FeedingId: id, Feeding: &pb.Feeding{FedTime: timestamppb.New(midnight.Add(after))}}); err != nil {
			t.Fatal(err)
		}
		got := k.kept(t, "a")
		note(t, k, id)
		if want := k.kept(t, "a"); keptText(got) != keptText(want) {
			t.Errorf("after %v is kept\n%s, want\n%s", after, keptText(got), keptText(want))
		}
	}
}

// note changes a feeding of a, so that its history is read.
func note(t *testing.T, k *desk, id string) {
	t.Helper()
	m := &pb.Feeding{Name: k.plant("a") + "/feedings/" + id, Outcome: pb.Feeding_CLEAN}
	for range 2 { // the second time takes back what the first one told
		if _, err := k.UpdateFeeding(t.Context(), &pb.UpdateFeedingRequest{Feeding: m, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"outcome"}}}); err != nil {
			t.Fatal(err)
		}
		m.Outcome = 0
	}
}

// Recording a batch once more needs the histories of all its plants. They are not read
// one by one.
func TestBatchOnceMore(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		var statements atomic.Int64
		s := storetest.New(t, engine, func(o *store.Options) {
			o.Record = func(statement string, _ []any) {
				if strings.Contains(statement, "feedings") {
					statements.Add(1)
				}
			}
		})
		k := &desk{clock: newClock(time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC))}
		k.d = openStore(t, s, service.Config{Now: k.now})
		k.clients = clientsOf(k.d.conn)
		c, err := k.CreateCollection(t.Context(), &pb.CreateCollectionRequest{Collection: &pb.Collection{DisplayName: "Sills", TimeZone: "UTC"}})
		if err != nil {
			t.Fatal(err)
		}
		plants, batch := &pb.BatchCreatePlantsRequest{Parent: c.GetName()}, &pb.BatchCreateFeedingsRequest{Parent: c.GetName() + "/plants/-"}
		for n := range 40 {
			tag := fmt.Sprintf("P%d", n)
			plants.Requests = append(plants.Requests, &pb.CreatePlantRequest{Plant: &pb.Plant{Tag: tag, Taxon: "taxa/drosera-capensis"}})
			for range 1 + n%2 {
				batch.Requests = append(batch.Requests, &pb.CreateFeedingRequest{Tag: tag, Feeding: &pb.Feeding{FedDate: proto.String("2026-03-01")}})
			}
		}
		if _, err := k.BatchCreatePlants(t.Context(), plants); err != nil {
			t.Fatal(err)
		}
		for n := range 3 {
			statements.Store(0)
			if _, err := k.BatchCreateFeedings(t.Context(), batch); err != nil {
				t.Fatal(err)
			}
			if got := statements.Load(); got > 3 {
				t.Errorf("time %d: %d statements about feedings", n, got)
			}
		}
		l, err := k.ListFeedings(t.Context(), &pb.ListFeedingsRequest{Parent: c.GetName() + "/plants/-", PageSize: 1000})
		if err != nil || len(l.GetFeedings()) != 3*len(batch.GetRequests()) {
			t.Errorf("%d feedings, %v", len(l.GetFeedings()), err)
		}
	})
}
