package service

import (
	"context"
	"fmt"
	"strconv"
	"strings"

	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/table"
	"dewbench/store"
)

// Rows of a page of an exported table.
const (
	UsualExportSize = 1000
	MaxExportSize   = 10_000
)

// exportColumn is a column of an exported table. Headers are terms of Darwin Core
// (dwc.tdwg.org) where one fits, else our own; imports know them all.
type exportColumn[R any] struct {
	header string
	cell   func(R) string
}

// page exports a page of rows.
func exportPage[R any](ctx context.Context, c *Core, req listRequest, columns []exportColumn[R], list func(*visit, *collection, store.List) ([]R, []any, error)) (*pb.ExportResponse, error) {
	answer := &pb.ExportResponse{}
	err := c.read(ctx, func(v *visit) error {
		l := &listing{pages: v.pages}
		if err := l.begin(v, req); err != nil {
			return err
		}
		l.query.Limit = UsualExportSize
		if asked := int(req.GetPageSize()); asked > 0 {
			l.query.Limit = min(asked, MaxExportSize)
		}
		c, err := v.collection(parentCollection(req))
		if err != nil {
			return err
		}
		found, next, err := list(v, c, l.query)
		if err != nil {
			return err
		}
		var rows [][]string
		if l.query.After == nil {
			header := make([]string, len(columns))
			for i, column := range columns {
				header[i] = column.header
			}
			rows = append(rows, header)
		}
		for _, r := range found {
			row := make([]string, len(columns))
			for i, column := range columns {
				row[i] = column.cell(r)
			}
			rows = append(rows, row)
		}
		if answer.Csv, err = table.Write(rows); err != nil {
			return fmt.Errorf("write a table: %w", err)
		}
		answer.NextPageToken, err = l.token(next)
		return err
	})
	return answer, err
}

// exportedPlant is a row of a table of plants.
type exportedPlant struct {
	*store.Plant
	bench    *pb.Bench
	label    string // of the bench
	ended    string // the day
	withheld []string
}

// ExportPlants gives plants out as a table.
func (x *Exchange) ExportPlants(ctx context.Context, req *pb.ExportPlantsRequest) (*pb.ExportResponse, error) {
	return exportPage(ctx, x.Core, req, plantExport, func(v *visit, c *collection, q store.List) ([]*exportedPlant, []any, error) {
		plants, next, err := c.Plants(q)
		if err != nil {
			return nil, nil, err
		}
		book, err := v.benchBook(c)
		if err != nil {
			return nil, nil, err
		}
		var ended []string
		for _, p := range plants {
			if p.GetState() != pb.Plant_GROWING {
				ended = append(ended, p.ID)
			}
		}
		histories, err := c.Histories(ended)
		if err != nil {
			return nil, nil, err
		}
		out := make([]*exportedPlant, len(plants))
		for i, p := range plants {
			out[i] = exported(p, c.is)
			out[i].label, out[i].bench = book.label(p.GetBench()), book.all[store.Segment(p.GetBench(), "benches")]
			if day := v.endDay(c, histories[p.ID]); day.Given() {
				out[i].ended = day.String()
			}
		}
		return out, next, nil
	})
}

// exported returns a plant as a caller may see it.
func exported(p *store.Plant, is Relation) *exportedPlant {
	e := &exportedPlant{Plant: p}
	if !seesLocality(is) { // whether there is one or not
		seen := *p
		seen.Plant = proto.CloneOf(p.Plant)
		seen.Locality = ""
		e.Plant, e.withheld = &seen, []string{"locality"}
	}
	return e
}

var plantExport = func() []exportColumn[*exportedPlant] {
	type p = *exportedPlant
	columns := []exportColumn[p]{
		{"organismID", func(r p) string { return refOr(r.Ref, r.GetName()) }},
		{"organismName", func(r p) string { return r.GetTag() }},
		{"scientificName", func(r p) string {
			return table.Name{Scientific: r.GetScientificName(), Cultivar: r.GetCultivar()}.String()
		}},
		{"cultivarEpithet", func(r p) string { return r.GetCultivar() }},
		{"Clone", func(r p) string { return r.GetClone() }},
		{"Trap type", func(r p) string { return word(r.GetTrapType()) }},
		{"Habit", func(r p) string { return word(r.GetHabit()) }},
		{"Bench", func(r p) string { return r.label }},
		{"Exposure", func(r p) string { return word(r.bench.GetExposure()) }},
		{"Lamp hours", func(r p) string {
			if r.bench == nil {
				return ""
			}
			return decimalText(r.bench.LampHours)
		}},
		{"Walk order", func(r p) string { return wholeText(r.WalkOrder) }},
		{"individualCount", func(r p) string { return fmt.Sprint(r.GetQuantity()) }},
		{"Acquired", func(r p) string { return r.GetAcquireDate() }},
		{"State", func(r p) string { return word(r.GetState()) }},
		{"End date", func(r p) string { return r.ended }},
		{"Source", func(r p) string { return r.GetSource() }},
		{"locality", func(r p) string { return r.GetLocality() }},
		{"Propagation", func(r p) string { return word(r.GetPropagation()) }},
	}
	for i, name := range regimenHeaders {
		columns = append(columns, exportColumn[p]{name, func(r p) string {
			if r.GetRegimen() == nil {
				return ""
			}
			return wholeText(*regimenNumbers(r.GetRegimen())[i])
		}})
	}
	return append(columns,
		exportColumn[p]{"Check days", func(r p) string {
			var days []string
			for _, d := range r.GetRegimen().GetCheckDays() {
				days = append(days, fmt.Sprint(d))
			}
			return strings.Join(days, " ")
		}},
		exportColumn[p]{"Hand feed", func(r p) string { return word(r.GetRegimen().GetHandFeed()) }},
		exportColumn[p]{"Cut stalks", func(r p) string {
			if r.GetRegimen() == nil {
				return ""
			}
			return yesText(r.GetRegimen().CutStalks)
		}},
		exportColumn[p]{"informationWithheld", func(r p) string { return strings.Join(r.withheld, ", ") }},
	)
}()

// regimenHeaders are the headers of the numbers of a regimen, in their order.
var regimenHeaders = []string{
	"Interval days", "Tolerance days", "Traps start", "Traps max", "Clean runs to step up", "Feed one in",
	"Max item percent", "Mould pause percent", "Residue pause percent", "Settle days", "Digest days",
}

// exportedEvent is a row of a table of feedings or observations.
type exportedEvent[M event] struct {
	message    M
	ref        string
	plant      *store.Plant
	day, clock string
	outcomeDay string
	label      string // of the bench of a move
	exposure   pb.Bench_Exposure
}

func exportEvents[M event](e *eventKind[M], v *visit, c *collection, q store.List) ([]*exportedEvent[M], []any, error) {
	found, refs, next, err := e.listed(c.Collection, q)
	if err != nil {
		return nil, nil, err
	}
	var ids []string
	for _, m := range found {
		ids = append(ids, store.Segment(m.GetPlant(), "plants"))
	}
	plants, err := c.PlantsByID(ids)
	if err != nil {
		return nil, nil, err
	}
	book, err := v.benchBook(c)
	if err != nil {
		return nil, nil, err
	}
	out := make([]*exportedEvent[M], len(found))
	for i, m := range found {
		r := &exportedEvent[M]{message: m, plant: plants[store.Segment(m.GetPlant(), "plants")], ref: refOr(refs[i], m.GetName())}
		us := e.at(m)
		day, seconds := c.clockIn(us)
		if r.day = day.String(); us != day.Noon(c.zone).UnixMicro() {
			r.clock = table.Clock{Given: true, Seconds: seconds}.String()
		}
		switch m := any(m).(type) {
		case *pb.Feeding:
			if seen := dayIn(m.GetOutcomeTime(), c.zone); seen != nil {
				r.outcomeDay = *seen
			}
		case *pb.Observation:
			if move := m.GetMove(); move != nil {
				if r.label = noBench; move.GetBench() != "" {
					r.label, r.exposure = book.label(move.GetBench()), book.all[store.Segment(move.GetBench(), "benches")].GetExposure()
				}
			}
		}
		out[i] = r
	}
	return out, next, nil
}

// eventExport are the columns that tables of feedings and of observations share.
func eventExport[M event]() []exportColumn[*exportedEvent[M]] {
	type r = *exportedEvent[M]
	return []exportColumn[r]{
		{"eventID", func(e r) string { return e.ref }},
		{"organismID", func(e r) string { return refOr(e.plant.Ref, e.plant.GetName()) }},
		{"organismName", func(e r) string { return e.plant.GetTag() }},
		{"eventDate", func(e r) string { return e.day }},
		{"eventTime", func(e r) string { return e.clock }},
	}
}

// ExportFeedings gives feedings out as a table.
func (x *Exchange) ExportFeedings(ctx context.Context, req *pb.ExportFeedingsRequest) (*pb.ExportResponse, error) {
	return exportPage(ctx, x.Core, req, feedingExport, func(v *visit, c *collection, q store.List) ([]*exportedEvent[*pb.Feeding], []any, error) {
		return exportEvents(x.feedingKind(), v, c, q)
	})
}

var feedingExport = func() []exportColumn[*exportedEvent[*pb.Feeding]] {
	type r = *exportedEvent[*pb.Feeding]
	return append(eventExport[*pb.Feeding](),
		exportColumn[r]{"Traps fed", func(e r) string { return wholeText(e.message.TrapsFed) }},
		exportColumn[r]{"Target", func(e r) string { return wholeText(e.message.TrapsTarget) }},
		exportColumn[r]{"Food", func(e r) string { return strings.TrimPrefix(e.message.GetFood(), foodPrefix) }},
		exportColumn[r]{"Item length (mm)", func(e r) string { return decimalText(e.message.ItemLengthMm) }},
		exportColumn[r]{"Stimulated", func(e r) string { return yesText(e.message.Stimulated) }},
		exportColumn[r]{"Outcome", func(e r) string { return word(e.message.GetOutcome()) }},
		exportColumn[r]{"Outcome date", func(e r) string { return e.outcomeDay }},
		exportColumn[r]{"Feeder", func(e r) string { return e.message.GetFeeder() }},
		exportColumn[r]{"eventRemarks", func(e r) string { return e.message.GetNote() }},
	)
}()

// ExportObservations gives observations out as a table.
func (x *Exchange) ExportObservations(ctx context.Context, req *pb.ExportObservationsRequest) (*pb.ExportResponse, error) {
	return exportPage(ctx, x.Core, req, observationExport, func(v *visit, c *collection, q store.List) ([]*exportedEvent[*pb.Observation], []any, error) {
		return exportEvents(x.observationKind(), v, c, q)
	})
}

var observationExport = func() []exportColumn[*exportedEvent[*pb.Observation]] {
	type r = *exportedEvent[*pb.Observation]
	is := func(yes bool) string {
		if yes {
			return "yes"
		}
		return ""
	}
	size := func(of func(*pb.Observation_Measurement) string) func(r) string {
		return func(e r) string {
			if e.message.GetMeasurement() == nil {
				return ""
			}
			return of(e.message.GetMeasurement())
		}
	}
	type m = *pb.Observation_Measurement
	return append(eventExport[*pb.Observation](), []exportColumn[r]{
		{"Rosette diameter (mm)", size(func(s m) string { return decimalText(s.RosetteDiameterMm) })},
		{"Height (mm)", size(func(s m) string { return decimalText(s.HeightMm) })},
		{"Trap width (mm)", size(func(s m) string { return decimalText(s.TrapWidthMm) })},
		{"Working traps", size(func(s m) string { return wholeText(s.WorkingTraps) })},
		{"Leaf count", size(func(s m) string { return wholeText(s.LeafCount) })},
		{"Stalk", func(e r) string { return word(e.message.GetStalk()) }},
		{"Prey found", func(e r) string {
			if e.message.GetCatchSurvey() == nil {
				return ""
			}
			return fmt.Sprint(e.message.GetCatchSurvey().GetPreyFound())
		}},
		{"Traps examined", func(e r) string {
			if n := e.message.GetCatchSurvey().GetTrapsExamined(); n > 0 {
				return fmt.Sprint(n)
			}
			return ""
		}},
		{"individualCount", func(e r) string {
			if e.message.GetCount() == nil {
				return ""
			}
			return fmt.Sprint(e.message.GetCount().GetQuantity())
		}},
		{"End", func(e r) string { return word(e.message.GetEnd().GetState()) }},
		{"Cause", func(e r) string { return e.message.GetEnd().GetCause() }},
		{"Recipient", func(e r) string { return e.message.GetEnd().GetRecipient() }},
		{"Moved to", func(e r) string { return e.label }},
		{"Exposure", func(e r) string { return word(e.exposure) }},
		{"Repotted", func(e r) string { return is(e.message.GetRepotting() != nil) }},
		{"Rest start", func(e r) string { return is(e.message.GetRestStart() != nil) }},
		{"Rest end", func(e r) string { return is(e.message.GetRestEnd() != nil) }},
		{"Hold", func(e r) string { return is(e.message.GetHold() != nil) }},
		{"Hold reason", func(e r) string { return e.message.GetHold().GetReason() }},
		{"Hold until", func(e r) string { return e.message.GetHold().GetUntilDate() }},
		{"Treated", func(e r) string { return is(e.message.GetTreatment() != nil) }},
		{"Treated for", func(e r) string { return e.message.GetTreatment().GetWhat() }},
		{"Product", func(e r) string { return e.message.GetTreatment().GetProduct() }},
		{"Treated until", func(e r) string { return e.message.GetTreatment().GetUntilDate() }},
		{"Health", func(e r) string { return e.message.GetHealth().GetText() }},
		{"eventRemarks", func(e r) string { return e.message.GetNote() }},
	}...)
}()

// refOr returns the ref of what a row is about, or its own name.
func refOr(ref, name string) string {
	if ref == "" {
		return name
	}
	return ref
}

// word writes a value of an enum as tables have it: in small letters, with spaces. What
// is not told is empty.
func word[E interface {
	~int32
	String() string
}](value E) string {
	if value == 0 {
		return ""
	}
	return strings.ToLower(strings.ReplaceAll(value.String(), "_", " "))
}

func wholeText(n *int32) string {
	if n == nil {
		return ""
	}
	return strconv.Itoa(int(*n))
}

func decimalText(n *float64) string {
	if n == nil {
		return ""
	}
	return strconv.FormatFloat(*n, 'f', -1, 64)
}

func yesText(yes *bool) string {
	switch {
	case yes == nil:
		return ""
	case *yes:
		return "yes"
	}
	return "no"
}
