package main

import (
	"context"
	"log/slog"
	"slices"
	"sync"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/service/civil"
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

// decideScenario answers for the demo's collection on a day without the chain
// of interceptors, which would take most of the time.
func decideScenario(t *testing.T, engine *service.Due, known names, today civil.Day) []*pb.DueFeeding {
	t.Helper()
	request, pots, err := scenario(today, known)
	if err != nil {
		t.Fatal(err)
	}
	if n := len(pots); n < 380 || n > 420 {
		t.Errorf("%s: %d pots, want about 400", today, n)
	}
	benches := map[string]bool{}
	for i := range pots {
		pots[i].plant.Key = pots[i].tag
		request.Plants = append(request.Plants, pots[i].plant)
		benches[pots[i].bench] = true
	}
	if len(benches) != 12 {
		t.Errorf("%s: %d benches, want 12", today, len(benches))
	}
	answer, err := engine.ComputeDue(context.Background(), request)
	if err != nil {
		t.Fatalf("%s: %v", today, err)
	}
	if len(answer.GetDecisions()) != len(pots) {
		t.Errorf("%s: %d decisions about %d pots", today, len(answer.GetDecisions()), len(pots))
	}
	return answer.GetDecisions()
}

// yearOfDays are the 366 days from 2026-01-01 on, and a leap day.
func yearOfDays() []civil.Day {
	var days []civil.Day
	for d := civil.Date(2026, 1, 1); len(days) < 366; d++ {
		days = append(days, d)
	}
	return append(days, civil.Date(2028, 2, 29))
}

// tally counts what the demo shows.
type tally struct {
	mu           sync.Mutex
	reasons      map[pb.DueFeeding_Reason_Code]int
	instructions map[pb.DueFeeding_Instruction]int
	least        map[pb.DueFeeding_Status]int // plants on the day that has fewest
}

// add counts one day's decisions.
func (y *tally) add(t *testing.T, day civil.Day, decisions []*pb.DueFeeding) {
	t.Helper()
	y.mu.Lock()
	defer y.mu.Unlock()
	shown := map[pb.DueFeeding_Status]int{}
	for _, d := range decisions {
		shown[d.GetStatus()]++
		for _, r := range d.GetReasons() {
			y.reasons[r.GetCode()]++
		}
		for _, i := range d.GetInstructions() {
			y.instructions[i]++
		}
	}
	for _, s := range statuses {
		if shown[s.status] == 0 {
			t.Errorf("%s: no plant is %s", day, s.status)
		}
		if n, seen := y.least[s.status]; !seen || shown[s.status] < n {
			y.least[s.status] = shown[s.status]
		}
	}
}

// TestEveryStatusShows looks at the demo on every day of a year: each status
// shows, and over the year every reason and instruction that a request can
// bring about.
func TestEveryStatusShows(t *testing.T) {
	services, err := service.New(t.Context(), service.Config{
		Store: storetest.New(t, store.SQLite), Log: newLog(t.Output(), false, slog.LevelWarn), Version: "test",
	})
	if err != nil {
		t.Fatal(err)
	}
	known, engine := knownNames(t), services.Due
	year := &tally{
		reasons: map[pb.DueFeeding_Reason_Code]int{}, instructions: map[pb.DueFeeding_Instruction]int{}, least: map[pb.DueFeeding_Status]int{},
	}
	t.Run("days", func(t *testing.T) { // returns when all of its parts have
		for part := range slices.Chunk(yearOfDays(), 92) {
			t.Run(part[0].String(), func(t *testing.T) {
				t.Parallel()
				for _, day := range part {
					year.add(t, day, decideScenario(t, engine, known, day))
				}
			})
		}
	})
	for n, name := range pb.DueFeeding_Reason_Code_name {
		code := pb.DueFeeding_Reason_Code(n)
		if n == 0 || code == pb.DueFeeding_Reason_TRIAL_ARM { // no call knows trials yet
			continue
		}
		if year.reasons[code] == 0 {
			t.Errorf("no day of the year shows reason %s", name)
		}
	}
	for n, name := range pb.DueFeeding_Instruction_name {
		if n != 0 && year.instructions[pb.DueFeeding_Instruction(n)] == 0 {
			t.Errorf("no day of the year shows instruction %s", name)
		}
	}
	t.Logf("least plants on a day: %v", year.least)
	t.Logf("reasons over the year: %v", year.reasons)
	t.Logf("instructions over the year: %v", year.instructions)
}

// TestScenarioIsTheSameForADay asks twice.
func TestScenarioIsTheSameForADay(t *testing.T) {
	known := knownNames(t)
	for _, day := range []civil.Day{civil.Date(2026, 5, 1), civil.Date(2028, 2, 29)} {
		first, firstPots, err := scenario(day, known)
		if err != nil {
			t.Fatal(err)
		}
		again, againPots, err := scenario(day, known)
		if err != nil {
			t.Fatal(err)
		}
		if !proto.Equal(first, again) {
			t.Errorf("%s: another collection", day)
		}
		if !slices.EqualFunc(firstPots, againPots, func(a, b pot) bool {
			return a.bench == b.bench && a.tag == b.tag && a.name == b.name && proto.Equal(a.plant, b.plant)
		}) {
			t.Errorf("%s: other pots", day)
		}
	}
}

// TestScenarioIsAccepted sends the demo of some days through the whole chain.
func TestScenarioIsAccepted(t *testing.T) {
	conn := scratchConn(t)
	known, err := readNames(t.Context(), conn)
	if err != nil {
		t.Fatal(err)
	}
	days := yearOfDays()
	for i := 0; i < len(days); i += 61 {
		collection, pots, err := scenario(days[i], known)
		if err != nil {
			t.Fatal(err)
		}
		rows, err := compute(t.Context(), conn, collection, pots)
		if err != nil {
			t.Fatalf("%s: %v", days[i], err)
		}
		if len(rows) != len(pots) {
			t.Errorf("%s: %d rows of %d pots", days[i], len(rows), len(pots))
		}
	}
}
