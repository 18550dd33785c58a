package api

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"
)

// desk is a collection with two benches, and plants on the first.
type desk struct {
	*clients
	*clock
	d    *doors
	name string // of the collection
}

func openDesk(t *testing.T, engine store.Engine, tags ...string) *desk {
	t.Helper()
	k := &desk{clock: newClock(time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC))}
	k.d = openStore(t, storetest.New(t, engine), service.Config{Now: k.now})
	k.clients = clientsOf(k.d.conn)
	c, err := k.CreateCollection(t.Context(), &pb.CreateCollectionRequest{Collection: &pb.Collection{DisplayName: "Sills", TimeZone: "Pacific/Auckland"}})
	if err != nil {
		t.Fatal(err)
	}
	k.name = c.GetName()
	for _, id := range []string{"in", "out"} {
		if _, err := k.CreateBench(t.Context(), &pb.CreateBenchRequest{Parent: k.name, BenchId: id, Bench: &pb.Bench{DisplayName: id, Exposure: pb.Bench_WINDOWSILL}}); err != nil {
			t.Fatal(err)
		}
	}
	for _, tag := range tags {
		m := &pb.Plant{Tag: tag, Taxon: "taxa/drosera-capensis", Bench: k.bench("in")}
		if _, err := k.CreatePlant(t.Context(), &pb.CreatePlantRequest{Parent: k.name, PlantId: strings.ToLower(tag), Plant: m}); err != nil {
			t.Fatal(err)
		}
	}
	return k
}

func (k *desk) bench(id string) string { return k.name + "/benches/" + id }

func (k *desk) plant(id string) string { return k.name + "/plants/" + id }

func (k *desk) get(t *testing.T, id string) *pb.Plant {
	t.Helper()
	p, err := k.GetPlant(t.Context(), &pb.GetPlantRequest{Name: k.plant(id)})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func (k *desk) observe(t *testing.T, plant, id, day string, m *pb.Observation) {
	t.Helper()
	m.ObserveDate = &day
	if _, err := k.CreateObservation(t.Context(), &pb.CreateObservationRequest{Parent: k.plant(plant), ObservationId: id, Observation: m}); err != nil {
		t.Fatal(err)
	}
}

func move(bench string) *pb.Observation {
	return &pb.Observation{Fact: &pb.Observation_Move_{Move: &pb.Observation_Move{Bench: bench}}}
}

func sold() *pb.Observation {
	return &pb.Observation{Fact: &pb.Observation_End_{End: &pb.Observation_End{State: pb.Observation_End_SOLD}}}
}

func counted(n int32) *pb.Observation {
	return &pb.Observation{Fact: &pb.Observation_Count_{Count: &pb.Observation_Count{Quantity: n}}}
}

func reasonIn(err error) string { return string(reasonOf(status.Convert(err))) }

// What is dated ahead comes true on its day where the collection is, whoever asks
// first, and whether that is a call that reads or one that writes.
func TestDatedAhead(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		k := openDesk(t, engine, "A", "B", "C")
		// It is the evening of 2 March there.
		k.observe(t, "a", "go", "2026-03-05", move(k.bench("out")))
		k.observe(t, "a", "more", "2026-03-05", counted(7))
		k.observe(t, "a", "sale", "2026-03-07", sold())
		k.observe(t, "b", "sale", "2026-03-06", sold())
		day, fed := "2026-03-04", "2026-03-09"
		for _, date := range []*string{&day, &fed} {
			if _, err := k.CreateFeeding(t.Context(), &pb.CreateFeedingRequest{Parent: k.plant("c"), Feeding: &pb.Feeding{FedDate: date}}); err != nil {
				t.Fatal(err)
			}
		}
		check := func(id, bench string, quantity int32, state pb.Plant_State) {
			t.Helper()
			p := k.get(t, id)
			if p.GetBench() != k.bench(bench) || p.GetQuantity() != quantity || p.GetState() != state {
				t.Errorf("on %s %s is %s, %d of it on %s", k.now(), id, p.GetState(), p.GetQuantity(), p.GetBench())
			}
		}
		living := func(want ...string) {
			t.Helper()
			answer, err := k.ListPlants(t.Context(), &pb.ListPlantsRequest{Parent: k.name, Filter: "state = GROWING", OrderBy: "tag"})
			var got []string
			for _, p := range answer.GetPlants() {
				got = append(got, p.GetTag())
			}
			if err != nil || !slices.Equal(got, want) {
				t.Errorf("on %s %q grow, %v; want %q", k.now(), got, err, want)
			}
		}
		etag := k.get(t, "a").GetEtag()
		check("a", "in", 1, pb.Plant_GROWING)
		living("A", "B", "C")
		if p := k.get(t, "c"); p.GetLastFeedTime() != nil {
			t.Errorf("c was fed at %s", p.GetLastFeedTime().AsTime())
		}
		if _, err := k.DeleteBench(t.Context(), &pb.DeleteBenchRequest{Name: k.bench("out")}); reasonIn(err) != "BENCH_IN_USE" {
			t.Errorf("a bench to which a plant will move: %v", err)
		}
		taken := &pb.CreatePlantRequest{Parent: k.name, Plant: &pb.Plant{Tag: "b", Taxon: "taxa/drosera-capensis"}}
		if _, err := k.CreatePlant(t.Context(), taken); reasonIn(err) != "TAG_IN_USE" {
			t.Errorf("the tag of one that will be sold: %v", err)
		}

		k.set(time.Date(2026, 3, 4, 10, 59, 0, 0, time.UTC)) // 23:59 of the 4th there
		check("a", "in", 1, pb.Plant_GROWING)
		if got := k.get(t, "c").GetLastFeedTime().AsTime(); !got.Equal(time.Date(2026, 3, 3, 23, 0, 0, 0, time.UTC)) {
			t.Errorf("c was fed at %s", got)
		}
		k.add(time.Minute)
		// Who only reads sees it at once; it is written when somebody writes.
		check("a", "out", 7, pb.Plant_GROWING)
		onBench := func(bench string, want ...string) {
			t.Helper()
			rows, err := k.ListDueFeedings(t.Context(), &pb.ListDueFeedingsRequest{
				Parent: k.name, Filter: fmt.Sprintf("bench = %q", k.bench(bench)), Statuses: allStatuses})
			var got []string
			for _, r := range rows.GetDueFeedings() {
				got = append(got, r.GetTag())
				if r.GetBench() != k.bench(bench) {
					t.Errorf("%s is on %s, not on %s", r.GetTag(), r.GetBench(), bench)
				}
			}
			slices.Sort(got)
			if err != nil || !slices.Equal(got, want) {
				t.Errorf("on %s %q are on %s, %v; want %q", k.now(), got, bench, err, want)
			}
		}
		onBench("out", "A")
		onBench("in", "B", "C")
		if why, err := k.ExplainDue(t.Context(), &pb.ExplainDueRequest{Name: k.plant("a")}); err != nil || why.GetDecision().GetBench() != k.bench("out") {
			t.Errorf("explained: %v, %v", why.GetDecision(), err)
		}
		if err := k.d.server.SettlePending(t.Context()); err != nil {
			t.Fatal(err)
		}
		check("a", "out", 7, pb.Plant_GROWING)
		onBench("out", "A")
		if k.get(t, "a").GetEtag() == etag {
			t.Error("it has moved, but has the same etag")
		}
		history, err := k.ListRevisions(t.Context(), &pb.ListRevisionsRequest{Parent: k.plant("a")})
		if err != nil || len(history.GetRevisions()) != 2 || history.GetRevisions()[0].GetGrower() != "growers/"+k.d.grower ||
			history.GetRevisions()[0].GetToken() != "" || history.GetRevisions()[0].GetPlant().GetBench() != k.bench("in") {
			t.Errorf("history: %v, %v", history, err)
		}
		// The next day a call that writes comes first.
		k.add(24 * time.Hour)
		if _, err := k.CreatePlant(t.Context(), taken); err != nil {
			t.Errorf("the tag of one that is sold: %v", err)
		}
		living("A", "b", "C")
		// And then the server by itself.
		k.add(24 * time.Hour)
		if err := k.d.server.SettlePending(t.Context()); err != nil {
			t.Fatal(err)
		}
		living("b", "C")
		check("a", "out", 7, pb.Plant_SOLD)
		// What is voided in time does not come true.
		k.observe(t, "c", "sale", "2026-03-20", sold())
		if _, err := k.DeleteObservation(t.Context(), &pb.DeleteObservationRequest{Name: k.plant("c") + "/observations/sale"}); err != nil {
			t.Fatal(err)
		}
		k.add(30 * 24 * time.Hour)
		if err := k.d.server.SettlePending(t.Context()); err != nil {
			t.Fatal(err)
		}
		living("b", "C")
		if got := k.get(t, "c").GetLastFeedTime().AsTime(); !got.Equal(time.Date(2026, 3, 8, 23, 0, 0, 0, time.UTC)) {
			t.Errorf("c was last fed at %s", got)
		}
	})
}

// A record that was reassigned since is what a repeated call answers, and so it is
// wherever it went.
func TestRetryAfterReassign(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		k, ctx := openDesk(t, engine, "A", "B", "C"), t.Context()
		feed := &pb.CreateFeedingRequest{Parent: k.plant("a"), RequestId: "feed", FeedingId: "f", Feeding: &pb.Feeding{Note: "wrong pot"}}
		note := &pb.BatchCreateObservationsRequest{Parent: k.name + "/plants/-", RequestId: "note", Requests: []*pb.CreateObservationRequest{
			{Tag: "A", ObservationId: "o", Observation: counted(2)}, {Tag: "C", ObservationId: "o", Observation: counted(3)}}}
		if _, err := k.CreateFeeding(ctx, feed); err != nil {
			t.Fatal(err)
		}
		if _, err := k.BatchCreateObservations(ctx, note); err != nil {
			t.Fatal(err)
		}
		over := &pb.ReassignFeedingRequest{Name: k.plant("a") + "/feedings/f", Tag: "B", RequestId: "over"}
		if _, err := k.ReassignFeeding(ctx, over); err != nil {
			t.Fatal(err)
		}
		if _, err := k.ReassignObservation(ctx, &pb.ReassignObservationRequest{Name: k.plant("a") + "/observations/o", Tag: "B"}); err != nil {
			t.Fatal(err)
		}
		check := func(at string) {
			t.Helper()
			if m, err := k.CreateFeeding(ctx, feed); err != nil || m.GetName() != k.plant(at)+"/feedings/f" || m.GetNote() != "wrong pot" {
				t.Errorf("fed again: %v, %v", m, err)
			}
			if m, err := k.ReassignFeeding(ctx, over); err != nil || m.GetPlant() != k.plant(at) {
				t.Errorf("reassigned again: %v, %v", m, err)
			}
			m, err := k.BatchCreateObservations(ctx, note)
			if err != nil || len(m.GetObservations()) != 2 || m.GetObservations()[0].GetName() != k.plant("b")+"/observations/o" || m.GetObservations()[1].GetCount().GetQuantity() != 3 {
				t.Errorf("noted again: %v, %v", m, err)
			}
		}
		check("b")
		if _, err := k.ReassignFeeding(ctx, &pb.ReassignFeedingRequest{Name: k.plant("b") + "/feedings/f", Tag: "C"}); err != nil {
			t.Fatal(err)
		}
		check("c")
		// The wrong plant was a mistake too.
		if _, err := k.DeletePlant(ctx, &pb.DeletePlantRequest{Name: k.plant("a")}); err != nil {
			t.Fatal(err)
		}
		if m, err := k.CreateFeeding(ctx, feed); err != nil || m.GetName() != k.plant("c")+"/feedings/f" {
			t.Errorf("fed again after the wrong plant was deleted: %v, %v", m, err)
		}
		if _, err := k.UndeletePlant(ctx, &pb.UndeletePlantRequest{Name: k.plant("a")}); err != nil {
			t.Fatal(err)
		}
		// To who asks for it by its old name, it is not there.
		if _, err := k.GetFeeding(ctx, &pb.GetFeedingRequest{Name: k.plant("a") + "/feedings/f"}); reasonIn(err) != "FEEDING_NOT_FOUND" {
			t.Errorf("by its old name: %v", err)
		}
	})
}

// A change that is repeated over the other door, or in another spelling, acts once.
func TestRetryOverTheOtherDoor(t *testing.T) {
	k, ctx := openDesk(t, store.SQLite, "A"), t.Context()
	patch := func(query, body string) (int, string) {
		t.Helper()
		answer := k.d.sendRaw(t, http.MethodPatch, "/v1/"+k.plant("a")+query, [][2]string{{"Authorization", "Bearer " + testSecret}, {"Content-Type", "application/json"}}, []byte(body))
		return answer.status, string(answer.body)
	}
	if code, body := patch("?requestId=r", `{"source": "a swap", "clone": null}`); code != http.StatusOK {
		t.Fatal(body)
	}
	first := k.get(t, "a")
	if _, err := k.UpdatePlant(ctx, &pb.UpdatePlantRequest{Plant: &pb.Plant{Name: k.plant("a"), Source: "elsewhere"}}); err != nil {
		t.Fatal(err)
	}
	same := map[string]func() (string, error){
		"gRPC": func() (string, error) {
			m, err := k.UpdatePlant(ctx, &pb.UpdatePlantRequest{RequestId: "r", Plant: &pb.Plant{Name: k.plant("a"), Source: "a swap"}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"source", "clone"}}})
			return m.GetSource(), err
		},
		"HTTP with a mask": func() (string, error) {
			code, body := patch("?requestId=r&updateMask=clone,source", `{"source": "a swap"}`)
			if code != http.StatusOK {
				return "", fmt.Errorf("%s", body)
			}
			return k.get(t, "a").GetSource(), nil
		},
	}
	for name, call := range same {
		if source, err := call(); err != nil || source != "elsewhere" {
			t.Errorf("%s, which was done before: %q, %v", name, source, err)
		}
	}
	if k.get(t, "a").GetEtag() == first.GetEtag() {
		t.Error("nothing was changed between")
	}
	for _, other := range []string{`{"source": "a swap"}`, `{"source": "a swap", "clone": null, "cultivar": null}`, `{"source": "another", "clone": null}`} {
		if code, body := patch("?requestId=r", other); code != http.StatusConflict || !strings.Contains(body, "REQUEST_ID_REUSED") {
			t.Errorf("%s: %d %s", other, code, body)
		}
	}
}

// Plants can hand their tags on to each other in one call, and nobody ends up with
// another's.
func TestTagsHandedOn(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		k, ctx := openDesk(t, engine, "A", "B", "C", "D"), t.Context()
		change := func(tags ...string) *pb.BatchUpdatePlantsRequest { // pairs of an id and a tag
			req := &pb.BatchUpdatePlantsRequest{Parent: k.name}
			for i := 0; i < len(tags); i += 2 {
				req.Requests = append(req.Requests, &pb.UpdatePlantRequest{Plant: &pb.Plant{Name: k.plant(tags[i]), Tag: tags[i+1]}})
			}
			return req
		}
		tags := func() (all []string) {
			for _, id := range []string{"a", "b", "c", "d"} {
				all = append(all, k.get(t, id).GetTag())
			}
			return all
		}
		if _, err := k.BatchUpdatePlants(ctx, change("a", "B", "b", "c", "c", "A")); err != nil {
			t.Fatal(err)
		}
		if got := tags(); !slices.Equal(got, []string{"B", "c", "A", "D"}) {
			t.Errorf("tags are %q", got)
		}
		for name, c := range map[string]struct {
			req   *pb.BatchUpdatePlantsRequest
			field string
		}{
			"one that stays":   {change("a", "E", "b", "d"), "requests[1].plant.tag"},
			"the same twice":   {change("a", "E", "b", "e"), "requests[1].plant.tag"},
			"one that is kept": {change("a", "C", "b", "C"), "requests[0].plant.tag"},
		} {
			_, err := k.BatchUpdatePlants(ctx, c.req)
			if reasonIn(err) != "TAG_IN_USE" || !strings.Contains(fmt.Sprint(status.Convert(err).Details()), c.field) {
				t.Errorf("%s: %v", name, err)
			}
		}
		if got := tags(); !slices.Equal(got, []string{"B", "c", "A", "D"}) {
			t.Errorf("after refusals tags are %q", got)
		}
	})
}

// A batch tells of every change that is stale or comes too late, not of the first one.
func TestStaleInBatch(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		k, ctx := openDesk(t, engine, "A", "B"), t.Context()
		for _, plant := range []string{"a", "b"} {
			if _, err := k.CreateFeeding(ctx, &pb.CreateFeedingRequest{Parent: k.plant(plant), FeedingId: "f", Feeding: &pb.Feeding{}}); err != nil {
				t.Fatal(err)
			}
		}
		feedings := func(etags ...string) error {
			req := &pb.BatchUpdateFeedingsRequest{Parent: k.name + "/plants/-"}
			for i, etag := range etags {
				req.Requests = append(req.Requests, &pb.UpdateFeedingRequest{Feeding: &pb.Feeding{Name: k.plant([]string{"a", "b"}[i]) + "/feedings/f", Etag: etag, Note: "late"}})
			}
			_, err := k.BatchUpdateFeedings(ctx, req)
			return err
		}
		plants := func(etags ...string) error {
			req := &pb.BatchUpdatePlantsRequest{Parent: k.name}
			for i, etag := range etags {
				req.Requests = append(req.Requests, &pb.UpdatePlantRequest{Plant: &pb.Plant{Name: k.plant([]string{"a", "b"}[i]), Etag: etag, Source: "late"}})
			}
			_, err := k.BatchUpdatePlants(ctx, req)
			return err
		}
		for name, err := range map[string]error{"feeding": feedings(`"x"`, `"y"`), "plant": plants(`"x"`, `"y"`)} {
			details := fmt.Sprint(status.Convert(err).Details())
			if reasonIn(err) != "ETAG_MISMATCH" || !strings.Contains(details, "requests[0]."+name+".etag") || !strings.Contains(details, "requests[1]."+name+".etag") {
				t.Errorf("stale changes of a %s: %v %s", name, err, details)
			}
		}
		if _, err := k.DeleteFeeding(ctx, &pb.DeleteFeedingRequest{Name: k.plant("b") + "/feedings/f"}); err != nil {
			t.Fatal(err)
		}
		err := feedings(`"x"`, "")
		details := fmt.Sprint(status.Convert(err).Details())
		if reasonIn(err) != "INVALID_FIELDS" || !strings.Contains(details, "requests[0].feeding.etag") || !strings.Contains(details, "requests[1].feeding.name") {
			t.Errorf("a stale change and one of what is voided: %v %s", err, details)
		}
		if k.get(t, "a").GetSource() != "" {
			t.Error("a refused batch has changed something")
		}
	})
}

// A plant is found by the trap type that its taxon tells.
func TestTrapTypeOfTaxon(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		k, ctx := openDesk(t, engine, "A"), t.Context()
		find := func(kind string) (tags []string) {
			answer, err := k.ListPlants(ctx, &pb.ListPlantsRequest{Parent: k.name, Filter: "trapType = " + kind})
			if err != nil {
				t.Fatal(err)
			}
			for _, p := range answer.GetPlants() {
				tags = append(tags, p.GetTag())
			}
			return tags
		}
		if got := find("ADHESIVE"); !slices.Equal(got, []string{"A"}) {
			t.Errorf("sticky ones are %q", got)
		}
		if _, err := k.UpdatePlant(ctx, &pb.UpdatePlantRequest{Plant: &pb.Plant{Name: k.plant("a"), Taxon: "taxa/dionaea-muscipula"}}); err != nil {
			t.Fatal(err)
		}
		if got, sticky := find("SNAP"), find("ADHESIVE"); !slices.Equal(got, []string{"A"}) || sticky != nil {
			t.Errorf("snap traps are %q, sticky ones %q", got, sticky)
		}
	})
}

// One plant cannot have more records than any grower makes.
func TestMostEvents(t *testing.T) {
	k := openDesk(t, store.SQLite, "A", "B")
	fill := func(ctx context.Context, n int) error {
		return k.d.store.Write(ctx, func(tx *store.Tx) error {
			c, err := tx.Collection(store.Segment(k.name, "collections"), "", func(store.Ties) bool { return true })
			if err != nil {
				return err
			}
			all := make([]*pb.Feeding, n)
			for i := range all {
				all[i] = &pb.Feeding{Name: k.plant("a") + fmt.Sprintf("/feedings/f%d", i), FedTime: timestamppb.New(k.now()), TrapsFed: proto.Int32(1)}
			}
			_, err = c.CreateFeedings(all, store.By{Us: k.now().UnixMicro(), Grower: k.d.grower})
			return err
		})
	}
	if err := fill(t.Context(), 9_999); err != nil {
		t.Fatal(err)
	}
	// The store alone does not keep what follows from them.
	if _, err := k.UpdateFeeding(t.Context(), &pb.UpdateFeedingRequest{Feeding: &pb.Feeding{Name: k.plant("a") + "/feedings/f0", Note: "first"}}); err != nil {
		t.Fatal(err)
	}
	feed := func(tags ...string) error {
		req := &pb.BatchCreateFeedingsRequest{Parent: k.name + "/plants/-"}
		for _, tag := range tags {
			req.Requests = append(req.Requests, &pb.CreateFeedingRequest{Tag: tag, Feeding: &pb.Feeding{}})
		}
		_, err := k.BatchCreateFeedings(t.Context(), req)
		return err
	}
	if err := feed("B", "A", "A"); reasonIn(err) != "TOO_MANY_EVENTS" || !strings.Contains(fmt.Sprint(status.Convert(err).Details()), "requests[2].feeding") {
		t.Errorf("two more: %v", err)
	}
	if err := feed("A"); err != nil {
		t.Errorf("the last one: %v", err)
	}
	if err := feed("A"); reasonIn(err) != "TOO_MANY_EVENTS" {
		t.Errorf("one more: %v", err)
	}
	// What is done to a whole bench counts too.
	if _, err := k.MovePlants(t.Context(), &pb.MovePlantsRequest{Name: k.bench("in"), ToBench: k.bench("out")}); reasonIn(err) != "TOO_MANY_EVENTS" {
		t.Errorf("a move: %v", err)
	}
	if _, err := k.DividePlant(t.Context(), &pb.DividePlantRequest{Name: k.plant("a"), Tags: []string{"C"}}); reasonIn(err) != "TOO_MANY_EVENTS" {
		t.Errorf("a division: %v", err)
	}
	if _, err := k.RecordSession(t.Context(), &pb.RecordSessionRequest{Name: k.bench("in"), FedDate: proto.String("2026-01-10"),
		Except: []*pb.RecordSessionRequest_Exception{{Tag: "A", TrapsFed: proto.Int32(1)}}}); reasonIn(err) != "TOO_MANY_EVENTS" {
		t.Errorf("a session: %v", err)
	}
	if _, err := k.DeleteFeeding(t.Context(), &pb.DeleteFeedingRequest{Name: k.plant("a") + "/feedings/f7"}); err != nil {
		t.Fatal(err)
	}
	if err := feed("A"); err != nil {
		t.Errorf("in place of a voided one: %v", err)
	}
	if _, err := k.UndeleteFeeding(t.Context(), &pb.UndeleteFeedingRequest{Name: k.plant("a") + "/feedings/f7"}); reasonIn(err) != "TOO_MANY_EVENTS" {
		t.Errorf("the voided one beside it: %v", err)
	}
	fed, err := k.ListFeedings(t.Context(), &pb.ListFeedingsRequest{Parent: k.plant("b")})
	if err != nil || len(fed.GetFeedings()) != 0 {
		t.Fatalf("b was fed by a batch that was refused: %v, %v", fed, err)
	}
	if err := feed("B"); err != nil {
		t.Fatal(err)
	}
	if fed, err = k.ListFeedings(t.Context(), &pb.ListFeedingsRequest{Parent: k.plant("b")}); err != nil {
		t.Fatal(err)
	}
	if _, err := k.ReassignFeeding(t.Context(), &pb.ReassignFeedingRequest{Name: fed.GetFeedings()[0].GetName(), Tag: "A"}); reasonIn(err) != "TOO_MANY_EVENTS" {
		t.Errorf("another plant's: %v", err)
	}
}

// What would put a plant on a deleted bench, or give two plants one tag, is refused
// where it is asked for, not on the day when it would come true.
func TestAheadIsJudgedAtOnce(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		k, ctx := openDesk(t, engine, "A", "B", "C"), t.Context()
		must := func(err error) {
			t.Helper()
			if err != nil {
				t.Fatal(err)
			}
		}
		k.observe(t, "a", "go", "2026-03-20", move(k.bench("out")))
		k.observe(t, "b", "go", "2026-03-20", move(k.bench("out")))
		_, err := k.DeleteObservation(ctx, &pb.DeleteObservationRequest{Name: k.plant("a") + "/observations/go"})
		must(err)
		_, err = k.DeletePlant(ctx, &pb.DeletePlantRequest{Name: k.plant("b")})
		must(err)
		_, err = k.DeleteBench(ctx, &pb.DeleteBenchRequest{Name: k.bench("out")})
		must(err)
		if _, err := k.UndeleteObservation(ctx, &pb.UndeleteObservationRequest{Name: k.plant("a") + "/observations/go"}); reasonIn(err) != "BENCH_DELETED" {
			t.Errorf("a move to a deleted bench counts again: %v", err)
		}
		if _, err := k.UndeletePlant(ctx, &pb.UndeletePlantRequest{Name: k.plant("b")}); reasonIn(err) != "BENCH_DELETED" {
			t.Errorf("a plant that will move to a deleted bench is back: %v", err)
		}
		// The day on which C was sold has come in Auckland, but not in Berlin.
		k.set(time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC))
		k.observe(t, "c", "sale", "2026-03-03", sold())
		_, err = k.CreatePlant(ctx, &pb.CreatePlantRequest{Parent: k.name, PlantId: "c2", Plant: &pb.Plant{Tag: "C", Taxon: "taxa/drosera-capensis"}})
		must(err)
		zone := &pb.UpdateCollectionRequest{Collection: &pb.Collection{Name: k.name, TimeZone: "Europe/Berlin"}}
		_, err = k.UpdateCollection(ctx, zone)
		if reasonIn(err) != "TAG_IN_USE" || !strings.Contains(fmt.Sprint(status.Convert(err).Details()), "collection.timeZone") {
			t.Errorf("a zone in which two plants bear one tag: %v", err)
		}
		_, err = k.UpdatePlant(ctx, &pb.UpdatePlantRequest{Plant: &pb.Plant{Name: k.plant("c2"), Tag: "D"}})
		must(err)
		_, err = k.UpdateCollection(ctx, zone)
		must(err)
		if p := k.get(t, "c"); p.GetState() != pb.Plant_GROWING {
			t.Errorf("in Berlin C is %s", p.GetState())
		}
	})
}

// A token that is revoked while the body of a call is on its way is not taken.
func TestRevokedWhileTheBodyComes(t *testing.T) {
	k := openDesk(t, store.SQLite, "A")
	k.d.server.gateway.slow.Store(0)
	body, send := io.Pipe()
	request, err := http.NewRequestWithContext(t.Context(), http.MethodPost, k.d.url("/v1/"+k.name+"/plants"), body)
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() {
		_, err := send.Write([]byte(`{"tag": "Z",`)) // it is taken by the server's side once the call was let in
		done <- err
	}()
	answers := make(chan int, 1)
	go func() {
		answer, err := k.d.client.Do(request)
		if err != nil {
			t.Error(err)
			answers <- 0
			return
		}
		answers <- answer.StatusCode
		_ = answer.Body.Close()
	}()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	err = k.d.store.Write(t.Context(), func(tx *store.Tx) error {
		_, err := tx.Grower(k.d.grower).RevokeAll(k.now().UnixMicro())
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	// Where the server only asks now who calls, it has closed the pipe already.
	if _, err := send.Write([]byte(` "taxon": "taxa/drosera-capensis"}`)); err != nil && !errors.Is(err, io.ErrClosedPipe) {
		t.Fatal(err)
	}
	_ = send.Close()
	if code := <-answers; code != http.StatusUnauthorized {
		t.Errorf("the call was answered with %d", code)
	}
}

// A body that was got of one plant is not taken for another one that a tag names.
func TestBodyOfAnotherPlant(t *testing.T) {
	k := openDesk(t, store.SQLite, "A", "B")
	for _, c := range []struct {
		name string
		want int
	}{{k.plant("a"), http.StatusBadRequest}, {k.plant("b"), http.StatusOK}, {k.plant("-"), http.StatusOK}} {
		answer := k.d.sendRaw(t, http.MethodPatch, "/v1/"+k.plant("-")+"?tag=b", [][2]string{{"Authorization", "Bearer " + testSecret}},
			[]byte(fmt.Sprintf(`{"name": %q, "source": "a swap"}`, c.name)))
		if answer.status != c.want || c.want != http.StatusOK && !strings.Contains(string(answer.body), "plant.name: is another plant than") {
			t.Errorf("%s: %d %s", c.name, answer.status, answer.body)
		}
	}
	if k.get(t, "a").GetSource() != "" {
		t.Error("A was changed")
	}
}
