package service

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/civil"
	"dewbench/service/due"
	"dewbench/service/growth"
	"dewbench/service/stats"
	"dewbench/store"
)

// Watch tells what wants a second look.
type Watch struct{ *Core }

// When something wants a second look: this product's own figures. Days are counted to
// the day asked about; what is just as old does not yet.
const (
	// longOpenDays is how long a hold, a treatment or a rest may be open: longer than a
	// winter's rest.
	longOpenDays = 120
	// surveyDays is how long a plant in the open air may go without a survey.
	surveyDays = 60
	// unseenDays is the usual time without a record after which a plant is unseen.
	unseenDays = 90
	// mouldDays is of how many days sessions are counted, the day asked about among them.
	mouldDays = 180
	// mouldLevel is the adjusted p up to which a bench is listed.
	mouldLevel = 0.05
)

// watchRow is an entry of the list with its place.
type watchRow struct {
	message *pb.WatchList_Entry
	key     watchKey
}

// watchKey is the place of an entry in the list.
type watchKey struct {
	kind, urgency int64 // what is more urgent has the smaller urgency
	bench, plant  int64 // walk orders; store.NoWalk: none
	tag, id       string
	number        int64 // of the observation that it is about, in the record of the plant; 0: of none
}

func (a watchKey) compare(b watchKey) int {
	return cmp.Or(cmp.Compare(a.kind, b.kind), cmp.Compare(a.urgency, b.urgency), cmp.Compare(a.bench, b.bench), cmp.Compare(a.plant, b.plant),
		cmp.Compare(a.tag, b.tag), cmp.Compare(a.id, b.id), cmp.Compare(a.number, b.number))
}

// parts are what a page token keeps of a key.
func (a *watchKey) parts() []any {
	return []any{&a.kind, &a.urgency, &a.bench, &a.plant, &a.tag, &a.id, &a.number}
}

// GetWatchList lists what wants a second look.
func (s *Watch) GetWatchList(ctx context.Context, req *pb.GetWatchListRequest) (*pb.WatchList, error) {
	answer := &pb.WatchList{}
	err := s.Core.read(ctx, func(v *visit) error {
		l := &listing{pages: v.pages}
		if err := l.begin(v, req); err != nil {
			return err
		}
		var from watchKey
		first, later, err := l.from(from.parts()...) // of which day the first page was
		if err != nil {
			return err
		}
		w := &watcher{visit: v, kinds: req.GetKinds()}
		begun := civil.None
		if later {
			if begun, err = begunOn(first); err != nil {
				return err
			}
		}
		if err := w.begin(req, begun); err != nil {
			return err
		}
		rows, err := w.rows()
		if err != nil {
			return err
		}
		answer.AsOfDate, answer.UnseenSinceDate = w.day.String(), w.unseenSince.String()
		if !later {
			answer.Totals = watchTotals(rows)
		} else {
			at, exact := slices.BinarySearchFunc(rows, from, func(r watchRow, key watchKey) int { return r.key.compare(key) })
			if exact {
				at++
			}
			rows = rows[at:]
		}
		var next []any
		if size := pageSize(req.GetPageSize()); len(rows) > size {
			rows = rows[:size]
			next = afterRow(int64(w.day), rows[size-1].key.parts()...)
		}
		if err := w.nameRecords(rows); err != nil {
			return err
		}
		for _, r := range rows {
			answer.Entries = append(answer.Entries, r.message)
		}
		answer.NextPageToken, err = l.token(next)
		return err
	})
	return answer, err
}

// watchTotals counts rows by kind, in the order of the list.
func watchTotals(rows []watchRow) []*pb.WatchList_Total {
	var out []*pb.WatchList_Total
	for _, r := range rows {
		if len(out) == 0 || out[len(out)-1].GetKind() != r.message.GetKind() {
			out = append(out, &pb.WatchList_Total{Kind: r.message.GetKind()})
		}
		out[len(out)-1].Entries++
	}
	return out
}

// watcher looks through a collection.
type watcher struct {
	*visit
	c                *collection
	day, unseenSince civil.Day
	kinds            []pb.WatchList_Entry_Kind // none: all
	benches          map[string]*pb.Bench
	engine           due.Engine
	found            []watchRow
	outcomes         map[string]*tally // of benches, by id; "": of no bench
}

// tally counts sessions.
type tally struct{ sessions, mouldy int }

func (w *watcher) wants(kind pb.WatchList_Entry_Kind) bool {
	return len(w.kinds) == 0 || slices.Contains(w.kinds, kind)
}

// begin opens the collection and settles the days.
func (w *watcher) begin(req *pb.GetWatchListRequest, begun civil.Day) (err error) {
	var p problems
	w.day, w.unseenSince = checkDay(&p, "asOfDate", req.GetAsOfDate()), checkDay(&p, "unseenSinceDate", req.GetUnseenSinceDate())
	if err := p.err(); err != nil {
		return err
	}
	if w.c, err = w.oneCollection(req.GetParent()); err != nil {
		return err
	}
	if w.day, err = dayAsked(w.c.today(w.at), w.day, begun, true); err != nil {
		return err
	}
	switch {
	case w.unseenSince == civil.None:
		w.unseenSince = max(civil.Min, w.day-unseenDays)
	case w.unseenSince > w.day:
		return Invalid(InvalidFields, []Violation{{"unseenSinceDate", fmt.Sprintf("must be %s at the latest: the day asked about", w.day)}})
	}
	// It reads all that is on record, which costs more than what is kept of decisions.
	plants, err := w.c.CountLiving()
	if err != nil {
		return err
	}
	if plants > mostPlants {
		return &Error{Reason: TooManyPlants, Message: fmt.Sprintf("more than %d living plants are too many for one call", mostPlants)}
	}
	w.benches, err = w.allBenches(w.c)
	return err
}

// rows returns all entries in their order.
func (w *watcher) rows() ([]watchRow, error) {
	mould := w.wants(pb.WatchList_Entry_BENCH_MOULD)
	if mould {
		w.outcomes = map[string]*tally{}
	}
	err := w.eachFacts(w.c, w.day, func(p *store.Plant, f *facts) error {
		if mould {
			w.countOutcomes(p, f)
		}
		if s, there := w.engine.Stand(&f.facts, w.day); there {
			w.look(p, &f.facts, &s)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	if mould {
		if err := w.findMould(); err != nil {
			return nil, err
		}
	}
	slices.SortFunc(w.found, func(a, b watchRow) int { return a.key.compare(b.key) })
	return w.found, nil
}

// look finds what is to be seen of a plant.
func (w *watcher) look(p *store.Plant, f *due.Facts, s *due.Standing) {
	if w.wants(pb.WatchList_Entry_SHRINKING) {
		w.findShrinking(p, s)
	}
	for _, h := range s.Holds {
		if h.Until != civil.Never || w.day-h.From <= longOpenDays {
			continue
		}
		m := &pb.WatchList_Entry{Kind: pb.WatchList_Entry_OPEN_HOLD}
		end := "End it, or leave it open on purpose: while it stands, the plant is not fed."
		switch h.Code {
		case due.OnHold:
			m.Message = fmt.Sprintf("It has been on hold since %s, without an end.", h.From)
			m.Advice = advise(pb.WatchList_Advice_END_RECORD, end)
		case due.UnderTreatment:
			m.Message = fmt.Sprintf("It has been under treatment since %s, without an end.", h.From)
			m.Advice = append(advise(pb.WatchList_Advice_REVIEW_TREATMENT, "See how the treatment did; keep to the product's label and to local rules."),
				advise(pb.WatchList_Advice_END_RECORD, end)...)
		case due.Resting:
			m.Kind = pb.WatchList_Entry_OPEN_REST
			m.Message = fmt.Sprintf("It has been at rest since %s, without an end.", h.From)
			m.Advice = advise(pb.WatchList_Advice_END_RECORD, "Record the end of the rest, or leave it open on purpose: while it stands, the plant is not fed.")
		default: // what follows from other records ends with them
			continue
		}
		if !w.wants(m.GetKind()) {
			continue
		}
		w.add(p, m, h.From, int64(h.From), int64(h.Observation))
	}
	if w.wants(pb.WatchList_Entry_NO_SURVEY) {
		w.findUnsurveyed(p, f, s)
	}
	if w.wants(pb.WatchList_Entry_UNSEEN) && s.LastKnown != civil.None && s.LastKnown < w.unseenSince {
		m := &pb.WatchList_Entry{
			Kind:    pb.WatchList_Entry_UNSEEN,
			Message: fmt.Sprintf("Nothing is on record of it since %s.", s.LastKnown),
			Advice:  advise(pb.WatchList_Advice_LOOK, "Look whether it is still there and how it is, and record it."),
		}
		w.add(p, m, s.LastKnown, int64(s.LastKnown), 0)
	}
}

// findShrinking lists a plant that was shrinking at its last measurement.
func (w *watcher) findShrinking(p *store.Plant, s *due.Standing) {
	since, last, shrinking := growth.Run(s.Diameters)
	if !shrinking {
		return
	}
	days := -1 // the index of the last day of measurement
	for i, m := range s.Diameters {
		if i == 0 || m.Day != s.Diameters[i-1].Day {
			days++
		}
	}
	j := growth.Judge(s.Diameters, days)
	share := j.LastMM / j.LargestMM
	t := &pb.WatchList_Trend{
		Measurements: int32(j.N), LastDate: last.String(), LastMm: j.LastMM, LargestMm: j.LargestMM, LastPercent: math.Round(1000*share) / 10,
	}
	m := &pb.WatchList_Entry{
		Kind: pb.WatchList_Entry_SHRINKING, Trend: t,
		Message: fmt.Sprintf("It has been shrinking since %s: on %s its rosette measured %g mm, %g %% of the %g mm that it had within 180 days.",
			since, last, j.LastMM, t.GetLastPercent(), j.LargestMM),
	}
	const month = 30
	if j.SlopeMMPerDay < 0 { // there is a trend
		slope := month * j.SlopeMMPerDay
		t.P, t.SlopeMmPerMonth = &j.P, &slope
	}
	if j.HasInterval {
		low, high := month*j.LowMMPerDay, month*j.HighMMPerDay
		t.SlopeLowMmPerMonth, t.SlopeHighMmPerMonth = &low, &high
	}
	if s.Evidence.NoPrey {
		m.Advice = append(m.Advice, advise(pb.WatchList_Advice_NO_PREY_SEEN, "The last survey found no prey: it does not feed itself.")...)
	}
	if s.Evidence.StalkUp {
		m.Advice = append(m.Advice, advise(pb.WatchList_Advice_STALK_LEFT_ON, "A flower stalk was left on: consider cutting it.")...)
	}
	if s.Evidence.NotFedLong {
		m.Advice = append(m.Advice, advise(pb.WatchList_Advice_NOT_FED_LONG, "It was not fed for two intervals: see when it is due.")...)
	}
	if len(m.GetAdvice()) == 0 {
		m.Advice = advise(pb.WatchList_Advice_CHECK_CULTURE, "Nothing on record tells why: look at its roots, water and light (common practice, no source).")
	}
	if w.day-last > due.MeasurementValidDays {
		m.Advice = append(m.Advice, advise(pb.WatchList_Advice_MEASURE_AGAIN, fmt.Sprintf("The last measurement is older than %d days: measure again.", due.MeasurementValidDays))...)
	}
	w.add(p, m, since, int64(math.Float64bits(share)), 0) // the bits of positive numbers are in their order
}

// findUnsurveyed lists a plant in the open air without a survey, if one would tell
// something: with ALWAYS it is fed and with NEVER not, whatever it catches; without an
// interval nothing is due; at rest it does not grow.
func (w *watcher) findUnsurveyed(p *store.Plant, f *due.Facts, s *due.Standing) {
	if s.OutdoorsSince == civil.None || f.TrapType == due.NoTrapType || f.Rules.HandFeed != due.IfNotCatching || f.Rules.IntervalDays == 0 || s.Rests(w.day) {
		return
	}
	since := max(s.OutdoorsSince, s.LastSurvey)
	if w.day-since <= surveyDays {
		return
	}
	m := &pb.WatchList_Entry{
		Kind:    pb.WatchList_Entry_NO_SURVEY,
		Message: fmt.Sprintf("It stands in the open air, and the last survey was on %s.", since),
		Advice:  advise(pb.WatchList_Advice_SURVEY, "Look what it catches: without a survey it is presumed to feed itself."),
	}
	if s.LastSurvey == civil.None {
		m.Message = fmt.Sprintf("It stands in the open air since %s, and nobody has surveyed it there.", since)
	}
	w.add(p, m, since, int64(since), 0)
}

func advise(code pb.WatchList_Advice_Code, sentence string) []*pb.WatchList_Advice {
	return []*pb.WatchList_Advice{{Code: code, Message: sentence}}
}

// add adds an entry about a plant.
func (w *watcher) add(p *store.Plant, m *pb.WatchList_Entry, since civil.Day, urgency, number int64) {
	m.Plant, m.Tag, m.ScientificName, m.Cultivar, m.Bench = p.GetName(), p.GetTag(), p.GetScientificName(), p.GetCultivar(), p.GetBench()
	m.SinceDate, m.Days = since.String(), int32(w.day-since)
	w.found = append(w.found, watchRow{m, watchKey{
		kind: int64(m.GetKind()), urgency: urgency, bench: benchPlace(w.benches[store.Segment(p.GetBench(), "benches")]), plant: walked(p),
		tag: natural(p.GetTag()), id: p.ID, number: number,
	}})
}

// benchOn returns the id of the bench on which a plant stood at the end of a day, or "".
func benchOn(p *store.Plant, f *facts, day civil.Day) string {
	bench := p.FirstBench
	for i, m := range f.facts.Moves {
		if m.Day > day {
			break
		}
		bench = f.benches[i]
	}
	return bench
}

// countOutcomes counts the sessions of a plant, where it stood then. What died or was
// sold since is counted too: to leave out what died of its mould would hide it.
func (w *watcher) countOutcomes(p *store.Plant, f *facts) {
	for i := range f.facts.Feedings {
		fd := &f.facts.Feedings[i]
		if fd.Day > w.day || w.day-fd.Day >= mouldDays || fd.Outcome == due.Unknown || max(fd.Day, fd.OutcomeDay) > w.day {
			continue
		}
		id := benchOn(p, f, fd.Day)
		t := w.outcomes[id]
		if t == nil {
			t = &tally{}
			w.outcomes[id] = t
		}
		t.sessions++
		if fd.Outcome == due.Mould {
			t.mouldy++
		}
	}
}

// findMould lists the benches on which mould is more frequent than elsewhere: each is
// tested against the rest of the collection by Fisher's exact test, one-sided, and the
// p-values are adjusted for all benches that are tested (those with sessions that are
// not deleted). The test takes sessions for independent. Those of one plant are not, so as
// a rule p comes out too small: a hint where to look, not a finding.
func (w *watcher) findMould() error {
	var all tally
	for _, t := range w.outcomes {
		all.sessions += t.sessions
		all.mouldy += t.mouldy
	}
	var ids []string
	var counts []*pb.WatchList_MouldCount
	var p []float64
	for id, t := range w.outcomes {
		b := w.benches[id]
		if b == nil || b.GetDeleteTime() != nil || t.sessions == all.sessions {
			continue
		}
		m := &pb.WatchList_MouldCount{
			Sessions: int32(t.sessions), Mouldy: int32(t.mouldy),
			OtherSessions: int32(all.sessions - t.sessions), OtherMouldy: int32(all.mouldy - t.mouldy),
		}
		test, err := stats.FisherExact(t.mouldy, t.sessions-t.mouldy, all.mouldy-t.mouldy, all.sessions-t.sessions-all.mouldy+t.mouldy)
		if err != nil {
			return fmt.Errorf("mould on %s: %w", b.GetName(), err)
		}
		m.P = test.PGreater
		if test.HasOddsRatio {
			m.OddsRatio = &test.OddsRatio
		}
		ids, counts, p = append(ids, id), append(counts, m), append(p, m.GetP())
	}
	adjusted, err := stats.Holm(p)
	if err != nil {
		return fmt.Errorf("mould by bench: %w", err)
	}
	first := max(civil.Min, w.day-mouldDays+1)
	for i, m := range counts {
		if m.AdjustedP = adjusted[i]; m.GetAdjustedP() > mouldLevel {
			continue
		}
		b := w.benches[ids[i]]
		k := watchKey{
			kind: int64(pb.WatchList_Entry_BENCH_MOULD), urgency: int64(math.Float64bits(m.GetAdjustedP())),
			bench: benchPlace(b), plant: store.NoWalk, id: ids[i],
		}
		w.found = append(w.found, watchRow{&pb.WatchList_Entry{
			Kind: pb.WatchList_Entry_BENCH_MOULD, Bench: b.GetName(), SinceDate: first.String(), Days: int32(w.day - first), Mould: m,
			Message: fmt.Sprintf("Since %s %d of %d sessions on this bench moulded, and %d of %d elsewhere: a hint where to look, not a finding.",
				first, m.GetMouldy(), m.GetSessions(), m.GetOtherMouldy(), m.GetOtherSessions()),
			Advice: advise(pb.WatchList_Advice_MORE_AIR_LESS_FOOD, "Give more air, and shorter items on fewer traps (common practice, no source)."),
		}, k})
	}
	return nil
}

// nameRecords names the records behind the entries of a page, and quotes them.
func (w *watcher) nameRecords(rows []watchRow) error {
	var ids []string
	for _, r := range rows {
		if r.key.number > 0 {
			ids = append(ids, r.key.id)
		}
	}
	if len(ids) == 0 {
		return nil
	}
	histories, err := w.c.Histories(ids)
	if err != nil {
		return err
	}
	for _, r := range rows {
		if r.key.number == 0 {
			continue
		}
		// As the engine has them: without moves, and by days first (due.Facts.Sort).
		var seen []*pb.Observation
		if h := histories[r.key.id]; h != nil {
			for _, o := range h.Observations {
				if o.GetMove() == nil {
					seen = append(seen, o)
				}
			}
		}
		slices.SortStableFunc(seen, func(a, b *pb.Observation) int { return cmp.Compare(w.dayOf(a), w.dayOf(b)) })
		if int64(len(seen)) < r.key.number {
			return fmt.Errorf("%s of %s since %s has no record", r.message.GetKind(), r.message.GetPlant(), r.message.GetSinceDate())
		}
		o := seen[r.key.number-1]
		r.message.Observation, r.message.Reason = o.GetName(), o.GetHold().GetReason()
		if t := o.GetTreatment(); t != nil {
			said := slices.DeleteFunc([]string{t.GetWhat(), t.GetProduct()}, func(s string) bool { return s == "" })
			r.message.Reason = strings.Join(said, ", ")
		}
	}
	return nil
}

func (w *watcher) dayOf(o *pb.Observation) civil.Day {
	return w.c.dayOf(store.Micros(o.GetObserveTime()))
}
