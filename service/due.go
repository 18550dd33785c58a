package service

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"time"

	"google.golang.org/genproto/googleapis/type/dayofweek"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/catalogue"
	"dewbench/service/civil"
	"dewbench/service/due"
	"dewbench/service/season"
)

const foodPrefix = "foods/"

// lastAsOf is the last day that can be asked about: what follows from it can
// still be written as a day.
var lastAsOf = civil.Date(9990, 12, 31)

// Due computes what is due.
type Due struct {
	*Core
	foods     []due.Food // the catalogue's, in its order
	foodNames []string
}

// NewDue returns the calls that tell what is due.
func NewDue(core *Core) *Due {
	d := &Due{Core: core}
	for _, f := range core.catalogue.Foods() {
		d.foods = append(d.foods, due.Food{LengthMM: f.LengthMm, Moves: f.Moves, MayCut: f.MayBeCut})
		d.foodNames = append(d.foodNames, foodPrefix+f.ID)
	}
	return d
}

// ComputeDue computes what is due from the caller's own records.
func (s *Due) ComputeDue(ctx context.Context, req *pb.ComputeDueRequest) (*pb.ComputeDueResponse, error) {
	r, err := s.readRecords(ctx, req)
	if err != nil {
		return nil, err
	}
	horizon := UsualHorizonDays
	if req.HorizonDays != nil {
		horizon = int(req.GetHorizonDays())
	}
	var engine due.Engine
	answer := &pb.ComputeDueResponse{}
	for i := range r.plants {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		p := &r.plants[i]
		decision := engine.Decide(&p.facts, r.asOf, horizon)
		if decision.Status == due.Absent {
			continue
		}
		m := s.message(&decision, r.asOf)
		m.Key, m.ScientificName = p.key, p.scientificName
		answer.Decisions = append(answer.Decisions, m)
	}
	return answer, nil
}

// computed is a request as plain values.
type computed struct {
	asOf   civil.Day
	plants []computedPlant
}

type computedPlant struct {
	key, scientificName string
	facts               due.Facts
	origins             due.Origins
}

// reader turns a request into plain values and gathers all that is wrong.
type reader struct {
	catalogue *catalogue.Catalogue
	zone      *time.Location
	place     season.Place
	asOf      civil.Day
	rests     map[season.Rule][]civil.Span
	problems
	stored   bool // the records are our own: moves name benches
	kept     bool // they were judged when they were recorded: nothing is refused any more
	weekdays due.Weekdays
	absences []civil.Span
	foods    []due.Food
	keys     map[string]int
	restFrom civil.Day
	restTo   civil.Day
}

// at is a place in a request: a plant, an entry of one of its lists, or (inRequest)
// the request itself. It is written out only where something is wrong.
type at struct {
	plant  int
	list   string // "": the plant itself
	item   int
	prefix string // the place, where it is none of these
}

// inRequest as at.plant: the place is not in a plant.
const inRequest = -1

// field returns the path of a field at the place; "" is the place itself.
func (a at) field(name string) string {
	var steps []string
	if a.prefix != "" {
		steps = append(steps, a.prefix)
	} else if a.plant != inRequest {
		steps = append(steps, fmt.Sprintf("plants[%d]", a.plant))
	}
	if a.list != "" {
		steps = append(steps, fmt.Sprintf("%s[%d]", a.list, a.item))
	}
	if name != "" {
		steps = append(steps, name)
	}
	return strings.Join(steps, ".")
}

// refuse notes a field that breaks a rule. Of many it only counts the later ones.
func (r *reader) refuse(a at, field, rule string, args ...any) {
	r.refuseFor(InvalidFields, a, field, rule, args...)
}

// refuseFor is refuse with a reason of its own.
func (r *reader) refuseFor(reason Reason, a at, field, rule string, args ...any) {
	if !r.kept && r.note(reason) {
		r.violations = append(r.violations, Violation{a.field(field), fmt.Sprintf(rule, args...)})
	}
}

// day reads a civil day; an empty one, which only fields may be that may be left
// out, is civil.None.
func (r *reader) day(a at, field, text string) civil.Day {
	if text == "" {
		return civil.None
	}
	d, err := civil.Parse(text)
	if err != nil {
		r.refuse(a, field, "%q %v", text, err)
	}
	return d
}

// moment reads an instant or, for a caller that knows no more, a day: of the
// fields <verb>Time and <verb>Date. Both must agree. Without either, ok is false.
func (r *reader) moment(a at, verb string, instant *timestamppb.Timestamp, text string) (day civil.Day, micros int64, ok bool) {
	if instant != nil {
		t := instant.AsTime()
		day := civilDay(t, r.zone)
		if given := r.day(a, verb+"Date", text); given.Given() && given != day {
			r.refuse(a, verb+"Date", "must be the day of %sTime, %s in %s: give one of them", verb, day, r.zone)
		}
		return day, t.UnixMicro(), true
	}
	if text == "" {
		return civil.None, 0, false
	}
	d := r.day(a, verb+"Date", text)
	if d == civil.None {
		return d, 0, true
	}
	noon := d.Noon(r.zone)
	if year := noon.UTC().Year(); r.stored && (year < 1 || year > 9999) {
		r.refuse(a, verb+"Date", "has no instant that can be written, as noon of it lies outside of the years 1 to 9999 UTC")
	}
	return d, noon.UnixMicro(), true
}

// reader returns a reader that has read nothing yet.
func (s *Due) reader() *reader {
	return &reader{catalogue: s.catalogue, foods: s.foods, rests: map[season.Rule][]civil.Span{}, keys: map[string]int{}}
}

func (s *Due) readRecords(ctx context.Context, req *pb.ComputeDueRequest) (*computed, error) {
	r := s.reader()
	r.collection(req)
	out := &computed{asOf: r.asOf, plants: make([]computedPlant, len(req.GetPlants()))}
	for i, p := range req.GetPlants() {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		out.plants[i] = r.plant(i, p)
	}
	if err := r.err(); err != nil {
		return nil, err
	}
	return out, nil
}

// collection reads what holds for all plants.
func (r *reader) collection(req *pb.ComputeDueRequest) {
	here := at{plant: inRequest}
	switch r.asOf = r.day(here, "asOfDate", req.GetAsOfDate()); {
	case req.GetAsOfDate() == "":
		r.refuse(here, "asOfDate", "must be given")
	case r.asOf > lastAsOf:
		r.refuse(here, "asOfDate", "must be %s at the latest", lastAsOf)
	}
	if r.refused > 0 {
		r.asOf = lastAsOf // refused; the rest is only read to say what else is wrong
	}
	r.restFrom, r.restTo = due.RestRange(r.asOf)
	r.zone = time.UTC
	if name := req.GetTimeZone(); name != "" {
		zone, err := loadZone(name)
		if err != nil {
			r.refuse(here, "timeZone", "%q is not a time zone of the IANA database, such as Europe/Berlin", name)
		} else {
			r.zone = zone
		}
	}
	r.place.South = req.GetHemisphere() == pb.Collection_SOUTH
	if req.LatitudeDeg != nil {
		r.place.HasLatitude, r.place.LatitudeDeg = true, req.GetLatitudeDeg()
	}
	for _, d := range req.GetFeedingWeekdays() {
		r.weekdays = r.weekdays.On(weekday(d))
	}
	for i, a := range req.GetAbsences() {
		here := at{plant: inRequest, list: "absences", item: i}
		span := civil.Span{From: r.day(here, "fromDate", a.GetFromDate()), Until: r.day(here, "untilDate", a.GetUntilDate())}
		if span.From.Given() && span.Until.Given() && span.Empty() {
			r.refuse(here, "untilDate", "must be after fromDate: it is the day of being back")
		}
		r.absences = append(r.absences, span)
	}
}

// loadZone finds a zone of the IANA database. The machine's own zone is none.
func loadZone(name string) (*time.Location, error) {
	if name == "Local" {
		return nil, fmt.Errorf("unknown time zone %s", name)
	}
	if zone, ok := loaded.Load(name); ok {
		return zone.(*time.Location), nil
	}
	zone, err := time.LoadLocation(name)
	if err == nil {
		loaded.Store(name, zone)
	}
	return zone, err
}

// loaded has the zones that were asked for, by their names. There are some hundreds.
var loaded sync.Map

// weekday turns Monday = 1 to Sunday = 7 into Go's days.
func weekday(d dayofweek.DayOfWeek) time.Weekday { return time.Weekday(d % 7) }

// plant reads a plant. layers are those of the regimen between the plant's and the
// catalogue's.
func (r *reader) plant(index int, p *pb.ComputeDueRequest_Plant, layers ...due.Set) computedPlant {
	here := at{plant: index}
	if first, used := r.keys[p.GetKey()]; used {
		r.refuse(here, "key", "%q is the key of plants[%d] already", p.GetKey(), first)
	}
	r.keys[p.GetKey()] = index
	out := r.pot(here, p, layers...)
	f := &out.facts
	for i, m := range p.GetMoves() {
		d := r.day(at{plant: index, list: "moves", item: i}, "date", m.GetDate())
		f.Moves = append(f.Moves, due.Move{Day: d, Exposure: due.Exposure(m.GetExposure())})
	}
	f.Feedings = make([]due.Feeding, len(p.GetFeedings()))
	for i, fd := range p.GetFeedings() {
		f.Feedings[i] = r.feeding(at{plant: index, list: "feedings", item: i}, fd)
	}
	f.Observations = make([]due.Observation, len(p.GetObservations()))
	for i, o := range p.GetObservations() {
		f.Observations[i] = r.observation(at{plant: index, list: "observations", item: i}, o)
	}
	f.Sort()
	return out
}

// pot reads what a plant is, but for its history.
func (r *reader) pot(here at, p *pb.ComputeDueRequest_Plant, layers ...due.Set) computedPlant {
	out := computedPlant{key: p.GetKey()}
	f := &out.facts
	*f = due.Facts{
		Acquired: r.day(here, "acquireDate", p.GetAcquireDate()),
		Entered:  r.day(here, "enterDate", p.GetEnterDate()),
		Ships:    r.day(here, "shipDate", p.GetShipDate()),
		First:    due.Exposure(p.GetExposure()),
		Quantity: 1,
		TrapType: due.TrapType(p.GetTrapType()),
		Weekdays: r.weekdays,
		Absences: r.absences,
		Foods:    r.foods,
	}
	if p.Quantity != nil {
		f.Quantity = int(p.GetQuantity())
	}
	habit := due.Habit(p.GetHabit())
	sets := append([]due.Set{{Layer: due.PlantLayer, Regimen: regimenValue(p.GetRegimen())}}, layers...)
	if p.GetTaxon() != "" {
		if t, ok := r.catalogue.Taxon(p.GetTaxon()[len(taxonPrefix):]); ok {
			out.scientificName = t.ScientificName
			sets = append(sets, r.taxon(t, f, &habit)...)
		} else {
			r.refuseFor(TaxonNotFound, here, "taxon", "%q is not in the catalogue", p.GetTaxon())
		}
	}
	f.Rules, out.origins = due.Resolve(f.TrapType, habit, sets...)
	return out
}

// taxon fills in what the catalogue knows and the plant does not say itself, and
// returns the catalogue's layers of the regimen.
func (r *reader) taxon(t *catalogue.Taxon, f *due.Facts, habit *due.Habit) []due.Set {
	if f.TrapType == due.NoTrapType {
		f.TrapType = t.TrapType
	}
	if *habit == due.NoHabit {
		*habit = t.Habit
	}
	f.TypicalWidthMM, f.TypicalDiameterMM = t.TrapWidthMm, t.RosetteDiameterMm
	if t.RestKnown {
		rests, known := r.rests[t.Rest]
		if !known {
			rests = season.Rests(t.Rest, r.place, r.restFrom, r.restTo)
			r.rests[t.Rest] = rests
		}
		f.Rests = rests
	}
	sets := []due.Set{{Layer: due.CatalogueTaxonLayer, Regimen: t.Regimen}}
	if genus, ok := r.catalogue.Genus(t); ok && genus.ID != t.ID {
		sets = append(sets, due.Set{Layer: due.CatalogueGenusLayer, Regimen: genus.Regimen})
	}
	return sets
}

func (r *reader) feeding(a at, m *pb.Feeding) due.Feeding {
	day, micros, ok := r.moment(a, "fed", m.GetFedTime(), m.GetFedDate())
	if !ok {
		r.refuse(a, "", "give fedTime or fedDate")
	}
	f := due.Feeding{Day: day, Time: micros, Traps: due.FedTarget, Target: int(m.GetTrapsTarget()), OutcomeDay: civil.None}
	if m.TrapsFed != nil {
		f.Traps = int(m.GetTrapsFed())
	}
	outcome := r.outcome(a, m)
	seen, seenMicros, given := r.moment(a, "outcome", m.GetOutcomeTime(), m.GetOutcomeDate())
	field := "outcomeDate"
	if m.GetOutcomeTime() != nil {
		field = "outcomeTime"
	}
	switch {
	case !given:
		seen, seenMicros = day, micros
	case outcome == due.Unknown:
		r.refuse(a, field, "goes with an outcome")
	case seen.Given() && (seen < day || m.GetOutcomeTime() != nil && m.GetFedTime() != nil && seenMicros < micros):
		r.refuse(a, field, "must not be before the feeding")
	}
	if outcome != due.Unknown {
		f.Outcome, f.OutcomeDay, f.OutcomeTime = outcome, seen, seenMicros
	}
	return f
}

// outcome returns what became of a session: the worst of its traps, where they
// are told.
func (r *reader) outcome(a at, m *pb.Feeding) due.Outcome {
	worst := pb.Feeding_OUTCOME_UNSPECIFIED
	for i, t := range m.GetTraps() {
		worst = max(worst, t.GetOutcome())
		if t.GetFirstMovement() != nil && t.GetWatchedFor() != nil {
			r.refuse(a, fmt.Sprintf("traps[%d].watchedFor", i),
				"give firstMovement (it moved) or watchedFor (it did not while watched), not both")
		}
	}
	switch told := m.GetOutcome(); {
	case worst == pb.Feeding_OUTCOME_UNSPECIFIED:
		worst = told
	case told != pb.Feeding_OUTCOME_UNSPECIFIED && told != worst:
		r.refuse(a, "outcome", "is %s, but the worst of traps is %s: leave it out", told, worst)
	}
	return due.Outcome(worst)
}

// factNames are the fields of an observation that say what it is about.
var factNames = func() string {
	var names []string
	fields := (&pb.Observation{}).ProtoReflect().Descriptor().Oneofs().ByName("fact").Fields()
	for i := range fields.Len() {
		names = append(names, fields.Get(i).JSONName())
	}
	return strings.Join(names, ", ")
}()

// until reads the day on which a hold that begins on from ends.
func (r *reader) until(a at, field, text string, from civil.Day) civil.Day {
	d := r.day(a, field, text)
	if d.Given() && from.Given() && d <= from {
		r.refuse(a, field, "must be after the day of the observation: it is the first day on which feeding is right again")
	}
	return d
}

func (r *reader) observation(a at, m *pb.Observation) due.Observation {
	day, micros, ok := r.moment(a, "observe", m.GetObserveTime(), m.GetObserveDate())
	if !ok {
		r.refuse(a, "", "give observeTime or observeDate")
	}
	o := due.Observation{Day: day, Time: micros, Kind: due.Noted, WorkingTraps: due.NotCounted}
	switch fact := m.GetFact().(type) {
	case *pb.Observation_Measurement_:
		o.Kind = due.Measured
		o.DiameterMM, o.WidthMM = fact.Measurement.GetRosetteDiameterMm(), fact.Measurement.GetTrapWidthMm()
		if proto.Size(fact.Measurement) == 0 {
			r.refuse(a, "measurement", "give at least one size or count")
		}
		if fact.Measurement.WorkingTraps != nil {
			o.WorkingTraps = int(fact.Measurement.GetWorkingTraps())
		}
	case *pb.Observation_Stalk_:
		o.Kind = due.Stalk
		switch fact.Stalk {
		case pb.Observation_EMERGED, pb.Observation_FLOWERED, pb.Observation_SEED_RIPE:
			o.StalkUp = true
		}
	case *pb.Observation_CatchSurvey_:
		o.Kind = due.Surveyed
		o.Prey, o.Examined = int(fact.CatchSurvey.GetPreyFound()), int(fact.CatchSurvey.GetTrapsExamined())
	case *pb.Observation_Count_:
		o.Kind, o.Quantity = due.Counted, int(fact.Count.GetQuantity())
	case *pb.Observation_End_:
		o.Kind = due.Ended
	case *pb.Observation_Move_:
		if r.stored {
			break
		}
		r.refuse(a, "move", "names a bench, which is not known here: give the plant's moves[] with date and exposure")
	case *pb.Observation_Repotting_:
		o.Kind = due.Repotted
	case *pb.Observation_RestStart_:
		o.Kind = due.RestStarted
	case *pb.Observation_RestEnd_:
		o.Kind = due.RestEnded
	case *pb.Observation_Hold_:
		o.Kind, o.Until = due.Held, r.until(a, "hold.untilDate", fact.Hold.GetUntilDate(), day)
	case *pb.Observation_Treatment_:
		o.Kind, o.Until = due.Treated, r.until(a, "treatment.untilDate", fact.Treatment.GetUntilDate(), day)
	case nil:
		r.refuse(a, "", "must have what was seen or done: one of %s", factNames)
	}
	return o
}

// message turns a decision into a row.
func (s *Due) message(d *due.Decision, asOf civil.Day) *pb.DueFeeding {
	m := &pb.DueFeeding{
		Status:      pb.DueFeeding_Status(d.Status),
		CoverDate:   date(d.Cover),
		DueFromDate: date(d.DueFrom),
		DueLastDate: date(d.DueLast),
		FeedDate:    date(d.FeedDate),
		Traps:       int32(d.Traps),
		AsOfDate:    asOf.String(),
	}
	if d.MaxItemTenths != due.NoLimit {
		mm := float64(d.MaxItemTenths) / 10
		m.MaxItemLengthMm = &mm
	}
	if len(d.Foods) > 0 {
		m.Foods = make([]string, len(d.Foods))
		for k, i := range d.Foods {
			m.Foods[k] = s.foodNames[i]
		}
	}
	if all := d.Instructions.List(); len(all) > 0 {
		m.Instructions = make([]pb.DueFeeding_Instruction, len(all))
		for k, i := range all {
			m.Instructions[k] = pb.DueFeeding_Instruction(i)
		}
	}
	if len(d.Reasons) > 0 {
		reasons := make([]pb.DueFeeding_Reason, len(d.Reasons))
		m.Reasons = make([]*pb.DueFeeding_Reason, len(d.Reasons))
		for k, r := range d.Reasons {
			out := &reasons[k]
			out.Code, out.Message = pb.DueFeeding_Reason_Code(r.Code), sentence(r, d)
			out.FromDate, out.UntilDate = date(r.From), date(r.Until)
			m.Reasons[k] = out
		}
	}
	return m
}

// date writes a day, or nothing for one that is not given or open.
func date(d civil.Day) *string {
	if !d.Given() {
		return nil
	}
	text := d.String()
	return &text
}
