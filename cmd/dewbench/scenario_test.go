package main

import (
	"context"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"

	"dewbench/api"
	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"
)

// scratchConn calls a server of its own until the test ends.
func scratchConn(t testing.TB) grpc.ClientConnInterface {
	t.Helper()
	s, err := newScratch(t.Context(), newLog(t.Output(), false, slog.LevelWarn))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s.conn()
}

// fewPots is how many pots the nursery has in tests, where nothing else is said.
const fewPots = 40

// village is the society in a database.
type village struct {
	conn      grpc.ClientConnInterface
	residents []*resident
}

// foundVillage makes the society as of a moment, at which its server's clock then
// stands.
func foundVillage(t *testing.T, s *store.Store, now time.Time) *village {
	t.Helper()
	clock := &wound{}
	server, err := api.New(t.Context(), service.Config{
		Store: s, Blobs: storetest.Blobs(t), Log: newLog(t.Output(), false, slog.LevelWarn), Version: "test", Now: clock.now,
	})
	if err != nil {
		t.Fatal(err)
	}
	v := &village{conn: server.Conn()}
	f := &founding{store: s, conn: v.conn, clock: clock, now: now}
	if v.residents, err = found(t.Context(), f, society(fewPots)); err != nil {
		t.Fatal(err)
	}
	clock.set(now)
	return v
}

// as calls as one of the growers.
func (v *village) as(r *resident) grpc.ClientConnInterface { return api.WithToken(v.conn, r.token) }

// rows asks what is due of all pots of a grower.
func (v *village) rows(ctx context.Context, t *testing.T, r *resident) []row {
	t.Helper()
	rows, err := dueRows(ctx, v.as(r), r)
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

// written is all that the demo may tell of a society: who is in it, and all rows of
// all growers.
func (v *village) written(t *testing.T) string {
	t.Helper()
	var b strings.Builder
	if err := introduce(&b, v.residents); err != nil {
		t.Fatal(err)
	}
	for _, r := range v.residents {
		fmt.Fprintln(&b, r.name)
		if err := writeRows(&b, v.rows(t.Context(), t, r)); err != nil {
			t.Fatal(err)
		}
	}
	return b.String()
}

// unseen are codes that no record of the society can bring about yet.
var unseen = map[pb.DueFeeding_Reason_Code]string{
	pb.DueFeeding_Reason_TRIAL_ARM: "no call makes trials yet",
	pb.DueFeeding_Reason_SHIPPING:  "no plant on record has a day of shipping yet",
}

// TestEverythingShows looks at the society in each season, and on a leap day: each
// status, reason, hold and instruction shows.
func TestEverythingShows(t *testing.T) {
	days := []string{"2026-01-15", "2026-04-15", "2026-07-15", "2026-10-15", "2028-02-29"}
	for _, day := range days[:storetest.Fewer(len(days), 1)] {
		t.Run(day, func(t *testing.T) {
			t.Parallel()
			now, err := time.Parse(time.DateOnly, day)
			if err != nil {
				t.Fatal(err)
			}
			v := foundVillage(t, storetest.New(t, store.SQLite), now.Add(9*time.Hour))
			counted, shown := map[pb.DueFeeding_Status]int{}, map[pb.DueFeeding_Status]int{}
			reasons := map[pb.DueFeeding_Reason_Code]int{}
			instructions := map[pb.DueFeeding_Instruction]int{}
			for i, r := range v.residents {
				for _, row := range v.rows(t.Context(), t, r) {
					counted[row.GetStatus()]++
					if i == 0 {
						shown[row.GetStatus()]++
					}
					for _, x := range row.GetReasons() {
						reasons[x.GetCode()]++
					}
					for _, x := range row.GetInstructions() {
						instructions[x]++
					}
				}
			}
			for n, name := range pb.DueFeeding_Status_name {
				if s := pb.DueFeeding_Status(n); n != 0 && (counted[s] == 0 || shown[s] == 0) {
					t.Errorf("status %s: %d pots, %d of them in the list that the demo shows", name, counted[s], shown[s])
				}
			}
			for n, name := range pb.DueFeeding_Reason_Code_name {
				code := pb.DueFeeding_Reason_Code(n)
				if why, not := unseen[code]; n != 0 && (reasons[code] == 0) != not {
					t.Errorf("%d pots have reason %s; it is to be left out: %v %s", reasons[code], name, not, why)
				}
			}
			for n, name := range pb.DueFeeding_Instruction_name {
				if n != 0 && instructions[pb.DueFeeding_Instruction(n)] == 0 {
					t.Errorf("no pot has instruction %s", name)
				}
			}
			t.Logf("%v\n%v\n%v", counted, reasons, instructions)
		})
	}
}

// TestSocietyIsTheSameForADay makes it at two hours of a day that is one day for all
// of its growers, on both engines.
func TestSocietyIsTheSameForADay(t *testing.T) {
	now := time.Date(2026, 5, 1, 8, 0, 0, 0, time.UTC)
	first := foundVillage(t, storetest.New(t, store.SQLite), now).written(t)
	others := []struct {
		name   string
		engine store.Engine
		now    time.Time
		same   bool
	}{
		{"on Postgres", store.Postgres, now, true},
		{"on SQLite, later", store.SQLite, now.Add(3 * time.Hour), true},
		{"on the next day", store.SQLite, now.AddDate(0, 0, 1), false},
	}
	for _, o := range others[:storetest.Fewer(len(others), 1)] {
		if text := foundVillage(t, storetest.New(t, o.engine), o.now).written(t); (text == first) != o.same {
			t.Errorf("%s: the same is %v:\n%s\nafter\n%s", o.name, !o.same, text, first)
		}
	}
}

// TestSocietyIsVaried looks at what every collection has: pots that left it, parts of
// others, former labels, moves outdoors and in again, rests.
func TestSocietyIsVaried(t *testing.T) {
	v := foundVillage(t, storetest.New(t, store.SQLite), time.Date(2026, 5, 20, 8, 0, 0, 0, time.UTC))
	states, propagated, relabelled, named, kinds := map[pb.Plant_State]int{}, 0, 0, 0, map[string]int{}
	homes := map[string]bool{}
	for _, r := range v.residents {
		conn := v.as(r)
		for token := ""; ; {
			page, err := pb.NewPlantServiceClient(conn).ListPlants(t.Context(), &pb.ListPlantsRequest{Parent: r.place, PageSize: service.MaxPageSize, PageToken: token})
			if err != nil {
				t.Fatal(err)
			}
			for _, p := range page.GetPlants() {
				states[p.GetState()]++
				if p.GetPropagation() == pb.Plant_DIVISION && len(p.GetParents()) == 1 {
					propagated++
				}
				if len(p.GetFormerTags()) > 0 {
					relabelled++
				}
				if p.GetTaxon() == "" {
					named++
				}
				homes[p.GetBench()] = true
			}
			if token = page.GetNextPageToken(); token == "" {
				break
			}
		}
		for token := ""; ; {
			page, err := pb.NewObservationServiceClient(conn).ListObservations(t.Context(), &pb.ListObservationsRequest{
				Parent: r.place + "/plants/-", PageSize: service.MaxPageSize, PageToken: token,
			})
			if err != nil {
				t.Fatal(err)
			}
			for _, o := range page.GetObservations() {
				kinds[strings.TrimPrefix(fmt.Sprintf("%T", o.GetFact()), "*dewbenchv1.Observation_")]++
			}
			if token = page.GetNextPageToken(); token == "" {
				break
			}
		}
	}
	for _, s := range []pb.Plant_State{pb.Plant_GROWING, pb.Plant_DEAD, pb.Plant_SOLD, pb.Plant_GIVEN_AWAY} {
		if states[s] == 0 {
			t.Errorf("no pot is %s", s)
		}
	}
	if propagated == 0 || relabelled == 0 || named == 0 {
		t.Errorf("%d pots are parts of others, %d have former labels, %d names that the catalogue lacks", propagated, relabelled, named)
	}
	facts := (&pb.Observation{}).ProtoReflect().Descriptor().Oneofs().ByName("fact").Fields()
	if len(kinds) != facts.Len() {
		t.Errorf("%d kinds of observations of %d: %v", len(kinds), facts.Len(), kinds)
	}
	// In May the north has moved out; the south, where autumn is, has moved in.
	for _, home := range []struct {
		index    int
		bench    string
		occupied bool
	}{{1, "Balcony", true}, {1, "Kitchen sill", false}, {4, "Shade cloth", false}, {4, "Pygmy tables", true}} {
		name := v.residents[home.index].place + "/benches/" + slug(home.bench)
		if home.occupied && !homes[name] {
			t.Errorf("no pot stands on %s", home.bench)
		}
	}
	if len(v.residents) != 6 || !slices.ContainsFunc(v.residents, func(r *resident) bool { return r.south }) {
		t.Errorf("%d growers", len(v.residents))
	}
}

// TestProgress speaks once a second at most.
func TestProgress(t *testing.T) {
	var notes strings.Builder
	now := time.Date(2026, 5, 1, 8, 0, 0, 0, time.UTC)
	tell := progress(&notes, func() time.Time { return now })
	for n := range 25 {
		tell(n)
		now = now.Add(100 * time.Millisecond)
	}
	if want := "writing two years of records: 10 so far\nwriting two years of records: 20 so far\n"; notes.String() != want {
		t.Errorf("got %q, want %q", notes.String(), want)
	}
}

// TestStoppedHalfway stops when the first records are written: it says what is left in
// a database that stays.
func TestStoppedHalfway(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	s := storetest.New(t, store.SQLite)
	clock := &wound{}
	server, err := api.New(ctx, service.Config{Store: s, Blobs: storetest.Blobs(t), Log: newLog(t.Output(), false, slog.LevelWarn), Version: "test", Now: clock.now})
	if err != nil {
		t.Fatal(err)
	}
	f := &founding{store: s, stays: true, conn: server.Conn(), clock: clock, now: time.Now(), progress: func(int) { cancel() }}
	_, err = found(ctx, f, society(fewPots))
	if err == nil || !strings.HasPrefix(err.Error(), "records of Odalys Mosspenny: ") ||
		!strings.HasSuffix(err.Error(), "; a part of the invented records is in the database: throw it away") {
		t.Errorf("stopped: %v", err)
	}
	if all, err := growers(t.Context(), s); err != nil || len(all) != 1 {
		t.Errorf("%d growers, %v", len(all), err)
	}
}
