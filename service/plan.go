package service

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/structpb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/civil"
	"dewbench/service/due"
	"dewbench/store"
)

const (
	// checkWithinDays is how long after a session its outcome is asked for at most, in
	// days: as far as check_days reach.
	checkWithinDays = 60
	// takeOffDays is on how many days, that of the outcome the first, a plan asks to take
	// off mould or residue. Common practice, no source: what was left for a week was left
	// on purpose.
	takeOffDays = 7
	// treatmentDays is how long ago a treatment of which the end is told may have begun.
	treatmentDays = 366
)

// Plans tell what there is to do on a day.
type Plans struct{ *Core }

// GetDayPlan tells what there is to do in a collection on a day.
func (s *Plans) GetDayPlan(ctx context.Context, req *pb.GetDayPlanRequest) (*pb.DayPlan, error) {
	var answer *pb.DayPlan
	err := s.Core.read(ctx, func(v *visit) error {
		l := &listing{pages: v.pages}
		if err := l.begin(v, req); err != nil {
			return err
		}
		day, err := readAsOf(req.AsOfDate)
		if err != nil {
			return err
		}
		var from planKey
		first, later, err := l.from(from.parts()...) // of which day the first page was
		if err != nil {
			return err
		}
		c, err := v.oneCollection(req.GetParent())
		if err != nil {
			return err
		}
		var p problems
		benches, err := v.benchesAsked(&p, c, req.GetBenches())
		if err != nil {
			return err
		}
		if err := p.err(); err != nil {
			return err
		}
		begun := civil.None
		if later {
			if begun, err = begunOn(first); err != nil {
				return err
			}
		}
		if day, err = dayAsked(c.today(v.at), day, begun, true); err != nil {
			return err
		}
		tasks, err := v.planTasks(c, day, benches)
		if err != nil {
			return err
		}
		answer = c.emptyPlan(day)
		if !later {
			if err := v.sumUp(c, answer, day, tasks); err != nil {
				return err
			}
		} else {
			at, exact := slices.BinarySearchFunc(tasks, from, func(t planTask, key planKey) int { return t.key.compare(key) })
			if exact {
				at++
			}
			tasks = tasks[at:]
		}
		var next []any
		if size := pageSize(req.GetPageSize()); len(tasks) > size {
			tasks = tasks[:size]
			next = afterRow(int64(day), tasks[size-1].key.parts()...)
		}
		answer.Tasks = messagesOf(tasks)
		answer.NextPageToken, err = l.token(next)
		return err
	})
	return answer, err
}

// dayPlan tells all that there is to do in a collection on a day, in one page. benches
// are the ids of those to look at; none: all.
func (v *visit) dayPlan(c *collection, day civil.Day, benches []string) (*pb.DayPlan, error) {
	tasks, err := v.planTasks(c, day, benches)
	if err != nil {
		return nil, err
	}
	plan := c.emptyPlan(day)
	plan.Tasks = messagesOf(tasks)
	return plan, v.sumUp(c, plan, day, tasks)
}

// emptyPlan is the plan of a day on which there is nothing to do.
func (c *collection) emptyPlan(day civil.Day) *pb.DayPlan {
	date := day.String()
	return &pb.DayPlan{AsOfDate: date, Absence: slices.ContainsFunc(c.message.GetAbsences(), func(a *pb.Absence) bool {
		return a.GetFromDate() <= date && date < a.GetUntilDate()
	})}
}

// planTask is a task with its place in the plan.
type planTask struct {
	message *pb.DayPlan_Task
	key     planKey
}

func messagesOf(tasks []planTask) []*pb.DayPlan_Task {
	out := make([]*pb.DayPlan_Task, len(tasks))
	for i, t := range tasks {
		out[i] = t.message
	}
	return out
}

// planKey is the place of a task in the plan: as the grower walks.
type planKey struct {
	walk        int64 // of the bench; store.NoWalk: it has none
	noBench     int64 // 1: the plant stands on none
	place       int64 // of the plant on it; store.NoWalk: it has none
	kind, since int64
	bench       string // id
	tag         string // as people count
	plant       string // id
	of          string // name of the session or observation that it is about
}

func (a planKey) compare(b planKey) int {
	return cmp.Or(cmp.Compare(a.noBench, b.noBench), cmp.Compare(a.walk, b.walk), cmp.Compare(a.bench, b.bench),
		cmp.Compare(a.place, b.place), cmp.Compare(a.tag, b.tag), cmp.Compare(a.plant, b.plant),
		cmp.Compare(a.kind, b.kind), cmp.Compare(a.since, b.since), cmp.Compare(a.of, b.of))
}

// parts are what a page token keeps of a key.
func (a *planKey) parts() []any {
	return []any{&a.walk, &a.noBench, &a.place, &a.kind, &a.since, &a.bench, &a.tag, &a.plant, &a.of}
}

// planning gathers the tasks of a day.
type planning struct {
	*visit
	c     *collection
	d     *decider
	day   civil.Day
	some  bool                    // whether rows are those of some benches only
	rows  map[string]dueRow       // what is due, of each plant that is looked at, by its id
	known map[string]*store.Plant // plants, by id, as far as they had to be read
	tasks []planTask
}

// planTasks tells what there is to do on a day, in the order of the plan. benches are
// the ids of those to look at; none: all.
func (v *visit) planTasks(c *collection, day civil.Day, benches []string) ([]planTask, error) {
	if _, err := v.mayDecide(c, day, 0, askAgain); err != nil {
		return nil, err
	}
	var only []Condition
	if len(benches) == 1 {
		only = []Condition{{Field: "bench", Op: "=", Value: store.BenchName(c.ID(), benches[0])}}
	}
	rows, err := v.dueRows(c, day, 0, only)
	if err != nil {
		return nil, err
	}
	d, err := v.decider(c, day)
	if err != nil {
		return nil, err
	}
	p := &planning{visit: v, c: c, d: d, day: day, some: len(benches) > 0, rows: map[string]dueRow{}, known: map[string]*store.Plant{}}
	for _, r := range rows {
		if len(benches) == 0 || slices.Contains(benches, store.Segment(r.message.GetBench(), "benches")) {
			p.rows[r.key.id] = r
		}
	}
	if day < c.today(v.at) { // those that were deleted since can be told nothing
		if err := p.read(slices.Sorted(maps.Keys(p.rows))); err != nil {
			return nil, err
		}
	}
	for _, gather := range []func() error{p.feed, p.look, p.sessions, p.treatments} {
		if err := gather(); err != nil {
			return nil, err
		}
		if err := v.ctx.Err(); err != nil {
			return nil, err
		}
	}
	slices.SortFunc(p.tasks, func(a, b planTask) int { return a.key.compare(b.key) })
	return p.tasks, nil
}

// read reads plants.
func (p *planning) read(ids []string) error {
	some, err := p.c.PlantsByID(ids)
	for id, plant := range some {
		p.known[id] = plant
	}
	return err
}

// span returns instants that enclose the days from from to the planned one: noons, as
// zones have changed at midnight. What lies outside of the days is left out by its day.
func (p *planning) span(from civil.Day) (fromUs, untilUs int64) {
	return (from - 1).Noon(p.c.zone).UnixMicro(), (p.day + 1).Noon(p.c.zone).UnixMicro()
}

// add adds a task of a plant for which there is reason since a day. of is what it is
// about, by its name; call is left out where the plant was deleted since.
func (p *planning) add(plant string, kind pb.DayPlan_Task_Kind, since civil.Day, of, message string, call *pb.DayPlan_Call) *pb.DayPlan_Task {
	r := p.rows[plant]
	m := &pb.DayPlan_Task{
		Kind: kind, Plant: r.message.GetPlant(), Tag: r.message.GetTag(), ScientificName: r.message.GetScientificName(),
		Cultivar: r.message.GetCultivar(), Bench: r.message.GetBench(), SinceDate: date(since), Message: message, Call: call,
	}
	if known := p.known[plant]; known != nil && known.GetDeleteTime() != nil {
		m.Call = nil
	}
	key := planKey{
		walk: r.key.bench, place: r.key.plant, kind: int64(kind), since: int64(since),
		bench: store.Segment(m.GetBench(), "benches"), tag: natural(m.GetTag()), plant: plant, of: of,
	}
	if key.bench == "" {
		key.noBench = 1
	}
	p.tasks = append(p.tasks, planTask{m, key})
	return m
}

// feeds tells whether a row is of a plant to be fed on the day.
func (p *planning) feeds(m *pb.DueFeeding) bool {
	isDue := m.GetStatus() == pb.DueFeeding_DUE || m.GetStatus() == pb.DueFeeding_OVERDUE
	return isDue && m.GetFeedDate() == p.day.String() && !instructed(m, pb.DueFeeding_FED_TODAY)
}

func instructed(m *pb.DueFeeding, all ...pb.DueFeeding_Instruction) bool {
	return slices.ContainsFunc(all, func(i pb.DueFeeding_Instruction) bool { return slices.Contains(m.GetInstructions(), i) })
}

// feed adds the plants to feed.
func (p *planning) feed() error {
	for id, r := range p.rows {
		m := r.message
		if !p.feeds(m) {
			continue
		}
		since, err := civil.Parse(m.GetDueFromDate())
		if err != nil {
			return fmt.Errorf("the window of %s: %w", m.GetPlant(), err)
		}
		call, err := callOfTask(pb.FeedingService_CreateFeeding_FullMethodName, "POST", m.GetPlant()+"/feedings",
			map[string]any{"fedDate": p.day.String(), "trapsFed": m.GetTraps()}, "food")
		if err != nil {
			return err
		}
		p.add(id, pb.DayPlan_Task_FEED, since, "", feedSentence(m), call).Due = m
	}
	return nil
}

// look adds stalks to cut, and what is to be looked at again. When that was last looked
// at stands in the records that are kept, so that no history is read.
func (p *planning) look() error {
	var ids []string
	for id, r := range p.rows {
		if instructed(r.message, pb.DueFeeding_CUT_STALK, pb.DueFeeding_SURVEY_AGAIN, pb.DueFeeding_MEASURE_AGAIN, pb.DueFeeding_COUNT_AGAIN) {
			ids = append(ids, id)
		}
	}
	if len(ids) == 0 {
		return nil
	}
	slices.Sort(ids)
	if err := p.read(ids); err != nil {
		return err
	}
	before, err := p.c.KeptDue(ids)
	if err != nil {
		return err
	}
	plants, kept := make([]*store.Plant, len(ids)), make([]*store.Due, len(ids))
	for i, id := range ids {
		if plants[i], kept[i] = p.known[id], before[id]; plants[i] == nil {
			return fmt.Errorf("%s is due and is not there", store.PlantName(p.c.ID(), id))
		}
	}
	stalks := map[string]lastLooks{}
	err = p.decideAnew(p.c, p.d, plants, kept, func(i int, f *facts, _ *store.Due) error {
		l := looksOf(&f.facts, p.day)
		if l.stalkUp && instructed(p.rows[ids[i]].message, pb.DueFeeding_CUT_STALK) {
			stalks[ids[i]] = l
		}
		return p.lookAt(ids[i], &l)
	})
	if err != nil {
		return err
	}
	return p.cutStalks(stalks)
}

// lastLooks is when some things were last looked at; civil.None: never.
type lastLooks struct {
	survey, diameter, traps civil.Day
	stalkUp                 bool
	stalkUs, lastStalkUs    int64 // when the stalk that is up was first seen, and last
}

// looksOf finds in the record of a plant when things were last looked at, up to a day.
func looksOf(f *due.Facts, day civil.Day) lastLooks {
	l := lastLooks{survey: civil.None, diameter: civil.None, traps: civil.None}
	for i := range f.Observations {
		o := &f.Observations[i]
		if o.Day > day {
			break
		}
		switch o.Kind {
		case due.Stalk:
			if o.StalkUp && !l.stalkUp {
				l.stalkUs = o.Time
			}
			l.stalkUp, l.lastStalkUs = o.StalkUp, o.Time
		case due.Surveyed:
			l.survey = o.Day
		case due.Measured:
			if o.DiameterMM > 0 {
				l.diameter = o.Day
			}
			if o.WorkingTraps != due.NotCounted {
				l.traps = o.Day
			}
		}
	}
	return l
}

// cutStalks adds the stalks that are up, which it names.
func (p *planning) cutStalks(stalks map[string]lastLooks) error {
	if len(stalks) == 0 {
		return nil
	}
	from, until := int64(math.MaxInt64), int64(math.MinInt64)
	for _, l := range stalks {
		from, until = min(from, l.stalkUs), max(until, l.lastStalkUs+1)
	}
	seen, err := p.c.Seen(slices.Sorted(maps.Keys(stalks)), []store.FactKind{store.Stalk}, from, until)
	if err != nil {
		return err
	}
	for id, l := range stalks {
		var up *pb.Observation
		for _, o := range seen[id] {
			switch us := store.Micros(o.GetObserveTime()); {
			case us < l.stalkUs || us > l.lastStalkUs:
			case o.GetStalk() == pb.Observation_CUT, o.GetStalk() == pb.Observation_SEED_TAKEN:
				up = nil
			case up == nil:
				up = o
			}
		}
		if up == nil {
			return fmt.Errorf("the stalk of %s has no record", store.PlantName(p.c.ID(), id))
		}
		day := p.c.dayOf(l.stalkUs)
		call, err := p.observe(p.rows[id].message.GetPlant(), l.lastStalkUs+1, map[string]any{"stalk": pb.Observation_CUT.String()})
		if err != nil {
			return err
		}
		p.add(id, pb.DayPlan_Task_CUT_STALK, day, up.GetName(),
			fmt.Sprintf("Cut the flower stalk, which was seen on %s.", day), call).Observation = up.GetName()
	}
	return nil
}

// lookAt adds what is to be looked at again of a plant.
func (p *planning) lookAt(id string, l *lastLooks) error {
	m := p.rows[id].message
	if instructed(m, pb.DueFeeding_SURVEY_AGAIN) && l.survey != civil.None {
		call, err := p.observe(m.GetPlant(), math.MinInt64, map[string]any{"catchSurvey": map[string]any{}}, "catchSurvey.trapsExamined", "catchSurvey.preyFound")
		if err != nil {
			return err
		}
		p.add(id, pb.DayPlan_Task_SURVEY, l.survey, "", fmt.Sprintf("Look again what it catches: the last survey was on %s.", l.survey), call)
	}
	var what, fill []string
	since := civil.Never
	if instructed(m, pb.DueFeeding_MEASURE_AGAIN) && l.diameter != civil.None {
		since = min(since, l.diameter)
		what = append(what, fmt.Sprintf("Measure its diameter again: the last time was on %s.", l.diameter))
		fill = append(fill, "measurement.rosetteDiameterMm")
	}
	if instructed(m, pb.DueFeeding_COUNT_AGAIN) && l.traps != civil.None {
		since = min(since, l.traps)
		what = append(what, fmt.Sprintf("Count its working traps again: the last time was on %s.", l.traps))
		fill = append(fill, "measurement.workingTraps")
	}
	if len(fill) > 0 {
		call, err := p.observe(m.GetPlant(), math.MinInt64, map[string]any{"measurement": map[string]any{}}, fill...)
		if err != nil {
			return err
		}
		p.add(id, pb.DayPlan_Task_MEASURE, since, "", strings.Join(what, " "), call)
	}
	return nil
}

// sessions adds the sessions of which the outcome is to be looked at, and those of which
// something is to be taken off.
func (p *planning) sessions() error {
	from, until := p.span(p.day - checkWithinDays - takeOffDays)
	var of []string // all plants
	if p.some {
		of = slices.AppendSeq(make([]string, 0, len(p.rows)), maps.Keys(p.rows))
	}
	all, err := p.c.Sessions(of, from, until)
	if err != nil {
		return err
	}
	last := map[string]store.Session{} // of each plant, of those up to the end of the day
	var open, left []store.Session
	var openPlants, leftPlants []string
	for _, s := range all {
		if _, there := p.rows[s.Plant]; !there || p.c.dayOf(s.FedUs) > p.day {
			continue
		}
		last[s.Plant] = s
		known := s.Outcome != pb.Feeding_OUTCOME_UNSPECIFIED && p.c.dayOf(s.OutcomeUs) <= p.day
		switch ago := p.day - p.c.dayOf(s.FedUs); {
		case !known && ago > 0 && ago <= checkWithinDays:
			open, openPlants = append(open, s), append(openPlants, s.Plant)
		case known && (s.Outcome == pb.Feeding_MOULD || s.Outcome == pb.Feeding_RESIDUE) && p.day-p.c.dayOf(s.OutcomeUs) < takeOffDays:
			left, leftPlants = append(left, s), append(leftPlants, s.Plant)
		}
	}
	if err := p.check(open, openPlants, last); err != nil {
		return err
	}
	return p.takeOff(left, leftPlants, last)
}

// check adds those of the open sessions that are to be looked at.
func (p *planning) check(open []store.Session, plants []string, last map[string]store.Session) error {
	if err := p.read(plants); err != nil {
		return err
	}
	rules := map[string]due.Rules{}
	for _, s := range open {
		plant := p.known[s.Plant]
		if plant == nil {
			return fmt.Errorf("%s has a session and is not there", store.PlantName(p.c.ID(), s.Plant))
		}
		r, resolved := rules[s.Plant]
		if !resolved {
			plant.Bench = p.rows[s.Plant].message.GetBench() // where it stands by now, whatever its row tells yet
			r = p.d.facts(plant, nil).facts.Rules
			rules[s.Plant] = r
		}
		fed := p.c.dayOf(s.FedUs)
		if !toCheck(&r, int(p.day-fed), last[s.Plant] != s) {
			continue
		}
		name := store.FeedingName(p.c.ID(), s.Plant, s.ID)
		var (
			call *pb.DayPlan_Call
			err  error
		)
		if s.Outcome == pb.Feeding_OUTCOME_UNSPECIFIED { // else it was recorded since, of a later day
			call, err = callOfTask(pb.FeedingService_UpdateFeeding_FullMethodName, "PATCH", name, map[string]any{"outcomeDate": p.day.String()}, "outcome")
			if err != nil {
				return err
			}
		}
		p.add(s.Plant, pb.DayPlan_Task_CHECK_OUTCOME, fed, name, fmt.Sprintf("Look what became of the food of %s.", fed), call).Feeding = name
	}
	return nil
}

// toCheck tells whether to look at a session of unknown outcome some days after it: on
// each of the check days, and from the first of them on every day of the interval,
// unless the plant was fed again.
func toCheck(r *due.Rules, days int, fedAgain bool) bool {
	if len(r.CheckDays) == 0 {
		return false
	}
	return slices.Contains(r.CheckDays, days) || !fedAgain && days >= slices.Min(r.CheckDays) && days < r.IntervalDays
}

// takeOff adds the sessions that left mould or residue, until it was taken off: until
// the plant has an observation of its health since, or anything on record of a later
// day.
func (p *planning) takeOff(left []store.Session, plants []string, last map[string]store.Session) error {
	from, until := p.span(p.day - takeOffDays)
	seen, err := p.c.Seen(plants, nil, from, until)
	if err != nil {
		return err
	}
	for _, s := range left {
		day := p.c.dayOf(s.OutcomeUs)
		done := p.c.dayOf(last[s.Plant].FedUs) > day || slices.ContainsFunc(seen[s.Plant], func(o *pb.Observation) bool {
			us := store.Micros(o.GetObserveTime())
			on := p.c.dayOf(us)
			return on <= p.day && (on > day || o.GetHealth() != nil && us >= s.OutcomeUs)
		})
		if done {
			continue
		}
		text, message := "Mould taken off.", fmt.Sprintf("Take off the mould that was seen on %s.", day)
		if s.Outcome == pb.Feeding_RESIDUE {
			text, message = "Remains of the food taken off.", fmt.Sprintf("Take off what is left of the food, seen on %s.", day)
		}
		call, err := p.observe(p.rows[s.Plant].message.GetPlant(), s.OutcomeUs, map[string]any{"health": map[string]any{"text": text}})
		if err != nil {
			return err
		}
		name := store.FeedingName(p.c.ID(), s.Plant, s.ID)
		p.add(s.Plant, pb.DayPlan_Task_REMOVE_MOULD, day, name, message, call).Feeding = name
	}
	return nil
}

// treatments adds the treatments that end on the day, of plants whose health was not
// looked at on it.
func (p *planning) treatments() error {
	from, until := p.span(p.day - treatmentDays)
	all, err := p.c.Treatments(p.day.String(), from, until)
	if err != nil {
		return err
	}
	var plants []string
	for _, o := range all {
		plants = append(plants, store.Segment(o.GetName(), "plants"))
	}
	from, until = p.span(p.day)
	seen, err := p.c.Seen(plants, []store.FactKind{store.Health}, from, until)
	if err != nil {
		return err
	}
	for i, o := range all {
		id, began := plants[i], p.c.dayOf(store.Micros(o.GetObserveTime()))
		if _, there := p.rows[id]; !there || began > p.day {
			continue
		}
		if slices.ContainsFunc(seen[id], func(o *pb.Observation) bool { return p.c.dayOf(store.Micros(o.GetObserveTime())) == p.day }) {
			continue
		}
		with := ""
		if words := cmp.Or(o.GetTreatment().GetProduct(), o.GetTreatment().GetWhat()); words != "" {
			with = fmt.Sprintf(" (%s)", short(words))
		}
		call, err := p.observe(p.rows[id].message.GetPlant(), math.MinInt64, map[string]any{"health": map[string]any{}}, "health.text")
		if err != nil {
			return err
		}
		p.add(id, pb.DayPlan_Task_TREATMENT_ENDS, began, o.GetName(),
			fmt.Sprintf("The treatment of %s%s ends: see how the plant stands. Whether it may be handled yet is for the label and local rules to say.", began, with),
			call).Observation = o.GetName()
	}
	return nil
}

// observe is the call that records an observation of a plant: of the day, or where noon
// of it lies before an instant, of that instant.
func (p *planning) observe(plant string, notBefore int64, fact map[string]any, fill ...string) (*pb.DayPlan_Call, error) {
	if noon := p.day.Noon(p.c.zone).UnixMicro(); noon >= notBefore {
		fact["observeDate"] = p.day.String()
	} else {
		fact["observeTime"] = time.UnixMicro(notBefore).UTC().Format(time.RFC3339Nano)
	}
	return callOfTask(pb.ObservationService_CreateObservation_FullMethodName, "POST", plant+"/observations", fact, fill...)
}

// callOfTask returns a call by its gRPC method, and where it is over HTTP.
func callOfTask(method, httpMethod, name string, body map[string]any, fill ...string) (*pb.DayPlan_Call, error) {
	fields, err := structpb.NewStruct(body)
	if err != nil {
		return nil, fmt.Errorf("body of %s: %w", method, err)
	}
	return &pb.DayPlan_Call{Rpc: strings.TrimPrefix(method, "/"), HttpMethod: httpMethod, Path: "/v1/" + name, Body: fields, Fill: fill}, nil
}

func feedSentence(m *pb.DueFeeding) string {
	text := fmt.Sprintf("Feed %d traps", m.GetTraps())
	if m.GetTraps() == 1 {
		text = "Feed 1 trap"
	}
	if m.MaxItemLengthMm != nil {
		text += fmt.Sprintf(", items of %g mm at most", m.GetMaxItemLengthMm())
	}
	if m.GetStatus() == pb.DueFeeding_OVERDUE {
		return fmt.Sprintf("%s: it was due from %s to %s.", text, m.GetDueFromDate(), m.GetDueLastDate())
	}
	return fmt.Sprintf("%s: it is due from %s to %s.", text, m.GetDueFromDate(), m.GetDueLastDate())
}

// sumUp tells what there is to do bench by bench, and what to bring.
func (v *visit) sumUp(c *collection, plan *pb.DayPlan, day civil.Day, tasks []planTask) error {
	benches, err := v.allBenches(c)
	if err != nil {
		return err
	}
	all := portions{}
	for len(tasks) > 0 {
		name := tasks[0].message.GetBench()
		n := slices.IndexFunc(tasks, func(t planTask) bool { return t.message.GetBench() != name })
		if n < 0 {
			n = len(tasks)
		}
		b := benches[store.Segment(name, "benches")]
		m := &pb.DayPlan_BenchPlan{Bench: name, DisplayName: b.GetDisplayName()}
		plants, own := map[pb.DayPlan_Task_Kind]map[string]bool{}, portions{}
		for _, t := range tasks[:n] {
			kind := t.message.GetKind()
			if plants[kind] == nil {
				plants[kind] = map[string]bool{}
			}
			plants[kind][t.message.GetPlant()] = true
			if kind == pb.DayPlan_Task_FEED {
				own.add(t.message.GetDue())
				all.add(t.message.GetDue())
			}
		}
		for kind := pb.DayPlan_Task_FEED; int(kind) < len(pb.DayPlan_Task_Kind_name); kind++ {
			if some := len(plants[kind]); some > 0 {
				m.Totals = append(m.Totals, &pb.DayPlan_Total{Kind: kind, Plants: int32(some)})
			}
		}
		m.Portions = own.list()
		if len(own) > 0 && b != nil && b.GetDeleteTime() == nil {
			if m.Call, err = callOfTask(pb.SessionService_RecordSession_FullMethodName, "POST", name+":recordSession", map[string]any{"fedDate": day.String()}, "food"); err != nil {
				return err
			}
		}
		plan.Benches = append(plan.Benches, m)
		tasks = tasks[n:]
	}
	plan.Portions = all.list()
	return nil
}

// portions are what to bring, by food, length and whether it must be cut.
type portions map[portionKey]*pb.DayPlan_Portion

type portionKey struct {
	food   string
	length float64 // mm; math.Inf(1): no limit is known
	cut    bool
}

// add adds what a plant is fed. It counts with the first of its foods.
func (p portions) add(m *pb.DueFeeding) {
	key := portionKey{length: math.Inf(1), cut: instructed(m, pb.DueFeeding_CUT_TO_LENGTH)}
	if len(m.GetFoods()) > 0 {
		key.food = m.GetFoods()[0]
	}
	if m.MaxItemLengthMm != nil {
		key.length = m.GetMaxItemLengthMm()
	}
	if p[key] == nil {
		p[key] = &pb.DayPlan_Portion{Food: key.food, MaxItemLengthMm: m.MaxItemLengthMm, Cut: key.cut}
	}
	p[key].Traps += int64(m.GetTraps())
	p[key].Plants++
}

// list returns the portions by food, then by length, the shortest first.
func (p portions) list() []*pb.DayPlan_Portion {
	keys := slices.SortedFunc(maps.Keys(p), func(a, b portionKey) int {
		byCut := 0
		if a.cut != b.cut {
			byCut = 1
			if b.cut {
				byCut = -1
			}
		}
		return cmp.Or(cmp.Compare(a.food, b.food), cmp.Compare(a.length, b.length), byCut)
	})
	var out []*pb.DayPlan_Portion
	for _, key := range keys {
		out = append(out, p[key])
	}
	return out
}
