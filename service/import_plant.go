package service

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/catalogue"
	"dewbench/service/civil"
	"dewbench/service/due"
	"dewbench/service/table"
	"dewbench/store"
)

// plantIn is a row of a table of plants.
type plantIn struct {
	row *table.Plant
	out *pb.ImportResponse_Row

	before *store.Plant // what is there already; nil: nothing
	next   store.NewPlant
	named  bool // it gets its ref
	told   *store.Told
	moved  bool
	news   []string
	fed    []*said[*pb.Feeding] // what the row says beside the plant itself
	seen   []*said[*pb.Observation]
}

// plantImport is a table of plants that is brought in.
type plantImport struct {
	x      *Exchange
	report *report
	good   bool
	rows   []*plantIn

	names map[string]catalogue.Found[*catalogue.Taxon] // the same names come again and again
}

func (in *plantImport) pieces() int { return (len(in.rows) + importPiece - 1) / importPiece }

func (in *plantImport) piece(n int) []*plantIn {
	return in.rows[n*importPiece : min((n+1)*importPiece, len(in.rows))]
}

func (in *plantImport) prepare(v *visit, c *collection) error {
	in.report.restart()
	book, err := v.benchBook(c)
	if err != nil {
		return err
	}
	if err := in.judge(v, c, book, in.rows); err != nil {
		return err
	}
	in.report.benches = shownNames(book.planned)
	return nil
}

func (in *plantImport) skipped(piece int) {
	for _, p := range in.rows[piece*importPiece:] {
		if p.out.GetResult() != pb.ImportResponse_UNCHANGED {
			p.out.Result, p.out.Name = pb.ImportResponse_NOT_WRITTEN, ""
		}
	}
}

// judge finds what is there already of some rows, and what is to be made or changed.
func (in *plantImport) judge(v *visit, c *collection, book *benchBook, some []*plantIn) error {
	if err := in.find(v, c, some); err != nil {
		return err
	}
	plants, ids := map[string]*store.Plant{}, []string{}
	for _, p := range some {
		if len(p.out.GetFaults()) > 0 {
			continue
		}
		in.judgePlant(v, c, book, p)
		id := store.Segment(p.next.Message.GetName(), "plants")
		plants[id] = &store.Plant{Plant: p.next.Message, Kin: p.next.Kin, ID: id, FirstBench: store.Segment(p.next.Message.GetBench(), "benches"), Living: true}
		if p.before != nil {
			ids = append(ids, id)
			plants[id] = &store.Plant{Plant: p.next.Message, Kin: p.next.Kin, ID: id, FirstBench: p.before.FirstBench, Living: p.before.Living}
		} else {
			p.next.Message.CreateTime = instantOf(v.at) // it is entered today
		}
	}
	histories, err := c.Histories(ids)
	if err != nil {
		return err
	}
	voided, err := c.Voided(ids)
	if err != nil {
		return err
	}
	var fed []*said[*pb.Feeding]
	var seen []*said[*pb.Observation]
	for _, p := range some {
		p.fed, p.seen = nil, nil
		if len(p.out.GetFaults()) == 0 {
			in.beside(v, c, p, histories, voided)
			fed, seen = append(fed, p.fed...), append(seen, p.seen...)
		}
	}
	if err := in.x.observationKind().judge(v, c, book, plants, histories, seen, seen, in.report); err != nil {
		return err
	}
	if err := in.x.feedingKind().judge(v, c, book, plants, histories, fed, fed, in.report); err != nil {
		return err
	}
	for _, p := range some {
		name, result := p.next.Message.GetName(), pb.ImportResponse_UNCHANGED
		switch {
		case len(p.out.GetFaults()) > 0:
			continue
		case p.before == nil:
			result = pb.ImportResponse_CREATED
		case len(p.news) > 0 || p.named || p.out.GetResult() == pb.ImportResponse_CREATED || p.out.GetResult() == pb.ImportResponse_UPDATED:
			result = pb.ImportResponse_UPDATED
		}
		p.out.Result, p.out.Name = result, name
		for _, text := range p.news {
			note(p.out, "%s", text)
		}
	}
	return nil
}

// find finds the plants of rows: by ref, or by tag.
func (in *plantImport) find(v *visit, c *collection, some []*plantIn) error {
	var refs, tags []string
	for _, p := range some {
		if p.row.Ref != "" {
			refs = append(refs, p.row.Ref)
		}
		tags = append(tags, p.row.Tag)
	}
	byRef, err := v.plantsByRef(c, refs)
	if err != nil {
		return err
	}
	borne, err := v.bearers(c, tags)
	if err != nil {
		return err
	}
	taken := map[string]*plantIn{}
	refTaken := map[string]*plantIn{}
	for _, p := range some {
		p.before, p.named = nil, false
		row, living := p.row, borne.living(p.row.Tag)
		if row.Ref != "" {
			if first := refTaken[row.Ref]; first != nil {
				in.report.fault(p.out, "ref", row.Ref, fmt.Sprintf("is the ref of line %d already", first.row.Line))
				continue
			}
			refTaken[row.Ref] = p
			p.before = byRef[row.Ref]
		}
		switch {
		case p.before != nil && p.before.GetDeleteTime() != nil:
			in.report.fault(p.out, "ref", row.Ref, deleted(p.before.GetName()).Message)
			continue
		case p.before != nil:
			if p.before.Living && living != nil && living.ID != p.before.ID {
				in.report.fault(p.out, "tag", row.Tag, "is the tag of "+living.GetName()+" now: give that plant another one first")
				continue
			}
		case living != nil && row.State == table.NoEnd && row.Ref != "" && living.Ref != "":
			in.report.fault(p.out, "tag", row.Tag, fmt.Sprintf("is the tag of %s, whose ref is %q", living.GetName(), living.Ref))
			continue
		case living != nil && row.State == table.NoEnd:
			p.before, p.named = living, row.Ref != ""
		default:
			var rule string
			if p.before, rule = in.meant(borne, row); rule != "" {
				in.report.fault(p.out, "tag", row.Tag, rule)
				continue
			}
			p.named = p.before != nil && row.Ref != ""
			if living != nil && p.before != nil && p.before != living && !row.EndDay.Given() {
				note(p.out, "is taken for %s, which ended so; if %s has ended too, give the day of its end", p.before.GetName(), living.GetName())
			}
		}
		if p.before == nil {
			continue
		}
		if first := taken[p.before.ID]; first != nil {
			in.report.fault(p.out, "tag", row.Tag, fmt.Sprintf("is the plant of line %d already", first.row.Line))
			continue
		}
		taken[p.before.ID] = p
	}
	return nil
}

// meant returns the plant that a row means by its tag which says that it has ended, or
// whose tag no living plant bears: the one that ended likewise; else the living one; nil
// for a new one.
func (in *plantImport) meant(borne *bearers, row *table.Plant) (p *store.Plant, rule string) {
	living := borne.living(row.Tag)
	if living != nil && row.Ref != "" && living.Ref != "" {
		living = nil
	}
	var ended, alike []*store.Plant
	for _, b := range borne.of(row.Tag) {
		q := borne.plants[b.Plant]
		if b.Living || b.Former || b.Deleted || row.Ref != "" && q.Ref != "" || !in.sameKind(q, row) {
			continue
		}
		ended = append(ended, q)
		if q.GetState() == endOf(row.State) && (!row.EndDay.Given() || borne.ended[q.ID] == row.EndDay) {
			alike = append(alike, q)
		}
	}
	acquired := date(row.Acquired)
	if living != nil && acquired != nil && living.AcquireDate != nil && *acquired == living.GetAcquireDate() {
		alike = slices.DeleteFunc(alike, func(q *store.Plant) bool { return q.AcquireDate == nil })
	}
	if len(alike) == 0 && living == nil {
		alike = ended
	}
	switch {
	case len(alike) == 1:
		return alike[0], ""
	case len(alike) > 1:
		return nil, fmt.Sprintf("was the tag of %d plants of this name that are no more: add a column ref", len(alike))
	case living == nil:
		return nil, ""
	}
	since, err := civil.Parse(living.GetAcquireDate())
	if err == nil && (row.Acquired.Given() && row.Acquired != since || row.EndDay.Given() && row.EndDay < since) {
		if row.Ref != "" {
			return nil, "" // its own
		}
		return nil, fmt.Sprintf("is the tag of %s now, which was acquired on %s: add a column ref", living.GetName(), since)
	}
	return living, ""
}

// tableName returns the name of a plant as a table has it.
func tableName(m *pb.Plant) table.Name {
	return table.ComposeName(m.GetScientificName(), m.GetCultivar())
}

// sameName tells whether a plant has the name that a row says.
func (in *plantImport) sameName(m *pb.Plant, row *table.Plant) bool {
	if row.Taxon != "" {
		return m.GetTaxon() == row.Taxon
	}
	now, cell := tableName(m), row.Name
	if table.Same(now.Scientific, cell.Scientific) {
		return true
	}
	found := in.look(cell.Scientific)
	return found.OK && m.GetTaxon() == taxonPrefix+found.Taxon.ID && (found.Exact && found.Taxon.ScientificName == m.GetScientificName() || table.Same(now.Scientific, found.Name))
}

// sameKind tells whether a plant that is no more may be the one of a row.
func (in *plantImport) sameKind(p *store.Plant, row *table.Plant) bool {
	acquired := date(row.Acquired)
	return in.sameName(p.Plant, row) && (acquired == nil || p.AcquireDate == nil || *acquired == p.GetAcquireDate())
}

func (in *plantImport) look(name string) catalogue.Found[*catalogue.Taxon] {
	if in.names == nil {
		in.names = map[string]catalogue.Found[*catalogue.Taxon]{}
	}
	found, known := in.names[name]
	if !known {
		found = in.x.taxa.Find(name)
		in.names[name] = found
	}
	return found
}

// plantColumns are what columns give, by the fields of the API.
var plantColumns = map[string]string{
	"tag": "tag", "taxon": "name", "scientificName": "name", "acquireDate": "day acquired", "bench": "bench",
}

// The most characters that fields of a plant may have.
const (
	mostTag  = 100
	mostName = 300
)

// judgePlant makes the plant that a row says out of what is there.
func (in *plantImport) judgePlant(v *visit, c *collection, book *benchBook, p *plantIn) {
	row := p.row
	m := &pb.Plant{Name: store.PlantName(c.ID(), v.newID())}
	var before *pb.Plant
	if p.before != nil {
		before = p.before.Plant
		m = proto.CloneOf(before)
	}
	p.told = p.tells()
	p.next, p.moved, p.news = store.NewPlant{Message: m, Ref: row.Ref, Told: p.told}, false, nil
	if len([]rune(row.Tag)) > mostTag {
		in.report.fault(p.out, "tag", row.Tag, fmt.Sprintf("is longer than %d characters", mostTag))
	}
	if len([]rune(row.Name.Scientific)) > mostName {
		in.report.fault(p.out, "name", row.Name.Scientific, fmt.Sprintf("is longer than %d characters", mostName))
	}
	var r renewal
	if store.Fold(m.GetTag()) != store.Fold(row.Tag) { // case is not told apart
		r.text("tag", &m.Tag, row.Tag)
	}
	in.putName(&r, p, m)
	r.text("clone", &m.Clone, row.Clone)
	value(&r, "trap type", &m.TrapType, pb.Taxon_TrapType(row.TrapType))
	value(&r, "habit", &m.Habit, pb.Taxon_Habit(row.Habit))
	number(&r, "walk order", &m.WalkOrder, row.WalkOrder)
	r.day("day acquired", &m.AcquireDate, date(row.Acquired))
	r.text("source", &m.Source, row.Source)
	r.text("locality", &m.Locality, row.Locality)
	value(&r, "propagation", &m.Propagation, pb.Plant_Propagation(row.Propagation))
	putRegimen(&r, m, &row.Regimen)
	in.putBench(&r, p, m, book)
	if before == nil {
		if row.Ship.Given() {
			note(p.out, "the ship day is not kept: put the plant on hold for it")
		}
		r.news = nil
	} else if p.named {
		r.changed("ref", quotedShort(row.Ref), "not told")
	}
	var problems problems
	p.next.Kin = v.checkPlant(&problems, "", m, before)
	if before != nil && len(r.news) == 0 {
		p.next.Message, p.next.Kin = before, p.before.Kin // nothing is asked of it
		return
	}
	for _, broken := range problems.violations {
		in.report.faultOnce(p.out, plantColumns[broken.Field], "", broken.Rule)
	}
	p.news = r.news
}

// toldBefore is what the table said when it was brought in before, as far as it did.
func (p *plantIn) toldBefore() store.Told {
	if p.before == nil || p.before.Told == nil {
		return store.Told{}
	}
	return *p.before.Told
}

// tells is what the table says by now of what observations say too.
func (p *plantIn) tells() *store.Told {
	told := p.toldBefore()
	if p.row.Quantity != nil {
		told.Quantity = *p.row.Quantity
	}
	if p.row.Bench != "" || p.row.Exposure != due.NoExposure {
		told.Bench, told.Exposure = p.row.Bench, pb.Bench_Exposure(p.row.Exposure)
	}
	return &told
}

// putName sets the name of a plant, and the taxon that it stands for.
func (in *plantImport) putName(r *renewal, p *plantIn, m *pb.Plant) {
	row := p.row
	if p.before != nil && row.Name.Cultivar != "" && !table.Same(tableName(m).Cultivar, row.Name.Cultivar) || p.before == nil {
		r.text("cultivar", &m.Cultivar, row.Name.Cultivar)
	}
	if row.Taxon == "" && row.Name.Scientific == "" || p.before != nil && in.sameName(m, row) {
		return
	}
	before := cmp.Or(m.GetScientificName(), m.GetTaxon())
	if row.Taxon != "" {
		m.Taxon, m.ScientificName = row.Taxon, ""
	} else {
		found := in.look(row.Name.Scientific)
		m.Taxon, m.ScientificName = "", row.Name.Scientific
		name := ""
		if found.OK {
			m.Taxon, m.ScientificName, name = taxonPrefix+found.Taxon.ID, found.Name, found.Taxon.ScientificName
			if found.Exact || !in.x.standsIn(m.GetTaxon(), found.Name) {
				m.ScientificName = name
			}
		}
		if text := found.Note(name, row.TrapType != due.NoTrapType); text != "" {
			note(p.out, "%s: %q %s", in.report.header("name"), short(row.Name.Original), text)
		}
	}
	if p.before != nil {
		r.changed("name", quotedShort(cmp.Or(m.GetScientificName(), m.GetTaxon())), quotedShort(before))
	}
}

// putBench sets the bench of a plant.
func (in *plantImport) putBench(r *renewal, p *plantIn, m *pb.Plant, book *benchBook) {
	row := p.row
	if row.Bench == "" && row.Exposure == due.NoExposure || row.Bench == noBench {
		return
	}
	s := &spot{line: row.Line, text: row.Bench, exposure: pb.Bench_Exposure(row.Exposure), lampHours: row.LampHours}
	if p.before != nil && m.GetBench() != "" && sameSpot(book, m.GetBench(), s) {
		return
	}
	if p.before != nil && m.GetState() != pb.Plant_GROWING {
		return // it stands nowhere
	}
	if told := p.toldBefore(); table.Same(told.Bench, row.Bench) && (row.Bench != "" || told.Exposure == s.exposure) {
		note(p.out, "bench: the table said so before, and it was moved to %q since: that stands", book.label(m.GetBench()))
		return
	}
	bench, understood, wrong := book.find(*s)
	if wrong != nil {
		in.report.fault(p.out, wrong.gives, wrong.value, wrong.rule)
		return
	}
	if understood != "" {
		note(p.out, "%s", understood)
	}
	if m.GetBench() == bench.GetName() {
		return
	}
	if p.before != nil {
		r.changed("bench", quotedShort(bench.GetDisplayName()), quotedShort(book.label(m.GetBench())))
		p.moved = true
	}
	m.Bench = bench.GetName()
}

// putRegimen sets those fields of a regimen that a row tells.
func putRegimen(r *renewal, m *pb.Plant, cells *due.Regimen) {
	says := RegimenMessage(cells)
	if says == nil {
		return
	}
	next := m.GetRegimen()
	if next == nil {
		next = &pb.Regimen{}
	}
	to := regimenNumbers(next)
	for i, cell := range regimenNumbers(says) {
		number(r, regimenFields[i], to[i], *cell)
	}
	if says.CheckDays != nil && !slices.Equal(next.GetCheckDays(), says.GetCheckDays()) {
		r.changed("checkDays", says.GetCheckDays(), next.GetCheckDays())
		next.CheckDays = says.CheckDays
	}
	number(r, "handFeed", &next.HandFeed, says.HandFeed)
	number(r, "cutStalks", &next.CutStalks, says.CutStalks)
	m.Regimen = next
}

// beside makes what a row says beside the plant itself: how many plants the pot holds,
// that it has ended, its sizes, its last feeding and its note. What has no day of its own
// is taken as true now; of a new plant the quantity counts from the day it was acquired.
func (in *plantImport) beside(v *visit, c *collection, p *plantIn, histories, voided map[string]*store.History) {
	row, id := p.row, store.Segment(p.next.Message.GetName(), "plants")
	h := histories[id]
	if h == nil {
		h = &store.History{}
	}
	gone := voided[id]
	if gone == nil {
		gone = &store.History{}
	}
	today := c.today(v.at)
	observe := func(m *pb.Observation, day civil.Day, isNew bool) {
		s := &said[*pb.Observation]{out: p.out, tag: row.Tag, day: today, fact: factOf(m), message: m, plant: id, isNew: isNew}
		if m.ObserveDate = date(day); m.ObserveDate != nil {
			s.day = day
		} else {
			m.ObserveTime = instantOf(v.at)
		}
		p.seen = append(p.seen, s)
	}
	quantity := int32(1)
	if p.before != nil {
		quantity = p.before.GetQuantity()
	}
	switch {
	case row.Quantity != nil && *row.Quantity != quantity && (p.before == nil || p.before.Living):
		day := civil.None
		if p.before == nil {
			day = earlier(row.Acquired, row.EndDay)
		}
		if p.toldBefore().Quantity == *row.Quantity {
			note(p.out, "quantity: the table said so before, and %d were counted since: that stands", quantity)
			break
		}
		if p.before != nil {
			p.news = append(p.news, fmt.Sprintf("quantity: %d, was %d", *row.Quantity, quantity))
		}
		observe(&pb.Observation{Fact: &pb.Observation_Count_{Count: &pb.Observation_Count{Quantity: *row.Quantity}}}, day, true)
	}
	switch sizes := row.Sizes; {
	case !sizes.Given():
	case row.Measured.Given() || p.before == nil:
		observe(&pb.Observation{Fact: &pb.Observation_Measurement_{Measurement: MeasurementOf(&sizes)}}, row.Measured, p.before == nil)
	default:
		note(p.out, "sizes without a day are taken of new plants only: add a column for the day measured")
	}
	if row.Note != "" || row.Name.Rest != "" {
		text := strings.TrimSpace(row.Name.Rest + " " + row.Note)
		same := func(o *pb.Observation) bool { return o.GetHealth() != nil && table.Same(o.GetHealth().GetText(), text) }
		switch {
		case slices.ContainsFunc(h.Observations, same):
		case slices.ContainsFunc(gone.Observations, same):
			note(p.out, "the note was voided, and stays so")
		default:
			observe(&pb.Observation{Fact: &pb.Observation_Health_{Health: &pb.Observation_Health{Text: text}}}, civil.None, true)
		}
	}
	fedOn := func(f *pb.Feeding) civil.Day {
		d, _ := c.clockIn(store.Micros(f.GetFedTime()))
		return d
	}
	switch last := row.LastFed; {
	case !last.Given() || slices.ContainsFunc(h.Feedings, func(f *pb.Feeding) bool { d := fedOn(f); return d == last || d > last && d <= today }):
	case slices.ContainsFunc(gone.Feedings, func(f *pb.Feeding) bool { return fedOn(f) == last }):
		note(p.out, "the feeding on the day last fed was voided, and stays so")
	default:
		p.fed = append(p.fed, &said[*pb.Feeding]{out: p.out, tag: row.Tag, day: last, message: &pb.Feeding{FedDate: date(last)}, plant: id, isNew: true,
			mayFail: "the day last fed is not recorded"})
	}
	switch state := p.next.Message.GetState(); {
	case row.State == table.NoEnd:
		if p.before != nil && !p.before.Living && in.report.header("state") != "" {
			note(p.out, "the plant is %s, and stays so: void that observation if it was wrong", word(state))
		}
	case state == pb.Plant_GROWING && slices.ContainsFunc(gone.Observations, func(o *pb.Observation) bool {
		day, _ := c.clockIn(store.Micros(o.GetObserveTime()))
		return o.GetEnd().GetState() == pb.Observation_End_State(row.State) && (!row.EndDay.Given() || row.EndDay == day)
	}):
		note(p.out, "that the plant is %s was voided, and stays so: give another day of its end if it is true by now", inWords(row.State))
	case p.before == nil || state == pb.Plant_GROWING:
		if p.before != nil {
			p.news = append(p.news, fmt.Sprintf("state: %s, was %s", inWords(row.State), word(state)))
		}
		observe(EndOf(row.State, "", ""), row.EndDay, true)
	case endState(pb.Observation_End_State(row.State)) != state:
		note(p.out, "the plant is %s, and stays so: void that observation if it was wrong", word(state))
	}
}

// earlier returns the earlier of two days that may not be given.
func earlier(a, b civil.Day) civil.Day {
	if !a.Given() || b.Given() && b < a {
		return b
	}
	return a
}

// write judges a piece anew, and writes what is right of it.
func (in *plantImport) write(v *visit, c *collection, piece int) (ok bool, err error) {
	book, err := v.benchBook(c)
	if err != nil {
		return false, err
	}
	fresh := slices.DeleteFunc(slices.Clone(in.piece(piece)), func(p *plantIn) bool { return len(p.out.GetFaults()) > 0 })
	for _, p := range fresh {
		in.report.again(p.out)
	}
	if err := in.judge(v, c, book, fresh); err != nil {
		return false, err
	}
	right := slices.DeleteFunc(slices.Clone(fresh), func(p *plantIn) bool { return len(p.out.GetFaults()) > 0 })
	if len(right) < len(fresh) && !in.good {
		return false, nil
	}
	used, ids, refs := map[string]bool{}, []string{}, []string{}
	var news []store.NewPlant
	for _, p := range right {
		used[p.next.Message.GetBench()] = true
		if p.row.Ref != "" && (p.before == nil || p.named) {
			refs = append(refs, p.row.Ref)
		}
		if p.before == nil {
			p.next.State = endOf(p.row.State)
			news = append(news, p.next)
		}
		if p.out.GetResult() != pb.ImportResponse_UNCHANGED {
			ids = append(ids, store.Segment(p.next.Message.GetName(), "plants"))
		}
	}
	made, err := book.make(used)
	if err != nil {
		return false, err
	}
	in.report.benches = append(in.report.benches, made...)
	if err := c.FreeRefs(refs, v.at.UnixMicro()); err != nil {
		return false, err
	}
	if _, err := c.CreatePlants(news, v.by()); err != nil {
		return false, err
	}
	if err := in.change(v, c, right); err != nil {
		return false, err
	}
	if err := in.recordBeside(v, c, right); err != nil {
		return false, err
	}
	_, err = v.settle(c, ids)
	return true, err
}

// endOf returns the state of a plant that is new and has ended already; 0: it grows.
func endOf(end table.End) pb.Plant_State {
	if end == table.NoEnd {
		return 0
	}
	return endState(pb.Observation_End_State(end))
}

// change changes the plants of rows that are there already.
func (in *plantImport) change(v *visit, c *collection, rows []*plantIn) error {
	var moves []*pb.Observation
	for _, p := range rows {
		if p.before != nil && *p.told != p.toldBefore() {
			if err := c.TellPlant(p.before.ID, p.told); err != nil {
				return err
			}
		}
		if p.before == nil || p.out.GetResult() == pb.ImportResponse_UNCHANGED {
			continue
		}
		if p.named {
			if err := c.ReferPlant(p.before.ID, p.row.Ref); err != nil {
				return err
			}
		}
		next := p.next
		if _, err := c.UpdatePlant(p.before.ID, v.by(), func(now *store.Plant) error {
			now.Plant, now.Kin = next.Message, next.Kin
			return nil
		}); err != nil {
			return err
		}
		if p.moved {
			moves = append(moves, &pb.Observation{
				Name: store.ObservationName(c.ID(), p.before.ID, v.newID()), ObserveTime: instantOf(v.at),
				Fact: &pb.Observation_Move_{Move: &pb.Observation_Move{Bench: next.Message.GetBench()}},
			})
		}
	}
	_, err := c.CreateObservations(moves, v.by())
	return err
}

// recordBeside records what rows say beside the plants themselves.
func (in *plantImport) recordBeside(v *visit, c *collection, rows []*plantIn) error {
	var fed, refed []*said[*pb.Feeding]
	var seen, reseen []*said[*pb.Observation]
	for _, p := range rows {
		for _, s := range p.fed {
			if s.next != nil && s.before == nil {
				fed = append(fed, s)
			} else if s.next != nil {
				refed = append(refed, s)
			}
		}
		for _, s := range p.seen {
			if s.next != nil && s.before == nil {
				seen = append(seen, s)
			} else if s.next != nil {
				reseen = append(reseen, s)
			}
		}
	}
	if err := in.x.feedingKind().record(v, c, fed, refed); err != nil {
		return err
	}
	return in.x.observationKind().record(v, c, seen, reseen)
}
