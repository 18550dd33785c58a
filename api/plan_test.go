package api

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math"
	"math/big"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/service/catalogue"
	"dewbench/service/civil"
	"dewbench/store"
	"dewbench/store/storetest"
)

// planLine is what a test looks at of a task.
type planLine struct {
	Kind, Tag, Since string
	Of               string // the last parts of the session and of the observation that it is about
}

func lineOf(m *pb.DayPlan_Task) planLine {
	last := func(name string) string { return name[strings.LastIndexByte(name, '/')+1:] }
	return planLine{m.GetKind().String(), m.GetTag(), m.GetSinceDate(), last(m.GetFeeding()) + last(m.GetObservation())}
}

func linesOf(m *pb.DayPlan) []planLine {
	var out []planLine
	for _, task := range m.GetTasks() {
		out = append(out, lineOf(task))
	}
	return out
}

// fillers are values for the fields that only who did a task can tell.
var fillers = map[string]any{
	"food": "foods/bloodworm-frozen", "outcome": "CLEAN", "health.text": "Looks well.",
	"catchSurvey.trapsExamined": 4, "catchSurvey.preyFound": 3, "measurement.rosetteDiameterMm": 42.5, "measurement.workingTraps": 9,
}

// filledBody returns the body of a call with the fields that it says are to be filled.
func filledBody(t rapid.TB, call *pb.DayPlan_Call) []byte {
	t.Helper()
	body := call.GetBody().AsMap()
	for _, path := range call.GetFill() {
		value, known := fillers[path]
		if !known {
			t.Fatalf("%s: nothing to fill %s with", call.GetRpc(), path)
		}
		into, steps := body, strings.Split(path, ".")
		for _, step := range steps[:len(steps)-1] {
			inner, ok := into[step].(map[string]any)
			if !ok {
				t.Fatalf("%s: the body has no %s to fill: %v", call.GetRpc(), path, body)
			}
			into = inner
		}
		into[steps[len(steps)-1]] = value
	}
	text, err := json.Marshal(body)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// overHTTP sends a call of a plan over HTTP.
func (d *doors) overHTTP(t testing.TB, r rapid.TB, call *pb.DayPlan_Call) {
	r.Helper()
	body := filledBody(r, call)
	if answer := d.sendRaw(t, call.GetHttpMethod(), call.GetPath(), nil, body); answer.status != http.StatusOK {
		r.Fatalf("%s %s %s: status %d: %s", call.GetHttpMethod(), call.GetPath(), body, answer.status, answer.body)
	}
}

var ruleVariable = regexp.MustCompile(`\{([a-z_.]+)=([^}]*)\}`)

// overGRPC sends a call of a plan over gRPC, as the HTTP rule of the call says.
func (d *doors) overGRPC(t testing.TB, r rapid.TB, call *pb.DayPlan_Call) {
	r.Helper()
	must := func(err error) {
		r.Helper()
		if err != nil {
			r.Fatalf("%s %s: %v", call.GetRpc(), filledBody(r, call), err)
		}
	}
	found, err := protoregistry.GlobalFiles.FindDescriptorByName(protoreflect.FullName(strings.ReplaceAll(call.GetRpc(), "/", ".")))
	must(err)
	method, ok := found.(protoreflect.MethodDescriptor)
	if !ok {
		r.Fatalf("%s is no call", call.GetRpc())
	}
	rule, ok := proto.GetExtension(method.Options(), annotations.E_Http).(*annotations.HttpRule)
	if !ok {
		r.Fatalf("%s has no HTTP rule", call.GetRpc())
	}
	pattern := rule.GetPost()
	if want := map[bool]string{true: "POST", false: "PATCH"}[pattern != ""]; call.GetHttpMethod() != want {
		r.Fatalf("%s is %s, not %s", call.GetRpc(), want, call.GetHttpMethod())
	}
	pattern = cmp.Or(pattern, rule.GetPatch())
	variable := ruleVariable.FindStringSubmatch(pattern)
	form := "^" + ruleVariable.ReplaceAllString(pattern, "("+strings.ReplaceAll(variable[2], "*", "[a-z0-9-]+")+")") + "$"
	name := regexp.MustCompile(form).FindStringSubmatch(call.GetPath())
	if name == nil {
		r.Fatalf("%s has the path %s, which is not %s", call.GetRpc(), call.GetPath(), pattern)
	}
	kind, err := protoregistry.GlobalTypes.FindMessageByName(method.Input().FullName())
	must(err)
	request := kind.New()
	body := request
	if rule.GetBody() != "*" {
		body = request.Mutable(request.Descriptor().Fields().ByName(protoreflect.Name(rule.GetBody()))).Message()
	}
	must(protojson.Unmarshal(filledBody(r, call), body.Interface()))
	into, steps := request, strings.Split(variable[1], ".")
	for _, step := range steps[:len(steps)-1] {
		into = into.Mutable(into.Descriptor().Fields().ByName(protoreflect.Name(step))).Message()
	}
	into.Set(into.Descriptor().Fields().ByName(protoreflect.Name(steps[len(steps)-1])), protoreflect.ValueOfString(name[1]))
	kind, err = protoregistry.GlobalTypes.FindMessageByName(method.Output().FullName())
	must(err)
	must(d.conn.Invoke(t.Context(), "/"+call.GetRpc(), request.Interface(), kind.New().Interface()))
}

// house is a collection with a task of each kind on 11 May 2026, and its doors.
type house struct {
	*doors
	t     *testing.T
	clock *clock
	calls *clients
	plans pb.PlanServiceClient
	name  string
}

// openHouse makes it. All plants are small adhesive rosettes that do not rest, with the
// defaults, acquired long ago: ten days and two traps, outcomes to be looked at after one
// and three days.
func openHouse(t *testing.T, engine store.Engine, options ...storetest.Option) *house {
	t.Helper()
	h := &house{t: t, clock: newClock(time.Date(2020, 1, 1, 12, 0, 0, 0, time.UTC))}
	h.doors = openStore(t, storetest.New(t, engine, options...), service.Config{Now: h.clock.now})
	h.calls, h.plans = clientsOf(h.conn), pb.NewPlanServiceClient(h.conn)
	c, err := h.calls.CreateCollection(t.Context(), &pb.CreateCollectionRequest{Collection: &pb.Collection{DisplayName: "House", TimeZone: "Europe/Berlin"}})
	h.must(err)
	h.name = c.GetName()
	for _, b := range []struct {
		id       string
		exposure pb.Bench_Exposure
		walk     *int32
	}{
		{"zinc", pb.Bench_GREENHOUSE, proto.Int32(10)}, {"sill", pb.Bench_WINDOWSILL, proto.Int32(20)}, {"bog", pb.Bench_OUTDOORS, nil}, {"attic", pb.Bench_ENCLOSED, proto.Int32(20)},
	} {
		_, err := h.calls.CreateBench(t.Context(), &pb.CreateBenchRequest{Parent: h.name, BenchId: b.id, Bench: &pb.Bench{DisplayName: "The " + b.id, Exposure: b.exposure, WalkOrder: b.walk}})
		h.must(err)
	}
	plant := func(tag, bench string, place *int32, regimen *pb.Regimen) {
		if bench != "" {
			bench = h.name + "/benches/" + bench
		}
		_, err := h.calls.CreatePlant(t.Context(), &pb.CreatePlantRequest{Parent: h.name, PlantId: strings.ToLower(tag), Plant: &pb.Plant{
			Tag: tag, Taxon: "taxa/drosera-spatulata", Bench: bench, WalkOrder: place, AcquireDate: proto.String("2019-01-01"), Regimen: regimen}})
		h.must(err)
	}
	plant("A1", "zinc", proto.Int32(2), nil)
	plant("A2", "zinc", proto.Int32(1), nil)
	plant("A3", "zinc", nil, nil)
	plant("A4", "zinc", nil, &pb.Regimen{HandFeed: pb.Regimen_NEVER.Enum(), CutStalks: proto.Bool(true)})
	plant("B1", "sill", nil, nil)
	plant("B2", "sill", nil, nil)
	plant("C1", "attic", nil, nil)
	plant("C2", "attic", nil, &pb.Regimen{CheckDays: []int32{4, 30}, IntervalDays: proto.Int32(20)})
	plant("D1", "bog", nil, nil)
	plant("E1", "", nil, nil)

	h.clock.set(time.Date(2026, 5, 11, 6, 0, 0, 0, time.UTC))
	h.feed("A1", "f1", "2026-05-01", 2, pb.Feeding_CLEAN, "2026-05-04")
	h.feed("A2", "f1", "2026-04-30", 2, 0, "")
	h.feed("A2", "f2", "2026-05-10", 2, 0, "")
	h.feed("A3", "f1", "2026-05-01", 2, pb.Feeding_MOULD, "2026-05-10")
	h.observe("A4", "s0", "2026-03-02", &pb.Observation{Fact: &pb.Observation_Stalk_{Stalk: pb.Observation_EMERGED}})
	h.observe("A4", "s1", "2026-03-09", &pb.Observation{Fact: &pb.Observation_Stalk_{Stalk: pb.Observation_CUT}})
	h.observe("A4", "s2", "2026-05-02", &pb.Observation{Fact: &pb.Observation_Stalk_{Stalk: pb.Observation_EMERGED}})
	h.observe("A4", "zz", "2026-05-09", &pb.Observation{Fact: &pb.Observation_Stalk_{Stalk: pb.Observation_FLOWERED}})
	h.feed("B1", "f1", "2026-05-09", 2, pb.Feeding_CLEAN, "2026-05-10")
	h.observe("B1", "m1", "2026-02-01", &pb.Observation{Fact: &pb.Observation_Measurement_{Measurement: &pb.Observation_Measurement{WorkingTraps: proto.Int32(12)}}})
	h.observe("B1", "m2", "2026-03-01", &pb.Observation{Fact: &pb.Observation_Measurement_{Measurement: &pb.Observation_Measurement{RosetteDiameterMm: proto.Float64(40)}}})
	h.feed("B2", "f1", "2026-05-08", 2, pb.Feeding_CLEAN, "2026-05-09")
	h.observe("B2", "t1", "2026-05-01", &pb.Observation{Fact: &pb.Observation_Treatment_{Treatment: &pb.Observation_Treatment{What: "aphids", Product: "soap", UntilDate: proto.String("2026-05-11")}}})
	h.feed("C1", "f1", "2026-05-05", 2, pb.Feeding_RESIDUE, "2026-05-06")
	h.observe("C1", "o1", "2026-05-07", &pb.Observation{Fact: &pb.Observation_Health_{Health: &pb.Observation_Health{Text: "Cleaned."}}})
	h.feed("C2", "f1", "2026-04-11", 2, 0, "") // 30 days ago, and fed again since
	h.feed("C2", "f2", "2026-05-01", 2, 0, "")
	h.feed("D1", "f1", "2026-04-16", 2, pb.Feeding_CLEAN, "2026-04-20")
	h.observe("D1", "c1", "2026-04-30", &pb.Observation{Fact: &pb.Observation_CatchSurvey_{CatchSurvey: &pb.Observation_CatchSurvey{}}})
	h.feed("E1", "f1", "2026-05-01", 1, 0, "")
	return h
}

func (h *house) must(err error) {
	h.t.Helper()
	if err != nil {
		h.t.Fatal(err)
	}
}

func (h *house) plant(tag string) string { return h.name + "/plants/" + strings.ToLower(tag) }

func (h *house) feed(tag, id, day string, traps int32, outcome pb.Feeding_Outcome, seen string) {
	h.t.Helper()
	m := &pb.Feeding{FedDate: &day, TrapsFed: &traps, Outcome: outcome}
	if seen != "" {
		m.OutcomeDate = &seen
	}
	_, err := h.calls.CreateFeeding(h.t.Context(), &pb.CreateFeedingRequest{Parent: h.plant(tag), FeedingId: id, Feeding: m})
	h.must(err)
}

func (h *house) observe(tag, id, day string, m *pb.Observation) {
	h.t.Helper()
	if len(day) > len("2026-05-11") {
		at, err := time.Parse(time.RFC3339, day)
		h.must(err)
		m.ObserveTime = timestamppb.New(at)
	} else {
		m.ObserveDate = &day
	}
	_, err := h.calls.CreateObservation(h.t.Context(), &pb.CreateObservationRequest{Parent: h.plant(tag), ObservationId: id, Observation: m})
	h.must(err)
}

func (h *house) plan(day string, benches ...string) *pb.DayPlan {
	h.t.Helper()
	req := &pb.GetDayPlanRequest{Parent: h.name, PageSize: 1000}
	if day != "" {
		req.AsOfDate = &day
	}
	for _, b := range benches {
		req.Benches = append(req.Benches, h.name+"/benches/"+b)
	}
	m, err := h.plans.GetDayPlan(h.t.Context(), req)
	h.must(err)
	return m
}

// planOfHouse is worked out by hand from the rules of feeding (README.md beside the
// engine) and the words of the contract. Ten days and two traps for a small rosette:
// common practice, no source.
var planOfHouse = []planLine{
	{"CHECK_OUTCOME", "A2", "2026-05-10", "f2"}, // after one day
	{"FEED", "A1", "2026-05-11", ""},            // as worked example 1
	{"REMOVE_MOULD", "A3", "2026-05-10", "f1"},
	{"CUT_STALK", "A4", "2026-05-02", "s2"}, // not fed by hand, but with a stalk that is up since
	// Of one walk order: by id. C1 was cleaned. C2 is asked for on its second check day,
	// and, as its interval of 20 days is not over, ten days after the last session.
	{"CHECK_OUTCOME", "C2", "2026-04-11", "f1"},
	{"CHECK_OUTCOME", "C2", "2026-05-01", "f2"},
	{"MEASURE", "B1", "2026-02-01", ""}, // counted 99 days ago, measured 71
	{"TREATMENT_ENDS", "B2", "2026-05-01", "t1"},
	{"FEED", "D1", "2026-04-30", ""}, // as worked example 9: the survey found nothing
	{"SURVEY", "D1", "2026-04-30", ""},
	{"FEED", "E1", "2026-05-06", ""}, // as worked example 2; the interval is over
}

func TestDayPlanByHand(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		h := openHouse(t, engine)
		plan := h.plan("")
		if diff := gocmp.Diff(planOfHouse, linesOf(plan)); diff != "" || plan.GetAsOfDate() != "2026-05-11" {
			t.Errorf("plan of %s (-want +got):\n%s", plan.GetAsOfDate(), diff)
		}
		if of := h.plan("2026-05-11"); !proto.Equal(of, plan) {
			t.Errorf("another plan for the day of today:\n%s", messageText(of))
		}
		type bench struct{ Bench, Name, Totals, Portions, Call string }
		var got []bench
		for _, b := range plan.GetBenches() {
			last := bench{Bench: b.GetBench()[strings.LastIndexByte(b.GetBench(), '/')+1:], Name: b.GetDisplayName(), Call: strings.TrimPrefix(b.GetCall().GetPath(), "/v1/"+h.name)}
			for _, total := range b.GetTotals() {
				last.Totals += fmt.Sprintf("%s %d ", total.GetKind(), total.GetPlants())
			}
			for _, p := range b.GetPortions() {
				last.Portions += fmt.Sprintf("%d on %d ", p.GetTraps(), p.GetPlants())
			}
			got = append(got, last)
		}
		want := []bench{
			{"zinc", "The zinc", "FEED 1 CHECK_OUTCOME 1 REMOVE_MOULD 1 CUT_STALK 1 ", "2 on 1 ", "/benches/zinc:recordSession"},
			{"attic", "The attic", "CHECK_OUTCOME 1 ", "", ""},
			{"sill", "The sill", "MEASURE 1 TREATMENT_ENDS 1 ", "", ""},
			{"bog", "The bog", "FEED 1 SURVEY 1 ", "2 on 1 ", "/benches/bog:recordSession"},
			{"", "", "FEED 1 ", "2 on 1 ", ""},
		}
		if diff := gocmp.Diff(want, got); diff != "" {
			t.Errorf("benches (-want +got):\n%s", diff)
		}
		// The same trap width is known of all: one portion of the first food.
		if p := plan.GetPortions(); len(p) != 1 || p[0].GetTraps() != 6 || p[0].GetPlants() != 3 {
			t.Errorf("portions: %v", p)
		} else {
			for _, task := range plan.GetTasks() {
				if d := task.GetDue(); d != nil && (d.GetFoods()[0] != p[0].GetFood() || d.GetMaxItemLengthMm() != p[0].GetMaxItemLengthMm() ||
					slices.Contains(d.GetInstructions(), pb.DueFeeding_CUT_TO_LENGTH) != p[0].GetCut()) {
					t.Errorf("%s is fed %v, of which the portion is %v", task.GetTag(), d, p[0])
				}
			}
		}
		for _, benches := range [][]string{{"zinc"}, {"bog", "attic"}, {"bog", "zinc", "sill", "attic"}} {
			var want []planLine
			for _, task := range plan.GetTasks() {
				if slices.ContainsFunc(benches, func(id string) bool { return strings.HasSuffix(task.GetBench(), "/"+id) }) {
					want = append(want, lineOf(task))
				}
			}
			if diff := gocmp.Diff(want, linesOf(h.plan("", benches...))); diff != "" {
				t.Errorf("of %q (-want +got):\n%s", benches, diff)
			}
		}
		// Other days, again by hand.
		for _, c := range []struct {
			day  string
			want []planLine
		}{
			// What was entered on the 11th is known of its own day. What became of A3's food is
			// not known yet. B1 and C1 were not fed before, and are due since they were entered;
			// B2 is held by its treatment.
			{"2026-05-04", []planLine{
				{"CHECK_OUTCOME", "A2", "2026-04-30", "f1"}, {"CHECK_OUTCOME", "A3", "2026-05-01", "f1"}, {"CUT_STALK", "A4", "2026-05-02", "s2"},
				{"FEED", "C1", "2020-01-01", ""}, {"FEED", "B1", "2020-01-01", ""}, {"MEASURE", "B1", "2026-02-01", ""},
				{"FEED", "D1", "2026-04-30", ""}, {"CHECK_OUTCOME", "E1", "2026-05-01", "f1"},
			}},
			{"2026-05-06", []planLine{
				{"CHECK_OUTCOME", "A2", "2026-04-30", "f1"}, {"CHECK_OUTCOME", "A3", "2026-05-01", "f1"}, {"CUT_STALK", "A4", "2026-05-02", "s2"},
				{"REMOVE_MOULD", "C1", "2026-05-06", "f1"}, {"CHECK_OUTCOME", "C2", "2026-05-01", "f2"},
				{"FEED", "B1", "2020-01-01", ""}, {"MEASURE", "B1", "2026-02-01", ""}, {"FEED", "D1", "2026-04-30", ""},
				{"FEED", "E1", "2026-05-06", ""}, {"CHECK_OUTCOME", "E1", "2026-05-01", "f1"},
			}},
			// A3's mould was asked for on seven days, from the 10th to the 16th.
			{"2026-05-17", []planLine{
				{"CHECK_OUTCOME", "A2", "2026-05-10", "f2"}, {"FEED", "A1", "2026-05-11", ""}, {"CUT_STALK", "A4", "2026-05-02", "s2"},
				{"FEED", "C1", "2026-05-15", ""}, {"CHECK_OUTCOME", "C2", "2026-05-01", "f2"}, {"MEASURE", "B1", "2026-02-01", ""},
				{"FEED", "D1", "2026-04-30", ""}, {"SURVEY", "D1", "2026-04-30", ""}, {"FEED", "E1", "2026-05-06", ""},
			}},
		} {
			if diff := gocmp.Diff(c.want, linesOf(h.plan(c.day))); diff != "" {
				t.Errorf("plan of %s (-want +got):\n%s", c.day, diff)
			}
		}
		if last := linesOf(h.plan("2026-05-16")); !slices.Contains(last, planLine{"REMOVE_MOULD", "A3", "2026-05-10", "f1"}) {
			t.Errorf("plan of the seventh day: %v", last)
		}
		// A3's outcome was recorded since, of a later day: there is nothing to record of the 4th.
		for _, task := range h.plan("2026-05-04").GetTasks() {
			if known := task.GetTag() == "A3"; (task.GetCall() == nil) != known {
				t.Errorf("the call of %v is %v", lineOf(task), task.GetCall())
			}
		}
	})
}

// On a bench plants without a place come by their tags as people count, and the plan tells
// when nobody is there to feed.
func TestDayPlanOrderAndAbsence(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		k := openDesk(t, engine, "L10", "L9", "L2", "K11")
		plans := pb.NewPlanServiceClient(k.d.conn)
		plan := func(day string) *pb.DayPlan {
			t.Helper()
			m, err := plans.GetDayPlan(t.Context(), &pb.GetDayPlanRequest{Parent: k.name, AsOfDate: &day})
			if err != nil {
				t.Fatal(err)
			}
			return m
		}
		tags := func(m *pb.DayPlan) (all []string) {
			for _, task := range m.GetTasks() {
				all = append(all, task.GetTag())
			}
			return all
		}
		if got := tags(plan("2026-03-02")); !slices.Equal(got, []string{"K11", "L2", "L9", "L10"}) {
			t.Errorf("%q", got)
		}
		_, err := k.UpdateCollection(t.Context(), &pb.UpdateCollectionRequest{Collection: &pb.Collection{
			Name: k.name, Absences: []*pb.Absence{{FromDate: "2026-03-03", UntilDate: "2026-03-05"}},
		}})
		if err != nil {
			t.Fatal(err)
		}
		for day, away := range map[string]bool{"2026-03-02": false, "2026-03-03": true, "2026-03-04": true, "2026-03-05": false} {
			if m := plan(day); m.GetAbsence() != away || (len(m.GetTasks()) == 0) != away {
				t.Errorf("%s: away %v, %q", day, m.GetAbsence(), tags(m))
			}
		}
	})
}

// What is to be looked at again is known without going through all that was ever seen,
// and of a bench only its own sessions are read.
func TestDayPlanReadsLittle(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		seen, fed, planning := 0, 0, false
		h := openHouse(t, engine, func(o *store.Options) {
			o.Record = func(statement string, args []any) {
				if !planning {
					return
				}
				if strings.Contains(statement, "observations") {
					seen++
					if slices.Contains(args, any(int64(math.MinInt64))) {
						t.Errorf("it reads observations of all times: %s", statement)
					}
				}
				if strings.Contains(statement, "feedings") {
					fed++
					if !strings.Contains(statement, "plant_id IN") {
						t.Errorf("it reads sessions of all plants: %s", statement)
					}
				}
			}
		})
		planning = true
		if got := len(h.plan("", "zinc", "sill", "bog").GetTasks()); got != 8 || seen == 0 || fed == 0 {
			t.Errorf("%d tasks, %d and %d statements", got, seen, fed)
		}
	})
}

// TestDayPlanCalls does what a plan says, by the calls that it gives, through both doors:
// each task is gone then, and nothing else of other plants has changed. That is so on the
// day, late on it, before it and after it.
func TestDayPlanCalls(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		for i, now := range []string{"2026-05-11T07:00:00Z", "2026-05-11T21:30:00Z", "2026-05-02T12:00:00Z", "2026-07-01T12:00:00Z"}[:storetest.Fewer(4, 2)] {
			t.Run(now, func(t *testing.T) {
				h := openHouse(t, engine)
				at, err := time.Parse(time.RFC3339, now)
				h.must(err)
				// What was seen in the evening is done after it, not at noon.
				h.observe("B2", "zz", "2026-05-11T17:00:00Z", &pb.Observation{Fact: &pb.Observation_Stalk_{Stalk: pb.Observation_EMERGED}})
				_, err = h.calls.UpdatePlant(t.Context(), &pb.UpdatePlantRequest{Plant: &pb.Plant{Name: h.plant("B2"), Regimen: &pb.Regimen{CutStalks: proto.Bool(true)}}})
				h.must(err)
				_, err = h.calls.UpdateFeeding(t.Context(), &pb.UpdateFeedingRequest{Feeding: &pb.Feeding{Name: h.plant("A3") + "/feedings/f1", OutcomeTime: timestamppb.New(time.Date(2026, 5, 11, 18, 0, 0, 0, time.UTC))}})
				h.must(err)
				h.clock.set(at)
				plan := h.plan("2026-05-11")
				if kinds := len(pb.DayPlan_Task_Kind_name) - 1; len(plan.GetTasks()) != len(planOfHouse)+1 || kinds != 7 {
					t.Fatalf("%d tasks, %d kinds: %v", len(plan.GetTasks()), kinds, linesOf(plan))
				}
				for sent := 0; len(plan.GetTasks()) > 0; sent++ {
					task := plan.GetTasks()[(sent*5)%len(plan.GetTasks())]
					if (sent+i)%2 == 0 {
						h.overHTTP(t, t, task.GetCall())
					} else {
						h.overGRPC(t, t, task.GetCall())
					}
					after := h.plan("2026-05-11")
					others := func(m *pb.DayPlan) (out []planLine) {
						for _, one := range m.GetTasks() {
							if one.GetTag() != task.GetTag() {
								out = append(out, lineOf(one))
							}
						}
						return out
					}
					if slices.Contains(linesOf(after), lineOf(task)) {
						t.Fatalf("%v is still planned after %v", lineOf(task), task.GetCall())
					}
					if diff := gocmp.Diff(others(plan), others(after)); diff != "" {
						t.Fatalf("after %v of others:\n%s", lineOf(task), diff)
					}
					plan = after
				}
				if len(plan.GetBenches()) > 0 || len(plan.GetPortions()) > 0 {
					t.Errorf("all is done, and left is %v", plan)
				}
			})
		}
	})
}

// TestDayPlanSession feeds whole benches by the calls that the plan gives.
func TestDayPlanSession(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		h := openHouse(t, engine)
		for i, b := range h.plan("").GetBenches() {
			if b.GetCall() == nil {
				continue
			}
			if i == 0 {
				h.overHTTP(t, t, b.GetCall())
			} else {
				h.overGRPC(t, t, b.GetCall())
			}
		}
		left := slices.DeleteFunc(slices.Clone(planOfHouse), func(p planLine) bool { return p.Kind == "FEED" && p.Tag != "E1" })
		if diff := gocmp.Diff(left, linesOf(h.plan(""))); diff != "" {
			t.Errorf("after the sessions (-want +got):\n%s", diff)
		}
	})
}

// TestDayPlanOverTheStore keeps random collections as TestDueOverTheStore does. On any
// day the plan must feed what is due by the engine on the test's own record; its other
// tasks must be those that the contract's words make of that record; it must be in the
// order of the walk, whatever the size of its pages; and what its calls record must be
// gone from it. For longer: -rapid.checks=2000.
func TestDayPlanOverTheStore(t *testing.T) {
	fewChecks(t, storetest.Fewer(6, 2))
	c, err := catalogue.Load()
	if err != nil {
		t.Fatal(err)
	}
	onEngines(t, func(t *testing.T, engine store.Engine) {
		now := newClock(time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC))
		d := openStore(t, storetest.New(t, engine), service.Config{Now: now.now})
		calls, plans := clientsOf(d.conn), pb.NewPlanServiceClient(d.conn)
		rapid.Check(t, func(rt *rapid.T) {
			k := &keeper{T: rt, ctx: t.Context(), calls: calls, clock: now, catalogue: c}
			k.begin()
			for range k.n(3, 30) {
				k.act()
			}
			if p := k.livePlant(); p != nil && k.often(40) {
				k.clock.add(time.Duration(k.n(1, 100)) * time.Hour)
				k.deletePlant(p)
			}
			telling := k.tellingDays()
			for range 8 {
				k.checkPlan(plans, min(pick(k, telling), k.today()+366))
			}
			k.checkPlan(plans, k.today()+civil.Day(k.n(0, 366)))
			plan := k.checkPlan(plans, k.today())
			day := k.today()
			if k.often(50) {
				day = min(pick(k, telling), day+366)
				plan = k.checkPlan(plans, day)
			}
			for i, task := range plan.GetTasks() {
				if task.GetCall() == nil {
					continue
				}
				if i%2 == 0 {
					d.overHTTP(t, rt, task.GetCall())
				} else {
					d.overGRPC(t, rt, task.GetCall())
				}
				if left := k.walkPlan(plans, day, 1000); slices.Contains(linesOf(left), lineOf(task)) {
					k.Fatalf("%v is still planned for %s after %v", lineOf(task), day, task.GetCall())
				}
			}
		})
	})
}

// tellingDays are days on which a plan may have more than what is due: on which something
// ends, and some days after a session or an outcome; and any other.
func (k *keeper) tellingDays() []civil.Day {
	all := []civil.Day{k.today(), k.today() + civil.Day(k.n(-60, 20))}
	for _, p := range k.plants {
		_, regimen, _ := k.facts(p, k.today())
		fed, seen := p.counting()
		for _, f := range fed {
			all = append(all, k.dayOf(f.at)+civil.Day(k.n(0, 70)))
			for _, days := range regimen.GetCheckDays() {
				all = append(all, k.dayOf(f.at)+civil.Day(days))
			}
			if f.seenAt != nil {
				all = append(all, k.dayOf(*f.seenAt)+civil.Day(k.n(-1, 7)))
			}
		}
		for _, o := range seen {
			if until := o.fact.GetTreatment(); until.GetUntilDate() != "" {
				all = append(all, k.day(until.GetUntilDate()), k.day(until.GetUntilDate()))
			}
			if o.fact.GetStalk() != 0 || o.fact.GetCatchSurvey() != nil {
				all = append(all, k.dayOf(o.at)+civil.Day(k.n(0, 30)))
			}
		}
	}
	return all
}

// walkPlan walks the plan of a day by pages of a size, 0: a size that is drawn anew.
func (k *keeper) walkPlan(plans pb.PlanServiceClient, day civil.Day, size int32) *pb.DayPlan {
	k.Helper()
	req := &pb.GetDayPlanRequest{Parent: k.collection.GetName(), AsOfDate: proto.String(day.String())}
	var whole *pb.DayPlan
	for {
		req.PageSize = cmp.Or(size, k.pageSize())
		page, err := plans.GetDayPlan(k.ctx, req)
		k.must(err)
		if page.GetNextPageToken() != "" && len(page.GetTasks()) != int(req.GetPageSize()) {
			k.Fatalf("a page of %d tasks, not of %d, and more to come", len(page.GetTasks()), req.GetPageSize())
		}
		if whole == nil {
			whole = page
		} else {
			if len(page.GetBenches())+len(page.GetPortions()) > 0 {
				k.Fatalf("totals on a later page")
			}
			whole.Tasks = append(whole.Tasks, page.GetTasks()...)
		}
		if req.PageToken = page.GetNextPageToken(); req.GetPageToken() == "" {
			whole.NextPageToken = ""
			return whole
		}
	}
}

// toDo is a task that a plan must have, as the test's own record tells.
type toDo struct {
	plant          *keptPlant
	kind           pb.DayPlan_Task_Kind
	since          civil.Day
	feeding        string // ids
	observation    string
	nothingToTell  bool // its call is left out
	due            row
	traps, measure int
}

// checkPlan compares the plan of a day with the record, and returns it.
func (k *keeper) checkPlan(plans pb.PlanServiceClient, day civil.Day) *pb.DayPlan {
	k.Helper()
	k.purge()
	var all []toDo
	for _, p := range k.plants {
		if w, there := k.decide(p, day, 0); there {
			all = append(all, k.toDo(p, w, day)...)
		}
	}
	slices.SortFunc(all, k.walk)
	whole := k.walkPlan(plans, day, 1000)
	for _, size := range []int32{1, 2, 7, 0} {
		if size == 1 && len(all) > 30 {
			continue
		}
		if walked := k.walkPlan(plans, day, size); !proto.Equal(walked, whole) {
			k.Fatalf("by pages of %d the plan of %s is\n%s\nwant\n%s", size, day, messageText(walked), messageText(whole))
		}
	}
	type line struct {
		Kind, Plant, Tag, Bench, Since, Feeding, Observation string
		NothingToTell                                        bool
		Due                                                  row
		Fills                                                int // what of MEASURE is to be filled in
	}
	var want, got []line
	plants, traps := map[string]map[pb.DayPlan_Task_Kind]map[string]bool{}, map[string]int64{}
	var order []string
	for _, x := range all {
		l := line{x.kind.String(), k.plantName(x.plant), x.plant.message.GetTag(), k.standsOn(x.plant), x.since.String(), "", "", x.nothingToTell || !x.plant.deleted.IsZero(), x.due, x.measure}
		if x.feeding != "" {
			l.Feeding = l.Plant + "/feedings/" + x.feeding
		}
		if x.observation != "" {
			l.Observation = l.Plant + "/observations/" + x.observation
		}
		want = append(want, l)
		if plants[l.Bench] == nil {
			plants[l.Bench], order = map[pb.DayPlan_Task_Kind]map[string]bool{}, append(order, l.Bench)
		}
		if plants[l.Bench][x.kind] == nil {
			plants[l.Bench][x.kind] = map[string]bool{}
		}
		plants[l.Bench][x.kind][l.Plant] = true
		traps[l.Bench] += int64(x.traps)
	}
	for _, m := range whole.GetTasks() {
		l := line{m.GetKind().String(), m.GetPlant(), m.GetTag(), m.GetBench(), m.GetSinceDate(), m.GetFeeding(), m.GetObservation(), m.GetCall() == nil, row{}, 0}
		if m.GetDue() != nil {
			var err error
			l.Due, err = rowOfMessage(m.GetDue())
			k.must(err)
		}
		if m.GetKind() == pb.DayPlan_Task_MEASURE && m.GetCall() != nil {
			l.Fills = len(m.GetCall().GetFill())
		}
		if m.GetMessage() == "" {
			k.Fatalf("no words for %v", m)
		}
		got = append(got, l)
	}
	for i := range want { // nothing to fill in where there is no call
		if want[i].NothingToTell {
			want[i].Fills = 0
		}
	}
	if diff := gocmp.Diff(want, got, cmpopts.EquateEmpty(), cmpopts.IgnoreFields(reason{}, "Message")); diff != "" {
		k.Fatalf("plan of %s, today is %s (-record +answer):\n%.4000s", day, k.today(), diff)
	}
	var benches []string
	sum := int64(0)
	for _, b := range whole.GetBenches() {
		benches = append(benches, b.GetBench())
		counted, fed := map[pb.DayPlan_Task_Kind]int{}, int64(0)
		for _, total := range b.GetTotals() {
			counted[total.GetKind()] = int(total.GetPlants())
		}
		for kind, some := range plants[b.GetBench()] {
			if counted[kind] != len(some) {
				k.Fatalf("%s of %s on %d plants, not %v", kind, b.GetBench(), len(some), b.GetTotals())
			}
		}
		for _, p := range b.GetPortions() {
			fed += p.GetTraps()
		}
		if fed != traps[b.GetBench()] || len(counted) != len(plants[b.GetBench()]) || (b.GetCall() != nil) != (fed > 0 && b.GetBench() != "") {
			k.Fatalf("bench %s: %v, want %d traps on %v", b.GetBench(), b, traps[b.GetBench()], plants[b.GetBench()])
		}
		sum += fed
	}
	for _, p := range whole.GetPortions() {
		sum -= p.GetTraps()
	}
	if !slices.Equal(order, benches) || sum != 0 {
		k.Fatalf("benches %q, want %q; %d traps are in no portion of the day", benches, order, sum)
	}
	return whole
}

var numberOrNot = regexp.MustCompile(`[0-9]+|[^0-9]`)

// asPeopleCount compares tags: numbers by what they are, the rest by its letters, and a
// number before all else.
func asPeopleCount(a, b string) int {
	return slices.CompareFunc(numberOrNot.FindAllString(strings.ToLower(a), -1), numberOrNot.FindAllString(strings.ToLower(b), -1), func(a, b string) int {
		x, isX := new(big.Int).SetString(a, 10)
		y, isY := new(big.Int).SetString(b, 10)
		switch {
		case isX && isY:
			return x.Cmp(y)
		case isX:
			return cmp.Compare("0", b)
		case isY:
			return cmp.Compare(a, "0")
		}
		return cmp.Compare(a, b)
	})
}

// walk is the order of the plan, as its comment in plan.proto says.
func (k *keeper) walk(a, b toDo) int {
	place := func(x toDo) (int, string, int) {
		bench, plant := k.standsOn(x.plant), math.MaxInt
		if x.plant.message.WalkOrder != nil {
			plant = int(x.plant.message.GetWalkOrder())
		}
		if bench == "" {
			return math.MaxInt, "~", plant
		}
		i := slices.IndexFunc(k.benches, func(m *pb.Bench) bool { return m.GetName() == bench })
		if k.benches[i].WalkOrder == nil {
			return math.MaxInt, bench, plant
		}
		return int(k.benches[i].GetWalkOrder()), bench, plant
	}
	aWalk, aBench, aPlace := place(a)
	bWalk, bBench, bPlace := place(b)
	return cmp.Or(cmp.Compare(aWalk, bWalk), cmp.Compare(aBench, bBench), cmp.Compare(aPlace, bPlace),
		asPeopleCount(a.plant.message.GetTag(), b.plant.message.GetTag()), cmp.Compare(a.plant.id, b.plant.id),
		cmp.Compare(a.kind, b.kind), cmp.Compare(a.since, b.since), cmp.Compare(a.feeding+a.observation, b.feeding+b.observation))
}

// toDo returns what there is to do with a plant on a day by its record, of which w is what
// the engine says.
func (k *keeper) toDo(p *keptPlant, w want, day civil.Day) (all []toDo) {
	has := func(code pb.DueFeeding_Instruction) bool { return slices.Contains(w.Instructions, code.String()) }
	fed, seen := p.counting()
	fed = slices.DeleteFunc(fed, func(f *keptFeeding) bool { return k.dayOf(f.at) > day })
	seen = slices.DeleteFunc(seen, func(o *keptObservation) bool { return k.dayOf(o.at) > day })
	if (w.Status == "DUE" || w.Status == "OVERDUE") && w.FeedDate != nil && *w.FeedDate == day.String() && !has(pb.DueFeeding_FED_TODAY) {
		all = append(all, toDo{plant: p, kind: pb.DayPlan_Task_FEED, since: k.day(*w.DueFromDate), due: w.row, traps: w.traps})
	}
	_, regimen, _ := k.facts(p, day)
	for i, f := range fed {
		on := k.dayOf(f.at)
		seenAt := f.at
		if f.seenAt != nil {
			seenAt = *f.seenAt
		}
		if outcomeDay := k.dayOf(seenAt); f.outcome != 0 && outcomeDay <= day {
			gone := day-outcomeDay >= 7 || k.dayOf(fed[len(fed)-1].at) > outcomeDay
			for _, o := range seen {
				gone = gone || k.dayOf(o.at) > outcomeDay || o.fact.GetHealth() != nil && o.at >= seenAt
			}
			// Sessions of the last 67 days are looked at.
			if (f.outcome == pb.Feeding_MOULD || f.outcome == pb.Feeding_RESIDUE) && !gone && day-on <= 67 {
				all = append(all, toDo{plant: p, kind: pb.DayPlan_Task_REMOVE_MOULD, since: outcomeDay, feeding: f.id})
			}
			continue
		}
		days, first, is := int32(day-on), int32(math.MaxInt32), false
		for _, check := range regimen.GetCheckDays() {
			first, is = min(first, check), is || check == days
		}
		if is || days >= first && days < regimen.GetIntervalDays() && days <= 60 && i == len(fed)-1 {
			all = append(all, toDo{plant: p, kind: pb.DayPlan_Task_CHECK_OUTCOME, since: on, feeding: f.id, nothingToTell: f.outcome != 0})
		}
	}
	var survey, diameter, traps, stalk *keptObservation
	healthy := false
	for _, o := range seen {
		switch fact := o.fact.GetFact().(type) {
		case *pb.Observation_CatchSurvey_:
			survey = o
		case *pb.Observation_Measurement_:
			if fact.Measurement.RosetteDiameterMm != nil {
				diameter = o
			}
			if fact.Measurement.WorkingTraps != nil {
				traps = o
			}
		case *pb.Observation_Stalk_:
			switch fact.Stalk {
			case pb.Observation_CUT, pb.Observation_SEED_TAKEN:
				stalk = nil
			default:
				stalk = cmp.Or(stalk, o)
			}
		case *pb.Observation_Health_:
			healthy = healthy || k.dayOf(o.at) == day
		}
	}
	if has(pb.DueFeeding_CUT_STALK) {
		all = append(all, toDo{plant: p, kind: pb.DayPlan_Task_CUT_STALK, since: k.dayOf(stalk.at), observation: stalk.id})
	}
	if has(pb.DueFeeding_SURVEY_AGAIN) {
		all = append(all, toDo{plant: p, kind: pb.DayPlan_Task_SURVEY, since: k.dayOf(survey.at)})
	}
	again := toDo{plant: p, kind: pb.DayPlan_Task_MEASURE, since: civil.Never}
	if has(pb.DueFeeding_MEASURE_AGAIN) {
		again.since, again.measure = k.dayOf(diameter.at), 1
	}
	if has(pb.DueFeeding_COUNT_AGAIN) {
		again.since, again.measure = min(again.since, k.dayOf(traps.at)), again.measure+1
	}
	if again.measure > 0 {
		all = append(all, again)
	}
	for _, o := range seen {
		if o.fact.GetTreatment().GetUntilDate() == day.String() && !healthy && day-k.dayOf(o.at) <= 366 {
			all = append(all, toDo{plant: p, kind: pb.DayPlan_Task_TREATMENT_ENDS, since: k.dayOf(o.at), observation: o.id})
		}
	}
	return all
}
