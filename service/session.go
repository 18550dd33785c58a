package service

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/civil"
	"dewbench/service/table"
	"dewbench/store"
)

// Sessions are the calls about what a grower does at a bench.
type Sessions struct {
	*Core
	feedings     *Feedings
	observations *Observations
}

// round is what a grower does to the plants of a bench, or to all of a sheet.
type round struct {
	*keeping
	bench    string         // its name; "": all that stands on the sheet
	plants   []*store.Plant // in the order in which the bench is walked; ended ones stood there
	tags     *table.Tags    // of the living ones
	bySheet  bool           // whether it is by a sheet, be that there or not
	sheet    *pb.Sheet      // on which it was noted; nil: on none that is there
	sheetDay civil.Day      // the day that the sheet plans
}

// inBody is a place in a request that is not a list of plants.
var inBody = at{plant: inRequest}

// round begins what is done to the plants of a bench.
func (s *Sessions) round(v *visit, name string) (*round, error) {
	c, err := v.collection(store.Segment(name, "collections"))
	if err != nil {
		return nil, err
	}
	b, err := getBench(v, name)
	if err != nil {
		return nil, err
	}
	if b.GetDeleteTime() != nil {
		return nil, deleted(b.GetName())
	}
	r := &round{keeping: s.feedings.keep(v, c), bench: b.GetName()}
	if r.plants, err = c.PlantsOn(store.Segment(name, "benches")); err != nil {
		return nil, err
	}
	slices.SortFunc(r.plants, func(a, b *store.Plant) int {
		return cmp.Or(cmp.Compare(walked(a), walked(b)), cmp.Compare(natural(a.GetTag()), natural(b.GetTag())), cmp.Compare(a.ID, b.ID))
	})
	r.histories, err = c.Histories(idsOf(r.plants))
	return r, err
}

// roundOf begins what is done to the plants of a bench or, where name is a collection, to
// those of a sheet, wherever they stand. verb is how the fields begin that tell when it was
// done; dated tells whether one was given.
func (s *Sessions) roundOf(v *visit, name, sheet, verb string, dated bool) (*round, error) {
	if store.Segment(name, "benches") != "" {
		r, err := s.round(v, name)
		if err != nil {
			return nil, err
		}
		return r, r.readSheet(sheet, verb, dated)
	}
	c, err := v.collection(store.Segment(name, "collections"))
	if err != nil {
		return nil, err
	}
	r := &round{keeping: s.feedings.keep(v, c), bySheet: true}
	if sheet == "" {
		r.problems.refuse(InvalidFields, "sheet", "must be given where name is a collection; without a sheet name a bench")
		return r, nil
	}
	if err := r.readSheet(sheet, verb, dated); err != nil {
		return nil, err
	}
	var ids []string
	for _, row := range r.sheet.GetRows() {
		ids = append(ids, store.Segment(row.GetPlant(), "plants"))
	}
	known, err := c.PlantsByID(ids)
	if err != nil {
		return nil, err
	}
	for _, id := range ids {
		if p := known[id]; p != nil && p.GetDeleteTime() == nil {
			r.plants = append(r.plants, p)
		}
	}
	r.histories, err = c.Histories(idsOf(r.plants))
	return r, err
}

// walked is the place of a plant on its bench.
func walked(p *store.Plant) int64 { return placeOf(p.WalkOrder) }

// living leaves those of the plants that still grow.
func (r *round) living() {
	r.plants = slices.DeleteFunc(r.plants, func(p *store.Plant) bool { return !p.Living })
}

// unmoved leaves those of the plants of a whole sheet that stand where it says.
func (r *round) unmoved() {
	if r.bench != "" {
		return
	}
	where := map[string]string{}
	for _, row := range r.sheet.GetRows() {
		where[row.GetPlant()] = row.GetBench()
	}
	r.plants = slices.DeleteFunc(r.plants, func(p *store.Plant) bool { return p.GetBench() != where[p.GetName()] })
}

// when reads when something was done, and refuses what no record can have. Without
// either it is now.
func (k *keeping) when(verb string, instant *timestamppb.Timestamp, date string) (day civil.Day, us int64) {
	refused := k.refused
	day, us, ok := k.moment(inBody, verb, instant, date)
	if !ok {
		return k.c.today(k.visit.at), k.visit.at.UnixMicro()
	}
	if k.refused == refused {
		k.checkDated(inBody, verb, instant != nil, day, civil.None)
	}
	return day, us
}

// dayOf is the civil day of an instant that is kept.
func (k *keeping) dayOf(t *timestamppb.Timestamp) civil.Day { return civil.Of(t.AsTime(), k.c.zone) }

// spoken is a plant that a request names: the fields that do, and what they say.
type spoken struct {
	plantField, plant string
	tagField, tag     string
	rowField          string
	row               *int32 // of the sheet
}

// spokenOf is the plant that an exception names.
func spokenOf(i int, x interface {
	GetPlant() string
	GetTag() string
}, row *int32) spoken {
	field := fmt.Sprintf("except[%d]", i)
	return spoken{field + ".plant", x.GetPlant(), field + ".tag", x.GetTag(), field + ".row", row}
}

// field is the one that names the plant.
func (s spoken) field() string {
	switch {
	case s.row != nil:
		return s.rowField
	case s.plant == "":
		return s.tagField
	}
	return s.plantField
}

// find returns the plants of the bench that a request names, as far as they are
// there; what is wrong is refused.
func (r *round) find(all []spoken) ([]*store.Plant, error) {
	out, ids := make([]*store.Plant, len(all)), make([]string, len(all))
	var tags, named []string
	for i, s := range all {
		switch hasTag := strings.TrimSpace(s.tag) != ""; {
		case s.row != nil && (hasTag || s.plant != ""):
			r.problems.refuse(InvalidFields, s.rowField, "goes without plant and tag: name the plant in one way")
		case s.row != nil:
			if row := r.rowOf(s.rowField, *s.row); row != nil {
				ids[i] = store.Segment(row.GetPlant(), "plants")
				named = append(named, ids[i])
			}
		case hasTag && s.plant != "":
			r.problems.refuse(InvalidFields, s.plantField, "goes without a tag: name the plant in one way")
		case hasTag:
			tags = append(tags, s.tag)
		case s.plantField == "":
			r.problems.refuse(InvalidFields, s.tagField, "must be a tag")
		case s.plant == "":
			r.problems.refuse(InvalidFields, s.plantField, "must be given, or the tag, or with a sheet the row")
		case store.Segment(s.plant, "collections") != r.c.ID():
			r.problems.refuse(PlantNotFound, s.plantField, "%q is not a plant of the collection", short(s.plant))
		default:
			ids[i] = store.Segment(s.plant, "plants")
			named = append(named, ids[i])
		}
	}
	borne, err := r.c.Tagged(tags)
	if err != nil {
		return nil, err
	}
	for i, s := range all {
		if s.plant != "" || s.row != nil || strings.TrimSpace(s.tag) == "" {
			continue
		}
		bearers := borne[store.Fold(s.tag)]
		if near := r.near(s.tag); len(bearers) == 0 && near != "" {
			r.problems.refuse(PlantNotFound, s.tagField, "no plant of the collection bears or bore the tag %q%s", short(s.tag), near)
		} else if ids[i], err = r.c.resolveTag(&r.problems, s.tagField, s.tag, bearers); err != nil {
			return nil, err
		}
		named = append(named, ids[i])
	}
	known, err := r.c.PlantsByID(named)
	if err != nil {
		return nil, err
	}
	here, first := map[string]*store.Plant{}, map[string]int{}
	for _, p := range r.plants {
		here[p.ID] = p
	}
	for i, id := range ids {
		if id == "" {
			continue
		}
		field, p := all[i].field(), known[id]
		switch before, twice := first[id]; {
		case p == nil:
			r.problems.refuse(PlantNotFound, field, "%s is not there", store.PlantName(r.c.ID(), id))
		case p.GetDeleteTime() != nil:
			e := deleted(p.GetName())
			r.problems.refuse(e.Reason, field, "%s", e.Message)
		case twice:
			other := cmp.Or(all[before].plantField, all[before].tagField)
			r.problems.refuse(InvalidFields, field, "is the plant of %s already", strings.TrimSuffix(other, ".plant"))
		case here[id] == nil && r.bench == "" && r.sheet == nil: // the sheet was refused, so what stands on it is not known
		case here[id] == nil:
			r.problems.refuse(InvalidFields, field, "%s", r.absent(p))
		default:
			out[i] = here[id]
		}
		first[id] = i
	}
	return out, nil
}

// absent tells why a plant is none of the round.
func (r *round) absent(p *store.Plant) string {
	onSheet := slices.ContainsFunc(r.sheet.GetRows(), func(row *pb.Sheet_Row) bool { return row.GetPlant() == p.GetName() })
	switch {
	case r.bench == "" && !onSheet:
		return p.GetTag() + " is not on the sheet"
	case r.bench == "" && p.Living:
		return p.GetTag() + " stands elsewhere now than where the sheet says"
	case r.bench == "" || p.GetBench() == r.bench:
		return fmt.Sprintf("%s is %s", p.GetTag(), p.GetState())
	case p.GetBench() == "":
		return p.GetTag() + " stands on no bench"
	}
	return fmt.Sprintf("%s does not stand on this bench, but on %s", p.GetTag(), p.GetBench())
}

// readSheet reads the sheet on which something was noted, if one is named. verb is how the
// fields begin that tell when it was done; dated tells whether one was given.
func (r *round) readSheet(name, verb string, dated bool) error {
	if name == "" {
		return nil
	}
	r.bySheet = true
	m, err := r.c.Sheet(store.SheetNumber(name))
	switch {
	case store.Segment(name, "collections") != r.c.ID(), errors.Is(err, store.ErrNotFound):
		r.problems.refuse(SheetNotFound, "sheet", "%q is not a sheet of the collection", short(name))
		return nil
	case err != nil:
		return err
	}
	if today := r.c.today(r.visit.at).String(); !dated && m.GetAsOfDate() != today {
		r.problems.refuse(InvalidFields, verb+"Date", "must be given with a sheet of another day: it is of %s, and today is %s", m.GetAsOfDate(), today)
	}
	r.sheet = m
	if r.sheetDay, err = civil.Parse(m.GetAsOfDate()); err != nil {
		return fmt.Errorf("day of %s: %w", m.GetName(), err)
	}
	return nil
}

// notBefore refuses what was done before the day of the sheet: what it tells to do was not
// done before it was told.
func (r *round) notBefore(field string, day civil.Day) {
	if r.sheet != nil && day < r.sheetDay {
		r.problems.refuse(InvalidFields, field, "must not lie before the day of the sheet, %s", r.sheetDay)
	}
}

// rowOf returns a row of the sheet that is of this bench; another is refused.
func (r *round) rowOf(field string, number int32) *pb.Sheet_Row {
	rows := r.sheet.GetRows()
	switch {
	case r.sheet == nil:
		if !r.bySheet { // else the sheet was refused
			r.problems.refuse(InvalidFields, field, "goes with a sheet: give sheet too")
		}
	case int(number) > len(rows) || number < 1:
		r.problems.refuse(InvalidFields, field, "%d is not on the sheet, which has %d rows", number, len(rows))
	case r.bench != "" && rows[number-1].GetBench() != r.bench:
		where := cmp.Or(rows[number-1].GetBench(), "no bench")
		r.problems.refuse(InvalidFields, field, "%d is %s, which does not stand on this bench by the sheet, but on %s", number, rows[number-1].GetTag(), where)
	default:
		return rows[number-1]
	}
	return nil
}

// onSheet returns what the sheet tells to do of a kind on this bench, by the ids of the
// plants, and its rows that tell so in their order.
func (r *round) onSheet(kind pb.DayPlan_Task_Kind) (tasks map[string][]*pb.Sheet_Task, rows []*pb.Sheet_Row) {
	tasks = map[string][]*pb.Sheet_Task{}
	for _, row := range r.sheet.GetRows() {
		if r.bench != "" && row.GetBench() != r.bench {
			continue
		}
		id := store.Segment(row.GetPlant(), "plants")
		for _, t := range row.GetTasks() {
			if t.GetKind() == kind {
				tasks[id] = append(tasks[id], t)
			}
		}
		if tasks[id] != nil {
			rows = append(rows, row)
		}
	}
	return tasks, rows
}

// near says which tags of the bench could have been meant.
func (r *round) near(tag string) string {
	if r.tags == nil {
		var tags []string
		for _, p := range r.plants {
			if p.Living {
				tags = append(tags, p.GetTag())
			}
		}
		r.tags = table.NewTags(tags)
	}
	return r.tags.Near(tag)
}

// skipped is a plant that a session left out. It is kept with the names of the
// feedings, so that a repeated call tells the same.
type skipped struct {
	*pb.RecordSessionResponse_Skipped
}

const skippedMark = "#"

// GetName returns what is kept.
func (s skipped) GetName() string { return s.GetPlant() + skippedMark + s.GetCode().String() }

// RecordSession records a session for the plants of a bench, or of a sheet.
func (s *Sessions) RecordSession(ctx context.Context, req *pb.RecordSessionRequest) (*pb.RecordSessionResponse, error) {
	out, err := write(ctx, s.Core, req,
		func(v *visit) ([]resource, error) { return s.session(v, req) },
		s.sessionAgain)
	if err != nil {
		return nil, err
	}
	answer := &pb.RecordSessionResponse{}
	for _, m := range out {
		switch m := m.(type) {
		case *pb.Feeding:
			answer.Feedings = append(answer.Feedings, m)
		case skipped:
			answer.Skipped = append(answer.Skipped, m.RecordSessionResponse_Skipped)
		}
	}
	return answer, nil
}

// sessionAgain returns what a session wrote and skipped.
func (s *Sessions) sessionAgain(v *visit, names []string) ([]resource, error) {
	var out []resource
	var fed []string
	for _, name := range names {
		plant, code, ok := strings.Cut(name, skippedMark)
		if !ok {
			fed = append(fed, name)
			continue
		}
		m := &pb.RecordSessionResponse_Skipped{Plant: plant, Code: pb.RecordSessionResponse_Skipped_Code(pb.RecordSessionResponse_Skipped_Code_value[code])}
		out = append(out, skipped{m})
	}
	if len(out) > 0 {
		c, err := v.collection(store.Segment(out[0].GetName(), "collections"))
		if err != nil {
			return nil, err
		}
		ids := make([]string, len(out))
		for i, m := range out {
			ids[i] = store.Segment(m.(skipped).GetPlant(), "plants")
		}
		plants, err := c.PlantsByID(ids)
		if err != nil {
			return nil, err
		}
		for i, m := range out {
			if p := plants[ids[i]]; p != nil {
				m.(skipped).Tag = p.GetTag()
			}
		}
	}
	feedings, err := s.feedings.getAll(v, fed)
	return append(asResources(feedings), out...), err
}

// asResources is what has names, whatever it is.
func asResources[M resource](all []M) []resource {
	out := make([]resource, len(all))
	for i, m := range all {
		out[i] = m
	}
	return out
}

// session records what is due on the bench but for the exceptions, and tells which
// plants it left out.
func (s *Sessions) session(v *visit, req *pb.RecordSessionRequest) ([]resource, error) {
	given := req.GetFedTime() != nil || req.FedDate != nil
	r, err := s.roundOf(v, req.GetName(), req.GetSheet(), "fed", given)
	if err != nil {
		return nil, err
	}
	r.living()
	r.unmoved()
	usual := &pb.Feeding{
		FedTime: req.GetFedTime(), FedDate: req.FedDate, Food: req.GetFood(), Thaw: req.GetThaw(), Feeder: req.GetFeeder(), Note: req.GetNote(),
	}
	day, dated := r.keeping.session(inBody, usual)
	switch {
	case !dated || !given:
	case req.GetFedTime() != nil:
		r.notBefore("fedTime", day)
	default:
		r.notBefore("fedDate", day)
	}
	exceptions, err := r.sessionExceptions(req.GetExcept())
	if err != nil {
		return nil, err
	}
	if !dated || r.bySheet && r.sheet == nil {
		return nil, r.err()
	}
	planned, err := r.planned(day)
	if err != nil {
		return nil, err
	}
	var feedings []*pb.Feeding
	var plants []string
	var left []resource
	for _, p := range r.plants {
		if err := v.ctx.Err(); err != nil {
			return nil, err
		}
		x, h := exceptions[p.ID], r.histories[p.ID]
		skip := func(code pb.RecordSessionResponse_Skipped_Code) {
			left = append(left, skipped{&pb.RecordSessionResponse_Skipped{Plant: p.GetName(), Tag: p.GetTag(), Code: code}})
		}
		if r.sheet != nil && x == nil && planned.traps(p, h) == nil {
			continue
		}
		if r.fedOn(h, day) {
			skip(pb.RecordSessionResponse_Skipped_FED_TODAY)
			continue
		}
		if x.GetSkip() {
			skip(pb.RecordSessionResponse_Skipped_SKIPPED)
			continue
		}
		if r.sheet != nil && r.fedSince(h, r.sheetDay, civil.Never) {
			skip(pb.RecordSessionResponse_Skipped_FED_SINCE)
			continue
		}
		traps := planned.traps(p, h)
		m := proto.CloneOf(usual)
		switch {
		case traps != nil:
			m.TrapsTarget, m.TrapsFed = traps, traps
		case x == nil:
			continue
		case x.TrapsFed == nil:
			r.problems.refuse(InvalidFields, x.field+".note", "is for its feeding, but %s is not %s: give trapsFed too", p.GetTag(), planned.word)
			continue
		}
		if x != nil && x.TrapsFed != nil {
			m.TrapsFed = x.TrapsFed
		}
		if x.GetNote() != "" {
			m.Note = x.GetNote()
		}
		r.plant = p
		if err := r.traps(inBody, m); err != nil {
			return nil, err
		}
		if h.Len() >= mostEvents {
			r.refuseMore("name", p, h.Len())
			continue
		}
		m.Name = p.GetName() + "/feedings/" + v.newID()
		feedings, plants = append(feedings, m), append(plants, p.ID)
	}
	if err := r.err(); err != nil {
		return nil, err
	}
	gone, err := r.gone(planned.rows)
	if err != nil {
		return nil, err
	}
	made, err := r.c.CreateFeedings(feedings, v.by())
	if err != nil {
		return nil, err
	}
	if made, err = s.feedings.finish(v, r.c, made, plants); err != nil {
		return nil, err
	}
	return slices.Concat(asResources(made), left, gone), nil
}

// fedOn tells whether a plant was fed on a day, and did not refuse it.
func (k *keeping) fedOn(h *store.History, day civil.Day) bool { return k.fedSince(h, day, day) }

// fedSince is fedOn for days from the first to the last.
func (k *keeping) fedSince(h *store.History, first, last civil.Day) bool {
	return h != nil && slices.ContainsFunc(h.Feedings, func(m *pb.Feeding) bool {
		day := k.dayOf(m.GetFedTime())
		return m.GetOutcome() != pb.Feeding_REJECTED && first <= day && day <= last
	})
}

// planned is what a session is to feed.
type planned struct {
	traps func(*store.Plant, *store.History) *int32 // nil: it is not to be fed
	word  string                                    // what a plant is that is to be fed
	rows  []*pb.Sheet_Row                           // of the sheet that are to be fed here
}

// planned tells what a session of a day is to feed: what the sheet says, else what is
// due.
func (r *round) planned(day civil.Day) (*planned, error) {
	if r.sheet == nil {
		d, err := r.decider(min(day, lastAsOf))
		return &planned{word: "due", traps: func(p *store.Plant, h *store.History) *int32 {
			decision := d.decide(p, h, 0)
			if decision.GetStatus() != pb.DueFeeding_DUE && decision.GetStatus() != pb.DueFeeding_OVERDUE {
				return nil
			}
			return proto.Int32(min(decision.GetTraps(), mostTraps))
		}}, err
	}
	tasks, rows := r.onSheet(pb.DayPlan_Task_FEED)
	return &planned{word: "to be fed by the sheet", rows: rows, traps: func(p *store.Plant, _ *store.History) *int32 {
		if tasks[p.ID] == nil {
			return nil
		}
		return proto.Int32(tasks[p.ID][0].GetTraps())
	}}, nil
}

// gone tells which plants of rows do not stand on the bench any more.
func (r *round) gone(rows []*pb.Sheet_Row) ([]resource, error) {
	here := map[string]bool{}
	for _, p := range r.plants {
		here[p.GetName()] = true
	}
	rows = slices.DeleteFunc(rows, func(row *pb.Sheet_Row) bool { return here[row.GetPlant()] })
	ids := make([]string, len(rows))
	for i, row := range rows {
		ids[i] = store.Segment(row.GetPlant(), "plants")
	}
	known, err := r.c.PlantsByID(ids)
	if err != nil {
		return nil, err
	}
	var out []resource
	for i, row := range rows {
		m := &pb.RecordSessionResponse_Skipped{Plant: row.GetPlant(), Tag: row.GetTag(), Code: pb.RecordSessionResponse_Skipped_ENDED}
		if p := known[ids[i]]; p != nil {
			m.Tag = p.GetTag()
			if p.Living && p.GetDeleteTime() == nil {
				m.Code = pb.RecordSessionResponse_Skipped_MOVED
			}
		}
		out = append(out, skipped{m})
	}
	return out, nil
}

// exception is one of a session's exceptions, and its place.
type exception struct {
	*pb.RecordSessionRequest_Exception
	field string
}

// GetSkip is that of the message, for no exception too.
func (x *exception) GetSkip() bool { return x != nil && x.Skip }

// GetNote is that of the message, for no exception too.
func (x *exception) GetNote() string {
	if x == nil {
		return ""
	}
	return x.Note
}

// sessionExceptions returns the exceptions of a session by the ids of their plants.
func (r *round) sessionExceptions(all []*pb.RecordSessionRequest_Exception) (map[string]*exception, error) {
	names := make([]spoken, len(all))
	for i, x := range all {
		field := fmt.Sprintf("except[%d]", i)
		names[i] = spokenOf(i, x, x.Row)
		switch {
		case x.GetSkip() && x.TrapsFed != nil:
			r.problems.refuse(InvalidFields, field+".skip", "goes without trapsFed: it was fed or it was not")
		case x.GetSkip() && x.GetNote() != "":
			r.problems.refuse(InvalidFields, field+".note", "goes with a feeding, and skip makes none: record the note as an observation with health")
		case !x.GetSkip() && x.TrapsFed == nil && x.GetNote() == "":
			r.problems.refuse(InvalidFields, field, "must have trapsFed, skip or note")
		}
	}
	plants, err := r.find(names)
	if err != nil {
		return nil, err
	}
	out := map[string]*exception{}
	for i, p := range plants {
		if p != nil {
			out[p.ID] = &exception{all[i], fmt.Sprintf("except[%d]", i)}
		}
	}
	return out, nil
}

// mostNote is the most characters of the note of a feeding.
const mostNote = 4000

// RecordOutcomes records what became of a bench's sessions.
func (s *Sessions) RecordOutcomes(ctx context.Context, req *pb.RecordOutcomesRequest) (*pb.RecordOutcomesResponse, error) {
	out, err := write(ctx, s.Core, req,
		func(v *visit) ([]*pb.Feeding, error) { return s.outcomes(v, req) },
		s.feedings.getAll)
	return &pb.RecordOutcomesResponse{Feedings: out}, err
}

func (s *Sessions) outcomes(v *visit, req *pb.RecordOutcomesRequest) ([]*pb.Feeding, error) {
	given := req.GetOutcomeTime() != nil || req.OutcomeDate != nil
	r, err := s.roundOf(v, req.GetName(), req.GetSheet(), "outcome", given)
	if err != nil {
		return nil, err
	}
	refused := r.refused
	day, us := r.when("outcome", req.GetOutcomeTime(), req.GetOutcomeDate())
	switch {
	case !given || r.refused > refused:
	case req.GetOutcomeTime() != nil:
		r.notBefore("outcomeTime", day)
	default:
		r.notBefore("outcomeDate", day)
	}
	names := make([]spoken, len(req.GetExcept()))
	for i, x := range req.GetExcept() {
		field := fmt.Sprintf("except[%d]", i)
		names[i] = spokenOf(i, x, x.Row)
		switch known := x.GetOutcome() != pb.Feeding_OUTCOME_UNSPECIFIED; {
		case x.GetSkip() && known:
			r.problems.refuse(InvalidFields, field+".skip", "goes without an outcome: nothing is recorded of a plant that is skipped")
		case x.GetSkip() && x.GetNote() != "":
			r.problems.refuse(InvalidFields, field+".note", "goes with an outcome: nothing is recorded of a plant that is skipped")
		case !x.GetSkip() && !known && x.GetNote() == "":
			r.problems.refuse(InvalidFields, field, "must have outcome, skip or note")
		}
	}
	named, err := r.find(names)
	if err != nil {
		return nil, err
	}
	looked, _ := r.onSheet(pb.DayPlan_Task_CHECK_OUTCOME)
	exceptions := map[string]int{}
	for i, p := range named {
		switch {
		case p == nil: // refused
		case r.sheet != nil && looked[p.ID] == nil:
			r.problems.refuse(InvalidFields, names[i].field(), "the sheet does not tell to look at the food of %s", p.GetTag())
		default:
			exceptions[p.ID] = i
		}
	}
	if r.bySheet && r.sheet == nil {
		return nil, r.err()
	}
	byDay := req.GetOutcomeTime() == nil && req.GetOutcomeDate() != ""
	var open, plants []string
	for _, p := range r.plants {
		i, excepted := exceptions[p.ID]
		if excepted && req.GetExcept()[i].GetSkip() {
			continue
		}
		if r.sheet != nil && looked[p.ID] == nil {
			continue
		}
		before := len(open)
		for _, m := range historyOf(r.histories, p).Feedings {
			fedUs := store.Micros(m.GetFedTime())
			if m.GetOutcome() != pb.Feeding_OUTCOME_UNSPECIFIED || byDay && r.dayOf(m.GetFedTime()) > day || !byDay && fedUs > us {
				continue
			}
			if of := looked[p.ID]; r.sheet != nil && !slices.ContainsFunc(of, func(t *pb.Sheet_Task) bool { return t.GetFeeding() == m.GetName() }) {
				continue // not one to look at by the sheet
			}
			open, plants = append(open, m.GetName()), append(plants, p.ID)
			if excepted && utf8.RuneCountInString(noted(m.GetNote(), req.GetExcept()[i].GetNote())) > mostNote {
				r.problems.refuse(InvalidFields, fmt.Sprintf("except[%d].note", i), "makes a note of more than %d characters with the one that %s has", mostNote, m.GetName())
			}
		}
		if excepted && len(open) == before {
			r.problems.refuse(InvalidFields, fmt.Sprintf("except[%d]", i), "%s has no session whose outcome is not known", p.GetTag())
		}
	}
	if err := r.err(); err != nil {
		return nil, err
	}
	out, err := r.c.ChangeFeedings(open, v.by(), pb.Revision_UPDATED, func(m *pb.Feeding) error {
		m.Outcome, m.OutcomeTime = pb.Feeding_CLEAN, instantOfMicros(max(us, store.Micros(m.GetFedTime())))
		if i, excepted := exceptions[store.Segment(m.GetName(), "plants")]; excepted {
			x := req.GetExcept()[i]
			m.Outcome, m.Note = cmp.Or(x.GetOutcome(), m.GetOutcome()), noted(m.GetNote(), x.GetNote())
		}
		return v.ctx.Err()
	})
	if err != nil {
		return nil, err
	}
	return s.feedings.finish(v, r.c, out, plants)
}

// noted adds a note to another.
func noted(note, more string) string {
	if note == "" || more == "" {
		return note + more
	}
	return note + "\n" + more
}

// historyOf is the history of a plant, which may be empty.
func historyOf(all map[string]*store.History, p *store.Plant) *store.History {
	if h := all[p.ID]; h != nil {
		return h
	}
	return &store.History{}
}

// MovePlants moves the plants of a bench to another one.
func (s *Sessions) MovePlants(ctx context.Context, req *pb.MovePlantsRequest) (*pb.MovePlantsResponse, error) {
	out, err := write(ctx, s.Core, req, func(v *visit) ([]*pb.Observation, error) {
		r, err := s.round(v, req.GetName())
		if err != nil {
			return nil, err
		}
		_, us := r.when("move", req.GetMoveTime(), req.GetMoveDate())
		benches, err := v.allBenches(r.c)
		if err != nil {
			return nil, err
		}
		if req.GetToBench() == r.bench {
			r.problems.refuse(InvalidFields, "toBench", "is the bench on which they stand")
		} else {
			checkBench(&r.problems, benches, "toBench", r.c.ID(), req.GetToBench())
		}
		out, plants, err := s.observe(r, us, req.GetExceptTags(), &pb.Observation{
			Note: req.GetNote(), Fact: &pb.Observation_Move_{Move: &pb.Observation_Move{Bench: req.GetToBench()}},
		})
		if err != nil {
			return nil, err
		}
		for _, p := range plants {
			if r.c.came(us, v.at) && p.GetBench() != req.GetToBench() {
				field := "moveDate"
				if req.GetMoveTime() != nil {
					field = "moveTime"
				}
				return nil, &Error{Reason: LaterMove, Message: fmt.Sprintf(
					"%s: a move to %s with a later time is on record: void it, or move the plants at a later time", p.GetName(), p.GetBench()),
					Violations: []Violation{{field, "a later move is on record"}}}
			}
		}
		return out, nil
	}, s.observations.getAll)
	return &pb.MovePlantsResponse{Observations: out}, err
}

// HoldPlants puts the plants of a bench on hold.
func (s *Sessions) HoldPlants(ctx context.Context, req *pb.HoldPlantsRequest) (*pb.HoldPlantsResponse, error) {
	out, err := write(ctx, s.Core, req, func(v *visit) ([]*pb.Observation, error) {
		r, err := s.round(v, req.GetName())
		if err != nil {
			return nil, err
		}
		day, us := r.when("hold", req.GetHoldTime(), req.GetHoldDate())
		r.until(inBody, "untilDate", req.GetUntilDate(), day)
		out, _, err := s.observe(r, us, req.GetExceptTags(), &pb.Observation{
			Fact: &pb.Observation_Hold_{Hold: &pb.Observation_Hold{Reason: req.GetReason(), UntilDate: req.UntilDate}},
		})
		return out, err
	}, s.observations.getAll)
	return &pb.HoldPlantsResponse{Observations: out}, err
}

// observe records an observation of each living plant of a bench, but for those with
// the tags, if all else is right. It returns the plants as they stand then.
func (s *Sessions) observe(r *round, us int64, exceptTags []string, usual *pb.Observation) ([]*pb.Observation, []*pb.Plant, error) {
	r.living()
	names := make([]spoken, len(exceptTags))
	for i, tag := range exceptTags {
		names[i] = spoken{tagField: fmt.Sprintf("exceptTags[%d]", i), tag: tag}
	}
	excepted, err := r.find(names)
	if err != nil {
		return nil, nil, err
	}
	var all []*pb.Observation
	var plants []string
	for _, p := range r.plants {
		if slices.Contains(excepted, p) {
			continue
		}
		if h := r.histories[p.ID]; h.Len() >= mostEvents {
			r.refuseMore("name", p, h.Len())
		}
		m := proto.CloneOf(usual)
		m.Name, m.ObserveTime = p.GetName()+"/observations/"+r.newID(), instantOfMicros(us)
		all, plants = append(all, m), append(plants, p.ID)
	}
	if err := r.err(); err != nil {
		return nil, nil, err
	}
	out, err := r.c.CreateObservations(all, r.by())
	if err != nil {
		return nil, nil, err
	}
	for _, m := range out {
		s.observations.dates(m, r.c.zone)
	}
	settled, err := r.visit.settle(r.c, plants)
	return out, settled, err
}
