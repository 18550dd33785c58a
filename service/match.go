package service

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/table"
	"dewbench/store"
)

// become makes a message what another one is.
func become(m, next proto.Message) {
	proto.Reset(m)
	proto.Merge(m, next)
}

// judge finds what is there already of what rows say, and what is to be made or changed.
// What is wrong with a row goes into its report.
func (in *eventImport[M]) judge(v *visit, c *collection, book *benchBook, some []*said[M]) error {
	var ids []string
	var all []*said[M]
	seen := map[string]bool{}
	for _, s := range some {
		if s.plant != "" && !seen[s.plant] {
			seen[s.plant] = true
			ids, all = append(ids, s.plant), append(all, in.of[s.plant]...)
		}
	}
	plants, err := c.PlantsByID(ids)
	if err != nil {
		return err
	}
	histories, err := c.Histories(ids)
	if err != nil {
		return err
	}
	return in.kind.judge(v, c, book, plants, histories, all, some, in.report)
}

// judge is judge where plants and their histories are known. all are those of their
// plants, in the order of their time.
func (e *eventKind[M]) judge(
	v *visit, c *collection, book *benchBook, plants map[string]*store.Plant, histories map[string]*store.History, all, some []*said[M], r *report,
) error {
	k := e.keep(v, c)
	k.histories, k.clears = histories, true
	if err := e.match(c, k, book, plants, all, r); err != nil {
		return err
	}
	for _, s := range some {
		if err := v.ctx.Err(); err != nil {
			return err
		}
		if s.plant == "" {
			continue
		}
		if k.plant = plants[s.plant]; k.plant == nil || k.plant.GetDeleteTime() != nil {
			r.faultOnce(s.out, "tag", s.tag, "is the tag of a plant that is no longer there")
			continue
		}
		if err := e.settleOn(v, k, book, s, r); err != nil {
			return err
		}
	}
	return nil
}

// match finds what is there already of what rows say. all are those of their plants, in
// the order of their time.
func (e *eventKind[M]) match(c *collection, k *keeping, book *benchBook, plants map[string]*store.Plant, all []*said[M], r *report) error {
	var none M
	there, claimed := map[string]M{}, map[string]*said[M]{}
	for _, h := range k.histories {
		for _, m := range e.past(h) {
			there[m.GetName()] = m
		}
	}
	var refs, names []string
	for _, s := range all {
		s.before, s.stays, s.refers, s.next, s.news = none, false, false, none, nil
		if s.ref == "" || s.isNew {
			continue
		}
		refs = append(refs, s.ref)
		if c.ownName(s.ref, e.kinds...) != "" && there[s.ref] == none {
			names = append(names, s.ref)
		}
	}
	type key struct {
		plant, ref string
		fact       store.FactKind
	}
	known, elsewhere := map[key]string{}, map[string][]store.Referred{}
	if len(refs) > 0 {
		found, err := c.EventsByRef(e.kind, refs)
		if err != nil {
			return err
		}
		for _, f := range found {
			name := e.nameOf(c, f)
			known[key{f.Plant, f.Ref, f.Fact}] = name
			elsewhere[f.Ref] = append(elsewhere[f.Ref], f)
			if there[name] == none {
				names = append(names, name)
			}
		}
	}
	apart, err := e.byName(c.Collection, names) // voided ones, and those of other plants
	if err != nil {
		return err
	}
	claim := func(s *said[M], m M) {
		if first := claimed[m.GetName()]; first != nil && first != s {
			r.faultOnce(s.out, "ref", s.ref, fmt.Sprintf("is the ref of line %d already", first.out.GetLine()))
			return
		}
		claimed[m.GetName()] = s
		s.before = m
		if m.GetDeleteTime() != nil {
			s.stays = true
			s.notes = []string{"was voided, and stays so"}
		}
	}
	newRefs := map[key]*said[M]{}
	type day struct {
		plant string
		day   int
		fact  store.FactKind
	}
	dayOf := func(s *said[M]) day { return day{s.plant, int(s.day), s.fact} }
	byDay := func(histories map[string]*store.History) map[day][]M {
		out := map[day][]M{}
		for _, h := range histories {
			for _, m := range e.past(h) {
				d, _ := c.clockIn(e.at(m))
				at := day{store.Segment(m.GetName(), "plants"), int(d), e.fact(m)}
				out[at] = append(out[at], m)
			}
		}
		return out
	}
	ofDay := byDay(k.histories)
	for _, s := range all {
		if s.ref == "" || s.isNew || s.plant == "" {
			continue
		}
		name := known[key{s.plant, s.ref, s.fact}]
		if name == "" && c.ownName(s.ref, e.kinds...) != "" && (there[s.ref] != none || apart[s.ref] != none) {
			name = s.ref
		}
		m := there[name]
		if m == none {
			m = apart[name]
		}
		switch {
		case m != none && store.Segment(name, "plants") != s.plant:
			r.faultOnce(s.out, "ref", s.ref, "is that of another plant: reassign it, if it belongs to this one")
		case m != none && e.fact(m) != s.fact:
			if !slices.ContainsFunc(all, func(o *said[M]) bool { return o.out == s.out && o.fact == e.fact(m) }) {
				r.faultOnce(s.out, "ref", s.ref, "is that of an observation of another kind: void that one, if it was wrong")
			}
		case m != none:
			claim(s, m)
		default:
			to, err := e.wentTo(c, s, elsewhere[s.ref])
			if err != nil {
				return err
			}
			if to != "" {
				s.stays = true
				s.notes = []string{"was reassigned to " + to + ", and stays there"}
				continue
			}
			at := key{s.plant, s.ref, s.fact}
			if first := newRefs[at]; first != nil {
				r.faultOnce(s.out, "ref", s.ref, fmt.Sprintf("is the ref of line %d already", first.out.GetLine()))
				continue
			}
			newRefs[at] = s
		}
	}
	rows := map[day]int{}
	for _, s := range all {
		if s.ref == "" && !s.isNew {
			rows[day{s.plant, int(s.day), s.fact}]++
		}
	}
	// A row that is wrong has no rank: it would push those behind it aside.
	crowded := map[*pb.ImportResponse_Row]bool{}
	for _, s := range all {
		if s.ref == "" && !s.isNew && rows[day{s.plant, int(s.day), s.fact}] > 1 {
			crowded[s.out] = true
		}
	}
	wrong := map[*pb.ImportResponse_Row]bool{}
	for _, s := range all {
		if crowded[s.out] && !wrong[s.out] {
			fits, err := e.fits(k, book, plants[s.plant], s)
			if err != nil {
				return err
			}
			wrong[s.out] = !fits
		}
	}
	open := func(s *said[M]) bool {
		return !s.isNew && s.plant != "" && s.before == none && !s.stays && !wrong[s.out] && len(s.out.GetFaults()) == 0
	}
	var unknown []string // plants of rows that are not known by a ref
	for _, s := range all {
		if open(s) {
			unknown = append(unknown, s.plant)
		}
	}
	if len(unknown) == 0 {
		return nil
	}
	gone, err := c.Voided(unknown)
	if err != nil {
		return err
	}
	voidedOf := byDay(gone)
	same := func(s *said[M], some []M) {
		for _, m := range some {
			if open(s) && claimed[m.GetName()] == nil && len(e.differs(c, book, m, s)) == 0 {
				claim(s, m)
			}
		}
	}
	// On a day of which something was voided, rows that say the same as it must not take
	// the rank of others.
	for _, past := range []map[day][]M{ofDay, voidedOf} {
		for _, s := range all {
			if s.ref == "" && len(voidedOf[dayOf(s)]) > 0 {
				same(s, past[dayOf(s)])
			}
		}
	}
	rank := map[day]int{}
	for _, s := range all {
		if s.ref != "" || !open(s) {
			continue
		}
		at := dayOf(s)
		for ; rank[at] < len(ofDay[at]); rank[at]++ {
			if m := ofDay[at][rank[at]]; claimed[m.GetName()] == nil {
				claim(s, m)
				break
			}
		}
	}
	var referring []string // plants of rows with a new ref that may say the same as what has none
	for _, s := range all {
		if s.ref != "" && open(s) && len(ofDay[dayOf(s)])+len(voidedOf[dayOf(s)]) > 0 {
			referring = append(referring, s.plant)
		}
	}
	if len(referring) == 0 {
		return nil
	}
	theirs, err := c.EventRefs(e.kind, referring)
	if err != nil {
		return err
	}
	referred := map[string]bool{}
	for _, f := range theirs {
		referred[e.nameOf(c, f)] = true
	}
	for _, s := range all {
		if s.ref == "" || !open(s) {
			continue
		}
		same(s, slices.DeleteFunc(slices.Concat(ofDay[dayOf(s)], voidedOf[dayOf(s)]), func(m M) bool { return referred[m.GetName()] }))
		s.refers = s.before != none
	}
	return nil
}

func (e *eventKind[M]) nameOf(c *collection, f store.Referred) string {
	return store.PlantName(c.ID(), f.Plant) + "/" + e.kinds[2] + "/" + f.ID
}

// fits tells whether what a row says could be recorded as new.
func (e *eventKind[M]) fits(k *keeping, book *benchBook, plant *store.Plant, s *said[M]) (bool, error) {
	if s.plant == "" || plant == nil || s.foodRule != "" || len(s.out.GetFaults()) > 0 {
		return false, nil
	}
	m := proto.CloneOf(s.message)
	if s.spot != nil && s.spot.text != noBench {
		bench, _, wrong := book.find(*s.spot)
		if wrong != nil {
			return false, nil
		}
		any(m).(*pb.Observation).GetMove().Bench = bench.GetName()
	}
	setName(m, plant.GetName()+"/"+e.kinds[2]+"/-")
	k.plant, k.before, k.told, k.problems = plant, nil, false, problems{}
	err := e.check(k, at{prefix: "row"}, m)
	fits := k.refused == 0
	k.problems = problems{}
	return fits, err
}

// wentTo returns the name of the plant to which what a row says was reassigned since, or
// "".
func (e *eventKind[M]) wentTo(c *collection, s *said[M], elsewhere []store.Referred) (plant string, err error) {
	ids := []string{}
	if id := c.ownName(s.ref, e.kinds...); id != "" && store.Segment(s.ref, "plants") == s.plant {
		ids = append(ids, id)
	}
	for _, f := range elsewhere {
		if f.Plant != s.plant && f.Fact == s.fact {
			ids = append(ids, f.ID)
		}
	}
	for _, id := range ids {
		to, err := c.Reassigned(e.kind, s.plant, id)
		if err == nil {
			return store.PlantName(c.ID(), to), nil
		}
		if err = missing(err, e.notFound, s.ref); ReasonOf(err) != e.notFound {
			return "", err
		}
	}
	return "", nil
}

// differs returns what would change if what stands became what a row says.
func (e *eventKind[M]) differs(c *collection, book *benchBook, m M, s *said[M]) []string {
	return e.renewed(c, book, proto.CloneOf(m), s)
}

// renewed puts what a row says into what stands, and returns what changed.
func (e *eventKind[M]) renewed(c *collection, book *benchBook, next M, s *said[M]) (news []string) {
	d, seconds := c.clockIn(e.at(next))
	switch {
	case d != s.day:
		news = append(news, fmt.Sprintf("day: %s, was %s", s.day, d))
		e.restart(next, s)
	case s.clock.Given && s.clock.Seconds != seconds:
		news = append(news, fmt.Sprintf("time: %s, was %s", s.clock, table.Clock{Given: true, Seconds: seconds}))
		e.restart(next, s)
	}
	return append(news, e.renew(book, next, s)...)
}

// settleOn judges what a row says, once what is there of it is known.
func (e *eventKind[M]) settleOn(v *visit, k *keeping, book *benchBook, s *said[M], r *report) error {
	var none M
	for _, text := range s.notes {
		note(s.out, "%s", text)
	}
	if s.refers {
		note(s.out, "is known by its ref from now on")
	}
	if s.stays || len(s.out.GetFaults()) > 0 {
		name := ""
		if s.before != none {
			name = s.before.GetName()
		}
		became(s.out, pb.ImportResponse_UNCHANGED, name)
		return nil
	}
	if s.foodRule != "" {
		if f, ok := any(s.before).(*pb.Feeding); !ok || f == nil || !sameFood(f.GetFood(), any(s.message).(*pb.Feeding).GetFood()) {
			r.faultOnce(s.out, "food", any(s.message).(*pb.Feeding).GetFood(), s.foodRule)
			return nil
		}
	}
	next := proto.CloneOf(s.message)
	k.before, k.told = nil, s.before != none
	if s.before != none {
		next = proto.CloneOf(s.before)
		if s.news = e.renewed(k.c, book, next, s); len(s.news) == 0 {
			became(s.out, pb.ImportResponse_UNCHANGED, s.before.GetName())
			return nil
		}
		k.before = s.before
	}
	if s.spot != nil && (s.before == none || len(s.news) > 0) {
		if wrong := s.stand(book, next); wrong != nil {
			r.faultOnce(s.out, wrong.gives, wrong.value, wrong.rule)
			return nil
		}
	}
	if s.before == none {
		if h := k.histories[k.plant.ID]; h.Len() >= mostEvents {
			r.faultOnce(s.out, "", "", fmt.Sprintf("%s has %d feedings and observations, as many as one plant can have", k.plant.GetName(), h.Len()))
			return nil
		}
		setName(next, k.plant.GetName()+"/"+e.kinds[2]+"/"+v.newID())
	}
	k.problems = problems{}
	if err := e.check(k, at{prefix: "row"}, next); err != nil {
		return err
	}
	if k.refused > 0 && s.mayFail != "" {
		note(s.out, "%s: %s", s.mayFail, k.violations[0].Rule)
		k.problems = problems{}
		return nil
	}
	for _, p := range k.violations {
		field := strings.TrimPrefix(p.Field, "row.")
		gives, known := e.columns[field]
		if !known {
			gives = e.columns[strings.Split(field, ".")[0]]
		}
		r.faultOnce(s.out, gives, "", p.Rule)
	}
	if k.refused > 0 {
		k.problems = problems{}
		return nil
	}
	s.next = next
	h := k.histories[k.plant.ID]
	if h == nil {
		h = &store.History{}
		k.histories[k.plant.ID] = h
	}
	if s.before == none {
		e.addHistory(h, next)
		became(s.out, pb.ImportResponse_CREATED, next.GetName())
		return nil
	}
	past := e.past(h)
	if i := slices.IndexFunc(past, func(m M) bool { return m.GetName() == next.GetName() }); i >= 0 {
		past[i] = next
	}
	for _, text := range s.news {
		note(s.out, "%s", text)
	}
	became(s.out, pb.ImportResponse_UPDATED, next.GetName())
	return nil
}

// noBench is what tables call no bench, where a plant was taken off one.
const noBench = "-"

// stand puts a move to the bench that its row names.
func (s *said[M]) stand(book *benchBook, next M) (wrong *misplaced) {
	move := any(next).(*pb.Observation).GetMove()
	if s.spot.text == noBench {
		move.Bench = ""
		return nil
	}
	if s.before != *new(M) && sameSpot(book, move.GetBench(), s.spot) {
		return nil
	}
	bench, understood, wrong := book.find(*s.spot)
	if wrong != nil {
		return wrong
	}
	if understood != "" {
		note(s.out, "%s", understood)
	}
	move.Bench = bench.GetName()
	return nil
}

// sameSpot tells whether a row means the bench of a move.
func sameSpot(book *benchBook, bench string, s *spot) bool {
	if s.text == noBench {
		return bench == ""
	}
	if s.text != "" {
		return table.Same(book.label(bench), s.text) || bench == s.text
	}
	return book.all[store.Segment(bench, "benches")].GetExposure() == s.exposure
}

// sameFood tells whether a cell is what a table calls a kind of food.
func sameFood(food, cell string) bool {
	return cmp.Or(food, foodPrefix) == foodPrefix+strings.TrimPrefix(strings.TrimSpace(cell), foodPrefix)
}
