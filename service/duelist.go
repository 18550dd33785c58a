package service

import (
	"cmp"
	"context"
	"fmt"
	"math"
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
	// mostPlants is for how many plants one list computes what is due.
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
	last            int64 // last day of the window; math.MaxInt64: none
	bench, plant    int64 // walk orders; math.MaxInt64: none
	tag, collection string
	id              string
}

func (a dueKey) compare(b dueKey) int {
	return cmp.Or(cmp.Compare(a.status, b.status), cmp.Compare(a.last, b.last), cmp.Compare(a.bench, b.bench),
		cmp.Compare(a.plant, b.plant), cmp.Compare(a.tag, b.tag), cmp.Compare(a.id, b.id), cmp.Compare(a.collection, b.collection))
}

func (a dueKey) values() []any {
	return []any{a.status, a.last, a.bench, a.plant, a.tag, a.id, a.collection}
}

// readDueKey reads what values wrote; ok is false for what an other version wrote.
func readDueKey(v []any) (k dueKey, ok bool) {
	numbers, texts := []*int64{&k.status, &k.last, &k.bench, &k.plant}, []*string{&k.tag, &k.id, &k.collection}
	if len(v) != len(numbers)+len(texts) {
		return k, false
	}
	for i, to := range numbers {
		if *to, ok = v[i].(int64); !ok {
			return k, false
		}
	}
	for i, to := range texts {
		if *to, ok = v[len(numbers)+i].(string); !ok {
			return k, false
		}
	}
	return k, true
}

// usualStatuses are those that a list shows that asks for none.
var usualStatuses = []pb.DueFeeding_Status{pb.DueFeeding_OVERDUE, pb.DueFeeding_DUE, pb.DueFeeding_UPCOMING, pb.DueFeeding_HELD}

var dueFields = Fields{
	"bench": benchField,
	"taxon": TextField,
	"genus": TextField,
	"tag":   TextField,
}

// ListDueFeedings lists what is due.
func (s *Due) ListDueFeedings(ctx context.Context, req *pb.ListDueFeedingsRequest) (*pb.ListDueFeedingsResponse, error) {
	answer := &pb.ListDueFeedingsResponse{}
	err := s.Core.read(ctx, func(v *visit) error {
		conditions, err := ParseFilter(req.GetFilter(), dueFields)
		if err != nil {
			return err
		}
		l := &listing{pages: v.pages}
		if err := l.begin(v, req); err != nil {
			return err
		}
		asOf, err := readAsOf(req.AsOfDate)
		if err != nil {
			return err
		}
		var from *dueKey
		if l.query.After != nil { // when the first page was asked for, and where this one begins
			us, ok := l.query.After[0].(int64)
			if !ok {
				return badPageToken()
			}
			v.at = time.UnixMicro(us)
			key, ok := readDueKey(l.query.After[1:])
			if !ok {
				return badPageToken()
			}
			from = &key
		}
		ids := []string{store.Segment(req.GetParent(), "collections")}
		single := !isDash(ids[0])
		if !single {
			if ids, err = v.ownCollections(); err != nil {
				return err
			}
			if len(ids) > mostCollections {
				return &Error{Reason: TooManyCollections, Message: fmt.Sprintf("%d collections are more than the %d that one call looks at: ask for one at a time", len(ids), mostCollections)}
			}
		}
		horizon := UsualHorizonDays
		if req.HorizonDays != nil {
			horizon = int(req.GetHorizonDays())
		}
		statuses := req.GetStatuses()
		if len(statuses) == 0 {
			statuses = usualStatuses
		}
		// What a page token keeps of the moment is as coarse as the days allow, so that
		// the same page has the same token: zones differ by quarters of an hour.
		asked := v.at.Truncate(15 * time.Minute)
		var rows []dueRow
		plants := int64(0)
		for _, id := range ids {
			c, err := v.collection(id)
			if err != nil {
				return err
			}
			n, err := c.CountPlants()
			if err != nil {
				return err
			}
			if plants += n; plants > mostPlants {
				return &Error{Reason: TooManyPlants, Message: fmt.Sprintf("more than %d plants, dead and deleted ones too, are too many for one call%s", mostPlants, map[bool]string{false: ": ask for one collection at a time"}[single])}
			}
			day := asOf
			if day == civil.None {
				day = c.today(v.at)
				if single {
					asOf = day
				}
			}
			if single {
				asked = c.today(v.at).Noon(c.zone)
			}
			if err := checkAhead(c.today(v.at), day, single); err != nil {
				return err
			}
			some, err := v.dueRows(c, day, horizon, conditions)
			if err != nil {
				return err
			}
			rows = append(rows, some...)
		}
		rows = slices.DeleteFunc(rows, func(r dueRow) bool { return !slices.Contains(statuses, r.message.GetStatus()) })
		slices.SortFunc(rows, func(a, b dueRow) int { return a.key.compare(b.key) })
		answer.AsOfDate = date(asOf)
		if single && from == nil {
			answer.Totals = totals(rows)
		}
		if from != nil {
			at, exact := slices.BinarySearchFunc(rows, *from, func(r dueRow, key dueKey) int { return r.key.compare(key) })
			if exact {
				at++
			}
			rows = rows[at:]
		}
		var next []any
		if size := pageSize(req.GetPageSize()); len(rows) > size {
			rows = rows[:size]
			next = append([]any{asked.UnixMicro()}, rows[size-1].key.values()...)
		}
		for _, r := range rows {
			answer.DueFeedings = append(answer.DueFeedings, r.message)
		}
		answer.NextPageToken, err = l.token(next)
		return err
	})
	return answer, err
}

// totals counts rows by status, in the order of the list.
func totals(rows []dueRow) []*pb.ListDueFeedingsResponse_Total {
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

// dueRows decides about all plants of a collection that meet the conditions.
func (v *visit) dueRows(c *collection, day civil.Day, horizon int, conditions []Condition) ([]dueRow, error) {
	d, err := v.decider(c, day)
	if err != nil {
		return nil, err
	}
	var rows []dueRow
	q := store.List{Limit: MaxPageSize, Deleted: true, GoneUs: v.at.UnixMicro()}
	for {
		plants, next, err := c.Plants(q)
		if err != nil {
			return nil, err
		}
		// Of as many plants at a time as a page has: histories are long.
		var histories map[string]*store.History
		if c.behind {
			if histories, err = c.Histories(idsOf(plants)); err != nil {
				return nil, err
			}
			for _, p := range plants {
				v.overlay(c, p, histories[p.ID])
			}
		}
		plants = slices.DeleteFunc(plants, func(p *store.Plant) bool {
			return slices.ContainsFunc(conditions, func(c Condition) bool { return !meets(p, c) })
		})
		if !c.behind {
			if histories, err = c.Histories(idsOf(plants)); err != nil {
				return nil, err
			}
		}
		for _, p := range plants {
			if err := v.ctx.Err(); err != nil {
				return nil, err
			}
			if m := d.decide(p, histories[p.ID], horizon); m != nil {
				rows = append(rows, dueRow{m, d.key(p, m)})
			}
		}
		if next == nil {
			return rows, nil
		}
		q.After = next
	}
}

// eachFacts calls f with each plant that is there on a day, in the order of their ids,
// and with what the engine takes of it, later events too. What f gets is only good until
// it returns.
func (v *visit) eachFacts(c *collection, day civil.Day, f func(p *store.Plant, facts *due.Facts) error) error {
	d, err := v.decider(c, day)
	if err != nil {
		return err
	}
	q := store.List{Limit: MaxPageSize, Deleted: true, GoneUs: v.at.UnixMicro()}
	for {
		plants, next, err := c.Plants(q)
		if err != nil {
			return err
		}
		histories, err := c.Histories(idsOf(plants))
		if err != nil {
			return err
		}
		for _, p := range plants {
			if err := v.ctx.Err(); err != nil {
				return err
			}
			v.overlay(c, p, histories[p.ID])
			if d.gone(p) {
				continue
			}
			if err := f(p, &d.facts(p, histories[p.ID]).facts); err != nil {
				return err
			}
		}
		if next == nil {
			return nil
		}
		q.After = next
	}
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

func (d *decider) key(p *store.Plant, m *pb.DueFeeding) dueKey {
	k := dueKey{
		status: int64(m.GetStatus()), last: math.MaxInt64, bench: math.MaxInt64, plant: math.MaxInt64,
		tag: store.Fold(p.GetTag()), id: p.ID, collection: d.c.ID(),
	}
	if m.DueLastDate != nil {
		if day, err := civil.Parse(m.GetDueLastDate()); err == nil {
			k.last = int64(day)
		}
	}
	if b := d.benches[store.Segment(p.GetBench(), "benches")]; b != nil && b.WalkOrder != nil {
		k.bench = int64(b.GetWalkOrder())
	}
	if p.WalkOrder != nil {
		k.plant = int64(p.GetWalkOrder())
	}
	return k
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
		m.Decision = d.row(p, &e.Decision)
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
