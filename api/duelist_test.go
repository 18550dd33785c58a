package api

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"google.golang.org/genproto/googleapis/type/dayofweek"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/service/catalogue"
	"dewbench/service/civil"
	"dewbench/service/due"
	"dewbench/service/season"
	"dewbench/store"
	"dewbench/store/storetest"
)

// clock is a clock that a test sets.
type clock struct {
	mu sync.Mutex
	at time.Time
}

func newClock(at time.Time) *clock { return &clock{at: at} }

func (c *clock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.at
}

func (c *clock) set(at time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at = at
}

func (c *clock) add(d time.Duration) { c.set(c.now().Add(d)) }

// clients are the calls that a grower makes.
type clients struct {
	pb.CalendarServiceClient
	pb.CollectionServiceClient
	pb.BenchServiceClient
	pb.PlantServiceClient
	pb.FeedingServiceClient
	pb.ObservationServiceClient
	pb.DueServiceClient
	pb.RevisionServiceClient
	pb.GrowerServiceClient
	pb.TokenServiceClient
	pb.SessionServiceClient
}

func clientsOf(conn grpc.ClientConnInterface) *clients {
	return &clients{
		pb.NewCalendarServiceClient(conn),
		pb.NewCollectionServiceClient(conn), pb.NewBenchServiceClient(conn), pb.NewPlantServiceClient(conn), pb.NewFeedingServiceClient(conn),
		pb.NewObservationServiceClient(conn), pb.NewDueServiceClient(conn), pb.NewRevisionServiceClient(conn), pb.NewGrowerServiceClient(conn),
		pb.NewTokenServiceClient(conn), pb.NewSessionServiceClient(conn),
	}
}

// fewChecks makes rapid draw fewer cases than it would, unless the tests are run with
// another -rapid.checks than the usual one.
func fewChecks(t *testing.T, n int) {
	t.Helper()
	checks := flag.Lookup("rapid.checks")
	if checks.Value.String() != checks.DefValue {
		return
	}
	if err := flag.Set(checks.Name, fmt.Sprint(n)); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := flag.Set(checks.Name, checks.DefValue); err != nil {
			t.Error(err)
		}
	})
}

// TestDueOverTheStore keeps random collections through the API, in any order of
// entry, and a record of its own beside. On any day the list of what is due, each
// explanation and what each plant shows must be the engine's, on facts that the test
// builds from its own record. For longer: go test -run TestDueOverTheStore
// -timeout 2h ./api -rapid.checks=2000
func TestDueOverTheStore(t *testing.T) {
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
			k := &keeper{T: rt, ctx: t.Context(), calls: calls, clock: now, catalogue: c, server: d.server}
			k.begin()
			for range k.n(3, 25) {
				k.act()
				k.renew(10)
			}
			k.checkPlants()
			for range 4 {
				k.checkDue(k.today()+civil.Day(k.n(-80, 20)), k.n(0, 30))
			}
			k.checkDue(k.today(), -1)
			k.checkDue(k.today()+civil.Day(k.n(0, 366)), k.n(0, 366))
			k.clock.add(time.Duration(k.n(1, 60)) * time.Hour)
			k.checkPlants()
			// What is kept grows old, is made anew, and is changed again.
			for range k.n(1, 4) {
				k.clock.add(time.Duration(k.n(0, 30*24)) * time.Hour)
				k.renew(50)
				k.checkDue(k.today()+civil.Day(k.n(0, 50)), k.n(0, 30))
				if k.often(60) {
					k.act()
					k.checkDue(k.today(), -1)
				}
			}
			k.checkPlants()
		})
	})
}

// renew lets the server keep anew what is due, sometimes.
func (k *keeper) renew(percent int) {
	if k.often(percent) {
		k.must(errors.Join(k.server.SettlePending(k.ctx), k.server.RefreshDue(k.ctx)))
	}
}

// keeper is a grower with a record of their own.
type keeper struct {
	*rapid.T
	ctx       context.Context
	calls     *clients
	clock     *clock
	catalogue *catalogue.Catalogue
	server    *Server

	collection *pb.Collection // as it was set
	zone       *time.Location
	benches    []*pb.Bench // likewise
	plants     []*keptPlant
	ids        int
}

type keptPlant struct {
	message *pb.Plant // as it was set: tag, taxon, name, trap type, habit, walk order, day acquired, regimen
	id      string
	first   string // the bench where it stood first
	made    time.Time
	deleted time.Time // zero: it is not
	fed     []*keptFeeding
	seen    []*keptObservation
}

type keptFeeding struct {
	id            string
	at            int64 // microseconds
	traps, target int   // target 0: none was told
	outcome       pb.Feeding_Outcome
	byTrap        bool
	seenAt        *int64
	voided        bool
}

type keptObservation struct {
	id     string
	at     int64
	fact   *pb.Observation // only the fact
	voided bool
}

func (k *keeper) n(from, to int) int { return rapid.IntRange(from, to).Draw(k.T, "n") }

func (k *keeper) often(percent int) bool { return k.n(1, 100) <= percent }

func pick[V any](k *keeper, all []V) V { return all[k.n(0, len(all)-1)] }

func (k *keeper) pageSize() int32 { return pick(k, []int32{1, 2, 3, 7, 1000, 1000}) }

func (k *keeper) must(err error) {
	k.Helper()
	if err != nil {
		k.Fatalf("%v", err)
	}
}

// newID is an id that the client chooses: before all of the server's or after them,
// and not in order.
func (k *keeper) newID() string {
	k.ids++
	return fmt.Sprintf("%s%d-%d", pick(k, []string{"00", "x", "m"}), k.n(0, 9), k.ids)
}

func (k *keeper) dayOf(us int64) civil.Day { return civil.Of(time.UnixMicro(us), k.zone) }

func (k *keeper) today() civil.Day { return civil.Of(k.clock.now(), k.zone) }

var keptZones = []string{"UTC", "Europe/Berlin", "Asia/Kathmandu", "Australia/Lord_Howe", "Pacific/Apia", "Pacific/Kiritimati", "America/St_Johns", "Pacific/Niue"}

// begin makes a collection with benches and plants.
func (k *keeper) begin() {
	k.clock.set(time.Date(pick(k, []int{2011, 2024, 2026}), time.Month(k.n(1, 12)), k.n(1, 28), k.n(0, 23), k.n(0, 59), 0, 0, time.UTC))
	m := &pb.Collection{DisplayName: "Shed"}
	for _, field := range []string{"time_zone", "latitude_deg", "hemisphere", "feeding_weekdays", "absences", "regimens"} {
		if field == "time_zone" || k.often(60) {
			k.setCollection(m, field)
		}
	}
	made, err := k.calls.CreateCollection(k.ctx, &pb.CreateCollectionRequest{Collection: m})
	k.must(err)
	m.Name = made.GetName()
	k.keepCollection(m)
	for range k.n(1, 4) {
		k.addBench()
	}
	for range k.n(1, 3) {
		k.addPlants()
	}
}

func (k *keeper) keepCollection(m *pb.Collection) {
	zone, err := time.LoadLocation(m.GetTimeZone())
	k.must(err)
	k.collection, k.zone = m, zone
}

// setCollection draws a field of a collection.
func (k *keeper) setCollection(m *pb.Collection, field string) {
	switch field {
	case "time_zone":
		m.TimeZone = pick(k, keptZones)
	case "latitude_deg":
		m.LatitudeDeg = nil
		if k.often(70) {
			m.LatitudeDeg = proto.Float64(float64(k.n(-66, 66)))
		}
	case "hemisphere":
		m.Hemisphere = pb.Collection_Hemisphere(k.n(0, 2))
	case "feeding_weekdays":
		m.FeedingWeekdays = nil
		for d := dayofweek.DayOfWeek_MONDAY; d <= dayofweek.DayOfWeek_SUNDAY; d++ {
			if k.often(30) {
				m.FeedingWeekdays = append(m.FeedingWeekdays, d)
			}
		}
	case "absences":
		m.Absences = nil
		for range k.n(0, 3) {
			from := civil.Of(k.clock.now(), time.UTC) + civil.Day(k.n(-40, 60))
			m.Absences = append(m.Absences, &pb.Absence{FromDate: from.String(), UntilDate: (from + civil.Day(k.n(1, 20))).String()})
		}
	case "regimens":
		m.Regimens = nil
		taxa := map[string]bool{}
		for range k.n(0, 5) {
			g := &pb.Collection_GroupRegimen{Regimen: k.regimen()}
			key := ""
			switch k.n(0, 2) {
			case 0:
				taxon := k.taxon()
				key, g.Group = taxon, &pb.Collection_GroupRegimen_Taxon{Taxon: taxon}
			case 1:
				genus := pick(k, []string{"Drosera", "drosera", "Dionaea", "Sarracenia", "Inventa"})
				key, g.Group = strings.ToLower(genus), &pb.Collection_GroupRegimen_Genus{Genus: genus}
			case 2:
				trap := pb.Taxon_TrapType(k.n(1, 5))
				key, g.Group = trap.String(), &pb.Collection_GroupRegimen_TrapType{TrapType: trap}
			}
			if !taxa[key] {
				taxa[key] = true
				m.Regimens = append(m.Regimens, g)
			}
		}
	}
}

// taxon draws a taxon: mostly one of few, so that plants share regimens.
func (k *keeper) taxon() string {
	if k.often(70) {
		return "taxa/" + pick(k, []string{"drosera-capensis", "dionaea-muscipula", "drosera", "drosera-capensis"})
	}
	return "taxa/" + pick(k, k.catalogue.Taxa()).ID
}

// regimen draws a regimen.
func (k *keeper) regimen() *pb.Regimen {
	m := &pb.Regimen{}
	number := func(into **int32, from, to int) {
		if k.often(30) {
			*into = proto.Int32(int32(k.n(from, to)))
		}
	}
	number(&m.IntervalDays, 1, 40)
	number(&m.ToleranceDays, 0, 30)
	number(&m.TrapsStart, 1, 9)
	number(&m.TrapsMax, 1, 9)
	number(&m.CleanRunsToStepUp, 1, 3)
	number(&m.FeedOneIn, 1, 9)
	number(&m.MaxItemPercent, 1, 200)
	number(&m.MouldPausePercent, 0, 300)
	number(&m.ResiduePausePercent, 0, 300)
	number(&m.SettleDays, 0, 30)
	number(&m.DigestDays, 1, 30)
	if k.often(20) {
		m.CheckDays = []int32{int32(k.n(1, 30)), int32(k.n(31, 60))}
	}
	if k.often(40) {
		m.HandFeed = pick(k, []pb.Regimen_HandFeed{pb.Regimen_ALWAYS, pb.Regimen_IF_NOT_CATCHING, pb.Regimen_IF_NOT_CATCHING, pb.Regimen_NEVER}).Enum()
	}
	if k.often(40) {
		m.CutStalks = proto.Bool(k.often(60))
	}
	return m
}

func (k *keeper) maybeRegimen(percent int) *pb.Regimen {
	if k.often(percent) {
		if m := k.regimen(); proto.Size(m) > 0 {
			return m
		}
	}
	return nil
}

func (k *keeper) walkOrder() *int32 {
	if k.often(60) {
		return proto.Int32(int32(k.n(0, 2))) // ties
	}
	return nil
}

func (k *keeper) addBench() {
	m := &pb.Bench{DisplayName: "Bench", Exposure: pb.Bench_Exposure(k.n(0, 4)), WalkOrder: k.walkOrder(), Regimen: k.maybeRegimen(30)}
	made, err := k.calls.CreateBench(k.ctx, &pb.CreateBenchRequest{Parent: k.collection.GetName(), BenchId: k.newID(), Bench: m})
	k.must(err)
	m.Name = made.GetName()
	k.benches = append(k.benches, m)
}

// bench draws the name of a bench, or none.
func (k *keeper) bench() string {
	if k.often(10) {
		return ""
	}
	return pick(k, k.benches).GetName()
}

func (k *keeper) exposure(bench string) due.Exposure {
	for _, b := range k.benches {
		if b.GetName() == bench {
			return due.Exposure(b.GetExposure())
		}
	}
	return due.NoExposure
}

// name draws what a plant is, and completes it as the contract says.
func (k *keeper) name(m *pb.Plant) {
	m.Taxon, m.ScientificName, m.TrapType, m.Habit = "", "", 0, 0
	if k.often(75) {
		m.Taxon = k.taxon()
	} else {
		m.ScientificName = pick(k, []string{"Drosera quaedam", "Inventa prima", "inventa secunda"})
	}
	if m.GetTaxon() == "" && k.often(85) || k.often(15) {
		m.TrapType = pb.Taxon_TrapType(k.n(1, 5))
	}
	if k.often(25) {
		m.Habit = pb.Taxon_Habit(k.n(1, 2))
	}
}

func (k *keeper) acquireDate() *string {
	if k.often(50) {
		return proto.String((k.today() + civil.Day(k.n(-300, 5))).String())
	}
	return nil
}

// tag is one that no other plant bears; the case does not count in the order.
func (k *keeper) tag() string {
	k.ids++
	return fmt.Sprintf("%s%d-%d", pick(k, []string{"a", "A", "b", "Ä"}), k.n(0, 2), k.ids)
}

// addPlants adds plants, one by one or in a batch.
func (k *keeper) addPlants() {
	var all []*keptPlant
	var batch []*pb.CreatePlantRequest
	for range k.n(1, 3) {
		m := &pb.Plant{Tag: k.tag(), Bench: k.bench(), WalkOrder: k.walkOrder(), AcquireDate: k.acquireDate(), Regimen: k.maybeRegimen(30)}
		k.name(m)
		if len(k.plants) > 0 && k.often(60) { // a twin: only where they stand, and the tag, tell them apart
			twin := pick(k, k.plants).message
			m.Taxon, m.ScientificName, m.TrapType, m.Habit = twin.GetTaxon(), twin.GetScientificName(), twin.GetTrapType(), twin.GetHabit()
			m.Regimen, m.AcquireDate = twin.GetRegimen(), twin.AcquireDate
		}
		r := &pb.CreatePlantRequest{Parent: k.collection.GetName(), Plant: m}
		if k.often(50) {
			r.PlantId = k.newID()
		}
		all, batch = append(all, &keptPlant{message: m, first: m.GetBench(), made: k.clock.now()}), append(batch, r)
	}
	var made []*pb.Plant
	if k.often(50) {
		answer, err := k.calls.BatchCreatePlants(k.ctx, &pb.BatchCreatePlantsRequest{Parent: k.collection.GetName(), Requests: batch})
		k.must(err)
		made = answer.GetPlants()
	} else {
		for _, r := range batch {
			p, err := k.calls.CreatePlant(k.ctx, r)
			k.must(err)
			made = append(made, p)
		}
	}
	for i, p := range all {
		p.id = store.Segment(made[i].GetName(), "plants")
		if t := k.taxonOf(p); t != nil {
			p.message.ScientificName = t.ScientificName
		}
		k.plants = append(k.plants, p)
		k.checkPlant(p, made[i])
	}
}

func (k *keeper) taxonOf(p *keptPlant) *catalogue.Taxon {
	for _, t := range k.catalogue.Taxa() {
		if p.message.GetTaxon() == "taxa/"+t.ID {
			return &t
		}
	}
	return nil
}

func (k *keeper) plantName(p *keptPlant) string { return k.collection.GetName() + "/plants/" + p.id }

// livePlant draws a plant that is not deleted; nil if there is none.
func (k *keeper) livePlant() *keptPlant {
	var all []*keptPlant
	for _, p := range k.plants {
		if p.deleted.IsZero() {
			all = append(all, p)
		}
	}
	if len(all) == 0 {
		return nil
	}
	return pick(k, all)
}

// act does something that changes what is due, or looks at it.
func (k *keeper) act() {
	k.clock.add(time.Duration(k.n(1, 1000)) * time.Second)
	p := k.livePlant()
	if p == nil {
		k.addPlants()
		return
	}
	switch k.n(0, 19) {
	case 0:
		k.clock.add(time.Duration(k.n(1, 30*24)) * time.Hour)
	case 1:
		k.addPlants()
	case 2:
		k.updatePlant(p)
	case 3:
		k.movePlant(p)
	case 4:
		k.deletePlant(p)
	case 5:
		k.undeletePlant()
	case 6:
		k.updateBench()
	case 7:
		k.updateCollection()
	case 8, 9, 10:
		k.feed()
	case 11, 12, 13:
		k.observe()
	case 14:
		k.updateFeeding(p)
	case 15:
		k.updateObservation(p)
	case 16:
		k.voidFeeding(p)
	case 17:
		k.voidObservation(p)
	case 18:
		k.reassign(p)
	case 19:
		k.checkPlants()
		k.checkDue(k.today()+civil.Day(k.n(-30, 30)), k.n(0, 30))
	}
}

func (k *keeper) updatePlant(p *keptPlant) {
	m, mask := proto.CloneOf(p.message), &fieldmaskpb.FieldMask{}
	for _, field := range []string{"tag", "walk_order", "acquire_date", "regimen", "taxon"} {
		if !k.often(40) {
			continue
		}
		mask.Paths = append(mask.Paths, field)
		switch field {
		case "tag":
			m.Tag = k.tag()
		case "walk_order":
			m.WalkOrder = k.walkOrder()
		case "acquire_date":
			m.AcquireDate = k.acquireDate()
		case "regimen":
			m.Regimen = k.maybeRegimen(70)
		case "taxon":
			k.name(m)
			mask.Paths = append(mask.Paths, "scientific_name", "trap_type", "habit")
		}
	}
	if len(mask.GetPaths()) == 0 {
		return
	}
	body := proto.CloneOf(m)
	body.Name, body.Bench = k.plantName(p), ""
	after, err := k.calls.UpdatePlant(k.ctx, &pb.UpdatePlantRequest{Plant: body, UpdateMask: mask})
	k.must(err)
	p.message = m
	if t := k.taxonOf(p); t != nil {
		m.ScientificName = t.ScientificName
	}
	k.checkPlant(p, after)
}

// movePlant changes the bench of a plant, which is a move of this moment.
func (k *keeper) movePlant(p *keptPlant) {
	bench, from := k.bench(), k.standsOn(p)
	_, seen := k.came(p)
	if slices.ContainsFunc(seen, func(o *keptObservation) bool { return o.fact.GetMove() != nil && o.at > k.clock.now().UnixMicro() }) {
		return // it is to stand there later today
	}
	after, err := k.calls.UpdatePlant(k.ctx, &pb.UpdatePlantRequest{
		Plant: &pb.Plant{Name: k.plantName(p), Bench: bench}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"bench"}}})
	k.must(err)
	if bench != from {
		k.refresh(p)
	}
	if k.standsOn(p) != bench {
		k.Fatalf("%s was moved to %q and stands on %q", p.id, bench, k.standsOn(p))
	}
	k.checkPlant(p, after)
}

// refresh learns of the move that the server recorded.
func (k *keeper) refresh(p *keptPlant) {
	answer, err := k.calls.ListObservations(k.ctx, &pb.ListObservationsRequest{Parent: k.plantName(p), Filter: `kind = "move"`, OrderBy: "name", PageSize: 1000})
	k.must(err)
	for _, o := range answer.GetObservations() {
		id := store.Segment(o.GetName(), "observations")
		if !slices.ContainsFunc(p.seen, func(s *keptObservation) bool { return s.id == id }) {
			if o.GetObserveTime().AsTime() != k.clock.now() {
				k.Fatalf("the move %s is of %s, not of now", id, o.GetObserveTime().AsTime())
			}
			p.seen = append(p.seen, &keptObservation{id: id, at: store.Micros(o.GetObserveTime()), fact: &pb.Observation{Fact: o.GetFact()}})
		}
	}
}

func (k *keeper) deletePlant(p *keptPlant) {
	after, err := k.calls.DeletePlant(k.ctx, &pb.DeletePlantRequest{Name: k.plantName(p)})
	k.must(err)
	p.deleted = k.clock.now()
	k.checkPlant(p, after)
}

// purge forgets plants that are gone for good.
func (k *keeper) purge() {
	k.plants = slices.DeleteFunc(k.plants, func(p *keptPlant) bool {
		return !p.deleted.IsZero() && !k.clock.now().Before(p.deleted.Add(30*24*time.Hour))
	})
}

func (k *keeper) undeletePlant() {
	k.purge()
	for _, p := range k.plants {
		if !p.deleted.IsZero() {
			after, err := k.calls.UndeletePlant(k.ctx, &pb.UndeletePlantRequest{Name: k.plantName(p)})
			k.must(err)
			p.deleted = time.Time{}
			k.checkPlant(p, after)
			return
		}
	}
}

func (k *keeper) updateBench() {
	i := k.n(0, len(k.benches)-1)
	m, mask := proto.CloneOf(k.benches[i]), &fieldmaskpb.FieldMask{Paths: []string{"exposure"}}
	m.Exposure = pb.Bench_Exposure(k.n(0, 4))
	if k.often(50) {
		m.WalkOrder, mask.Paths = k.walkOrder(), append(mask.Paths, "walk_order")
	}
	if k.often(50) {
		m.Regimen, mask.Paths = k.maybeRegimen(70), append(mask.Paths, "regimen")
	}
	_, err := k.calls.UpdateBench(k.ctx, &pb.UpdateBenchRequest{Bench: m, UpdateMask: mask})
	k.must(err)
	k.benches[i] = m
	k.checkPlants()
}

func (k *keeper) updateCollection() {
	m, mask := proto.CloneOf(k.collection), &fieldmaskpb.FieldMask{}
	for _, field := range []string{"time_zone", "latitude_deg", "hemisphere", "feeding_weekdays", "absences", "regimens"} {
		if k.often(40) {
			k.setCollection(m, field)
			mask.Paths = append(mask.Paths, field)
		}
	}
	if len(mask.GetPaths()) == 0 {
		return
	}
	_, err := k.calls.UpdateCollection(k.ctx, &pb.UpdateCollectionRequest{Collection: m, UpdateMask: mask})
	k.must(err)
	k.keepCollection(m)
	k.checkPlants()
}

// moment draws when something happened, at most now if it must have: a day, an
// instant, or nothing, which is now. It returns microseconds.
func (k *keeper) moment(past bool) (us int64, instant *timestamppb.Timestamp, day *string) {
	now := k.clock.now()
	switch k.n(0, 5) {
	case 0:
		return now.UnixMicro(), nil, nil
	case 1, 2, 3:
		d := k.today() - civil.Day(k.n(1, 12)*k.n(0, 12))
		if noon := d.Noon(k.zone); !noon.After(now) || !past {
			return noon.UnixMicro(), nil, proto.String(d.String())
		}
	case 4:
		if !past {
			now = now.Add(time.Duration(k.n(1, 10*24)) * time.Hour)
		}
	}
	t := now.Add(-time.Duration(k.n(0, 60*24*60)) * time.Minute).Add(time.Duration(k.n(0, 3)) * 250 * time.Nanosecond)
	if t.After(now) {
		t = now
	}
	return t.UnixMicro(), timestamppb.New(t), nil
}

// feeding draws a session and returns it as the request and the record have it, but
// for the target.
func (k *keeper) feeding() (*pb.Feeding, *keptFeeding) {
	m, f := &pb.Feeding{}, &keptFeeding{traps: due.FedTarget}
	f.at, m.FedTime, m.FedDate = k.moment(false)
	if k.often(70) {
		f.traps = k.n(0, 6)
		m.TrapsFed = proto.Int32(int32(f.traps))
	}
	k.outcome(m, f)
	return m, f
}

// outcome draws what became of a session.
func (k *keeper) outcome(m *pb.Feeding, f *keptFeeding) {
	f.outcome, f.byTrap, f.seenAt = pb.Feeding_Outcome(k.n(0, 4)), false, nil
	m.Outcome, m.Traps, m.OutcomeTime, m.OutcomeDate = f.outcome, nil, nil, nil
	if k.often(20) {
		m.Outcome, f.byTrap, f.outcome = 0, true, 0
		for range k.n(1, 3) {
			trap := &pb.FedTrap{Outcome: pb.Feeding_Outcome(k.n(0, 4))}
			m.Traps, f.outcome = append(m.Traps, trap), max(f.outcome, trap.GetOutcome())
		}
	}
	if f.outcome == 0 {
		return
	}
	switch k.n(0, 2) {
	case 0:
		seen := k.dayOf(f.at) + civil.Day(k.n(0, 20))
		m.OutcomeDate = proto.String(seen.String())
		us := max(seen.Noon(k.zone).UnixMicro(), f.at) // not before the session
		f.seenAt = &us
	case 1:
		us := f.at + int64(k.n(0, 20*24*60))*60_000_000
		m.OutcomeTime, f.seenAt = timestamppb.New(time.UnixMicro(us)), &us
	}
}

// feed records sessions: one, or a batch for several plants.
func (k *keeper) feed() {
	type session struct {
		plant *keptPlant
		kept  *keptFeeding
	}
	var all []session
	var batch []*pb.CreateFeedingRequest
	plants := k.n(1, 3)
	only := k.livePlant()
	for i := range k.n(1, 4) {
		p := only
		if plants > 1 {
			p = k.livePlant()
		}
		m, f := k.feeding()
		r := &pb.CreateFeedingRequest{Parent: k.plantName(p), Feeding: m}
		f.id = fmt.Sprintf("0ffffff%d", i) // of the server's, which come one after another
		if k.often(50) {
			f.id = k.newID()
			r.FeedingId = f.id
		}
		k.settleTarget(p, f)
		m.TrapsFed = proto.Int32(int32(f.traps))
		if f.target > 0 && f.traps == f.target && k.often(50) {
			m.TrapsFed = nil
		}
		p.fed = append(p.fed, f)
		if plants > 1 && k.often(50) {
			r.Parent, r.Tag = "", strings.ToUpper(p.message.GetTag())
		}
		all, batch = append(all, session{p, f}), append(batch, r)
	}
	var made []*pb.Feeding
	if len(batch) == 1 {
		r := batch[0]
		if r.GetParent() == "" {
			r.Parent = k.collection.GetName() + "/plants/-"
		}
		f, err := k.calls.CreateFeeding(k.ctx, r)
		k.must(err)
		made = append(made, f)
	} else {
		parent := k.collection.GetName() + "/plants/-"
		if plants == 1 && k.often(50) {
			parent = k.plantName(only)
		}
		answer, err := k.calls.BatchCreateFeedings(k.ctx, &pb.BatchCreateFeedingsRequest{Parent: parent, Requests: batch})
		k.must(err)
		made = answer.GetFeedings()
	}
	for i, s := range all {
		s.kept.id = store.Segment(made[i].GetName(), "feedings")
		k.checkFeeding(s.plant, s.kept, made[i])
	}
}

// settleTarget sets what a session was to feed, by the engine, and what it fed where
// that was left open. A plant that no hand feeds has no target: then what was fed
// must be told.
func (k *keeper) settleTarget(p *keptPlant, f *keptFeeding) {
	day := k.dayOf(f.at)
	facts, _, _ := k.facts(p, day)
	target, ok := new(due.Engine).Target(&facts, day, f.at)
	f.target = 0
	if ok {
		f.target = target
	}
	if f.traps == due.FedTarget {
		f.traps = max(f.target, 1)
	}
}

func (k *keeper) checkFeeding(p *keptPlant, f *keptFeeding, got *pb.Feeding) {
	k.Helper()
	want := &pb.Feeding{
		Name: k.plantName(p) + "/feedings/" + f.id, Plant: k.plantName(p), FedTime: timestamppb.New(time.UnixMicro(f.at)), FedDate: proto.String(k.dayOf(f.at).String()),
		TrapsFed: proto.Int32(int32(f.traps)), Outcome: f.outcome,
	}
	if f.target > 0 {
		want.TrapsTarget = proto.Int32(int32(f.target))
	}
	if f.seenAt != nil {
		want.OutcomeTime, want.OutcomeDate = timestamppb.New(time.UnixMicro(*f.seenAt)), proto.String(k.dayOf(*f.seenAt).String())
	}
	seen := proto.CloneOf(got)
	seen.Etag, seen.Recorder, seen.CreateTime, seen.UpdateTime, seen.DeleteTime, seen.Traps = "", "", nil, nil, nil, nil
	if !proto.Equal(want, seen) || f.voided != (got.GetDeleteTime() != nil) {
		k.Fatalf("the feeding is\n%s\nwant\n%s", messageText(seen), messageText(want))
	}
}

func messageText(m proto.Message) string {
	text, err := answerJSON.Marshal(m)
	if err != nil {
		return err.Error()
	}
	return string(text)
}

// fact draws what was seen or done on a day.
func (k *keeper) fact(day civil.Day) *pb.Observation {
	until := func() *string {
		if k.often(80) {
			return proto.String((day + civil.Day(k.n(1, 25))).String())
		}
		return nil
	}
	m := &pb.Observation{}
	switch k.n(0, 18) {
	case 0, 1, 2:
		size := &pb.Observation_Measurement{HeightMm: proto.Float64(12.5)}
		if k.often(70) {
			size.RosetteDiameterMm = proto.Float64(float64(k.n(100, 1000)) / 10)
		}
		if k.often(50) {
			size.TrapWidthMm = proto.Float64(float64(k.n(1, 3000)) / 100)
		}
		if k.often(50) {
			size.WorkingTraps = proto.Int32(int32(k.n(0, 20)))
		}
		m.Fact = &pb.Observation_Measurement_{Measurement: size}
	case 3, 4, 5, 6:
		m.Fact = &pb.Observation_CatchSurvey_{CatchSurvey: &pb.Observation_CatchSurvey{PreyFound: int32(k.n(0, 3)), TrapsExamined: int32(k.n(0, 9))}}
	case 7:
		m.Fact = &pb.Observation_Stalk_{Stalk: pb.Observation_Stalk(k.n(1, 5))}
	case 8, 9:
		m.Fact = &pb.Observation_Repotting_{Repotting: &pb.Observation_Repotting{}}
	case 10:
		m.Fact = &pb.Observation_RestStart_{RestStart: &pb.Observation_RestStart{}}
	case 11:
		m.Fact = &pb.Observation_RestEnd_{RestEnd: &pb.Observation_RestEnd{}}
	case 12:
		m.Fact = &pb.Observation_Hold_{Hold: &pb.Observation_Hold{UntilDate: until()}}
	case 13:
		m.Fact = &pb.Observation_Treatment_{Treatment: &pb.Observation_Treatment{UntilDate: until()}}
	case 14:
		m.Fact = &pb.Observation_Health_{Health: &pb.Observation_Health{Text: "Fine."}}
	case 15, 16:
		m.Fact = &pb.Observation_Move_{Move: &pb.Observation_Move{Bench: pick(k, k.benches).GetName()}}
	case 17:
		m.Fact = &pb.Observation_Count_{Count: &pb.Observation_Count{Quantity: int32(k.n(1, 9))}}
	case 18:
		m.Fact = &pb.Observation_Health_{Health: &pb.Observation_Health{Text: "Wilting."}}
		if k.often(40) {
			m.Fact = &pb.Observation_End_{End: &pb.Observation_End{State: pb.Observation_End_State(k.n(1, 3))}}
		}
	}
	return m
}

// observation draws an observation as the request and the record have it.
func (k *keeper) observation() (*pb.Observation, *keptObservation) {
	o := &keptObservation{}
	m := &pb.Observation{}
	o.at, m.ObserveTime, m.ObserveDate = k.moment(k.often(70))
	o.fact = k.fact(k.dayOf(o.at))
	m.Fact = o.fact.GetFact()
	return m, o
}

// observe records observations: one, or a batch for several plants.
func (k *keeper) observe() {
	type seen struct {
		plant *keptPlant
		kept  *keptObservation
	}
	var all []seen
	var batch []*pb.CreateObservationRequest
	for range k.n(1, 4) {
		p := k.livePlant()
		m, o := k.observation()
		r := &pb.CreateObservationRequest{Parent: k.plantName(p), Observation: m}
		if k.often(50) {
			r.ObservationId = k.newID()
		}
		all, batch = append(all, seen{p, o}), append(batch, r)
	}
	var made []*pb.Observation
	if len(batch) == 1 {
		o, err := k.calls.CreateObservation(k.ctx, batch[0])
		k.must(err)
		made = append(made, o)
	} else {
		answer, err := k.calls.BatchCreateObservations(k.ctx, &pb.BatchCreateObservationsRequest{Parent: k.collection.GetName() + "/plants/-", Requests: batch})
		k.must(err)
		made = answer.GetObservations()
	}
	for i, s := range all {
		s.kept.id = store.Segment(made[i].GetName(), "observations")
		s.plant.seen = append(s.plant.seen, s.kept)
		if store.Micros(made[i].GetObserveTime()) != s.kept.at || made[i].GetObserveDate() != k.dayOf(s.kept.at).String() {
			k.Fatalf("the observation is of %s, %s; want %s", made[i].GetObserveTime().AsTime(), made[i].GetObserveDate(), time.UnixMicro(s.kept.at).UTC())
		}
	}
}

// updateFeeding changes a session that counts: its outcome, the traps, or all of it.
func (k *keeper) updateFeeding(p *keptPlant) {
	var all []*keptFeeding
	for _, f := range p.fed {
		if !f.voided {
			all = append(all, f)
		}
	}
	if len(all) == 0 {
		return
	}
	f := pick(k, all)
	body, mask := &pb.Feeding{}, &fieldmaskpb.FieldMask{}
	after := *f
	switch k.n(0, 3) {
	case 0: // the outcome, seen when it was fed, or when it was before
		if f.byTrap {
			return
		}
		after.outcome, mask.Paths = pb.Feeding_Outcome(k.n(0, 4)), []string{"outcome"}
		if after.outcome == 0 {
			after.seenAt = nil
		}
		body.Outcome = after.outcome
	case 1:
		k.outcome(body, &after)
		mask.Paths = []string{"outcome", "outcomeTime", "outcomeDate", "traps"}
	case 2:
		after.traps, mask.Paths = k.n(0, 6), []string{"traps_fed"}
		body.TrapsFed = proto.Int32(int32(after.traps))
	case 3: // all but the target, which is what was told then
		var drawn *keptFeeding
		body, drawn = k.feeding()
		if body.FedTime == nil && body.FedDate == nil {
			body.FedTime = timestamppb.New(time.UnixMicro(drawn.at))
		}
		drawn.id, drawn.target = f.id, f.target
		if drawn.traps == due.FedTarget {
			drawn.traps = max(drawn.target, 1)
		}
		body.TrapsFed = proto.Int32(int32(drawn.traps))
		after, mask.Paths = *drawn, []string{"*"}
	}
	body.Name = k.plantName(p) + "/feedings/" + f.id
	var got *pb.Feeding
	if k.often(50) {
		answer, err := k.calls.BatchUpdateFeedings(k.ctx, &pb.BatchUpdateFeedingsRequest{
			Parent: k.plantName(p), Requests: []*pb.UpdateFeedingRequest{{Feeding: body, UpdateMask: mask}}})
		k.must(err)
		got = answer.GetFeedings()[0]
	} else {
		var err error
		got, err = k.calls.UpdateFeeding(k.ctx, &pb.UpdateFeedingRequest{Feeding: body, UpdateMask: mask})
		k.must(err)
	}
	*f = after
	k.checkFeeding(p, f, got)
}

func (k *keeper) updateObservation(p *keptPlant) {
	var all []*keptObservation
	for _, o := range p.seen {
		if !o.voided {
			all = append(all, o)
		}
	}
	if len(all) == 0 {
		return
	}
	o := pick(k, all)
	body, drawn := k.observation()
	if body.ObserveTime == nil && body.ObserveDate == nil {
		body.ObserveTime = timestamppb.New(time.UnixMicro(drawn.at))
	}
	body.Name = k.plantName(p) + "/observations/" + o.id
	_, err := k.calls.UpdateObservation(k.ctx, &pb.UpdateObservationRequest{Observation: body, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"*"}}})
	k.must(err)
	o.at, o.fact = drawn.at, drawn.fact
}

// voidFeeding voids a session, or lets it count again.
func (k *keeper) voidFeeding(p *keptPlant) {
	if len(p.fed) == 0 {
		return
	}
	f := pick(k, p.fed)
	name := k.plantName(p) + "/feedings/" + f.id
	var got *pb.Feeding
	var err error
	if f.voided {
		got, err = k.calls.UndeleteFeeding(k.ctx, &pb.UndeleteFeedingRequest{Name: name})
	} else {
		got, err = k.calls.DeleteFeeding(k.ctx, &pb.DeleteFeedingRequest{Name: name})
	}
	k.must(err)
	f.voided = !f.voided
	k.checkFeeding(p, f, got)
}

func (k *keeper) voidObservation(p *keptPlant) {
	if len(p.seen) == 0 {
		return
	}
	o := pick(k, p.seen)
	name := k.plantName(p) + "/observations/" + o.id
	var err error
	if o.voided {
		_, err = k.calls.UndeleteObservation(k.ctx, &pb.UndeleteObservationRequest{Name: name})
	} else {
		_, err = k.calls.DeleteObservation(k.ctx, &pb.DeleteObservationRequest{Name: name})
	}
	k.must(err)
	o.voided = !o.voided
}

// reassign moves an event to another plant, where its target is told anew.
func (k *keeper) reassign(p *keptPlant) {
	to := k.livePlant()
	if to == p {
		return
	}
	if k.often(60) {
		i := slices.IndexFunc(p.fed, func(f *keptFeeding) bool { return !f.voided })
		if i < 0 {
			return
		}
		f := p.fed[i]
		got, err := k.calls.ReassignFeeding(k.ctx, &pb.ReassignFeedingRequest{Name: k.plantName(p) + "/feedings/" + f.id, Tag: to.message.GetTag()})
		k.must(err)
		p.fed = slices.Delete(p.fed, i, i+1)
		k.settleTarget(to, f)
		to.fed = append(to.fed, f)
		k.checkFeeding(to, f, got)
		return
	}
	i := slices.IndexFunc(p.seen, func(o *keptObservation) bool { return !o.voided })
	if i < 0 {
		return
	}
	o := p.seen[i]
	_, err := k.calls.ReassignObservation(k.ctx, &pb.ReassignObservationRequest{Name: k.plantName(p) + "/observations/" + o.id, Plant: k.plantName(to)})
	k.must(err)
	p.seen = slices.Delete(p.seen, i, i+1)
	to.seen = append(to.seen, o)
}

// counting returns the events that count, in order of time and id.
func (p *keptPlant) counting() (fed []*keptFeeding, seen []*keptObservation) {
	for _, f := range p.fed {
		if !f.voided {
			fed = append(fed, f)
		}
	}
	for _, o := range p.seen {
		if !o.voided {
			seen = append(seen, o)
		}
	}
	slices.SortFunc(fed, func(a, b *keptFeeding) int { return cmp.Or(cmp.Compare(a.at, b.at), cmp.Compare(a.id, b.id)) })
	slices.SortFunc(seen, func(a, b *keptObservation) int { return cmp.Or(cmp.Compare(a.at, b.at), cmp.Compare(a.id, b.id)) })
	return fed, seen
}

// came returns the record of a plant up to the end of today.
func (k *keeper) came(p *keptPlant) (fed []*keptFeeding, seen []*keptObservation) {
	fed, seen = p.counting()
	fed = slices.DeleteFunc(fed, func(f *keptFeeding) bool { return k.dayOf(f.at) > k.today() })
	return fed, slices.DeleteFunc(seen, func(o *keptObservation) bool { return k.dayOf(o.at) > k.today() })
}

// standsOn returns the bench on which a plant stands.
func (k *keeper) standsOn(p *keptPlant) string {
	bench := p.first
	_, seen := k.came(p)
	for _, o := range seen {
		if move := o.fact.GetMove(); move != nil {
			bench = move.GetBench()
		}
	}
	return bench
}

// layer is one layer of a regimen.
type layer struct {
	name    pb.ExplainDueResponse_Layer
	regimen *pb.Regimen
}

// layers returns the regimens of a plant in the order in which they are asked (README.md
// beside the engine).
func (k *keeper) layers(p *keptPlant) []layer {
	all := []layer{{pb.ExplainDueResponse_PLANT, p.message.GetRegimen()}}
	for _, b := range k.benches {
		if b.GetName() == k.standsOn(p) {
			all = append(all, layer{pb.ExplainDueResponse_BENCH, b.GetRegimen()})
		}
	}
	t := k.taxonOf(p)
	trap, habit := k.kind(p)
	genus, _, _ := strings.Cut(p.message.GetScientificName(), " ")
	if t != nil {
		genus = t.Genus
	}
	for _, g := range k.collection.GetRegimens() {
		if g.GetTaxon() != "" && g.GetTaxon() == p.message.GetTaxon() {
			all = append(all, layer{pb.ExplainDueResponse_COLLECTION_TAXON, g.GetRegimen()})
		}
	}
	for _, g := range k.collection.GetRegimens() {
		if g.GetGenus() != "" && strings.EqualFold(g.GetGenus(), genus) {
			all = append(all, layer{pb.ExplainDueResponse_COLLECTION_GENUS, g.GetRegimen()})
		}
	}
	for _, g := range k.collection.GetRegimens() {
		if g.GetTrapType() != 0 && g.GetTrapType() == trap {
			all = append(all, layer{pb.ExplainDueResponse_COLLECTION_TRAP_TYPE, g.GetRegimen()})
		}
	}
	if t != nil {
		all = append(all, layer{pb.ExplainDueResponse_CATALOGUE_TAXON, service.RegimenMessage(&t.Regimen)})
		for _, other := range k.catalogue.Taxa() {
			if other.Rank == catalogue.Genus && other.ScientificName == t.Genus && other.ID != t.ID {
				all = append(all, layer{pb.ExplainDueResponse_CATALOGUE_GENUS, service.RegimenMessage(&other.Regimen)})
			}
		}
	}
	last := due.Default(due.TrapType(trap), due.Habit(habit))
	return append(all, layer{pb.ExplainDueResponse_TRAP_TYPE, service.RegimenMessage(&last)})
}

// kind returns the trap type and the habit of a plant: its own, else the taxon's.
func (k *keeper) kind(p *keptPlant) (pb.Taxon_TrapType, pb.Taxon_Habit) {
	trap, habit := p.message.GetTrapType(), p.message.GetHabit()
	if t := k.taxonOf(p); t != nil {
		if trap == 0 {
			trap = pb.Taxon_TrapType(t.TrapType)
		}
		if habit == 0 {
			habit = pb.Taxon_Habit(t.Habit)
		}
	}
	return trap, habit
}

// inForce returns the regimen in force, and for each of its fields the layer that it
// is of: the first that sets it.
func inForce(layers []layer) (*pb.Regimen, []*pb.ExplainDueResponse_Origin) {
	out := &pb.Regimen{}
	var origins []*pb.ExplainDueResponse_Origin
	fields := out.ProtoReflect().Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		for _, l := range layers {
			if l.regimen != nil && l.regimen.ProtoReflect().Has(f) {
				out.ProtoReflect().Set(f, proto.CloneOf(l.regimen).ProtoReflect().Get(f))
				origins = append(origins, &pb.ExplainDueResponse_Origin{Field: f.JSONName(), Layer: l.name})
				break
			}
		}
	}
	return out, origins
}

// facts builds what the engine takes from the record, with the regimen in force and
// where its values come from.
func (k *keeper) facts(p *keptPlant, asOf civil.Day) (due.Facts, *pb.Regimen, []*pb.ExplainDueResponse_Origin) {
	regimen, origins := inForce(k.layers(p))
	trap, _ := k.kind(p)
	f := due.Facts{
		TrapType: due.TrapType(trap), Acquired: civil.None, Entered: civil.Of(p.made, k.zone), Ships: civil.None,
		First: k.exposure(p.first), Quantity: 1,
		Rules: due.Rules{
			IntervalDays: int(regimen.GetIntervalDays()), ToleranceDays: int(regimen.GetToleranceDays()), TrapsStart: int(regimen.GetTrapsStart()),
			TrapsMax: int(regimen.GetTrapsMax()), CleanRunsToStepUp: int(regimen.GetCleanRunsToStepUp()), FeedOneIn: int(regimen.GetFeedOneIn()),
			MaxItemPercent: int(regimen.GetMaxItemPercent()), MouldPausePercent: int(regimen.GetMouldPausePercent()),
			ResiduePausePercent: int(regimen.GetResiduePausePercent()), SettleDays: int(regimen.GetSettleDays()), DigestDays: int(regimen.GetDigestDays()),
			HandFeed: due.HandFeed(regimen.GetHandFeed()), CutStalks: regimen.GetCutStalks(),
		},
	}
	for _, d := range regimen.GetCheckDays() {
		f.Rules.CheckDays = append(f.Rules.CheckDays, int(d))
	}
	if p.message.AcquireDate != nil {
		f.Acquired = k.day(p.message.GetAcquireDate())
	}
	if t := k.taxonOf(p); t != nil {
		f.TypicalWidthMM, f.TypicalDiameterMM = t.TrapWidthMm, t.RosetteDiameterMm
		if t.RestKnown {
			place := season.Place{South: k.collection.GetHemisphere() == pb.Collection_SOUTH}
			if k.collection.LatitudeDeg != nil {
				place.HasLatitude, place.LatitudeDeg = true, k.collection.GetLatitudeDeg()
			}
			from, to := due.RestRange(asOf)
			f.Rests = season.Rests(t.Rest, place, from, to)
		}
	}
	for _, d := range k.collection.GetFeedingWeekdays() {
		f.Weekdays = f.Weekdays.On(time.Weekday(int(d) % 7))
	}
	for _, a := range k.collection.GetAbsences() {
		f.Absences = append(f.Absences, civil.Span{From: k.day(a.GetFromDate()), Until: k.day(a.GetUntilDate())})
	}
	for _, food := range k.catalogue.Foods() {
		f.Foods = append(f.Foods, due.Food{LengthMM: food.LengthMm, Moves: food.Moves, MayCut: food.MayBeCut})
	}
	fed, seen := p.counting()
	for _, s := range fed {
		of := due.Feeding{Day: k.dayOf(s.at), Time: s.at, Traps: s.traps, Target: s.target, OutcomeDay: civil.None}
		if s.outcome != 0 {
			of.Outcome, of.OutcomeDay, of.OutcomeTime = due.Outcome(s.outcome), of.Day, of.Time
			if s.seenAt != nil {
				of.OutcomeDay, of.OutcomeTime = k.dayOf(*s.seenAt), *s.seenAt
			}
		}
		f.Feedings = append(f.Feedings, of)
	}
	for _, s := range seen {
		if move := s.fact.GetMove(); move != nil {
			f.Moves = append(f.Moves, due.Move{Day: k.dayOf(s.at), Time: s.at, Exposure: k.exposure(move.GetBench())})
			continue
		}
		f.Observations = append(f.Observations, k.observed(s))
	}
	return f, regimen, origins
}

func (k *keeper) day(text string) civil.Day {
	d, err := civil.Parse(text)
	k.must(err)
	return d
}

// observed writes an observation as the engine takes it.
func (k *keeper) observed(s *keptObservation) due.Observation {
	o := due.Observation{Day: k.dayOf(s.at), Time: s.at, Kind: due.Noted, WorkingTraps: due.NotCounted}
	until := func(text *string) civil.Day {
		if text == nil {
			return civil.None
		}
		return k.day(*text)
	}
	switch fact := s.fact.GetFact().(type) {
	case *pb.Observation_Measurement_:
		o.Kind, o.DiameterMM, o.WidthMM = due.Measured, fact.Measurement.GetRosetteDiameterMm(), fact.Measurement.GetTrapWidthMm()
		if fact.Measurement.WorkingTraps != nil {
			o.WorkingTraps = int(fact.Measurement.GetWorkingTraps())
		}
	case *pb.Observation_Stalk_:
		o.Kind = due.Stalk
		o.StalkUp = fact.Stalk == pb.Observation_EMERGED || fact.Stalk == pb.Observation_FLOWERED || fact.Stalk == pb.Observation_SEED_RIPE
	case *pb.Observation_CatchSurvey_:
		o.Kind, o.Prey, o.Examined = due.Surveyed, int(fact.CatchSurvey.GetPreyFound()), int(fact.CatchSurvey.GetTrapsExamined())
	case *pb.Observation_Count_:
		o.Kind, o.Quantity = due.Counted, int(fact.Count.GetQuantity())
	case *pb.Observation_End_:
		o.Kind = due.Ended
	case *pb.Observation_Repotting_:
		o.Kind = due.Repotted
	case *pb.Observation_RestStart_:
		o.Kind = due.RestStarted
	case *pb.Observation_RestEnd_:
		o.Kind = due.RestEnded
	case *pb.Observation_Hold_:
		o.Kind, o.Until = due.Held, until(fact.Hold.UntilDate)
	case *pb.Observation_Treatment_:
		o.Kind, o.Until = due.Treated, until(fact.Treatment.UntilDate)
	}
	return o
}

// want is a row that the list must have, with what it is sorted by.
type want struct {
	row
	plant  *keptPlant
	status due.Status
	traps  int
	last   civil.Day
}

// decide returns the engine's decision about a plant as a row; false if the plant is
// not there on that day.
func (k *keeper) decide(p *keptPlant, asOf civil.Day, horizon int) (want, bool) {
	if !p.deleted.IsZero() && civil.Of(p.deleted, k.zone) <= asOf {
		return want{}, false
	}
	facts, _, _ := k.facts(p, asOf)
	d := due.Decide(&facts, asOf, horizon)
	if d.Status == due.Absent {
		return want{}, false
	}
	r := rowOf(&d, &drawnPlant{scientificName: p.message.GetScientificName()}, &histories{asOf: asOf}, k.catalogue)
	r.Plant, r.Tag, r.Bench = k.plantName(p), p.message.GetTag(), k.standsOn(p)
	return want{row: r, plant: p, status: d.Status, traps: d.Traps, last: d.DueLast}, true
}

// order is that of ListDueFeedings, as its comment in due.proto says.
func (k *keeper) order(a, b want) int {
	key := func(w want) []int {
		bench, plant, last := math.MaxInt, math.MaxInt, int(w.last)
		if !w.last.Given() {
			last = math.MaxInt
		}
		for _, b := range k.benches {
			if b.GetName() == w.Bench && b.WalkOrder != nil {
				bench = int(b.GetWalkOrder())
			}
		}
		if w.plant.message.WalkOrder != nil {
			plant = int(w.plant.message.GetWalkOrder())
		}
		return []int{int(w.status), last, bench, plant}
	}
	return cmp.Or(slices.Compare(key(a), key(b)), cmp.Compare(strings.ToLower(a.Tag), strings.ToLower(b.Tag)), cmp.Compare(a.plant.id, b.plant.id))
}

// rowOfMessage reads a row of an answer as a client does.
func rowOfMessage(m *pb.DueFeeding) (r row, err error) {
	text, err := answerJSON.Marshal(m)
	if err == nil {
		err = json.Unmarshal(text, &r)
	}
	return r, err
}

var allStatuses = []pb.DueFeeding_Status{
	pb.DueFeeding_OVERDUE, pb.DueFeeding_DUE, pb.DueFeeding_UPCOMING, pb.DueFeeding_HELD, pb.DueFeeding_NOT_DUE, pb.DueFeeding_NOT_HAND_FED,
}

func (k *keeper) same(what string, want, got any) {
	k.Helper()
	if diff := gocmp.Diff(want, got, cmpopts.EquateEmpty(), cmpopts.IgnoreFields(reason{}, "Message")); diff != "" {
		k.Fatalf("%s (-engine +answer):\n%.3000s", what, diff)
	}
}

// checkDue walks the list of what is due on a day, and explains one plant. A horizon
// below 0 asks for the usual one, of today.
func (k *keeper) checkDue(asOf civil.Day, horizon int) {
	k.Helper()
	k.purge()
	req := &pb.ListDueFeedingsRequest{Parent: k.collection.GetName(), Statuses: allStatuses, PageSize: k.pageSize()}
	if horizon >= 0 {
		req.AsOfDate, req.HorizonDays = proto.String(asOf.String()), proto.Int32(int32(horizon))
	} else {
		horizon = 7
	}
	var wanted []want
	for _, p := range k.plants {
		if w, there := k.decide(p, asOf, horizon); there {
			wanted = append(wanted, w)
		}
	}
	slices.SortFunc(wanted, k.order)
	var rows, got []row
	plants, traps := map[pb.DueFeeding_Status]int32{}, map[pb.DueFeeding_Status]int64{}
	for _, w := range wanted {
		rows = append(rows, w.row)
		plants[pb.DueFeeding_Status(w.status)]++
		traps[pb.DueFeeding_Status(w.status)] += int64(w.traps)
	}
	for {
		answer, err := k.calls.ListDueFeedings(k.ctx, req)
		k.must(err)
		if answer.GetAsOfDate() != asOf.String() {
			k.Fatalf("the answer is for %s, not for %s", answer.GetAsOfDate(), asOf)
		}
		if req.GetPageToken() == "" {
			counted, fed := map[pb.DueFeeding_Status]int32{}, map[pb.DueFeeding_Status]int64{}
			for _, total := range answer.GetTotals() {
				counted[total.GetStatus()], fed[total.GetStatus()] = total.GetPlants(), total.GetTraps()
			}
			if !maps.Equal(plants, counted) || !maps.Equal(traps, fed) {
				k.Fatalf("totals %v, want %v and %v", answer.GetTotals(), plants, traps)
			}
		}
		for _, m := range answer.GetDueFeedings() {
			r, err := rowOfMessage(m)
			k.must(err)
			got = append(got, r)
		}
		if req.PageToken = answer.GetNextPageToken(); req.GetPageToken() == "" {
			break
		}
		req.PageSize = k.pageSize()
	}
	k.same("due on "+asOf.String(), rows, got)
	if p := k.livePlant(); p != nil {
		k.checkExplanation(p, asOf, horizon)
	}
}

// checkExplanation compares an explanation with the row of the list, and with the
// record.
func (k *keeper) checkExplanation(p *keptPlant, asOf civil.Day, horizon int) {
	k.Helper()
	got, err := k.calls.ExplainDue(k.ctx, &pb.ExplainDueRequest{Name: k.plantName(p), AsOfDate: proto.String(asOf.String()), HorizonDays: proto.Int32(int32(horizon))})
	k.must(err)
	w, there := k.decide(p, asOf, horizon)
	if there != (got.GetDecision() != nil) {
		k.Fatalf("explanation of %s on %s: decision %v", p.id, asOf, got.GetDecision())
	}
	if there {
		r, err := rowOfMessage(got.GetDecision())
		k.must(err)
		k.same("explanation of "+p.id, w.row, r)
	}
	_, regimen, origins := k.facts(p, asOf)
	if !proto.Equal(regimen, got.GetRegimen()) {
		k.Fatalf("regimen in force\n%s\nwant\n%s", messageText(got.GetRegimen()), messageText(regimen))
	}
	if !slices.EqualFunc(origins, got.GetOrigins(), func(a, b *pb.ExplainDueResponse_Origin) bool { return proto.Equal(a, b) }) {
		k.Fatalf("origins %v, want %v", got.GetOrigins(), origins)
	}
	if got.GetAsOfDate() != asOf.String() {
		k.Fatalf("explained %s, not %s", got.GetAsOfDate(), asOf)
	}
	// The steps are the events up to the day, each once, in order of their days.
	var sources []string
	fed, seen := p.counting()
	for _, f := range fed {
		if k.dayOf(f.at) <= asOf {
			sources = append(sources, "FEEDING "+k.plantName(p)+"/feedings/"+f.id)
			told := f.at
			if f.seenAt != nil {
				told = *f.seenAt
			}
			if f.outcome != 0 && max(k.dayOf(f.at), k.dayOf(told)) <= asOf {
				sources = append(sources, "OUTCOME "+k.plantName(p)+"/feedings/"+f.id)
			}
		}
	}
	for _, o := range seen {
		if k.dayOf(o.at) <= asOf {
			kind := "OBSERVATION "
			if o.fact.GetMove() != nil {
				kind = "MOVE "
			}
			sources = append(sources, kind+k.plantName(p)+"/observations/"+o.id)
		}
	}
	if trap, _ := k.kind(p); trap == 0 || regimen.IntervalDays == nil || regimen.GetHandFeed() == pb.Regimen_NEVER {
		sources = nil // no hand feeds it: nothing is walked
	}
	var stepped []string
	day, cover := "", ""
	for i, s := range got.GetSteps() {
		if s.GetDate() < day && s.GetEvent() != pb.ExplainDueResponse_Step_WINDOW_START {
			k.Fatalf("step %d of %s comes before the one before it", i, s.GetDate())
		}
		day = s.GetDate()
		if s.GetEvent() == pb.ExplainDueResponse_Step_WINDOW_START {
			if i+1 < len(got.GetSteps()) || got.GetDecision() == nil {
				k.Fatalf("a window before the last step: %v", got.GetSteps())
			}
			cover = s.GetCoverDate()
			if s.GetDate() < cover {
				k.Fatalf("the window starts on %s, before %s", s.GetDate(), cover)
			}
			continue
		}
		if s.Credit != nil && (s.GetCredit() < 0 || s.GetCredit() > 1) || s.GetQuantity() < 1 || s.GetLadder() < 1 {
			k.Fatalf("step %v", s)
		}
		stepped = append(stepped, s.GetEvent().String()+" "+s.GetSource())
	}
	slices.Sort(sources)
	slices.Sort(stepped)
	k.same("steps of "+p.id, sources, stepped)
	if d := got.GetDecision(); d != nil {
		if cover != d.GetCoverDate() {
			k.Fatalf("the last step is covered until %q, the decision until %q", cover, d.GetCoverDate())
		}
		var holds []string
		for _, h := range got.GetHolds() {
			holds = append(holds, fmt.Sprint(h.GetCode(), h.GetFromDate(), h.GetUntilDate()))
		}
		for _, r := range d.GetReasons() {
			if r.GetCode() >= pb.DueFeeding_Reason_SETTLING && !slices.Contains(holds, fmt.Sprint(r.GetCode(), r.GetFromDate(), r.GetUntilDate())) {
				k.Fatalf("reason %v is none of the holds %v", r, got.GetHolds())
			}
		}
	}
}

// checkPlants compares what plants show with the record, one by one and listed.
func (k *keeper) checkPlants() {
	k.Helper()
	k.purge()
	req := &pb.ListPlantsRequest{Parent: k.collection.GetName(), ShowDeleted: true, PageSize: k.pageSize()}
	byID := map[string]*pb.Plant{}
	for {
		answer, err := k.calls.ListPlants(k.ctx, req)
		k.must(err)
		for _, m := range answer.GetPlants() {
			byID[store.Segment(m.GetName(), "plants")] = m
		}
		if req.PageToken = answer.GetNextPageToken(); req.GetPageToken() == "" {
			break
		}
	}
	for _, p := range k.plants {
		if byID[p.id] == nil {
			k.Fatalf("the plant %s is not listed", p.id)
		}
		k.checkPlant(p, byID[p.id])
	}
	if len(k.plants) == 0 {
		return
	}
	p := pick(k, k.plants)
	m, err := k.calls.GetPlant(k.ctx, &pb.GetPlantRequest{Name: k.plantName(p)})
	k.must(err)
	k.checkPlant(p, m)
}

func (k *keeper) checkPlant(p *keptPlant, m *pb.Plant) {
	k.Helper()
	w, there := k.decide(p, k.today(), 7)
	if there != (m.GetDue() != nil) {
		k.Fatalf("%s is due %v on %s, want %v", p.id, m.GetDue(), k.today(), w.row)
	}
	if there {
		r, err := rowOfMessage(m.GetDue())
		k.must(err)
		k.same("what "+p.id+" shows", w.row, r)
	}
	want := &pb.Plant{Bench: k.standsOn(p), Quantity: 1, State: pb.Plant_GROWING}
	fed, seen := k.came(p)
	for _, o := range seen {
		switch fact := o.fact.GetFact().(type) {
		case *pb.Observation_Count_:
			want.Quantity = fact.Count.GetQuantity()
		case *pb.Observation_End_:
			want.State = map[pb.Observation_End_State]pb.Plant_State{1: pb.Plant_DEAD, 2: pb.Plant_SOLD, 3: pb.Plant_GIVEN_AWAY}[fact.End.GetState()]
		case *pb.Observation_Measurement_:
			if want.LastSizes == nil {
				want.LastSizes = &pb.Plant_Sizes{}
			}
			fact.Measurement.ProtoReflect().Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
				sizes := want.GetLastSizes().ProtoReflect()
				sizes.Set(sizes.Descriptor().Fields().ByName(f.Name()), v)
				return true
			})
			want.LastSizes.MeasureTime = timestamppb.New(time.UnixMicro(o.at))
		}
	}
	if len(fed) > 0 {
		want.LastFeedTime = timestamppb.New(time.UnixMicro(fed[len(fed)-1].at))
	}
	got := &pb.Plant{Bench: m.GetBench(), Quantity: m.GetQuantity(), State: m.GetState(), LastSizes: m.GetLastSizes(), LastFeedTime: m.GetLastFeedTime()}
	if !proto.Equal(want, got) || m.GetTag() != p.message.GetTag() || m.GetScientificName() != p.message.GetScientificName() || p.deleted.IsZero() != (m.GetDeleteTime() == nil) {
		k.Fatalf("%s shows\n%s\nwant\n%s", p.id, messageText(got), messageText(want))
	}
}

// TestWorkedExamplesOverTheStore records the examples of the rules (README.md beside
// the engine, by their numbers there) through the API and asks for the days they ask
// about. They rest on ten days and two traps for a small rosette, starting small and
// working up: common practice, no source.
func TestWorkedExamplesOverTheStore(t *testing.T) {
	feed := func(day string, traps int32) *pb.Feeding {
		return &pb.Feeding{FedDate: proto.String(day), TrapsFed: &traps}
	}
	survey := func(day string, prey int32) *pb.Observation {
		return &pb.Observation{ObserveDate: proto.String(day), Fact: &pb.Observation_CatchSurvey_{CatchSurvey: &pb.Observation_CatchSurvey{PreyFound: prey}}}
	}
	repotted := func(day string) *pb.Observation {
		return &pb.Observation{ObserveDate: proto.String(day), Fact: &pb.Observation_Repotting_{Repotting: &pb.Observation_Repotting{}}}
	}
	// outcome is that of a session that was recorded already, by its number.
	type outcome struct {
		session int
		of      pb.Feeding_Outcome
		day     string
	}
	clean := func(session int, day string) outcome { return outcome{session, pb.Feeding_CLEAN, day} }
	const indoors, outdoors = pb.Bench_GREENHOUSE, pb.Bench_OUTDOORS
	saturdays := []dayofweek.DayOfWeek{dayofweek.DayOfWeek_SATURDAY}
	type answer struct {
		status                   string
		from, last, cover, feed  string // "": none
		traps                    int
		reasons, instructionsHas []string
	}
	type example struct {
		name     string
		exposure pb.Bench_Exposure
		weekdays []dayofweek.DayOfWeek
		regimen  *pb.Regimen
		taxon    string
		record   []any // in order of entry
		asked    string
		want     answer
	}
	examples := []example{
		{name: "1", exposure: indoors, record: []any{feed("2026-05-01", 2)}, asked: "2026-05-11",
			want: answer{status: "DUE", from: "2026-05-11", last: "2026-05-14", cover: "2026-05-11", feed: "2026-05-11", traps: 2,
				reasons: []string{"FULL_SESSION"}, instructionsHas: []string{"CHECK_LAST_FIRST"}}},
		{name: "2", exposure: indoors, record: []any{feed("2026-05-01", 1)}, asked: "2026-05-06",
			want: answer{status: "DUE", from: "2026-05-06", last: "2026-05-09", cover: "2026-05-06", feed: "2026-05-06", traps: 2, reasons: []string{"PART_SESSION"}}},
		{name: "3", exposure: indoors, record: []any{feed("2026-05-01", 2), survey("2026-05-08", 1)}, asked: "2026-05-13",
			want: answer{status: "UPCOMING", from: "2026-05-16", last: "2026-05-19", cover: "2026-05-16", feed: "2026-05-16", traps: 2, reasons: []string{"SURVEY_CREDIT"}}},
		{name: "4", exposure: indoors, record: []any{feed("2026-05-01", 2), outcome{0, pb.Feeding_MOULD, "2026-05-04"}}, asked: "2026-05-11",
			want: answer{status: "HELD", from: "2026-05-19", last: "2026-05-22", cover: "2026-05-11", feed: "2026-05-19", traps: 1, reasons: []string{"MOULD", "LADDER_DOWN"}}},
		{name: "5", exposure: indoors, record: []any{feed("2026-05-01", 2), clean(0, "2026-05-08"), feed("2026-05-11", 2), clean(1, "2026-05-18"),
			feed("2026-05-21", 3), clean(2, "2026-05-28")}, asked: "2026-05-31",
			want: answer{status: "DUE", from: "2026-05-31", last: "2026-06-03", cover: "2026-05-31", feed: "2026-05-31", traps: 3, reasons: []string{"FULL_SESSION", "LADDER_UP"}}},
		{name: "6", exposure: indoors, record: []any{feed("2026-05-01", 2), repotted("2026-05-20")}, asked: "2026-05-21",
			want: answer{status: "HELD", from: "2026-06-03", last: "2026-06-06", cover: "2026-05-11", feed: "2026-06-03", traps: 2, reasons: []string{"SETTLING"}}},
		{name: "7", exposure: indoors, record: []any{feed("2026-05-01", 2)}, asked: "2026-05-20",
			want: answer{status: "OVERDUE", from: "2026-05-11", last: "2026-05-14", cover: "2026-05-11", feed: "2026-05-20", traps: 2}},
		{name: "8", exposure: outdoors, record: []any{feed("2026-05-01", 2)}, asked: "2026-05-20",
			want: answer{status: "NOT_HAND_FED", reasons: []string{"PRESUMED_CATCHING"}}},
		{name: "9 on 20 May", exposure: outdoors, record: []any{feed("2026-05-01", 2), survey("2026-05-15", 0)}, asked: "2026-05-20",
			want: answer{status: "OVERDUE", from: "2026-05-15", last: "2026-05-18", cover: "2026-05-11", feed: "2026-05-20", traps: 2, reasons: []string{"LOW_SURVEY"}}},
		{name: "9 on 27 May", exposure: outdoors, record: []any{feed("2026-05-01", 2), survey("2026-05-15", 0)}, asked: "2026-05-27",
			want: answer{status: "OVERDUE", from: "2026-05-15", last: "2026-05-18", cover: "2026-05-11", feed: "2026-05-27", traps: 2, instructionsHas: []string{"SURVEY_AGAIN"}}},
		{name: "10", exposure: indoors, regimen: &pb.Regimen{TrapsStart: proto.Int32(4)}, asked: "2026-05-11", record: []any{
			&pb.Observation{ObserveDate: proto.String("2026-04-01"), Fact: &pb.Observation_Measurement_{Measurement: &pb.Observation_Measurement{WorkingTraps: proto.Int32(6)}}},
			feed("2026-05-01", 2)},
			want: answer{status: "DUE", from: "2026-05-11", last: "2026-05-14", cover: "2026-05-11", feed: "2026-05-11", traps: 2, reasons: []string{"FULL_SESSION", "CAPPED_BY_TRAPS"}}},
		{name: "11", exposure: indoors, asked: "2026-05-06", record: []any{
			&pb.Observation{ObserveDate: proto.String("2026-01-01"), Fact: &pb.Observation_Count_{Count: &pb.Observation_Count{Quantity: 12}}}, feed("2026-05-01", 12)},
			want: answer{status: "DUE", from: "2026-05-06", last: "2026-05-09", cover: "2026-05-06", feed: "2026-05-06", traps: 24, reasons: []string{"PART_SESSION"}}},
		{name: "12", exposure: outdoors, asked: "2026-10-01", record: []any{feed("2026-04-20", 2),
			&pb.Observation{ObserveDate: proto.String("2026-10-01"), Fact: &pb.Observation_Move_{Move: &pb.Observation_Move{Bench: "inside"}}}},
			want: answer{status: "DUE", from: "2026-10-01", last: "2026-10-04", cover: "2026-10-01", feed: "2026-10-01", traps: 2, reasons: []string{"CAME_INDOORS"}}},
		{name: "13", exposure: indoors, weekdays: saturdays, record: []any{feed("2026-04-30", 2)}, asked: "2026-05-14",
			want: answer{status: "DUE", from: "2026-05-10", last: "2026-05-16", cover: "2026-05-10", feed: "2026-05-16", traps: 2, reasons: []string{"FEEDING_DAY"}}},
		// The outcome of the 18th is entered after the session of the 21st was told two.
		{name: "14", exposure: indoors, record: []any{feed("2026-05-01", 2), clean(0, "2026-05-08"), feed("2026-05-11", 2), feed("2026-05-21", 2), clean(1, "2026-05-18")},
			asked: "2026-05-31", want: answer{status: "DUE", from: "2026-05-31", last: "2026-06-03", cover: "2026-05-31", feed: "2026-05-31", traps: 3, reasons: []string{"FULL_SESSION"}}},
		// It rests from 1 November to 15 February, by the catalogue.
		{name: "15 on 5 November", exposure: indoors, taxon: "taxa/drosera-intermedia", record: []any{feed("2026-10-20", 2)}, asked: "2026-11-05",
			want: answer{status: "HELD", from: "2027-02-15", last: "2027-02-25", cover: "2026-10-30", feed: "2027-02-15", traps: 2, reasons: []string{"RESTING"}}},
		{name: "15 on 16 February", exposure: indoors, taxon: "taxa/drosera-intermedia", record: []any{feed("2026-10-20", 2)}, asked: "2027-02-16",
			want: answer{status: "DUE", from: "2027-02-15", last: "2027-02-25", cover: "2026-10-30", feed: "2027-02-16", traps: 2, reasons: []string{"REST_ENDED"}}},
	}
	onEngines(t, func(t *testing.T, engine store.Engine) {
		now := newClock(time.Time{})
		d := openStore(t, storetest.New(t, engine), service.Config{Now: now.now})
		calls := clientsOf(d.conn)
		for _, c := range examples {
			t.Run(c.name, func(t *testing.T) {
				must := func(err error) {
					t.Helper()
					if err != nil {
						t.Fatal(err)
					}
				}
				now.set(time.Date(2020, 1, 1, 12, 0, 0, 0, time.UTC))
				taxon := cmp.Or(c.taxon, "taxa/drosera-spatulata") // a small rosette that does not rest
				col, err := calls.CreateCollection(t.Context(), &pb.CreateCollectionRequest{Collection: &pb.Collection{DisplayName: "Shed", TimeZone: "Europe/Berlin", FeedingWeekdays: c.weekdays}})
				must(err)
				for id, exposure := range map[string]pb.Bench_Exposure{"first": c.exposure, "inside": indoors} {
					_, err := calls.CreateBench(t.Context(), &pb.CreateBenchRequest{Parent: col.GetName(), BenchId: id, Bench: &pb.Bench{DisplayName: id, Exposure: exposure}})
					must(err)
				}
				plant, err := calls.CreatePlant(t.Context(), &pb.CreatePlantRequest{Parent: col.GetName(), Plant: &pb.Plant{
					Tag: "D1", Taxon: taxon, Bench: col.GetName() + "/benches/first", AcquireDate: proto.String("2020-01-01"), Regimen: c.regimen}})
				must(err)
				now.set(time.Date(2026, 12, 31, 12, 0, 0, 0, time.UTC))
				var sessions []string
				for _, entry := range c.record {
					switch entry := entry.(type) {
					case *pb.Feeding:
						f, err := calls.CreateFeeding(t.Context(), &pb.CreateFeedingRequest{Parent: plant.GetName(), Feeding: entry})
						must(err)
						sessions = append(sessions, f.GetName())
					case *pb.Observation:
						if move := entry.GetMove(); move != nil {
							entry = proto.CloneOf(entry)
							entry.GetMove().Bench = col.GetName() + "/benches/" + move.GetBench()
						}
						_, err := calls.CreateObservation(t.Context(), &pb.CreateObservationRequest{Parent: plant.GetName(), Observation: entry})
						must(err)
					case outcome:
						_, err := calls.UpdateFeeding(t.Context(), &pb.UpdateFeedingRequest{Feeding: &pb.Feeding{
							Name: sessions[entry.session], Outcome: entry.of, OutcomeDate: proto.String(entry.day)}})
						must(err)
					}
				}
				list, err := calls.ListDueFeedings(t.Context(), &pb.ListDueFeedingsRequest{Parent: col.GetName(), AsOfDate: &c.asked, Statuses: allStatuses})
				must(err)
				if len(list.GetDueFeedings()) != 1 {
					t.Fatalf("%d rows", len(list.GetDueFeedings()))
				}
				r := list.GetDueFeedings()[0]
				got := answer{r.GetStatus().String(), r.GetDueFromDate(), r.GetDueLastDate(), r.GetCoverDate(), r.GetFeedDate(), int(r.GetTraps()), c.want.reasons, c.want.instructionsHas}
				if diff := gocmp.Diff(c.want, got, gocmp.AllowUnexported(answer{})); diff != "" {
					t.Errorf("(-want +got):\n%s", diff)
				}
				for _, code := range c.want.reasons {
					if !slices.ContainsFunc(r.GetReasons(), func(why *pb.DueFeeding_Reason) bool { return why.GetCode().String() == code }) {
						t.Errorf("no reason %s in %v", code, r.GetReasons())
					}
				}
				for _, in := range c.want.instructionsHas {
					if !slices.ContainsFunc(r.GetInstructions(), func(i pb.DueFeeding_Instruction) bool { return i.String() == in }) {
						t.Errorf("no instruction %s in %v", in, r.GetInstructions())
					}
				}
				why, err := calls.ExplainDue(t.Context(), &pb.ExplainDueRequest{Name: plant.GetName(), AsOfDate: &c.asked})
				must(err)
				if !proto.Equal(why.GetDecision(), r) {
					t.Errorf("explained\n%s\nlisted\n%s", messageText(why.GetDecision()), messageText(r))
				}
				session, err := calls.RecordSession(t.Context(), &pb.RecordSessionRequest{Name: r.GetBench(), FedDate: &c.asked, ValidateOnly: true})
				must(err)
				var planned, fed []int
				if c.want.status == "DUE" || c.want.status == "OVERDUE" {
					planned = []int{c.want.traps, c.want.traps}
				}
				for _, m := range session.GetFeedings() {
					fed = append(fed, int(m.GetTrapsFed()), int(m.GetTrapsTarget()))
				}
				if !slices.Equal(planned, fed) || len(session.GetSkipped()) > 0 {
					t.Errorf("a session feeds and is told %v, want %v; it skips %v", fed, planned, session.GetSkipped())
				}
			})
		}
	})
}

// TestDueOfAllCollections lists what is due in collections on both sides of the date
// line at once: each row is of the day where its collection is, and the order is that
// of one list.
func TestDueOfAllCollections(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		now := newClock(time.Date(2026, 6, 10, 10, 30, 0, 0, time.UTC))
		d := openStore(t, storetest.New(t, engine), service.Config{Now: now.now})
		calls := clientsOf(d.conn)
		must := func(err error) {
			t.Helper()
			if err != nil {
				t.Fatal(err)
			}
		}
		days := map[string]string{"Pacific/Kiritimati": "2026-06-11", "Europe/Berlin": "2026-06-10", "Pacific/Niue": "2026-06-09"}
		var names []string
		for i, zone := range slices.Sorted(maps.Keys(days)) {
			c, err := calls.CreateCollection(t.Context(), &pb.CreateCollectionRequest{Collection: &pb.Collection{DisplayName: zone, TimeZone: zone}})
			must(err)
			names = append(names, c.GetName())
			var plants []*pb.CreatePlantRequest
			for j := range 5 {
				acquired := civil.Date(2026, 5, 20+2*j+i).String() // settling for 14 days, or over it
				plants = append(plants, &pb.CreatePlantRequest{Plant: &pb.Plant{Tag: fmt.Sprintf("T%d", j%3+i*10+j/3*100), Taxon: "taxa/drosera-spatulata", AcquireDate: &acquired}})
			}
			_, err = calls.BatchCreatePlants(t.Context(), &pb.BatchCreatePlantsRequest{Parent: c.GetName(), Requests: plants})
			must(err)
		}
		walk := func(parent string, size int32, asOf *string) []*pb.DueFeeding {
			var all []*pb.DueFeeding
			req := &pb.ListDueFeedingsRequest{Parent: parent, PageSize: size, AsOfDate: asOf, Statuses: allStatuses}
			for {
				answer, err := calls.ListDueFeedings(t.Context(), req)
				must(err)
				if len(answer.GetTotals()) > 0 && parent == "collections/-" {
					t.Errorf("totals of many collections: %v", answer.GetTotals())
				}
				all = append(all, answer.GetDueFeedings()...)
				if req.PageToken = answer.GetNextPageToken(); req.GetPageToken() == "" {
					return all
				}
			}
		}
		for _, asOf := range []*string{nil, proto.String("2026-06-20")} {
			var want []*pb.DueFeeding
			for _, name := range names {
				want = append(want, walk(name, 1000, asOf)...)
			}
			none := func(day *string) string { // after all days
				if day == nil {
					return "9"
				}
				return *day
			}
			slices.SortStableFunc(want, func(a, b *pb.DueFeeding) int {
				return cmp.Or(cmp.Compare(a.GetStatus(), b.GetStatus()), strings.Compare(none(a.DueLastDate), none(b.DueLastDate)), strings.Compare(strings.ToLower(a.GetTag()), strings.ToLower(b.GetTag())))
			})
			for _, size := range []int32{2, 7, 1000} {
				got := walk("collections/-", size, asOf)
				if len(got) != 15 || !slices.EqualFunc(want, got, func(a, b *pb.DueFeeding) bool { return proto.Equal(a, b) }) {
					t.Errorf("as of %v, pages of %d: %v\nwant %v", asOf, size, got, want)
				}
				for _, r := range got {
					i := slices.IndexFunc(names, func(name string) bool { return strings.HasPrefix(r.GetPlant(), name+"/") })
					if day := days[slices.Sorted(maps.Keys(days))[i]]; asOf == nil && r.GetAsOfDate() != day {
						t.Errorf("%s is of %s, want %s", r.GetPlant(), r.GetAsOfDate(), day)
					}
				}
			}
		}
	})
}
