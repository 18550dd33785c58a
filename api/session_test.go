package api

import (
	"cmp"
	"fmt"
	"log/slog"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"
	"golang.org/x/sync/errgroup"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/testing/protocmp"
	"pgregory.net/rapid"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/service/catalogue"
	"dewbench/service/civil"
	"dewbench/service/due"
	"dewbench/store"
	"dewbench/store/storetest"
)

// TestSessionsOverTheStore keeps random collections as TestDueOverTheStore does, and does
// at their benches what a grower does. A session must feed what is due by the engine on
// the test's own record, outcomes must be those of what is open in it; and once a call
// is undone, all is as it was before. For longer: -rapid.checks=2000.
func TestSessionsOverTheStore(t *testing.T) {
	fewChecks(t, storetest.Fewer(5, 2))
	c, err := catalogue.Load()
	if err != nil {
		t.Fatal(err)
	}
	onEngines(t, func(t *testing.T, engine store.Engine) {
		now := newClock(time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC))
		d := openStore(t, storetest.New(t, engine), service.Config{Now: now.now})
		calls := clientsOf(d.conn)
		rapid.Check(t, func(rt *rapid.T) {
			k := &keeper{T: rt, ctx: t.Context(), calls: calls, clock: now, catalogue: c}
			k.begin()
			for range k.n(2, 8) {
				for range k.n(1, 5) {
					k.act()
				}
				k.clock.add(time.Second)
				k.purge()
				k.atBench()
			}
			k.checkPlants()
			for range 3 {
				k.checkDue(k.today()+civil.Day(k.n(-60, 30)), k.n(0, 30))
			}
		})
	})
}

// grows tells whether a plant lives by the record.
func (k *keeper) grows(p *keptPlant) bool {
	_, seen := k.came(p)
	return p.deleted.IsZero() && !slices.ContainsFunc(seen, func(o *keptObservation) bool { return o.fact.GetEnd() != nil })
}

// on returns the plants of a bench in the order in which it is walked; ended ones stood
// there.
func (k *keeper) on(bench string) []*keptPlant {
	var all []*keptPlant
	for _, p := range k.plants {
		if p.deleted.IsZero() && k.standsOn(p) == bench {
			all = append(all, p)
		}
	}
	place := func(p *keptPlant) int32 {
		if p.message.WalkOrder == nil {
			return 1 << 30
		}
		return p.message.GetWalkOrder()
	}
	slices.SortFunc(all, func(a, b *keptPlant) int {
		return cmp.Or(cmp.Compare(place(a), place(b)), asCounted(a.message.GetTag(), b.message.GetTag()), cmp.Compare(a.id, b.id))
	})
	return all
}

var runs = regexp.MustCompile(`[0-9]+|[^0-9]+`)

// asCounted compares tags as people count: L2 is before L10.
func asCounted(a, b string) int {
	as, bs := runs.FindAllString(strings.ToLower(a), -1), runs.FindAllString(strings.ToLower(b), -1)
	for i := range min(len(as), len(bs)) {
		n, errA := strconv.Atoi(as[i])
		m, errB := strconv.Atoi(bs[i])
		c := cmp.Compare(as[i], bs[i])
		if errA == nil && errB == nil {
			c = cmp.Compare(n, m)
		}
		if c != 0 {
			return c
		}
	}
	return cmp.Compare(len(as), len(bs))
}

// named names a plant by its name or by its label.
func (k *keeper) named(p *keptPlant) (name, tag string) {
	if k.often(50) {
		return k.plantName(p), ""
	}
	return "", " " + strings.ToUpper(p.message.GetTag())
}

// atBench does something with a request id, and undoes it.
func (k *keeper) atBench() {
	before := k.stands()
	k.ids++
	id := fmt.Sprint(store.Segment(k.collection.GetName(), "collections"), "-", k.ids)
	bench := pick(k, k.benches).GetName()
	switch k.n(0, 5) {
	case 0, 1:
		k.session(bench, id)
	case 2:
		k.outcomes(bench, id)
	case 3:
		req := &pb.MovePlantsRequest{Name: bench, ToBench: pick(k, k.benches).GetName(), RequestId: id}
		if k.often(30) {
			req.MoveDate = proto.String((k.today() + civil.Day(k.n(1, 30))).String())
		}
		_, err := k.calls.MovePlants(k.ctx, req)
		switch reasonIn(err) {
		case "INVALID_FIELDS":
			if req.GetToBench() != bench {
				k.must(err)
			}
			return
		case "LATER_MOVE":
			if !slices.ContainsFunc(k.on(bench), func(p *keptPlant) bool {
				_, seen := p.counting()
				return slices.ContainsFunc(seen, func(o *keptObservation) bool { return o.fact.GetMove() != nil && o.at > k.clock.now().UnixMicro() })
			}) {
				k.must(err)
			}
			return
		}
		k.must(err)
	case 4:
		_, err := k.calls.HoldPlants(k.ctx, &pb.HoldPlantsRequest{Name: bench, Reason: "Sprayed", RequestId: id})
		k.must(err)
	case 5:
		grown := slices.DeleteFunc(slices.Clone(k.plants), func(p *keptPlant) bool { return !k.grows(p) })
		if len(grown) == 0 {
			return
		}
		req := &pb.DividePlantRequest{Name: k.plantName(pick(k, grown)), RequestId: id}
		for range k.n(1, 3) {
			req.Tags, req.Quantities = append(req.Tags, k.tag()), append(req.Quantities, int32(k.n(1, 4)))
		}
		made, err := k.calls.DividePlant(k.ctx, req)
		k.must(err)
		defer k.keepDivided(made)
	}
	undone, err := k.calls.Undo(k.ctx, &pb.UndoRequest{Name: bench, RequestId: id})
	k.must(err)
	again, err := k.calls.Undo(k.ctx, &pb.UndoRequest{Name: k.collection.GetName(), RequestId: id})
	k.must(err)
	if diff := gocmp.Diff(undone, again, protocmp.Transform()); diff != "" {
		k.Fatalf("undone once more (-first +again):\n%s", diff)
	}
	if diff := gocmp.Diff(before, k.stands(), protocmp.Transform()); diff != "" {
		k.Fatalf("after undoing (-before +after):\n%s", diff)
	}
}

// keepDivided takes plants down that a division made and that were deleted when it was
// undone.
func (k *keeper) keepDivided(made *pb.DividePlantResponse) {
	for _, m := range made.GetPlants() {
		p := &keptPlant{
			message: &pb.Plant{
				Tag: m.GetTag(), Taxon: m.GetTaxon(), ScientificName: m.GetScientificName(), TrapType: m.GetTrapType(), Habit: m.GetHabit(), AcquireDate: m.AcquireDate,
			},
			id: store.Segment(m.GetName(), "plants"), first: m.GetBench(), made: k.clock.now(), deleted: k.clock.now(),
		}
		for _, o := range made.GetObservations() {
			if o.GetPlant() == m.GetName() {
				p.seen = append(p.seen, &keptObservation{
					id: store.Segment(o.GetName(), "observations"), at: store.Micros(o.GetObserveTime()), fact: &pb.Observation{Fact: o.GetFact()}})
			}
		}
		k.plants = append(k.plants, p)
	}
}

// stands returns what is not deleted, without what tells that it was changed.
func (k *keeper) stands() (all []proto.Message) {
	add := func(m proto.Message) {
		r := m.ProtoReflect()
		for _, name := range []protoreflect.Name{"etag", "update_time"} {
			r.Clear(r.Descriptor().Fields().ByName(name))
		}
		all = append(all, m)
	}
	parent := k.collection.GetName()
	plants, err := k.calls.ListPlants(k.ctx, &pb.ListPlantsRequest{Parent: parent, PageSize: 1000})
	k.must(err)
	fed, err := k.calls.ListFeedings(k.ctx, &pb.ListFeedingsRequest{Parent: parent + "/plants/-", PageSize: 1000})
	k.must(err)
	seen, err := k.calls.ListObservations(k.ctx, &pb.ListObservationsRequest{Parent: parent + "/plants/-", PageSize: 1000})
	k.must(err)
	for _, m := range plants.GetPlants() {
		add(m)
	}
	for _, m := range fed.GetFeedings() {
		add(m)
	}
	for _, m := range seen.GetObservations() {
		add(m)
	}
	return all
}

// session records a session, and compares it with what the engine says.
func (k *keeper) session(bench, id string) {
	req := &pb.RecordSessionRequest{Name: bench, Note: "Round", RequestId: id}
	us := int64(0)
	us, req.FedTime, req.FedDate = k.moment(false)
	day := k.dayOf(us)
	type fed struct {
		Plant         string
		Traps, Target int
		Note          string
	}
	var feeds []fed
	var skips []string
	for _, p := range k.on(bench) {
		if !k.grows(p) {
			continue
		}
		record, _ := p.counting()
		today := slices.ContainsFunc(record, func(f *keptFeeding) bool { return f.outcome != pb.Feeding_REJECTED && k.dayOf(f.at) == day })
		want, there := k.decide(p, day, 0)
		isDue := there && (want.status == due.Due || want.status == due.Overdue)
		x := &pb.RecordSessionRequest_Exception{}
		x.Plant, x.Tag = k.named(p)
		switch k.n(0, 11) {
		case 0:
			x.Skip = true
		case 1:
			x.TrapsFed = proto.Int32(int32(k.n(1, 6)))
		case 2:
			x.TrapsFed, x.Note = proto.Int32(int32(k.n(1, 6))), "Own"
		case 3:
			if x.Note = "Own"; isDue || today {
				break
			}
			fallthrough
		default:
			x = nil
		}
		if x != nil {
			req.Except = append(req.Except, x)
		}
		switch name := k.plantName(p); {
		case today:
			skips = append(skips, name+" FED_TODAY")
		case x.GetSkip():
			skips = append(skips, name+" SKIPPED")
		case isDue || x != nil && x.TrapsFed != nil:
			f := fed{name, want.traps, want.traps, cmp.Or(x.GetNote(), "Round")}
			if x != nil && x.TrapsFed != nil {
				f.Traps = int(x.GetTrapsFed())
			}
			if !isDue {
				f.Target = -1
			}
			feeds = append(feeds, f)
		}
	}
	answer, err := k.calls.RecordSession(k.ctx, req)
	k.must(err)
	var gotFeeds []fed
	for i, m := range answer.GetFeedings() {
		f := fed{m.GetPlant(), int(m.GetTrapsFed()), int(m.GetTrapsTarget()), m.GetNote()}
		if i < len(feeds) && feeds[i].Target == -1 {
			f.Target = -1 // of one that is not due: TestDueOverTheStore compares such
		}
		gotFeeds = append(gotFeeds, f)
		if at := m.GetFedTime().AsTime().UnixMicro(); at != us {
			k.Fatalf("%s is of %d, want %d", m.GetName(), at, us)
		}
	}
	var gotSkips []string
	for _, m := range answer.GetSkipped() {
		gotSkips = append(gotSkips, m.GetPlant()+" "+m.GetCode().String())
	}
	k.same("fed on "+day.String(), feeds, gotFeeds)
	k.same("skipped on "+day.String(), skips, gotSkips)
	again, err := k.calls.RecordSession(k.ctx, req)
	k.must(err)
	if diff := gocmp.Diff(answer, again, protocmp.Transform()); diff != "" {
		k.Fatalf("repeated (-first +again):\n%s", diff)
	}
	// Whoever comes next feeds nobody twice.
	next, err := k.calls.RecordSession(k.ctx, &pb.RecordSessionRequest{Name: bench, FedTime: req.GetFedTime(), FedDate: req.FedDate, ValidateOnly: true})
	k.must(err)
	for _, m := range next.GetFeedings() {
		if slices.ContainsFunc(feeds, func(f fed) bool { return f.Plant == m.GetPlant() }) {
			k.Fatalf("%s would be fed twice on %s", m.GetPlant(), day)
		}
	}
}

// outcomes records outcomes, and compares them with what is open in the record.
func (k *keeper) outcomes(bench, id string) {
	req := &pb.RecordOutcomesRequest{Name: bench, RequestId: id}
	us := int64(0)
	us, req.OutcomeTime, req.OutcomeDate = k.moment(false)
	var want, got []string
	for _, p := range k.on(bench) {
		record, _ := p.counting()
		open := slices.DeleteFunc(record, func(f *keptFeeding) bool {
			if req.OutcomeDate != nil {
				return f.outcome != 0 || k.dayOf(f.at) > k.dayOf(us)
			}
			return f.outcome != 0 || f.at > us
		})
		x := &pb.RecordOutcomesRequest_Exception{}
		x.Plant, x.Tag = k.named(p)
		if !k.grows(p) {
			x.Plant, x.Tag = k.plantName(p), "" // another one may bear the tag
		}
		outcome := pb.Feeding_CLEAN
		switch {
		case k.often(20):
			x.Skip, open = true, nil
		case len(open) > 0 && k.often(40):
			x.Outcome = pb.Feeding_Outcome(k.n(1, 4))
			outcome = x.GetOutcome()
		default:
			x = nil
		}
		if x != nil {
			req.Except = append(req.Except, x)
		}
		for _, f := range open {
			want = append(want, fmt.Sprint(k.plantName(p), "/feedings/", f.id, " ", outcome, " ", max(us, f.at)))
		}
	}
	answer, err := k.calls.RecordOutcomes(k.ctx, req)
	k.must(err)
	for _, m := range answer.GetFeedings() {
		got = append(got, fmt.Sprint(m.GetName(), " ", m.GetOutcome(), " ", m.GetOutcomeTime().AsTime().UnixMicro()))
	}
	k.same("outcomes", want, got)
}

// nursery is a bench with many plants that are due.
type nursery struct {
	*doors
	calls      *clients
	collection string
	bench, to  string
}

func openNursery(t testing.TB, engine store.Engine, clock func() time.Time, plants, sessions int) *nursery {
	t.Helper()
	n := &nursery{doors: openStore(t, storetest.New(t, engine), service.Config{Now: clock}, slog.DiscardHandler)}
	n.calls = clientsOf(n.conn)
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	c, err := n.calls.CreateCollection(t.Context(), &pb.CreateCollectionRequest{Collection: &pb.Collection{DisplayName: "Nursery", TimeZone: "Europe/Berlin"}})
	must(err)
	n.collection = c.GetName()
	for _, id := range []string{"long", "spare"} {
		_, err := n.calls.CreateBench(t.Context(), &pb.CreateBenchRequest{Parent: n.collection, BenchId: id, Bench: &pb.Bench{DisplayName: id, Exposure: pb.Bench_GREENHOUSE}})
		must(err)
	}
	n.bench, n.to = n.collection+"/benches/long", n.collection+"/benches/spare"
	day := func(i int) *string {
		return proto.String((civil.Of(clock(), time.UTC) - civil.Day(12*(sessions-i))).String())
	}
	for from := 0; from < plants; from += 500 {
		made := &pb.BatchCreatePlantsRequest{Parent: n.collection}
		for i := from; i < min(from+500, plants); i++ {
			made.Requests = append(made.Requests, &pb.CreatePlantRequest{PlantId: fmt.Sprintf("p%04d", i), Plant: &pb.Plant{
				Tag: fmt.Sprintf("N%04d", i), Taxon: "taxa/drosera-spatulata", Bench: n.bench, AcquireDate: proto.String("2024-01-01")}})
		}
		_, err := n.calls.BatchCreatePlants(t.Context(), made)
		must(err)
		for s := range sessions {
			fed := &pb.BatchCreateFeedingsRequest{Parent: n.collection + "/plants/-"}
			for _, r := range made.GetRequests() {
				fed.Requests = append(fed.Requests, &pb.CreateFeedingRequest{Parent: n.collection + "/plants/" + r.GetPlantId(), Feeding: &pb.Feeding{
					FedDate: day(s), TrapsFed: proto.Int32(2), Outcome: pb.Feeding_CLEAN}})
			}
			_, err := n.calls.BatchCreateFeedings(t.Context(), fed)
			must(err)
		}
	}
	return n
}

// TestSessionsAtOnce lets keepers record a session of one bench at the same time: each
// plant is fed once, and whoever came second is told so.
func TestSessionsAtOnce(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		const plants, keepers = 30, 4
		now := time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)
		n := openNursery(t, engine, func() time.Time { return now }, plants, 1)
		answers := make([]*pb.RecordSessionResponse, keepers)
		begin := make(chan struct{})
		var all errgroup.Group
		for i := range keepers {
			all.Go(func() (err error) {
				<-begin
				answers[i], err = n.calls.RecordSession(t.Context(), &pb.RecordSessionRequest{Name: n.bench, Feeder: fmt.Sprint("keeper ", i)})
				return err
			})
		}
		close(begin)
		if err := all.Wait(); err != nil {
			t.Fatal(err)
		}
		first := 0
		for _, a := range answers {
			switch {
			case len(a.GetFeedings()) == plants && len(a.GetSkipped()) == 0:
				first++
			case len(a.GetFeedings()) == 0 && len(a.GetSkipped()) == plants:
				for i, s := range a.GetSkipped() {
					if want := fmt.Sprintf("N%04d", i); s.GetCode() != pb.RecordSessionResponse_Skipped_FED_TODAY || s.GetTag() != want {
						t.Errorf("skipped %v, want %s", s, want)
					}
				}
			default:
				t.Errorf("%d were fed, %d skipped", len(a.GetFeedings()), len(a.GetSkipped()))
			}
		}
		if first != 1 {
			t.Errorf("%d keepers fed the bench", first)
		}
		fed, err := n.calls.ListFeedings(t.Context(), &pb.ListFeedingsRequest{Parent: n.collection + "/plants/-", PageSize: 1000, Filter: `fedTime >= "2026-06-01T00:00:00Z"`})
		if err != nil || len(fed.GetFeedings()) != plants {
			t.Errorf("%d sessions are on record for %d plants, %v", len(fed.GetFeedings()), plants, err)
		}
	})
}

// TestUndoAtOnce undoes a session several times at once, and while it is changed: it is
// undone once, or the change is not lost.
func TestUndoAtOnce(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		now := time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)
		n := openNursery(t, engine, func() time.Time { return now }, 10, 1)
		for round := range 5 {
			id := fmt.Sprint("round-", round)
			made, err := n.calls.RecordSession(t.Context(), &pb.RecordSessionRequest{Name: n.bench, RequestId: id})
			if err != nil || len(made.GetFeedings()) != 10 {
				t.Fatalf("round %d: %d were fed, %v", round, len(made.GetFeedings()), err)
			}
			name := made.GetFeedings()[4].GetName()
			undone, changed := make([]error, 3), error(nil)
			var all errgroup.Group
			for i := range undone {
				all.Go(func() error {
					_, undone[i] = n.calls.Undo(t.Context(), &pb.UndoRequest{Name: n.collection, RequestId: id})
					return nil
				})
			}
			all.Go(func() error {
				_, changed = n.calls.UpdateFeeding(t.Context(), &pb.UpdateFeedingRequest{Feeding: &pb.Feeding{Name: name, Outcome: pb.Feeding_CLEAN}})
				return nil
			})
			if err := all.Wait(); err != nil {
				t.Fatal(err)
			}
			want := "" // undone, so that the change was refused; or the other way round
			if changed == nil {
				want = "CHANGED_SINCE"
			} else if reasonIn(changed) != "RESOURCE_DELETED" {
				t.Errorf("the change: %v", changed)
			}
			for _, err := range undone {
				if err != nil && reasonIn(err) != want || err == nil && want != "" {
					t.Errorf("undone: %v, changed: %v", err, changed)
				}
			}
			m, err := n.calls.GetFeeding(t.Context(), &pb.GetFeedingRequest{Name: name})
			if err != nil || (m.GetDeleteTime() == nil) != (changed == nil) {
				t.Errorf("it stands as %v, %v", m, err)
			}
			for _, m := range made.GetFeedings() { // for the next round
				if _, err := n.calls.DeleteFeeding(t.Context(), &pb.DeleteFeedingRequest{Name: m.GetName()}); err != nil && want == "CHANGED_SINCE" {
					t.Fatal(err)
				}
			}
		}
	})
}

// TestLongBench does what a grower does at a bench of 1,500 plants.
func TestLongBench(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		plants := storetest.Fewer(1500, 300)
		now := time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)
		n := openNursery(t, engine, func() time.Time { return now }, plants, 1)
		count := func(what string, got int, err error) {
			t.Helper()
			if err != nil || got != plants {
				t.Errorf("%s: %d, %v", what, got, err)
			}
		}
		ctx := t.Context()
		fed, err := n.calls.RecordSession(ctx, &pb.RecordSessionRequest{Name: n.bench, RequestId: "s"})
		count("fed", len(fed.GetFeedings()), err)
		again, err := n.calls.RecordSession(ctx, &pb.RecordSessionRequest{Name: n.bench, RequestId: "s"})
		count("fed again", len(again.GetFeedings()), err)
		skipped, err := n.calls.RecordSession(ctx, &pb.RecordSessionRequest{Name: n.bench})
		count("skipped", len(skipped.GetSkipped()), err)
		seen, err := n.calls.RecordOutcomes(ctx, &pb.RecordOutcomesRequest{Name: n.bench, RequestId: "o"})
		count("seen", len(seen.GetFeedings()), err)
		held, err := n.calls.HoldPlants(ctx, &pb.HoldPlantsRequest{Name: n.bench, RequestId: "h"})
		count("held", len(held.GetObservations()), err)
		moved, err := n.calls.MovePlants(ctx, &pb.MovePlantsRequest{Name: n.bench, ToBench: n.to, RequestId: "m"})
		count("moved", len(moved.GetObservations()), err)
		for _, id := range []string{"m", "h", "o", "s"} {
			undone, err := n.calls.Undo(ctx, &pb.UndoRequest{Name: n.collection, RequestId: id})
			count("undone "+id, len(undone.GetFeedings())+len(undone.GetObservations()), err)
		}
		list, err := n.calls.ListDueFeedings(ctx, &pb.ListDueFeedingsRequest{Parent: n.collection, PageSize: 1})
		if err != nil || len(list.GetTotals()) != 1 || int(list.GetTotals()[0].GetPlants()) != plants || list.GetTotals()[0].GetStatus() != pb.DueFeeding_DUE {
			t.Errorf("due after all is undone: %v, %v", list.GetTotals(), err)
		}
	})
}

// BenchmarkLongBench records and undoes sessions of 1,500 plants with 24 sessions each.
func BenchmarkLongBench(b *testing.B) {
	for _, engine := range storetest.Engines() {
		b.Run(string(engine), func(b *testing.B) {
			now := time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)
			n := openNursery(b, engine, func() time.Time { return now }, 1500, 24)
			round := 0
			var session, outcomes, move, undo time.Duration
			timed := func(into *time.Duration, f func(id string) error) {
				begin := time.Now()
				if err := f(fmt.Sprint("round-", round)); err != nil {
					b.Fatal(err)
				}
				*into += time.Since(begin)
			}
			for b.Loop() {
				round++
				timed(&session, func(id string) error {
					a, err := n.calls.RecordSession(b.Context(), &pb.RecordSessionRequest{Name: n.bench, RequestId: id})
					if err == nil && len(a.GetFeedings()) != 1500 {
						err = fmt.Errorf("%d were fed", len(a.GetFeedings()))
					}
					return err
				})
				timed(&outcomes, func(id string) error {
					_, err := n.calls.RecordOutcomes(b.Context(), &pb.RecordOutcomesRequest{Name: n.bench, RequestId: id})
					return err
				})
				timed(&move, func(id string) error {
					_, err := n.calls.MovePlants(b.Context(), &pb.MovePlantsRequest{Name: n.bench, ToBench: n.to, RequestId: id})
					return err
				})
				timed(&undo, func(id string) error {
					_, err := n.calls.Undo(b.Context(), &pb.UndoRequest{Name: n.collection, RequestId: id})
					return err
				})
			}
			for name, spent := range map[string]time.Duration{"session": session, "outcomes": outcomes, "move": move, "undo-all": undo} {
				b.ReportMetric(spent.Seconds()/float64(b.N), name+"-s")
			}
		})
	}
}
