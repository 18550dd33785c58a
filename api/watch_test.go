package api

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"
)

// watched is a collection with records by hand.
type watched struct {
	*testing.T
	calls *clients
	watch pb.WatchServiceClient
	clock *clock
	url   string // of the database
	name  string
}

func openWatched(t *testing.T, engine store.Engine) *watched {
	t.Helper()
	now := newClock(time.Date(2025, 6, 1, 9, 0, 0, 0, time.UTC))
	url := storetest.URL(t, engine)
	d := openStore(t, storetest.Open(t, url), service.Config{Now: now.now})
	w := &watched{T: t, url: url, calls: clientsOf(d.conn), watch: pb.NewWatchServiceClient(d.conn), clock: now}
	c, err := w.calls.CreateCollection(t.Context(), &pb.CreateCollectionRequest{Collection: &pb.Collection{
		DisplayName: "Home", TimeZone: "Europe/Berlin", LatitudeDeg: proto.Float64(52),
	}})
	w.must(err)
	w.name = c.GetName()
	for i, b := range []*pb.Bench{
		{DisplayName: "bog", Exposure: pb.Bench_OUTDOORS}, {DisplayName: "house", Exposure: pb.Bench_GREENHOUSE},
		{DisplayName: "wet", Exposure: pb.Bench_GREENHOUSE}, {DisplayName: "dry", Exposure: pb.Bench_WINDOWSILL},
	} {
		b.WalkOrder = proto.Int32(int32(i + 1))
		_, err := w.calls.CreateBench(t.Context(), &pb.CreateBenchRequest{Parent: w.name, BenchId: b.GetDisplayName(), Bench: b})
		w.must(err)
	}
	return w
}

func (w *watched) must(err error) {
	w.Helper()
	if err != nil {
		w.Fatal(err)
	}
}

func (w *watched) bench(id string) string { return w.name + "/benches/" + id }

// plant adds a plant whose tag is its id in capitals.
func (w *watched) plant(id, bench string, change ...func(*pb.Plant)) {
	w.Helper()
	p := &pb.Plant{Tag: strings.ToUpper(id), Taxon: "taxa/drosera-capensis", Bench: w.bench(bench)}
	for _, f := range change {
		f(p)
	}
	_, err := w.calls.CreatePlant(w.Context(), &pb.CreatePlantRequest{Parent: w.name, PlantId: id, Plant: p})
	w.must(err)
}

// saw records an observation of a day.
func (w *watched) saw(id, day string, o *pb.Observation) {
	w.Helper()
	o = proto.CloneOf(o)
	o.ObserveDate = &day
	_, err := w.calls.CreateObservation(w.Context(), &pb.CreateObservationRequest{Parent: w.name + "/plants/" + id, Observation: o})
	w.must(err)
}

// fed records a session and returns its name; an outcome of 0 is not known.
func (w *watched) fed(id, day string, outcome pb.Feeding_Outcome, seen string) (name string) {
	w.Helper()
	f := &pb.Feeding{FedDate: &day, TrapsFed: proto.Int32(2), Outcome: outcome}
	if seen != "" {
		f.OutcomeDate = &seen
	}
	made, err := w.calls.CreateFeeding(w.Context(), &pb.CreateFeedingRequest{Parent: w.name + "/plants/" + id, Feeding: f})
	w.must(err)
	return made.GetName()
}

var (
	wellAgain = &pb.Observation{Fact: &pb.Observation_Health_{Health: &pb.Observation_Health{Text: "Well."}}}
	died      = &pb.Observation{Fact: &pb.Observation_End_{End: &pb.Observation_End{State: pb.Observation_End_DEAD}}}
	restBegan = &pb.Observation{Fact: &pb.Observation_RestStart_{RestStart: &pb.Observation_RestStart{}}}
	restEnded = &pb.Observation{Fact: &pb.Observation_RestEnd_{RestEnd: &pb.Observation_RestEnd{}}}
	stalkUp   = &pb.Observation{Fact: &pb.Observation_Stalk_{Stalk: pb.Observation_EMERGED}}
)

func wide(mm float64) *pb.Observation {
	return &pb.Observation{Fact: &pb.Observation_Measurement_{Measurement: &pb.Observation_Measurement{RosetteDiameterMm: &mm}}}
}

func caught(prey int32) *pb.Observation {
	return &pb.Observation{Fact: &pb.Observation_CatchSurvey_{CatchSurvey: &pb.Observation_CatchSurvey{PreyFound: prey}}}
}

func heldFor(reason string, until *string) *pb.Observation {
	return &pb.Observation{Fact: &pb.Observation_Hold_{Hold: &pb.Observation_Hold{Reason: reason, UntilDate: until}}}
}

func (w *watched) movedTo(bench string) *pb.Observation {
	return &pb.Observation{Fact: &pb.Observation_Move_{Move: &pb.Observation_Move{Bench: w.bench(bench)}}}
}

// list asks for all of some kinds on a day.
func (w *watched) list(day string, kinds ...pb.WatchList_Entry_Kind) *pb.WatchList {
	w.Helper()
	l, err := w.watch.GetWatchList(w.Context(), &pb.GetWatchListRequest{Parent: w.name, AsOfDate: &day, Kinds: kinds, PageSize: 1000})
	w.must(err)
	return l
}

// brief writes entries as `tag or bench since day, days: codes of advice`.
func brief(l *pb.WatchList) []string {
	var out []string
	for _, e := range l.GetEntries() {
		who := e.GetTag()
		if who == "" {
			who = store.Segment(e.GetBench(), "benches")
		}
		var codes []string
		for _, a := range e.GetAdvice() {
			codes = append(codes, a.GetCode().String())
		}
		out = append(out, fmt.Sprintf("%s since %s, %d: %s", who, e.GetSinceDate(), e.GetDays(), strings.Join(codes, " ")))
	}
	return out
}

func (w *watched) want(l *pb.WatchList, lines ...string) {
	w.Helper()
	if diff := gocmp.Diff(lines, brief(l)); diff != "" {
		w.Errorf("-want +got:\n%s", diff)
	}
	for _, e := range l.GetEntries() {
		if e.GetMessage() == "" || e.GetAdvice() == nil {
			w.Errorf("without words: %v", e)
		}
	}
}

const watchDay = "2026-05-11"

func (w *watched) today() { w.clock.set(time.Date(2026, 5, 11, 9, 0, 0, 0, time.UTC)) }

// TestWatchShrinking has plants that shrink, indoors and out, by the rule of due.md
// section 7 and by hand.
func TestWatchShrinking(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		w := openWatched(t, engine)
		for _, id := range []string{"s1", "s3", "s4", "s5", "s6"} {
			w.plant(id, "house")
		}
		w.plant("s2", "bog")
		w.today()
		// Indoors: 24 of 30 mm is 80 %. All pairs fall: p is 1 of 4! orders. Each step is
		// 2 mm in 10 days: 6 mm in 30. Until the third measurement it is 26 of 30: no.
		for i, day := range []string{"2026-02-01", "2026-02-11", "2026-02-21", "2026-03-03"} {
			for _, id := range []string{"s1", "s4", "s5"} {
				w.saw(id, day, wide(30-2*float64(i)))
			}
			w.saw("s3", day, wide(30+float64(i)))
		}
		w.fed("s1", "2026-04-22", pb.Feeding_CLEAN, "2026-04-29") // 19 days before: less than two intervals of 10
		// Outdoors: 28 of 40 mm is 70 %, with two measurements.
		w.saw("s2", "2026-03-12", wide(40))
		w.saw("s2", "2026-04-20", stalkUp)
		w.saw("s2", "2026-05-01", wide(28))
		w.saw("s2", "2026-05-02", caught(0))
		// Six measurements have limits: see TestJudgement of service/growth. Fed 20 days
		// before: two intervals.
		for i, mm := range []float64{30, 28, 26, 24, 22, 18} {
			w.saw("s6", fmt.Sprintf("2026-03-%02d", 1+5*i), wide(mm))
		}
		w.fed("s6", "2026-04-21", pb.Feeding_CLEAN, "2026-04-28")
		w.saw("s4", "2026-05-01", died)
		_, err := w.calls.DeletePlant(t.Context(), &pb.DeletePlantRequest{Name: w.name + "/plants/s5"})
		w.must(err)

		l := w.list(watchDay, pb.WatchList_Entry_SHRINKING)
		// S6 at the fourth is 24 of 30, and shrinks. S2 has two.
		w.want(l,
			"S6 since 2026-03-16, 56: NOT_FED_LONG",
			"S2 since 2026-05-01, 10: NO_PREY_SEEN STALK_LEFT_ON NOT_FED_LONG",
			"S1 since 2026-03-03, 69: CHECK_CULTURE MEASURE_AGAIN")
		near := func(name string, got *float64, want float64) {
			if got == nil || math.Abs(*got-want) > 1e-9 {
				t.Errorf("%s: got %v, want %v", name, got, want)
			}
		}
		six, two, four := l.GetEntries()[0].GetTrend(), l.GetEntries()[1].GetTrend(), l.GetEntries()[2].GetTrend()
		near("p of six", six.P, 1./720)
		near("slope of six, steps of 2 mm in 5 days", six.SlopeMmPerMonth, -12)
		if !(six.GetSlopeLowMmPerMonth() < -12 && six.SlopeHighMmPerMonth != nil && math.Abs(six.GetSlopeHighMmPerMonth()+12) < 1e-9) {
			t.Errorf("limits of six: %v", six)
		}
		near("p of four", four.P, 1./24)
		near("slope of four", four.SlopeMmPerMonth, -6)
		want := &pb.WatchList_Trend{Measurements: 4, LastDate: "2026-03-03", LastMm: 24, LargestMm: 30, LastPercent: 80, P: four.P, SlopeMmPerMonth: four.SlopeMmPerMonth}
		if diff := gocmp.Diff(want, four, protocmp.Transform()); diff != "" {
			t.Error(diff)
		}
		want = &pb.WatchList_Trend{Measurements: 2, LastDate: "2026-05-01", LastMm: 28, LargestMm: 40, LastPercent: 70}
		if diff := gocmp.Diff(want, two, protocmp.Transform()); diff != "" {
			t.Error(diff)
		}
		// Before the fourth measurement S1 was not; before its end and its deletion S4 and
		// S5 were. 60 days after the last one it need not be measured again.
		w.want(w.list("2026-03-02", pb.WatchList_Entry_SHRINKING))
		w.want(w.list("2026-04-30", pb.WatchList_Entry_SHRINKING),
			"S6 since 2026-03-16, 45: CHECK_CULTURE",
			"S1 since 2026-03-03, 58: CHECK_CULTURE",
			"S4 since 2026-03-03, 58: NOT_FED_LONG",
			"S5 since 2026-03-03, 58: NOT_FED_LONG")
	})
}

// TestWatchOpen has holds, treatments and rests: 121 days are too long, 120 are not.
func TestWatchOpen(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		w := openWatched(t, engine)
		for _, id := range []string{"h1", "h2", "h3", "h4", "h5", "r1", "r2", "r3"} {
			w.plant(id, "house")
		}
		w.today()
		w.saw("h1", "2026-01-10", heldFor("Crown rot", nil))
		w.saw("h1", "2026-01-10", heldFor("Fungus gnats", nil))
		w.saw("h2", "2026-01-11", heldFor("", nil))
		w.saw("h3", "2026-01-01", heldFor("", proto.String("2026-12-01")))
		w.saw("h4", "2025-12-01", &pb.Observation{Fact: &pb.Observation_Treatment_{Treatment: &pb.Observation_Treatment{What: "aphids", Product: "soap"}}})
		w.saw("h5", "2025-12-01", heldFor("", nil))
		w.saw("h5", "2026-05-01", died)
		// R2's rest is over. R3 rested twice; its second rest is open.
		w.saw("r1", "2026-01-10", restBegan)
		w.saw("r1", "2026-02-10", restBegan) // it is at rest already
		w.saw("r2", "2025-11-01", restBegan)
		w.saw("r2", "2026-04-01", restEnded)
		w.saw("r3", "2025-08-01", restBegan)
		w.saw("r3", "2025-09-01", restEnded)
		w.saw("r3", "2025-12-01", restBegan)

		l := w.list(watchDay, pb.WatchList_Entry_OPEN_REST, pb.WatchList_Entry_OPEN_HOLD)
		w.want(l,
			"H4 since 2025-12-01, 161: REVIEW_TREATMENT END_RECORD",
			"H1 since 2026-01-10, 121: END_RECORD",
			"H1 since 2026-01-10, 121: END_RECORD",
			"R3 since 2025-12-01, 161: END_RECORD",
			"R1 since 2026-01-10, 121: END_RECORD")
		var reasons []string
		seen := map[string]bool{}
		for _, e := range l.GetEntries() {
			reasons = append(reasons, e.GetReason())
			o, err := w.calls.GetObservation(t.Context(), &pb.GetObservationRequest{Name: e.GetObservation()})
			w.must(err)
			if o.GetPlant() != e.GetPlant() || o.GetObserveDate() != e.GetSinceDate() || seen[o.GetName()] {
				t.Errorf("%v: the record is %v", e, o)
			}
			seen[o.GetName()] = true
		}
		slices.Sort(reasons[1:3]) // two of one moment come by their ids
		if want := []string{"aphids, soap", "Crown rot", "Fungus gnats", "", ""}; !slices.Equal(reasons, want) {
			t.Errorf("reasons %q, want %q", reasons, want)
		}
		w.want(w.list("2026-05-12", pb.WatchList_Entry_OPEN_HOLD),
			"H4 since 2025-12-01, 162: REVIEW_TREATMENT END_RECORD",
			"H1 since 2026-01-10, 122: END_RECORD",
			"H1 since 2026-01-10, 122: END_RECORD",
			"H2 since 2026-01-11, 121: END_RECORD")
		// An end that is recorded takes it off the list.
		name := l.GetEntries()[0].GetObservation()
		_, err := w.calls.UpdateObservation(t.Context(), &pb.UpdateObservationRequest{Observation: &pb.Observation{
			Name: name, Fact: &pb.Observation_Treatment_{Treatment: &pb.Observation_Treatment{What: "aphids", UntilDate: proto.String("2026-01-01")}},
		}})
		w.must(err)
		if got := brief(w.list(watchDay, pb.WatchList_Entry_OPEN_HOLD)); len(got) != 2 {
			t.Errorf("after its end: %q", got)
		}
	})
}

// TestWatchUnsurveyed has plants in the open air: 61 days without a survey are too long,
// 60 are not.
func TestWatchUnsurveyed(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		w := openWatched(t, engine)
		for _, id := range []string{"o1", "o2", "o3", "o8", "o9"} {
			w.plant(id, "bog")
		}
		hands := func(f pb.Regimen_HandFeed) func(*pb.Plant) {
			return func(p *pb.Plant) { p.Regimen = &pb.Regimen{HandFeed: &f} }
		}
		w.plant("o6", "bog", hands(pb.Regimen_ALWAYS))
		w.plant("o7", "bog", hands(pb.Regimen_NEVER))
		w.plant("o10", "bog", func(p *pb.Plant) { p.Taxon, p.ScientificName = "", "Unknown one" })
		w.plant("o11", "bog", func(p *pb.Plant) { p.Taxon = "taxa/sarracenia-flava" })
		for _, id := range []string{"o4", "o5", "i1"} {
			w.plant(id, "house")
		}
		w.today()
		w.saw("o2", "2026-03-12", caught(9))
		w.saw("o3", "2026-03-11", caught(9))
		w.saw("o4", "2026-03-12", w.movedTo("bog"))
		w.saw("o5", "2026-03-01", caught(9)) // indoors, which tells nothing
		w.saw("o5", "2026-03-11", w.movedTo("bog"))
		w.saw("o8", "2026-05-01", restBegan)
		w.saw("o9", "2026-05-01", died)
		w.want(w.list(watchDay, pb.WatchList_Entry_NO_SURVEY),
			"O1 since 2025-06-01, 344: SURVEY",
			"O11 since 2025-06-01, 344: SURVEY",
			"O3 since 2026-03-11, 61: SURVEY",
			"O5 since 2026-03-11, 61: SURVEY")
		// In its winter rest a trumpet pitcher needs no survey; a sundew of the Cape has none.
		w.want(w.list("2025-12-20", pb.WatchList_Entry_NO_SURVEY),
			"O1 since 2025-06-01, 202: SURVEY",
			"O2 since 2025-06-01, 202: SURVEY",
			"O3 since 2025-06-01, 202: SURVEY",
			"O8 since 2025-06-01, 202: SURVEY",
			"O9 since 2025-06-01, 202: SURVEY")
		w.want(w.list("2025-07-31", pb.WatchList_Entry_NO_SURVEY)) // 60 days after they came
	})
}

// TestWatchUnseen has plants of which something is on record on the day or before it.
func TestWatchUnseen(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		w := openWatched(t, engine)
		for _, id := range []string{"u1", "u2", "u3", "u5", "u6", "u7", "u8"} {
			w.plant(id, "house")
		}
		w.clock.set(time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC))
		w.plant("u4", "house") // entered later
		w.today()
		w.saw("u1", "2026-02-09", wellAgain)
		w.saw("u2", "2026-02-10", wellAgain)
		w.fed("u3", "2026-01-20", pb.Feeding_CLEAN, "2026-02-15")
		w.saw("u5", "2026-01-20", died)
		w.saw("u6", "2026-03-01", w.movedTo("dry"))
		w.saw("u8", "2026-06-01", wellAgain) // lies ahead
		l := w.list(watchDay, pb.WatchList_Entry_UNSEEN)
		if l.GetUnseenSinceDate() != "2026-02-10" || l.GetAsOfDate() != watchDay {
			t.Errorf("days %s and %s", l.GetUnseenSinceDate(), l.GetAsOfDate())
		}
		w.want(l,
			"U7 since 2025-06-01, 344: LOOK",
			"U8 since 2025-06-01, 344: LOOK",
			"U1 since 2026-02-09, 91: LOOK")
		l, err := w.watch.GetWatchList(t.Context(), &pb.GetWatchListRequest{
			Parent: w.name, AsOfDate: proto.String("2026-06-01"), UnseenSinceDate: proto.String("2026-03-01"), Kinds: []pb.WatchList_Entry_Kind{pb.WatchList_Entry_UNSEEN},
		})
		w.must(err)
		w.want(l,
			"U7 since 2025-06-01, 365: LOOK",
			"U1 since 2026-02-09, 112: LOOK",
			"U2 since 2026-02-10, 111: LOOK",
			"U3 since 2026-02-15, 106: LOOK")
	})
}

// TestWatchMould: 5 of 6 sessions moulded on the wet bench, 1 of 10 elsewhere. Of the
// choose(16, 6) = 8008 ways to have six mouldy sessions 6 * 10 + 1 have five or six of them
// on it: p = 61/8008. Three benches are tested: Holm's p of the smallest is three times
// that. The odds are 5 * 9 to 1 * 1.
func TestWatchMould(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		w := openWatched(t, engine)
		for _, id := range []string{"w1", "w2", "w3", "w4"} {
			w.plant(id, "wet")
		}
		w.plant("g1", "house")
		w.plant("k1", "dry")
		w.today()
		const clean, mould = pb.Feeding_CLEAN, pb.Feeding_MOULD
		// 180 days: from 13 November on.
		w.fed("w1", "2025-11-12", mould, "2025-12-01")
		w.fed("w1", "2025-11-13", mould, "2025-11-20")
		inNewYear := w.fed("w1", "2026-01-01", mould, "2026-01-08")
		w.fed("w1", "2026-01-20", clean, "2026-01-28")
		w.fed("w1", "2026-05-10", mould, "2026-05-11")
		w.fed("w1", "2026-05-11", 0, "") // not known
		// W2 stands in the house since, where it moulds no more. On the day of the move a
		// session counts where it came to.
		w.fed("w2", "2026-01-01", mould, "2026-01-08")
		w.saw("w2", "2026-02-01", w.movedTo("house"))
		w.fed("w2", "2026-02-01", clean, "2026-02-08")
		w.fed("w2", "2026-03-01", clean, "2026-03-08")
		// W3 died of it. It counts; W4 is deleted and does not.
		w.fed("w3", "2026-01-01", mould, "2026-01-08")
		w.saw("w3", "2026-02-01", died)
		w.fed("w4", "2026-01-01", mould, "2026-01-08")
		_, err := w.calls.DeletePlant(t.Context(), &pb.DeletePlantRequest{Name: w.name + "/plants/w4"})
		w.must(err)
		for i := range 4 {
			w.fed("g1", fmt.Sprintf("2026-01-%02d", 1+i), []pb.Feeding_Outcome{clean, pb.Feeding_RESIDUE, pb.Feeding_REJECTED, clean}[i], "2026-02-01")
			w.fed("k1", fmt.Sprintf("2026-01-%02d", 1+i), []pb.Feeding_Outcome{mould, clean, clean, clean}[i], "2026-02-01")
		}

		l := w.list(watchDay, pb.WatchList_Entry_BENCH_MOULD)
		w.want(l, "wet since 2025-11-13, 179: MORE_AIR_LESS_FOOD")
		got := l.GetEntries()[0].GetMould()
		want := &pb.WatchList_MouldCount{Sessions: 6, Mouldy: 5, OtherSessions: 10, OtherMouldy: 1, OddsRatio: proto.Float64(45), P: got.GetP(), AdjustedP: got.GetAdjustedP()}
		if diff := gocmp.Diff(want, got, protocmp.Transform()); diff != "" {
			t.Error(diff)
		}
		if math.Abs(got.GetP()-61./8008) > 1e-12 || math.Abs(got.GetAdjustedP()-183./8008) > 1e-12 {
			t.Errorf("p %v, adjusted %v", got.GetP(), got.GetAdjustedP())
		}
		// A day before, the last outcome is not known yet, and the first session counts.
		w.want(w.list("2026-05-10", pb.WatchList_Entry_BENCH_MOULD), "wet since 2025-11-12, 179: MORE_AIR_LESS_FOOD")
		// By the end of January outcomes are known on one bench only.
		w.want(w.list("2026-01-31", pb.WatchList_Entry_BENCH_MOULD))
		// A bench that is deleted is not listed, but its sessions count elsewhere.
		w.saw("w1", "2026-05-11", w.movedTo("dry"))
		_, err = w.calls.DeleteBench(t.Context(), &pb.DeleteBenchRequest{Name: w.bench("wet")})
		w.must(err)
		w.want(w.list(watchDay, pb.WatchList_Entry_BENCH_MOULD))
		_, err = w.calls.UndeleteBench(t.Context(), &pb.UndeleteBenchRequest{Name: w.bench("wet")})
		w.must(err)
		w.want(w.list(watchDay, pb.WatchList_Entry_BENCH_MOULD), "wet since 2025-11-13, 179: MORE_AIR_LESS_FOOD")
		// Without one of the mouldy sessions it is 4 of 5 to 1 of 10. Of choose(15, 5) = 3003
		// ways 5 * 10 + 1 are as far; three times 51/3003 is 0.0509.
		_, err = w.calls.DeleteFeeding(t.Context(), &pb.DeleteFeedingRequest{Name: inNewYear})
		w.must(err)
		w.want(w.list(watchDay, pb.WatchList_Entry_BENCH_MOULD))
	})
}

// TestWatchOfThePast: the list of a past day stays as it was when plants are deleted later.
// Sessions count on the benches to which the plants had come by then.
func TestWatchOfThePast(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		w := openWatched(t, engine)
		for _, id := range []string{"m1", "m2", "g1"} {
			w.plant(id, "house")
		}
		w.today()
		// As in TestWatchMould: 5 of 6 sessions on the wet bench to 1 of 10 elsewhere.
		for i := range 3 {
			for _, id := range []string{"m1", "m2"} {
				outcome := pb.Feeding_MOULD
				if i == 2 && id == "m2" {
					outcome = pb.Feeding_CLEAN
				}
				w.fed(id, fmt.Sprintf("2026-02-%02d", 10+i), outcome, "2026-02-20")
			}
		}
		for i := range 10 {
			outcome := pb.Feeding_CLEAN
			if i == 0 {
				outcome = pb.Feeding_MOULD
			}
			w.fed("g1", fmt.Sprintf("2026-02-%02d", 1+i), outcome, "2026-02-20")
		}
		for _, id := range []string{"m1", "m2"} {
			w.saw(id, "2026-02-01", w.movedTo("wet"))
			w.saw(id, "2026-03-15", w.movedTo("dry"))
		}
		const past = "2026-03-01"
		before := w.list(past)
		w.want(w.list(past, pb.WatchList_Entry_BENCH_MOULD), "wet since 2025-09-03, 179: MORE_AIR_LESS_FOOD")
		for _, id := range []string{"m1", "m2"} {
			_, err := w.calls.DeletePlant(t.Context(), &pb.DeletePlantRequest{Name: w.name + "/plants/" + id})
			w.must(err)
		}
		if diff := gocmp.Diff(before.GetTotals(), w.list(past).GetTotals(), protocmp.Transform()); diff != "" {
			t.Errorf("after the deletion (-before +after):\n%s", diff)
		}
		w.want(w.list(past, pb.WatchList_Entry_BENCH_MOULD), "wet since 2025-09-03, 179: MORE_AIR_LESS_FOOD")
		if got := w.list(past, pb.WatchList_Entry_BENCH_MOULD).GetEntries()[0].GetMould(); got.GetSessions() != 6 || got.GetOtherSessions() != 10 {
			t.Errorf("counted %v", got)
		}
		// From the day of their deletion on they do not count.
		w.want(w.list("2026-05-10", pb.WatchList_Entry_BENCH_MOULD), "wet since 2025-11-12, 179: MORE_AIR_LESS_FOOD")
		w.want(w.list(watchDay, pb.WatchList_Entry_BENCH_MOULD))
	})
}

// A watch list and a plan are of one collection; all others of their errors are those of
// other calls.
func TestOneCollectionOnly(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		d := openStore(t, storetest.New(t, engine), service.Config{})
		for _, call := range []string{"dayPlan", "watchList"} {
			answer := d.sendRaw(t, http.MethodGet, "/v1/collections/-/"+call, nil, nil)
			if answer.status != http.StatusBadRequest || errorReason(errorOf(t, answer.body)) != "INVALID_FIELDS" ||
				!strings.Contains(string(answer.body), `"parent"`) || !strings.Contains(string(answer.body), "must name one collection") {
				t.Errorf("%s: status %d: %s", call, answer.status, answer.body)
			}
		}
	})
}

// TestWatchOrderAndPages: kinds stand in their order, within one the most urgent first,
// then by the walk, and pages of any size hold the same.
func TestWatchOrderAndPages(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		w := openWatched(t, engine)
		placed := func(n int32) func(*pb.Plant) { return func(p *pb.Plant) { p.WalkOrder = &n } }
		w.plant("z1", "bog", placed(1))
		w.plant("a1", "bog", placed(2))
		w.plant("b1", "bog")
		w.plant("a2", "house")
		w.plant("n1", "house", func(p *pb.Plant) { p.Bench = "" })
		w.today()
		for _, day := range []string{"2025-07-01", "2025-07-01", "2025-08-01"} {
			w.saw("a2", day, heldFor(day, nil))
		}
		w.saw("b1", "2025-09-01", wide(30))
		w.saw("b1", "2025-10-01", wide(15))
		req := &pb.GetWatchListRequest{Parent: w.name, PageSize: 1000}
		all, err := w.watch.GetWatchList(t.Context(), req)
		w.must(err)
		var order []string
		for _, e := range all.GetEntries() {
			order = append(order, e.GetKind().String()+" "+e.GetTag())
		}
		want := []string{
			"SHRINKING B1", "OPEN_HOLD A2", "OPEN_HOLD A2", "OPEN_HOLD A2",
			"NO_SURVEY Z1", "NO_SURVEY A1", "NO_SURVEY B1",
			"UNSEEN Z1", "UNSEEN A1", "UNSEEN N1", "UNSEEN A2", "UNSEEN B1",
		}
		if diff := gocmp.Diff(want, order); diff != "" || all.GetNextPageToken() != "" || all.GetAsOfDate() != watchDay {
			t.Errorf("%s %s (-want +got):\n%s", all.GetAsOfDate(), all.GetNextPageToken(), diff)
		}
		totals := []*pb.WatchList_Total{
			{Kind: pb.WatchList_Entry_SHRINKING, Entries: 1}, {Kind: pb.WatchList_Entry_OPEN_HOLD, Entries: 3},
			{Kind: pb.WatchList_Entry_NO_SURVEY, Entries: 3}, {Kind: pb.WatchList_Entry_UNSEEN, Entries: 5},
		}
		if diff := gocmp.Diff(totals, all.GetTotals(), protocmp.Transform()); diff != "" {
			t.Error(diff)
		}
		for size := int32(1); size <= 13; size++ {
			w.today()
			var got []*pb.WatchList_Entry
			req := &pb.GetWatchListRequest{Parent: w.name, PageSize: size}
			for {
				page, err := w.watch.GetWatchList(t.Context(), req)
				w.must(err)
				if (page.GetTotals() != nil) != (req.GetPageToken() == "") || page.GetAsOfDate() != watchDay || len(page.GetEntries()) > int(size) {
					t.Fatalf("page of %d: %v", size, page)
				}
				got = append(got, page.GetEntries()...)
				if req.PageToken = page.GetNextPageToken(); req.PageToken == "" {
					break
				}
				w.clock.add(9 * time.Hour) // past midnight: the day is settled on the first page
			}
			if diff := gocmp.Diff(all.GetEntries(), got, protocmp.Transform()); diff != "" {
				t.Fatalf("pages of %d:\n%s", size, diff)
			}
		}
	})
}

// TestWatchManyPlants: 20,000 plants are listed, one more is refused. All are copies of
// one, as to make so many takes long.
func TestWatchManyPlants(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		w := openWatched(t, engine)
		w.plant("p1", "house")
		db := openRaw(t, engine, w.url)
		columns, err := columnsOf(t.Context(), db, "plants")
		w.must(err)
		copies := func(from, to int) {
			t.Helper()
			values := slices.Clone(columns)
			for i, c := range values {
				switch c {
				case "plant_id", "tag", "tag_key":
					values[i] = "'p' || CAST(i AS TEXT)"
				}
			}
			_, err := db.ExecContext(t.Context(), fmt.Sprintf("INSERT INTO plants (%s) WITH RECURSIVE n(i) AS (SELECT %d UNION ALL SELECT i + 1 FROM n WHERE i < %d) "+
				"SELECT %s FROM plants, n WHERE plant_id = 'p1'", strings.Join(columns, ", "), from, to, strings.Join(values, ", ")))
			w.must(err)
		}
		const most = 20_000
		copies(2, most)
		w.today()
		if l := w.list(watchDay); len(l.GetTotals()) != 1 || l.GetTotals()[0].GetEntries() != most || len(l.GetEntries()) != 1000 {
			t.Errorf("totals %v, %d entries", l.GetTotals(), len(l.GetEntries()))
		}
		// Dead and deleted ones do not count.
		copies(most+1, most+2)
		_, err = db.ExecContext(t.Context(), "UPDATE plants SET living = 0, state = 2 WHERE plant_id = 'p20001'")
		w.must(err)
		_, err = db.ExecContext(t.Context(), "UPDATE plants SET living = 0, delete_us = create_us, purge_us = 4102444800000000 WHERE plant_id = 'p20002'")
		w.must(err)
		if l := w.list(watchDay, pb.WatchList_Entry_UNSEEN); len(l.GetEntries()) != 1000 {
			t.Errorf("%d entries beside dead ones", len(l.GetEntries()))
		}
		copies(most+3, most+3)
		_, err = w.watch.GetWatchList(t.Context(), &pb.GetWatchListRequest{Parent: w.name})
		if s := status.Convert(err); s.Code() != codes.FailedPrecondition || !strings.Contains(fmt.Sprint(s.Details()), "TOO_MANY_PLANTS") {
			t.Errorf("got %v", err)
		}
	})
}

// columnsOf returns the names of the columns of a table.
func columnsOf(ctx context.Context, db *sql.DB, table string) (columns []string, err error) {
	rows, err := db.QueryContext(ctx, "SELECT * FROM "+table+" LIMIT 0")
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	if columns, err = rows.Columns(); err != nil {
		return nil, err
	}
	return columns, rows.Err()
}
