package service

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/catalogue"
	"dewbench/service/civil"
	"dewbench/service/due"
	"dewbench/store"
)

const (
	// aheadDays is how far ahead of today a single collection can be asked about.
	aheadDays = 366
	// aheadOfAll is the same for all collections of the caller's at once.
	aheadOfAll = 31
	// mostCollections is how many collections one list looks at.
	mostCollections = 100
	// mostPlants is about how many plants one list decides anew.
	mostPlants = 20_000
)

// dueRow is a row of the list with what it is sorted by.
type dueRow struct {
	message *pb.DueFeeding
	key     dueKey
}

// dueKey is the place of a row in the list.
type dueKey struct {
	status          int64
	last            int64 // last day of the window; store.NoDay: none
	bench, plant    int64 // walk orders; store.NoWalk: none
	tag, collection string
	id              string
}

func (a dueKey) compare(b dueKey) int {
	return cmp.Or(cmp.Compare(a.status, b.status), cmp.Compare(a.last, b.last), cmp.Compare(a.bench, b.bench),
		cmp.Compare(a.plant, b.plant), cmp.Compare(a.tag, b.tag), cmp.Compare(a.id, b.id), cmp.Compare(a.collection, b.collection))
}

// parts are what a page token keeps of a key.
func (a *dueKey) parts() []any {
	return []any{&a.status, &a.last, &a.bench, &a.plant, &a.tag, &a.id, &a.collection}
}

// usualStatuses are those that a list shows that asks for none.
var usualStatuses = []pb.DueFeeding_Status{pb.DueFeeding_OVERDUE, pb.DueFeeding_DUE, pb.DueFeeding_UPCOMING, pb.DueFeeding_HELD}

var dueFields = Fields{
	"bench": benchField,
	"taxon": TextField,
	"genus": TextField,
	"tag":   TextField,

	"status": Elsewhere("statuses"),
}

// ListDueFeedings lists what is due.
func (s *Due) ListDueFeedings(ctx context.Context, req *pb.ListDueFeedingsRequest) (*pb.ListDueFeedingsResponse, error) {
	q, err := s.dueAsked(ctx, req)
	if err != nil {
		if ended := s.Core.read(ctx, (*visit).recheck); ended != nil {
			return nil, ended // who may not call any more learns nothing
		}
		return nil, err
	}
	answer, err := s.dueNow(ctx, q)
	if !errors.Is(err, store.ErrLong) {
		return answer, fromStore(err)
	}
	err = s.Core.read(ctx, func(v *visit) error {
		if err := v.recheck(); err != nil {
			return err
		}
		if q.after == nil {
			q.at = v.at
		}
		ids := []string{q.collection}
		if !q.single {
			var err error
			if ids, err = v.ownCollections(); err != nil {
				return err
			}
			if len(ids) > mostCollections {
				return tooManyCollections(len(ids), "ask for one at a time")
			}
		}
		answer = &pb.ListDueFeedingsResponse{}
		var rows []dueRow
		computed := 0
		for _, id := range ids {
			c, err := v.collection(id)
			if err != nil {
				return err
			}
			if err := q.on(c.zone); err != nil {
				return err
			}
			if q.single {
				answer.AsOfDate = date(q.day)
			}
			var some []dueRow
			if some, answer.Totals, computed, err = v.duePage(c, q, computed); err != nil {
				return err
			}
			rows = append(rows, some...)
		}
		slices.SortFunc(rows, func(a, b dueRow) int { return a.key.compare(b.key) })
		if q.asOf != civil.None {
			answer.AsOfDate = date(q.asOf)
		}
		return q.fill(answer, rows)
	})
	return answer, err
}

// dueAsked is what a list asks, as far as the request tells.
type dueAsked struct {
	*listing
	collection string // id; of a single one
	single     bool
	asOf       civil.Day // civil.None: today
	begun      civil.Day // of a later page of a single collection: the day of the first
	day        civil.Day // where the collection is; see on
	at         time.Time // when it was asked, of all collections when the first page was
	horizon    int
	statuses   []pb.DueFeeding_Status // in their order
	conditions []Condition
	after      *dueKey // nil: from the first
	size       int
}

func (s *Due) dueAsked(ctx context.Context, req *pb.ListDueFeedingsRequest) (*dueAsked, error) {
	conditions, err := ParseFilter(req.GetFilter(), dueFields)
	if err != nil {
		return nil, err
	}
	q := &dueAsked{
		listing: &listing{pages: s.pages}, collection: store.Segment(req.GetParent(), "collections"), at: s.now(),
		horizon: UsualHorizonDays, statuses: usualStatuses, conditions: conditions, size: pageSize(req.GetPageSize()), begun: civil.None,
	}
	if err := q.begin(&visit{Core: s.Core, ctx: ctx, call: callOf(ctx), at: q.at}, req); err != nil {
		return nil, err
	}
	q.single = !isDash(q.collection)
	if q.asOf, err = readAsOf(req.AsOfDate); err != nil {
		return nil, err
	}
	var key dueKey
	first, later, err := q.from(key.parts()...) // of which day the first page was, or when it was asked for
	if err != nil {
		return nil, err
	}
	if later {
		switch at := time.UnixMicro(first); {
		case q.single:
			if q.begun, err = begunOn(first); err != nil {
				return nil, err
			}
		case q.at.Sub(at).Abs() > oldestPage:
			return nil, badPageToken()
		default:
			q.at = at
		}
		q.after = &key
	}
	if req.HorizonDays != nil {
		q.horizon = int(req.GetHorizonDays())
	}
	if len(req.GetStatuses()) > 0 {
		q.statuses = slices.Sorted(slices.Values(req.GetStatuses()))
	}
	return q, nil
}

// oldestPage is how long pages of all collections can be asked for after the first.
const oldestPage = 24 * time.Hour

// on settles which day is asked about where a collection is.
func (q *dueAsked) on(zone *time.Location) (err error) {
	q.day, err = dayAsked(civil.Of(q.at, zone), q.asOf, q.begun, q.single)
	return err
}

// fill puts a page of rows, which are in order and of which there may be more, into the
// answer. Its token keeps the day, or of all collections the moment: as coarse as their
// days allow, so that the same page has the same token, as zones differ by quarters of an
// hour.
func (q *dueAsked) fill(answer *pb.ListDueFeedingsResponse, rows []dueRow) (err error) {
	var next []any
	if len(rows) > q.size {
		rows = rows[:q.size]
		first := int64(q.day)
		if !q.single {
			first = q.at.Truncate(15 * time.Minute).UnixMicro()
		}
		next = afterRow(first, rows[q.size-1].key.parts()...)
	}
	answer.DueFeedings = make([]*pb.DueFeeding, len(rows))
	for i, r := range rows {
		answer.DueFeedings[i] = r.message
	}
	answer.NextPageToken, err = q.token(next)
	return err
}

// kept is what the list asks of what is kept of a collection. ok is false if that
// cannot be asked.
func (q *dueAsked) kept(collection string) (ask store.DueQuery, ok bool) {
	ask = store.DueQuery{Day: int32(q.day), Horizon: int32(q.horizon), Statuses: q.statuses, Limit: q.size + 1}
	for _, x := range q.conditions {
		if x.Field == "genus" { // is compared in a form that no column has
			return ask, false
		}
		ask.Where = append(ask.Where, store.Condition{Field: x.Field, Op: x.Op, Value: x.Value})
	}
	var none bool
	if ask.Where, none = onBenches(collection, ask.Where); none {
		ask.Statuses = nil
	}
	if after := q.after; after != nil {
		ask.After = &store.DueKey{
			Status: pb.DueFeeding_Status(after.status), Last: int32(min(after.last, store.NoDay)), BenchWalk: int32(min(after.bench, store.NoWalk)),
			PlantWalk: int32(min(after.plant, store.NoWalk)), TagKey: after.tag, Plant: after.id,
		}
		ask.From = collection > after.collection // a plant of another collection may have the same key
	}
	return ask, true
}

// dueNow answers in one round trip, if all that is kept is true; else it returns
// store.ErrLong.
func (s *Due) dueNow(ctx context.Context, q *dueAsked) (*pb.ListDueFeedingsResponse, error) {
	zone, known := s.zones.Load(q.collection)
	if !known {
		return nil, store.ErrLong
	}
	if err := q.on(zone.(*time.Location)); err != nil {
		return nil, store.ErrLong // it may stand in another zone by now
	}
	ask, ok := q.kept(q.collection)
	if !ok {
		return nil, store.ErrLong
	}
	call := callOf(ctx)
	if call.caller.hash == nil {
		return nil, store.ErrLong // an access token of an issuer was judged, and has no row
	}
	got, err := s.store.DueNow(ctx, q.collection, call.caller.Grower, call.caller.Token, call.caller.hash, ask, q.after == nil)
	if errors.Is(err, store.ErrLong) {
		return nil, err
	}
	now := s.now().UnixMicro()
	if err != nil {
		return nil, judge(nil, err, now)
	}
	if err := judge(got.Bearer, nil, now); err != nil {
		return nil, err
	}
	if got.Collection == nil {
		s.zones.Delete(q.collection)
	}
	is := Stranger
	if got.Collection != nil {
		is = relation(got.Ties())
	}
	if err := refuses(call.rule.Least, is, CollectionNotFound, store.CollectionName(q.collection)); err != nil {
		return nil, err
	}
	if got.Deleted() || got.TimeZone() != zone.(*time.Location).String() || !got.AllTrue(s.version, int32(q.day)) {
		return nil, store.ErrLong
	}
	rows, err := s.dueEntries(q, q.collection, got.Entries)
	if err != nil {
		return nil, err
	}
	answer := &pb.ListDueFeedingsResponse{AsOfDate: date(q.day), Totals: dueTotals(got.Totals)}
	return answer, q.fill(answer, rows)
}

// dueEntries returns what is kept as rows.
func (s *Due) dueEntries(q *dueAsked, collection string, all []store.DueEntry) ([]dueRow, error) {
	rows := make([]dueRow, len(all))
	for i := range all {
		e := &all[i]
		m, err := s.shown(e.Decision, civil.Day(e.From), q.day, q.horizon)
		if err != nil {
			return nil, fmt.Errorf("what is kept of %s: %w", store.PlantName(collection, e.Key.Plant), err)
		}
		m.Plant, m.Tag, m.ScientificName, m.Cultivar = store.PlantName(collection, e.Key.Plant), e.Tag, e.ScientificName, e.Cultivar
		m.Bench = store.BenchName(collection, e.Bench)
		rows[i] = dueRow{m, dueKey{
			status: int64(e.Status), last: int64(e.Key.Last), bench: int64(e.Key.BenchWalk), plant: int64(e.Key.PlantWalk),
			tag: e.Key.TagKey, id: e.Key.Plant, collection: collection,
		}}
	}
	return rows, nil
}

// dueTotals returns what was counted.
func dueTotals(all []store.DueTotal) (out []*pb.ListDueFeedingsResponse_Total) {
	for _, t := range all {
		if t.Plants > 0 {
			out = append(out, &pb.ListDueFeedingsResponse_Total{Status: t.Status, Plants: int32(t.Plants), Traps: t.Traps})
		}
	}
	slices.SortFunc(out, func(a, b *pb.ListDueFeedingsResponse_Total) int { return cmp.Compare(a.GetStatus(), b.GetStatus()) })
	return out
}

// mayDecide adds to before about how many plants of a collection is to be decided anew
// for a day, and refuses the call if that is more than it may. What is kept of a plant
// costs little to read, dead or alive.
func (v *visit) mayDecide(c *collection, day civil.Day, before int, hint string) (int, error) {
	n, err := c.CountUntrue(v.version, int32(day))
	if err != nil {
		return 0, err
	}
	if n += before; n > mostPlants {
		return 0, &Error{Reason: TooManyPlants, Message: fmt.Sprintf("more than %d plants are to be decided about anew, too many for one call: %s", mostPlants, hint)}
	}
	return n, nil
}

// askAgain is what to do where one collection has too many.
const askAgain = "ask for today, again in a few minutes: what is kept of them is made anew meanwhile"

// tooManyCollections refuses a call about more collections than it may look at.
func tooManyCollections(n int, hint string) *Error {
	return &Error{Reason: TooManyCollections, Message: fmt.Sprintf("%d collections are more than the %d that one call looks at: %s", n, mostCollections, hint)}
}

// duePage returns the rows of a collection that a list asks for, in order, and, for its
// first page of a single collection, totals of all of them. Where all that is kept is
// true of the day it reads no more than that. Else it decides anew; computed is about how
// many plants, with those before it.
func (v *visit) duePage(c *collection, q *dueAsked, before int) (rows []dueRow, totals []*pb.ListDueFeedingsResponse_Total, computed int, err error) {
	first := q.single && q.after == nil
	if ask, ok := q.kept(c.ID()); ok {
		aged, ok, err := []string(nil), c.AllTrue(v.version, int32(q.day)), error(nil)
		if !ok {
			aged, ok, err = c.Aged(v.version, int32(q.day), mostAged+1)
		}
		if err != nil {
			return nil, nil, 0, err
		}
		if ok && len(aged) <= min(mostAged, mostPlants-before) {
			rows, totals, err = v.keptPage(c, q, ask, aged, first)
			return rows, totals, before + len(aged), err
		}
	}
	hint := askAgain
	if !q.single {
		hint = "ask for one collection at a time"
	}
	if computed, err = v.mayDecide(c, q.day, before, hint); err != nil {
		return nil, nil, 0, err
	}
	rows, err = v.dueRows(c, q.day, q.horizon, q.conditions)
	if err != nil {
		return nil, nil, computed, err
	}
	rows = q.listed(rows)
	if first {
		totals = totalsOf(rows)
	}
	return q.rest(rows), totals, computed, nil
}

// mostAged is how many plants, of which what is kept is not of the day, are put between
// the others. Where there are more, all are looked at.
const mostAged = 1000

// keptPage is duePage where what is kept of all plants is true of the day, but for those
// that are aged.
func (v *visit) keptPage(c *collection, q *dueAsked, ask store.DueQuery, aged []string, first bool) (rows []dueRow, totals []*pb.ListDueFeedingsResponse_Total, err error) {
	entries, err := c.DuePage(ask)
	if err != nil {
		return nil, nil, err
	}
	if rows, err = v.due.dueEntries(q, c.ID(), entries); err != nil {
		return nil, nil, err
	}
	if first {
		counted, err := c.DueTotals(ask)
		if err != nil {
			return nil, nil, err
		}
		totals = dueTotals(counted)
	}
	if len(aged) == 0 {
		return rows, totals, nil
	}
	known, err := c.PlantsByID(aged)
	if err != nil {
		return nil, nil, err
	}
	kept, err := c.KeptDue(aged)
	if err != nil {
		return nil, nil, err
	}
	var plants []*store.Plant
	var before []*store.Due
	for _, id := range aged {
		if p := known[id]; p != nil && !v.purged(p) {
			plants, before = append(plants, p), append(before, kept[id])
		}
	}
	anew, err := v.anew(c, plants, before, q.day, q.horizon, q.conditions)
	if err != nil {
		return nil, nil, err
	}
	anew = q.listed(anew)
	if first {
		totals = addTotals(totals, totalsOf(anew))
	}
	rows = append(rows, q.rest(anew)...)
	slices.SortFunc(rows, func(a, b dueRow) int { return a.key.compare(b.key) })
	return rows[:min(len(rows), q.size+1)], totals, nil
}

// listed sorts rows, and leaves those of the statuses that are asked for.
func (q *dueAsked) listed(rows []dueRow) []dueRow {
	rows = slices.DeleteFunc(rows, func(r dueRow) bool { return !slices.Contains(q.statuses, r.message.GetStatus()) })
	slices.SortFunc(rows, func(a, b dueRow) int { return a.key.compare(b.key) })
	return rows
}

// rest returns of sorted rows those of the page, and one more if there is one.
func (q *dueAsked) rest(rows []dueRow) []dueRow {
	if q.after != nil {
		at, exact := slices.BinarySearchFunc(rows, *q.after, func(r dueRow, key dueKey) int { return r.key.compare(key) })
		if exact {
			at++
		}
		rows = rows[at:]
	}
	return rows[:min(len(rows), q.size+1)]
}

// addTotals adds up what was counted of different plants.
func addTotals(a, b []*pb.ListDueFeedingsResponse_Total) []*pb.ListDueFeedingsResponse_Total {
	for _, t := range b {
		if i := slices.IndexFunc(a, func(of *pb.ListDueFeedingsResponse_Total) bool { return of.GetStatus() == t.GetStatus() }); i >= 0 {
			a[i].Plants += t.GetPlants()
			a[i].Traps += t.GetTraps()
		} else {
			a = append(a, t)
		}
	}
	slices.SortFunc(a, func(x, y *pb.ListDueFeedingsResponse_Total) int { return cmp.Compare(x.GetStatus(), y.GetStatus()) })
	return a
}

// totalsOf counts rows by status, in the order of the list.
func totalsOf(rows []dueRow) []*pb.ListDueFeedingsResponse_Total {
	var out []*pb.ListDueFeedingsResponse_Total
	for _, r := range rows {
		if len(out) == 0 || out[len(out)-1].GetStatus() != r.message.GetStatus() {
			out = append(out, &pb.ListDueFeedingsResponse_Total{Status: r.message.GetStatus()})
		}
		t := out[len(out)-1]
		t.Plants++
		t.Traps += int64(r.message.GetTraps())
	}
	return out
}

// readAsOf reads the day that is asked about; civil.None: today.
func readAsOf(text *string) (civil.Day, error) {
	if text == nil || *text == "" {
		return civil.None, nil
	}
	var p problems
	day := checkDay(&p, "asOfDate", *text)
	return day, p.err()
}

// begunOn returns the day of the first page of a list, as its page token keeps it.
func begunOn(first int64) (civil.Day, error) {
	if first < int64(civil.Min) || first > int64(lastAsOf) {
		return civil.None, badPageToken() // another version wrote it
	}
	return civil.Day(first), nil
}

// dayAsked returns the day that is asked about: on a later page that on which the list
// was begun, which was allowed then; else asOf, or today if that is none.
func dayAsked(today, asOf, begun civil.Day, single bool) (civil.Day, error) {
	if begun.Given() {
		return begun, nil
	}
	if asOf == civil.None {
		asOf = today
	}
	return asOf, checkAhead(today, asOf, single)
}

// checkAhead refuses days that cannot be asked about.
func checkAhead(today, day civil.Day, single bool) error {
	rule := ""
	switch {
	case single && day > today+aheadDays:
		rule = fmt.Sprintf("must be %s at the latest: a year ahead", today+aheadDays)
	case !single && (day < today || day > today+aheadOfAll):
		rule = fmt.Sprintf("must lie from %s to %s for collections/-: ask one collection about other days", today, today+aheadOfAll)
	default:
		return nil
	}
	return Invalid(InvalidFields, []Violation{{"asOfDate", rule}})
}

// dueRows returns what is due of all plants of a collection that meet the conditions: as
// it was kept, where that is true of the day, else decided anew.
func (v *visit) dueRows(c *collection, day civil.Day, horizon int, conditions []Condition) ([]dueRow, error) {
	var rows []dueRow
	add := func(p *store.Plant, k *store.Due) error {
		if k.Class == store.DueNotThere || slices.ContainsFunc(conditions, func(c Condition) bool { return !meets(p, c) }) {
			return nil
		}
		m, err := v.due.shownOf(p, k, day, horizon)
		if err == nil {
			rows = append(rows, dueRow{m, keyOf(c.ID(), p.ID, k, m.GetStatus())})
		}
		return err
	}
	plants, kept, err := c.DuePlants(v.version, int32(day), v.at.UnixMicro(), false)
	if err != nil {
		return nil, err
	}
	var stale []*store.Plant
	var before []*store.Due
	for i, p := range plants {
		if !c.True(kept[i], v.version, int32(day)) {
			stale, before = append(stale, p), append(before, kept[i])
		} else if err := add(p, kept[i]); err != nil {
			return nil, err
		}
	}
	anew, err := v.anew(c, stale, before, day, horizon, conditions)
	return append(rows, anew...), err
}

// anew returns what is due of plants that meet the conditions, decided anew; not in their
// order. kept is what is kept of them.
func (v *visit) anew(c *collection, plants []*store.Plant, kept []*store.Due, day civil.Day, horizon int, conditions []Condition) (rows []dueRow, err error) {
	if len(plants) == 0 {
		return nil, nil
	}
	d, err := v.decider(c, day)
	if err != nil {
		return nil, err
	}
	err = v.decideAnew(c, d, plants, kept, func(i int, facts *facts, k *store.Due) error {
		p := plants[i]
		if d.gone(p) || slices.ContainsFunc(conditions, func(c Condition) bool { return !meets(p, c) }) {
			return nil
		}
		decision := d.engine.Decide(&facts.facts, day, horizon)
		if decision.Status == due.Absent {
			return nil
		}
		m := d.row(p, &decision, day)
		k.Place(p.Plant, d.benches[store.Segment(p.GetBench(), "benches")])
		k.DueLast = store.NoDay
		if decision.DueLast.Given() {
			k.DueLast = int32(decision.DueLast)
		}
		rows = append(rows, dueRow{m, keyOf(c.ID(), p.ID, k, m.GetStatus())})
		return nil
	})
	return rows, err
}

// keyOf returns the place of a row in the list.
func keyOf(collection, plant string, k *store.Due, status pb.DueFeeding_Status) dueKey {
	return dueKey{
		status: int64(status), last: int64(k.DueLast), bench: int64(k.BenchWalk), plant: int64(k.PlantWalk),
		tag: k.TagKey, id: plant, collection: collection,
	}
}

// eachFacts calls f with each plant that is not deleted on a day, and with what the
// engine takes of it, later events too; not in their order. What f gets is only good until
// it returns.
func (v *visit) eachFacts(c *collection, day civil.Day, f func(p *store.Plant, f *facts) error) error {
	plants, kept, err := c.DuePlants(v.version, int32(day), v.at.UnixMicro(), true)
	if err != nil {
		return err
	}
	d, err := v.decider(c, day)
	if err != nil {
		return err
	}
	return v.decideAnew(c, d, plants, kept, func(i int, facts *facts, _ *store.Due) error {
		if d.gone(plants[i]) {
			return nil
		}
		return f(plants[i], facts)
	})
}

func idsOf(plants []*store.Plant) []string {
	ids := make([]string, len(plants))
	for i, p := range plants {
		ids[i] = p.ID
	}
	return ids
}

// meets tells whether a plant meets a condition of the filter of what is due.
func meets(p *store.Plant, c Condition) bool {
	value, _ := c.Value.(string)
	var same bool
	switch c.Field {
	case "bench":
		same = p.GetBench() == value
	case "taxon":
		same = p.GetTaxon() == value
	case "genus":
		same = catalogue.Normalise(p.Genus) == catalogue.Normalise(value)
	case "tag":
		same = store.Fold(p.GetTag()) == store.Fold(value)
	}
	return same == (c.Op == "=")
}

// ExplainDue tells why a plant is due or not.
func (s *Due) ExplainDue(ctx context.Context, req *pb.ExplainDueRequest) (*pb.ExplainDueResponse, error) {
	var answer *pb.ExplainDueResponse
	err := s.Core.read(ctx, func(v *visit) error {
		c, id, err := v.livePlant(req.GetName(), req.GetTag())
		if err != nil {
			return err
		}
		day, err := readAsOf(req.AsOfDate)
		if err != nil {
			return err
		}
		if day == civil.None {
			day = c.today(v.at)
		}
		if err := checkAhead(c.today(v.at), day, true); err != nil {
			return err
		}
		p, err := c.Plant(id)
		if err != nil {
			return err
		}
		histories, err := c.Histories([]string{id})
		if err != nil {
			return err
		}
		v.overlay(c, p, histories[id])
		d, err := v.decider(c, day)
		if err != nil {
			return err
		}
		f := d.facts(p, histories[id])
		horizon := UsualHorizonDays
		if req.HorizonDays != nil {
			horizon = int(req.GetHorizonDays())
		}
		answer = d.explain(p, f, horizon)
		return nil
	})
	return answer, err
}

func (d *decider) explain(p *store.Plant, f *facts, horizon int) *pb.ExplainDueResponse {
	e := due.Explain(&f.facts, d.reader.asOf, horizon)
	rules := f.facts.Rules.Regimen()
	m := &pb.ExplainDueResponse{AsOfDate: d.reader.asOf.String(), Regimen: RegimenMessage(&rules)}
	if e.Decision.Status != due.Absent {
		m.Decision = d.row(p, &e.Decision, d.reader.asOf)
	}
	fields := m.GetRegimen().ProtoReflect().Descriptor().Fields()
	for i, layer := range f.origins {
		if layer == due.NoLayer {
			m.GetRegimen().ProtoReflect().Clear(fields.Get(i)) // nothing sets it: no trap type, so no defaults
		} else {
			m.Origins = append(m.Origins, &pb.ExplainDueResponse_Origin{Field: regimenFields[i], Layer: pb.ExplainDueResponse_Layer(layer)})
		}
	}
	for _, s := range e.Steps {
		step := &pb.ExplainDueResponse_Step{
			Date: s.Day.String(), Event: pb.ExplainDueResponse_Step_Event(s.Event), Ladder: int32(s.Ladder), CleanRuns: int32(s.Streak),
			Quantity: int32(s.Quantity), Exposure: pb.Bench_Exposure(s.Exposure), CoverDate: date(s.Cover),
		}
		switch s.Event {
		case due.MoveEvent:
			step.Source = f.moves[s.Index]
		case due.ObservationEvent:
			step.Source = f.observations[s.Index]
		case due.FeedingEvent, due.OutcomeEvent:
			step.Source = f.feedings[s.Index]
		}
		if s.Den > 0 {
			target, credit := int32(s.Target), float64(s.Num)/float64(s.Den)
			step.Target, step.Credit = &target, &credit
		}
		m.Steps = append(m.Steps, step)
	}
	for _, h := range e.Holds {
		m.Holds = append(m.Holds, &pb.ExplainDueResponse_Hold{
			Code: pb.DueFeeding_Reason_Code(h.Code), FromDate: h.From.String(), UntilDate: date(h.Until),
		})
	}
	return m
}

// regimenFields are the names of the fields of a regimen, in the order of due.Field.
var regimenFields = func() []string {
	fields := (&pb.Regimen{}).ProtoReflect().Descriptor().Fields()
	names := make([]string, fields.Len())
	for i := range names {
		names[i] = fields.Get(i).JSONName()
	}
	return names
}()
