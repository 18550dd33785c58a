package service

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"math"
	"net/url"
	"slices"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/api/httpbody"
	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/civil"
	"dewbench/service/paper"
	"dewbench/store"
)

const (
	// sheetKept is how long a sheet is kept. The proto file says the same.
	sheetKept = 400 * 24 * time.Hour
	// mostRows is how many rows a sheet has at most, and mostLabels how many labels are
	// printed at once. The proto file says the same.
	mostRows   = 2000
	mostLabels = 2000
)

// The size of a label where none is asked for, mm. The proto file says the same.
const (
	usualLabelWidth  = 60
	usualLabelHeight = 30
)

// Sheets are the calls about what is printed for the bench.
type Sheets struct{ *Core }

// benchesAsked returns the ids of benches that a request names, and refuses what is no
// bench of the collection.
func (v *visit) benchesAsked(p *problems, c *collection, names []string) ([]string, error) {
	known, err := v.allBenches(c)
	if err != nil {
		return nil, err
	}
	var ids []string
	for i, name := range names {
		checkBench(p, known, fmt.Sprintf("benches[%d]", i), c.ID(), name)
		ids = append(ids, store.Segment(name, "benches"))
	}
	return ids, nil
}

// CreateSheet makes a bench sheet.
func (s *Sheets) CreateSheet(ctx context.Context, req *pb.CreateSheetRequest) (*pb.Sheet, error) {
	return writeOne(ctx, s.Core, req, func(v *visit) (*pb.Sheet, error) {
		c, err := v.collection(store.Segment(req.GetParent(), "collections"))
		if err != nil {
			return nil, err
		}
		var p problems
		day := checkDay(&p, "asOfDate", req.GetAsOfDate())
		benches, err := v.benchesAsked(&p, c, req.GetBenches())
		if err != nil {
			return nil, err
		}
		if err := p.err(); err != nil {
			return nil, err
		}
		if day == civil.None {
			day = c.today(v.at)
		}
		if err := checkAhead(c.today(v.at), day, true); err != nil {
			return nil, err
		}
		plan, err := v.dayPlan(c, day, benches)
		if err != nil {
			return nil, err
		}
		m := sheetOf(plan)
		known, err := v.allBenches(c)
		if err != nil {
			return nil, err
		}
		for _, id := range benches {
			name := store.BenchName(c.ID(), id)
			if !slices.ContainsFunc(m.GetBenches(), func(b *pb.DayPlan_BenchPlan) bool { return b.GetBench() == name }) {
				m.Benches = append(m.Benches, &pb.DayPlan_BenchPlan{Bench: name, DisplayName: known[id].GetDisplayName()})
			}
		}
		if len(m.GetRows()) > mostRows {
			return nil, &Error{Reason: TooManyPlants, Message: fmt.Sprintf("there is something to do with %d plants, and a sheet has %d rows at most: name fewer benches", len(m.GetRows()), mostRows)}
		}
		return c.CreateSheet(m, v.by(), v.at.Add(sheetKept).UnixMicro())
	}, getSheet)
}

// doneOrder is the order in which the tasks of a plant are done. What it caught or digested
// is looked at before it is fed: then nobody counts the food of today as its prey.
var doneOrder = []pb.DayPlan_Task_Kind{
	pb.DayPlan_Task_CHECK_OUTCOME, pb.DayPlan_Task_REMOVE_MOULD, pb.DayPlan_Task_SURVEY, pb.DayPlan_Task_FEED,
	pb.DayPlan_Task_CUT_STALK, pb.DayPlan_Task_MEASURE, pb.DayPlan_Task_TREATMENT_ENDS,
}

// doneAt is the place of a task in that order; what is new comes last.
func doneAt(t *pb.Sheet_Task) int {
	if i := slices.Index(doneOrder, t.GetKind()); i >= 0 {
		return i
	}
	return len(doneOrder)
}

// sheetOf numbers the plants of a plan. Calls and reasons are left out: they are for who
// asks for the plan.
func sheetOf(plan *pb.DayPlan) *pb.Sheet {
	m := &pb.Sheet{AsOfDate: plan.GetAsOfDate(), Portions: plan.GetPortions()}
	for _, b := range plan.GetBenches() {
		b = proto.CloneOf(b)
		b.Call = nil
		m.Benches = append(m.Benches, b)
	}
	var row *pb.Sheet_Row
	fit := map[string]bool{}
	for _, t := range plan.GetTasks() {
		if t.GetPlant() != row.GetPlant() {
			row = &pb.Sheet_Row{
				Row: int32(len(m.Rows) + 1), Bench: t.GetBench(), Plant: t.GetPlant(), Tag: t.GetTag(),
				ScientificName: t.GetScientificName(), Cultivar: t.GetCultivar(),
			}
			m.Rows = append(m.Rows, row)
		}
		task := &pb.Sheet_Task{
			Kind: t.GetKind(), Feeding: t.GetFeeding(), Observation: t.GetObservation(), SinceDate: t.SinceDate, Message: t.GetMessage(),
		}
		switch d := t.GetDue(); t.GetKind() {
		case pb.DayPlan_Task_FEED:
			task.Traps, task.MaxItemLengthMm, task.Instructions = min(d.GetTraps(), mostTraps), d.MaxItemLengthMm, d.GetInstructions()
			task.Overdue = d.GetStatus() == pb.DueFeeding_OVERDUE
			if len(d.GetFoods()) > 0 {
				task.Food = d.GetFoods()[0]
			}
			for _, food := range d.GetFoods() {
				fit[food] = true
			}
		case pb.DayPlan_Task_SURVEY, pb.DayPlan_Task_MEASURE:
			task.Fill = t.GetCall().GetFill()
		}
		row.Tasks = append(row.Tasks, task)
	}
	for _, p := range m.GetPortions() {
		delete(fit, p.GetFood())
	}
	m.OtherFoods = slices.Sorted(maps.Keys(fit))
	for _, row := range m.GetRows() {
		slices.SortStableFunc(row.Tasks, func(a, b *pb.Sheet_Task) int { return cmp.Compare(doneAt(a), doneAt(b)) })
	}
	return m
}

func getSheet(v *visit, name string) (*pb.Sheet, error) {
	c, err := v.collection(store.Segment(name, "collections"))
	if err != nil {
		return nil, err
	}
	m, err := c.Sheet(store.SheetNumber(name))
	return m, missing(err, SheetNotFound, name)
}

// GetSheet gets a sheet.
func (s *Sheets) GetSheet(ctx context.Context, req *pb.GetSheetRequest) (m *pb.Sheet, err error) {
	err = s.read(ctx, func(v *visit) error {
		m, err = getSheet(v, req.GetName())
		return err
	})
	return m, err
}

// ListSheets lists sheets, the latest first.
func (s *Sheets) ListSheets(ctx context.Context, req *pb.ListSheetsRequest) (*pb.ListSheetsResponse, error) {
	answer := &pb.ListSheetsResponse{}
	err := s.read(ctx, func(v *visit) error {
		l, err := v.list(req, nil, nil, nil)
		if err != nil {
			return err
		}
		l.query.Desc = true
		answer.Sheets, answer.NextPageToken, err = inCollections(v, l, req.GetParent(), func(c *collection, q store.List) ([]*pb.Sheet, []any, error) {
			return c.Sheets(q)
		})
		return err
	})
	return answer, err
}

// pageType is the media type of what is printed, PagePolicy its Content-Security-Policy.
const (
	pageType   = "text/html; charset=utf-8"
	PagePolicy = paper.Policy
)

func sizeOf(p pb.Paper) paper.Size {
	if p == pb.Paper_LETTER {
		return paper.Letter
	}
	return paper.A4
}

// PrintSheet draws a sheet.
func (s *Sheets) PrintSheet(ctx context.Context, req *pb.PrintSheetRequest) (*httpbody.HttpBody, error) {
	var drawn *paper.Sheet
	err := s.read(ctx, func(v *visit) error {
		m, err := getSheet(v, req.GetName())
		if err != nil {
			return err
		}
		c, err := v.collection(store.Segment(req.GetName(), "collections"))
		if err != nil {
			return err
		}
		drawn, err = s.drawn(c, m)
		return err
	})
	if err != nil {
		return nil, err
	}
	drawn.Paper = sizeOf(req.GetPaper())
	text, err := drawn.HTML()
	return &httpbody.HttpBody{ContentType: pageType, Data: text}, err
}

// drawn is a sheet as it is drawn.
func (c *Core) drawn(of *collection, m *pb.Sheet) (*paper.Sheet, error) {
	day, err := civil.Parse(m.GetAsOfDate())
	if err != nil {
		return nil, fmt.Errorf("day of %s: %w", m.GetName(), err)
	}
	out := &paper.Sheet{
		Number: store.SheetNumber(m.GetName()), Collection: of.message.GetDisplayName(), Day: m.GetAsOfDate(), Weekday: day.Weekday().String(),
		Made: m.GetCreateTime().AsTime().In(of.zone).Format("2006-01-02 15:04"), Rows: len(m.GetRows()),
		Foods: c.toBring(m.GetPortions()), Cautions: c.cautions(m),
	}
	rows := m.GetRows()
	for _, b := range m.GetBenches() {
		bench := paper.Bench{Name: b.GetDisplayName()}
		n := slices.IndexFunc(rows, func(r *pb.Sheet_Row) bool { return r.GetBench() != b.GetBench() })
		if n < 0 {
			n = len(rows)
		}
		for _, r := range rows[:n] {
			row := paper.Row{Number: r.GetRow(), Tag: r.GetTag(), ScientificName: r.GetScientificName(), Cultivar: r.GetCultivar()}
			for _, t := range r.GetTasks() {
				task := c.task(t)
				if len(out.Foods) == 1 {
					task.Food = ""
				}
				row.Tasks = append(row.Tasks, task)
			}
			bench.Rows = append(bench.Rows, row)
		}
		rows = rows[n:]
		out.Benches = append(out.Benches, bench)
	}
	return out, nil
}

// foodWords is the display name of a kind of food; one that the catalogue lost is
// called as it was.
func (c *Core) foodWords(name string) string {
	if f, ok := c.catalogue.Food(strings.TrimPrefix(name, foodPrefix)); ok {
		return f.DisplayName
	}
	return strings.TrimPrefix(name, foodPrefix)
}

// lengthWords tells how long an item may be.
func lengthWords(longest *float64, cut bool) string {
	switch {
	case longest == nil:
		return ""
	case cut:
		return fmt.Sprintf("cut to %g mm", *longest)
	}
	return fmt.Sprintf("up to %g mm", *longest)
}

// toBring tells what to bring of each food, with the lengths that the plan and the rows
// have.
func (c *Core) toBring(all []*pb.DayPlan_Portion) []paper.Food {
	var out []paper.Food
	for _, p := range all {
		name, plants := c.foodWords(p.GetFood()), int64(p.GetPlants())
		if len(out) == 0 || out[len(out)-1].Name != name { // they come food by food
			f, known := c.catalogue.Food(strings.TrimPrefix(p.GetFood(), foodPrefix))
			out = append(out, paper.Food{Name: name, Frozen: known && f.FrozenDays > 0})
		}
		food := &out[len(out)-1]
		food.Items, food.Plants = food.Items+p.GetTraps(), food.Plants+plants
		food.Portions = append(food.Portions, paper.Portion{Length: lengthWords(p.MaxItemLengthMm, p.GetCut()), Items: p.GetTraps(), Plants: plants})
	}
	return out
}

// cautions are those of all that is to be fed, each once; and of what may be fed in its
// place those that warn of allergy, as nobody asks the sheet again before reaching for it.
func (c *Core) cautions(m *pb.Sheet) []string {
	var out []string
	add := func(food string, counts func(string) bool) {
		f, ok := c.catalogue.Food(strings.TrimPrefix(food, foodPrefix))
		if !ok { // the catalogue lost it
			return
		}
		for _, text := range f.Cautions {
			if counts(text) && !slices.Contains(out, text) {
				out = append(out, text)
			}
		}
	}
	for _, p := range m.GetPortions() {
		add(p.GetFood(), func(string) bool { return true })
	}
	for _, food := range m.GetOtherFoods() {
		add(food, func(text string) bool { return strings.Contains(text, "allergy") })
	}
	return out
}

// taskKinds are what there is to write for a task.
var taskKinds = map[pb.DayPlan_Task_Kind]paper.Kind{
	pb.DayPlan_Task_FEED: paper.Feed, pb.DayPlan_Task_CHECK_OUTCOME: paper.CheckOutcome,
	pb.DayPlan_Task_SURVEY: paper.Survey, pb.DayPlan_Task_MEASURE: paper.Measure,
}

func (c *Core) task(t *pb.Sheet_Task) paper.Task {
	out := paper.Task{Kind: taskKinds[t.GetKind()], Words: t.GetMessage(), Since: t.GetSinceDate(), Traps: t.GetTraps(), Overdue: t.GetOverdue()}
	switch out.Kind {
	case paper.Feed:
	case paper.Measure:
		out.Diameter, out.Count = slices.Contains(t.GetFill(), "measurement.rosetteDiameterMm"), slices.Contains(t.GetFill(), "measurement.workingTraps")
		if !out.Diameter && !out.Count {
			out.Kind = paper.Plain // it cannot be recorded: the plant was deleted since
		}
		return out
	default:
		return out
	}
	if slices.Contains(t.GetInstructions(), pb.DueFeeding_CHECK_LAST_FIRST) {
		out.First = "Look at the last food first."
	}
	out.Food = c.foodWords(t.GetFood())
	out.Length = lengthWords(t.MaxItemLengthMm, slices.Contains(t.GetInstructions(), pb.DueFeeding_CUT_TO_LENGTH))
	if slices.Contains(t.GetInstructions(), pb.DueFeeding_STROKE_CLOSED_TRAP) {
		out.Mind = append(out.Mind, "stroke the closed trap") // the others are tasks of their own, or stand with the length
	}
	return out
}

// PrintLabels draws labels of plants.
func (s *Sheets) PrintLabels(ctx context.Context, req *pb.PrintLabelsRequest) (*httpbody.HttpBody, error) {
	labels := &paper.Labels{Paper: sizeOf(req.GetPaper()), Width: usualLabelWidth, Height: usualLabelHeight}
	if req.LabelWidthMm != nil {
		labels.Width = float64(req.GetLabelWidthMm())
	}
	if req.LabelHeightMm != nil {
		labels.Height = float64(req.GetLabelHeightMm())
	}
	err := s.read(ctx, func(v *visit) error {
		c, err := v.collection(store.Segment(req.GetParent(), "collections"))
		if err != nil {
			return err
		}
		var p problems
		base := checkBaseURL(&p, req.GetBaseUrl())
		plants, err := v.labelled(&p, c, req.GetTags(), req.GetBenches())
		if err != nil {
			return err
		}
		if err := p.err(); err != nil {
			return err
		}
		if len(plants) > mostLabels {
			return &Error{Reason: TooManyPlants, Message: fmt.Sprintf("%d labels are more than the %d that are printed at once: name tags or fewer benches", len(plants), mostLabels)}
		}
		labels.Title = "Labels, " + c.message.GetDisplayName()
		for _, p := range plants {
			labels.Labels = append(labels.Labels, paper.Label{
				Tag: p.GetTag(), ScientificName: p.GetScientificName(), Cultivar: p.GetCultivar(), Code: base + p.GetName(),
			})
		}
		if err := checkModules(labels); err != nil {
			return err
		}
		return v.ctx.Err()
	})
	if err != nil {
		return nil, err
	}
	text, err := labels.HTML()
	return &httpbody.HttpBody{ContentType: pageType, Data: text}, err
}

// checkModules refuses labels on which the QR codes would be too fine.
func checkModules(l *paper.Labels) error {
	module, err := l.Module()
	if err != nil || module >= paper.LeastModule {
		return err
	}
	square := min(l.Height, l.Width/2)
	least := math.Ceil(square * paper.LeastModule / module)
	field := "labelHeightMm"
	if square < l.Height {
		field = "labelWidthMm"
	}
	var p problems
	p.refuse(InvalidFields, field, "is too small for the QR code, of which a module is to be %g mm wide at least: make labels of %g by %g mm and more, or give a shorter baseUrl",
		paper.LeastModule, 2*least, least)
	return p.err()
}

// checkBaseURL returns what stands before the name of a plant in a code.
func checkBaseURL(p *problems, text string) string {
	if text == "" {
		return ""
	}
	u, err := url.Parse(text)
	if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" || u.User != nil || strings.ContainsAny(text, "?#") || strings.TrimSpace(text) != text {
		p.refuse(InvalidFields, "baseUrl", "must be an address such as https://plants.example/v1, without user, query and fragment")
		return ""
	}
	return strings.TrimSuffix(u.String(), "/") + "/"
}

// labelled returns the plants that get labels: those with the tags in their order, then
// those of the benches as they are walked; without both all that live.
func (v *visit) labelled(p *problems, c *collection, tags, names []string) ([]*store.Plant, error) {
	ids, err := v.benchesAsked(p, c, names)
	if err != nil {
		return nil, err
	}
	tagged, err := v.tagged(p, c, tags)
	if err != nil || len(ids) == 0 && len(tags) > 0 {
		return tagged, err
	}
	first := map[string]bool{}
	for _, one := range tagged {
		first[one.ID] = true
	}
	var rest []*store.Plant
	err = v.eachPlant(c, func(one *store.Plant) {
		if one.Living && !first[one.ID] && (len(ids) == 0 || slices.Contains(ids, store.Segment(one.GetBench(), "benches"))) {
			rest = append(rest, one)
		}
	})
	benches := c.benches
	walk := func(one *store.Plant) int64 {
		switch b := benches[store.Segment(one.GetBench(), "benches")]; {
		case b == nil:
			return math.MaxInt64
		case b.WalkOrder == nil:
			return math.MaxInt32
		default:
			return int64(b.GetWalkOrder())
		}
	}
	slices.SortFunc(rest, func(a, b *store.Plant) int {
		return cmp.Or(cmp.Compare(walk(a), walk(b)), cmp.Compare(a.GetBench(), b.GetBench()), cmp.Compare(walked(a), walked(b)),
			cmp.Compare(natural(a.GetTag()), natural(b.GetTag())), cmp.Compare(a.ID, b.ID))
	})
	return append(tagged, rest...), err
}

// tagged returns the living plants that bear tags, each once, in the order of the tags.
func (v *visit) tagged(p *problems, c *collection, tags []string) ([]*store.Plant, error) {
	borne, err := c.Tagged(tags)
	if err != nil {
		return nil, err
	}
	ids := make([]string, len(tags))
	for i, tag := range tags {
		if ids[i], err = c.resolveTag(p, fmt.Sprintf("tags[%d]", i), tag, borne[store.Fold(tag)]); err != nil {
			return nil, err
		}
	}
	known, err := c.PlantsByID(ids)
	if err != nil {
		return nil, err
	}
	if err := v.overlayAll(c, known); err != nil {
		return nil, err
	}
	var out []*store.Plant
	for i, id := range ids {
		switch one := known[id]; {
		case one == nil: // told already
		case !one.Living:
			p.refuse(InvalidFields, fmt.Sprintf("tags[%d]", i), "%s is %s", one.GetTag(), one.GetState())
		case !slices.Contains(out, one):
			out = append(out, one)
		}
	}
	return out, nil
}

// overlayAll shows plants as their records say, where those that were dated ahead are not
// settled yet.
func (v *visit) overlayAll(c *collection, known map[string]*store.Plant) error {
	if !c.behind {
		return nil
	}
	var ids []string
	for id := range known {
		ids = append(ids, id)
	}
	histories, err := c.Histories(ids)
	for id, p := range known {
		v.overlay(c, p, histories[id])
	}
	return err
}

// eachPlant calls f with each plant that is not deleted, as it stands.
func (v *visit) eachPlant(c *collection, f func(*store.Plant)) error {
	q := store.List{Limit: MaxPageSize}
	for {
		plants, next, err := c.Plants(q)
		if err != nil {
			return err
		}
		known := map[string]*store.Plant{}
		for _, p := range plants {
			known[p.ID] = p
		}
		if err := v.overlayAll(c, known); err != nil {
			return err
		}
		for _, p := range plants {
			f(p)
		}
		if next == nil {
			return nil
		}
		q.After = next
	}
}
