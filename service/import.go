package service

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/civil"
	"dewbench/service/table"
	"dewbench/store"
)

// importPiece is how many rows are written in one transaction: few enough that others
// who write wait for a part of a second only.
const importPiece = 700

// importRequest is a request to bring a table in.
type importRequest interface {
	GetParent() string
	GetCsv() []byte
	GetDateOrder() pb.ImportResponse_DateOrder
	GetCharset() pb.ImportResponse_Charset
	GetGoodRowsOnly() bool
	GetValidateOnly() bool
}

// readImport reads the table of a request.
func readImport[R any](req importRequest, read func(io.Reader, table.Options) (*table.Result[R], error)) (*table.Result[R], error) {
	o := table.Options{
		Order:       table.Order(req.GetDateOrder()),
		AskOrder:    "say which with dateOrder, DAY_FIRST or MONTH_FIRST",
		AskEncoding: "give the charset WINDOWS_1252",
		MaxProblems: mostFaults,
		ByRef:       true,
	}
	if req.GetCharset() == pb.ImportResponse_WINDOWS_1252 {
		o.Encoding = table.Windows1252
	}
	t, err := read(bytes.NewReader(req.GetCsv()), o)
	if err != nil {
		return nil, fmt.Errorf("read a table: %w", err)
	}
	return t, nil
}

// importing is a table that is brought in. It is judged as a whole in a transaction that
// reads, and then written in pieces, each judged again in its own.
type importing interface {
	// prepare looks up what the rows are about, and judges them.
	prepare(v *visit, c *collection) error
	// pieces returns how many pieces the rows that are right are written in.
	pieces() int
	// write judges a piece anew and writes it. done tells that its rows stand once the
	// transaction is committed; ok is false if a row is wrong by now.
	write(v *visit, c *collection, piece int) (ok bool, err error)
	// skipped marks the rows of a piece and of those after it as not written.
	skipped(piece int)
}

// bring brings a table in.
func (x *Exchange) bring(ctx context.Context, req importRequest, r *report, in importing) (*pb.ImportResponse, error) {
	parent := store.Segment(req.GetParent(), "collections")
	err := x.read(ctx, func(v *visit) error {
		c, err := v.collection(parent)
		if err != nil {
			return err
		}
		r.benches = nil
		return in.prepare(v, c)
	})
	if err != nil {
		return nil, err
	}
	stop := len(r.whole) > 0 || r.bad() && !req.GetGoodRowsOnly()
	switch {
	case req.GetValidateOnly():
		for _, row := range r.rows {
			if row.GetResult() == pb.ImportResponse_CREATED {
				row.Name = "" // it has none yet
			}
		}
		if stop {
			r.leave()
		}
		return r.answer(), nil
	case stop:
		return nil, r.err()
	}
	r.benches = nil
	at, longest := x.now(), time.Duration(0)
	for piece := range in.pieces() {
		begin := time.Now()
		if ends, bounded := ctx.Deadline(); bounded && piece > 0 && time.Until(ends) < 2*longest+time.Second {
			in.skipped(piece)
			break
		}
		benches, ok := r.benches, false
		err := x.store.Write(ctx, func(tx *store.Tx) error {
			r.benches = slices.Clone(benches) // it may run again
			v := x.visit(ctx, tx, at)
			c, err := v.collection(parent)
			if err != nil {
				return err
			}
			if ok, err = in.write(v, c, piece); err == nil && !ok {
				return errRefused
			}
			return err
		})
		if errors.Is(err, errRefused) && !ok {
			err = nil
		}
		if err != nil && piece == 0 {
			return nil, fromStore(err)
		}
		if err != nil || !ok {
			// What was written before stands.
			r.benches = benches
			in.skipped(piece)
			if err = fromStore(err); err != nil {
				var known *Error
				if !errors.As(err, &known) {
					return nil, err
				}
				r.unwritten(known.Message)
			}
			break
		}
		longest = max(longest, time.Since(begin))
	}
	return r.answer(), nil
}

// unwritten tells at the first row that was not written why.
func (r *report) unwritten(why string) {
	for _, row := range r.rows {
		if row.GetResult() == pb.ImportResponse_NOT_WRITTEN && len(row.GetFaults()) == 0 {
			note(row, "the work ended here: %s", why)
			return
		}
	}
}

// ImportPlants brings plants in.
func (x *Exchange) ImportPlants(ctx context.Context, req *pb.ImportPlantsRequest) (*pb.ImportResponse, error) {
	t, err := readImport(req, table.Plants)
	if err != nil {
		return nil, err
	}
	in := &plantImport{x: x, report: newReport(t, func(p *table.Plant) (int, string) { return p.Line, p.Tag }), good: req.GetGoodRowsOnly()}
	for i := range t.Rows {
		in.rows = append(in.rows, &plantIn{row: &t.Rows[i], out: in.report.byLine[t.Rows[i].Line]})
	}
	return x.bring(ctx, req, in.report, in)
}

// ImportFeedings brings feedings in.
func (x *Exchange) ImportFeedings(ctx context.Context, req *pb.ImportFeedingsRequest) (*pb.ImportResponse, error) {
	t, err := readImport(req, table.Feedings)
	if err != nil {
		return nil, err
	}
	r := newReport(t, func(f *table.Feeding) (int, string) { return f.Line, f.Tag })
	in := &eventImport[*pb.Feeding]{kind: x.feedingKind(), report: r, good: req.GetGoodRowsOnly()}
	in.make = func(c *collection) (all []*said[*pb.Feeding]) {
		for i := range t.Rows {
			f := &t.Rows[i]
			s := &said[*pb.Feeding]{out: r.byLine[f.Line], tag: f.Tag, plantRef: f.PlantRef, ref: f.Ref, day: f.Fed, clock: f.Time, message: FeedingOf(f, c.zone)}
			x.nameFood(s, r)
			all = append(all, s)
		}
		return all
	}
	return x.bring(ctx, req, r, in)
}

// nameFood turns the food of a row into the name of one of the catalogue.
func (x *Exchange) nameFood(s *said[*pb.Feeding], r *report) {
	text := s.message.GetFood()
	name, understood, rule := x.foodOf(text)
	if rule != "" {
		s.foodRule = rule
		return
	}
	if s.message.Food = name; understood != "" {
		s.notes = append(s.notes, understood)
	}
}

// ImportObservations brings observations in.
func (x *Exchange) ImportObservations(ctx context.Context, req *pb.ImportObservationsRequest) (*pb.ImportResponse, error) {
	t, err := readImport(req, table.Observations)
	if err != nil {
		return nil, err
	}
	r := newReport(t, func(o *table.Observation) (int, string) { return o.Line, o.Tag })
	in := &eventImport[*pb.Observation]{kind: x.observationKind(), report: r, good: req.GetGoodRowsOnly()}
	in.make = func(c *collection) (all []*said[*pb.Observation]) {
		for i := range t.Rows {
			o := &t.Rows[i]
			base := said[*pb.Observation]{out: r.byLine[o.Line], tag: o.Tag, plantRef: o.PlantRef, ref: o.Ref, day: o.Day, clock: o.Time}
			for _, m := range ObservationsOf(o, c.zone) {
				s := base
				s.message, s.fact = m, factOf(m)
				all = append(all, &s)
			}
			if o.Bench != "" || o.Exposure != 0 {
				s := base
				s.message, s.fact = &pb.Observation{Note: o.Note, Fact: &pb.Observation_Move_{Move: &pb.Observation_Move{}}}, store.Move
				s.message.ObserveTime, s.message.ObserveDate = momentOf(o.Day, o.Time, c.zone)
				s.spot = &spot{line: o.Line, text: o.Bench, exposure: pb.Bench_Exposure(o.Exposure), any: true}
				all = append(all, &s)
			}
		}
		return all
	}
	return x.bring(ctx, req, r, in)
}

// said is something that a row of a table says happened to a plant.
type said[M event] struct {
	out           *pb.ImportResponse_Row
	tag, plantRef string
	ref           string
	day           civil.Day
	clock         table.Clock
	fact          store.FactKind // of an observation
	message       M
	spot          *spot  // of a move
	foodRule      string // what is wrong with the food
	notes         []string

	plant   string // its id; "" if it was not found
	refers  bool   // what is there already gets its ref
	isNew   bool   // it is not looked for
	mayFail string // what to note if it cannot be recorded; "": the row is wrong then
	before  M      // what is there already; nil: nothing
	stays   bool   // it is left as it is, whatever the row says
	next    M      // what it is to be, if it is not that already
	news    []string
}

// us is when it happened, as far as the row tells: noon where it tells no time.
func (s *said[M]) us(zone *time.Location) int64 {
	noon := s.day.Noon(zone).UnixMicro()
	if t, _ := momentOf(s.day, s.clock, zone); t != nil {
		return store.Micros(t)
	}
	return noon
}

// eventKind is what bringing feedings and bringing observations in have apart.
type eventKind[M event] struct {
	*events[M]
	at      func(M) int64
	past    func(*store.History) []M
	fact    func(M) store.FactKind
	renew   func(book *benchBook, next M, s *said[M]) (news []string) // puts what a row says into what stands
	restart func(next M, s *said[M])                                  // sets the day, or the time
	listed  func(c *store.Collection, q store.List) (all []M, refs []string, next []any, err error)
	insert  func(c *store.Collection, all []M, refs []string, by store.By) ([]M, error)
	change  func(c *store.Collection, names []string, by store.By, action pb.Revision_Action, f func(M) error) ([]M, error)
	byName  func(c *store.Collection, names []string) (map[string]M, error)
	columns map[string]string // what columns give, by the fields of the API
}

// eventImport is a table of feedings or observations that is brought in.
type eventImport[M event] struct {
	kind   *eventKind[M]
	report *report
	good   bool
	make   func(c *collection) []*said[M]

	all   []*said[M]            // by plant, time and line
	of    map[string][]*said[M] // the same by plant
	parts [][]*said[M]
}

func (in *eventImport[M]) pieces() int { return len(in.parts) }

func (in *eventImport[M]) prepare(v *visit, c *collection) error {
	in.report.restart()
	in.all = in.make(c)
	if err := in.findPlants(v, c); err != nil {
		return err
	}
	place := map[string]int{}
	for _, s := range in.all {
		if _, known := place[s.plant]; !known {
			place[s.plant] = len(place)
		}
	}
	slices.SortStableFunc(in.all, func(a, b *said[M]) int {
		return cmp.Or(cmp.Compare(place[a.plant], place[b.plant]), cmp.Compare(a.us(c.zone), b.us(c.zone)), cmp.Compare(a.out.GetLine(), b.out.GetLine()))
	})
	in.of = map[string][]*said[M]{}
	for _, s := range in.all {
		in.of[s.plant] = append(in.of[s.plant], s)
	}
	book, err := v.benchBook(c)
	if err != nil {
		return err
	}
	if err := in.judge(v, c, book, in.all); err != nil {
		return err
	}
	in.report.benches = shownNames(book.planned)
	in.cut()
	return nil
}

func shownNames(benches []*pb.Bench) (names []string) {
	for _, b := range benches {
		names = append(names, b.GetDisplayName())
	}
	return names
}

// cut parts the rows into pieces: between plants, or between days of a plant with many.
func (in *eventImport[M]) cut() {
	in.parts = nil
	begin := 0
	for i := 1; i <= len(in.all); i++ {
		if i < len(in.all) {
			a, b := in.all[i-1], in.all[i]
			if i-begin < importPiece || a.plant == b.plant && (a.day == b.day || i-begin < 2*importPiece) {
				continue
			}
		}
		in.parts, begin = append(in.parts, in.all[begin:i]), i
	}
}

// findPlants finds the plant of each row, by its ref or its tag.
func (in *eventImport[M]) findPlants(v *visit, c *collection) error {
	var refs, tags []string
	for _, s := range in.all {
		if s.plantRef != "" {
			refs = append(refs, s.plantRef)
		}
		tags = append(tags, s.tag)
	}
	known, err := v.plantsByRef(c, refs)
	if err != nil {
		return err
	}
	borne, err := v.bearers(c, tags)
	if err != nil {
		return err
	}
	type question struct {
		tag string
		day civil.Day
	}
	type answer struct{ id, rule string }
	answers := map[question]answer{}
	for _, s := range in.all {
		if p := known[s.plantRef]; p != nil {
			if s.plant = p.ID; p.GetDeleteTime() != nil {
				s.plant = ""
				in.report.faultOnce(s.out, "ref of the plant", s.plantRef, deleted(p.GetName()).Message)
			}
			continue
		}
		asked := question{store.Fold(s.tag), s.day}
		a, again := answers[asked]
		if !again {
			var p problems
			if a.id, err = borne.on(&p, "tag", s.tag, s.day); err != nil {
				return err
			}
			if p.refused > 0 {
				a.rule = p.violations[0].Rule
			}
			answers[asked] = a
		}
		if s.plant = a.id; a.rule != "" {
			in.report.faultOnce(s.out, "tag", "", a.rule)
		} else if rule := borne.unknownRef(s.plantRef, a.id); s.plantRef != "" && rule != "" {
			s.plant = ""
			in.report.faultOnce(s.out, "ref of the plant", s.plantRef, rule)
		}
	}
	return nil
}

// faultOnce notes what is wrong with a row that may say several things.
func (r *report) faultOnce(row *pb.ImportResponse_Row, gives, value, rule string) {
	if slices.ContainsFunc(row.GetFaults(), func(f *pb.ImportResponse_Fault) bool { return f.GetRule() == rule && f.GetColumn() == r.header(gives) }) {
		return
	}
	r.fault(row, gives, value, rule)
}

// plantsByRef finds plants, deleted or not, by what tables call them, or by their names.
func (v *visit) plantsByRef(c *collection, refs []string) (map[string]*store.Plant, error) {
	byRef, err := c.PlantsByRef(refs)
	if err != nil {
		return nil, err
	}
	var ids []string
	for _, ref := range refs {
		if id := c.ownName(ref, "collections", "plants"); id != "" {
			ids = append(ids, id)
		}
	}
	for _, id := range byRef {
		ids = append(ids, id)
	}
	known, err := c.PlantsByID(ids)
	if err != nil {
		return nil, err
	}
	out := map[string]*store.Plant{}
	for _, ref := range refs {
		id := c.ownName(ref, "collections", "plants")
		if known[id] == nil {
			id = byRef[ref]
		}
		if p := known[id]; p != nil && !v.purged(p) {
			out[ref] = p
		}
	}
	return out, nil
}

// write judges a piece anew, and writes what is right of it.
func (in *eventImport[M]) write(v *visit, c *collection, piece int) (ok bool, err error) {
	part := in.parts[piece]
	book, err := v.benchBook(c)
	if err != nil {
		return false, err
	}
	before := map[*pb.ImportResponse_Row]bool{}
	for _, s := range part {
		if before[s.out] = len(s.out.GetFaults()) > 0; !before[s.out] {
			in.report.again(s.out)
		}
	}
	fresh := slices.DeleteFunc(slices.Clone(part), func(s *said[M]) bool { return before[s.out] })
	if err := in.judge(v, c, book, fresh); err != nil {
		return false, err
	}
	right := slices.DeleteFunc(slices.Clone(fresh), func(s *said[M]) bool { return len(s.out.GetFaults()) > 0 })
	if len(right) < len(fresh) && !in.good {
		return false, nil
	}
	made, err := in.kind.keepAll(v, c, book, right)
	if err != nil {
		return false, err
	}
	in.report.benches = append(in.report.benches, made...)
	return true, nil
}

// keepAll writes what rows say, and brings their plants up to date.
func (e *eventKind[M]) keepAll(v *visit, c *collection, book *benchBook, all []*said[M]) (benches []string, err error) {
	var news, changes []*said[M]
	for _, s := range all {
		if s.refers {
			if err := c.ReferEvent(e.kind, s.plant, store.Segment(s.before.GetName(), e.kinds[2]), s.ref); err != nil {
				return nil, err
			}
		}
	}
	used, plants := map[string]bool{}, []string{}
	for _, s := range all {
		var none M
		switch {
		case s.next == none:
			continue
		case s.before == none:
			news = append(news, s)
		default:
			changes = append(changes, s)
		}
		if m, ok := any(s.next).(*pb.Observation); ok {
			used[m.GetMove().GetBench()] = true
		}
		plants = append(plants, s.plant)
	}
	if benches, err = book.make(used); err != nil {
		return nil, err
	}
	if err := e.record(v, c, news, changes); err != nil {
		return nil, err
	}
	slices.Sort(plants)
	_, err = v.settle(c, slices.Compact(plants))
	return benches, err
}

// record writes what is new, and what changed.
func (e *eventKind[M]) record(v *visit, c *collection, news, changes []*said[M]) error {
	if len(news) > 0 {
		messages, refs := make([]M, len(news)), make([]string, len(news))
		for i, s := range news {
			messages[i], refs[i] = s.next, s.ref
		}
		if _, err := e.insert(c.Collection, messages, refs, v.by()); err != nil {
			return err
		}
	}
	if len(changes) == 0 {
		return nil
	}
	names, next := make([]string, len(changes)), map[string]M{}
	for i, s := range changes {
		names[i] = s.before.GetName()
		next[names[i]] = s.next
	}
	_, err := e.change(c.Collection, names, v.by(), pb.Revision_UPDATED, func(m M) error {
		become(m, next[m.GetName()])
		return nil
	})
	return err
}

// skipped marks the rows of a piece and of those after it as not written.
func (in *eventImport[M]) skipped(piece int) {
	for _, part := range in.parts[piece:] {
		for _, s := range part {
			if s.out.GetResult() != pb.ImportResponse_UNCHANGED {
				s.out.Result, s.out.Name = pb.ImportResponse_NOT_WRITTEN, ""
			}
		}
	}
}
