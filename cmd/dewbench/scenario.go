package main

import (
	"cmp"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"

	"google.golang.org/genproto/googleapis/type/dayofweek"
	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/civil"
)

// What happened to the pots of the society. A grower feeds in a rhythm of simple
// intervals, not always on the day, looks what became of the food, measures each
// month, looks outdoors what was caught, repots in spring. Common practice, no source.

// societySeed begins the generator.
const societySeed = 20260501

// life is what happened to a pot.
type life struct {
	id      string
	plant   *pb.Plant
	came    civil.Day // to the grower, who wrote it down that day
	records []record
}

// record is what was fed or seen on a day, or the label that the pot got.
type record struct {
	day   civil.Day
	fed   *pb.Feeding
	seen  *pb.Observation
	label string
}

// lives invents the pots of one grower.
type lives struct {
	*resident
	taxa map[string]*pb.Taxon
	all  []*life
}

// lives returns all pots of the grower, with their records in order.
func (r *resident) lives(index int, taxa map[string]*pb.Taxon) ([]*life, error) {
	g := &lives{resident: r, taxa: taxa}
	for i := range r.stands {
		s := &r.stands[i]
		for _, name := range s.taxa {
			if _, ok := taxa["taxa/"+name]; !ok && !strings.Contains(name, " ") {
				return nil, fmt.Errorf("the catalogue lacks %s, of %s", name, s.name)
			}
		}
		for n := range s.pots {
			stream := uint64(index)<<40 | uint64(i)<<32 | uint64(n)
			h := &history{Rand: rand.New(rand.NewPCG(societySeed^uint64(int64(r.today)), stream)), g: g, s: s}
			h.pot(n)
		}
	}
	if r.odd != nil {
		r.odd(g)
	}
	for _, l := range g.all {
		slices.SortStableFunc(l.records, func(a, b record) int { return cmp.Compare(a.day, b.day) })
	}
	return g.all, nil
}

// bench returns the name of a bench.
func (g *lives) bench(name string) string { return g.place + "/benches/" + slug(name) }

// add adds a pot that came some days ago.
func (g *lives) add(tag, bench, taxon string, ago int) *life {
	l := &life{id: slug(tag), came: g.today - civil.Day(ago)}
	for n := 2; slices.ContainsFunc(g.all, func(other *life) bool { return other.id == l.id }); n++ {
		l.id = fmt.Sprintf("%s-%d", slug(tag), n)
	}
	order := int32(len(g.all))
	l.plant = &pb.Plant{Tag: tag, Bench: g.bench(bench), WalkOrder: &order, AcquireDate: proto.String(l.came.String())}
	if strings.Contains(taxon, " ") {
		l.plant.ScientificName = taxon
	} else {
		l.plant.Taxon = "taxa/" + taxon
	}
	g.all = append(g.all, l)
	return l
}

// see records what was seen or done on a day.
func (l *life) see(day civil.Day, o *pb.Observation) {
	o.ObserveDate = proto.String(day.String())
	l.records = append(l.records, record{day: day, seen: o})
}

// feed records a session.
func (l *life) feed(day civil.Day, f *pb.Feeding) {
	f.FedDate = proto.String(day.String())
	l.records = append(l.records, record{day: day, fed: f})
}

// history invents what happened to one pot.
type history struct {
	*rand.Rand
	*life
	g *lives
	s *stand
}

// one tells true once in n times.
func (h *history) one(n int) bool { return h.IntN(n) == 0 }

// pot invents the n-th pot of a bench.
func (h *history) pot(n int) {
	name := h.s.taxa[n%len(h.s.taxa)]
	ago := h.g.arrivals[h.IntN(len(h.g.arrivals))]
	tag := fmt.Sprintf("%s%02d", h.s.letter, n+1)
	h.life = h.g.add(tag, h.s.name, name, ago)
	if h.one(4) {
		h.plant.Source = []string{"swap table", "seed of my own", "autumn order"}[h.IntN(3)]
	}
	taxon := h.g.taxa["taxa/"+name]
	h.live(taxon, h.came+14)
	switch {
	case h.g.short:
		if h.one(30) {
			h.end(h.g.today-civil.Day(h.IntN(20)), &pb.Observation_End{State: pb.Observation_End_SOLD})
		}
	case ago < 200:
	case h.one(10):
		h.leave(tag)
	case h.one(12):
		h.divide(tag, taxon)
	case h.one(14):
		h.plant.Tag = "seedling " + tag
		h.records = append(h.records, record{day: h.came + civil.Day(100+h.IntN(60)), label: tag})
	}
}

// live invents all records of the pot. It is fed from a day on.
func (h *history) live(taxon *pb.Taxon, from civil.Day) {
	outside := h.summers()
	if h.s.exposure == pb.Bench_OUTDOORS {
		outside = []civil.Span{{From: h.came, Until: civil.Never}}
	}
	if h.one(12) {
		h.see(h.came, &pb.Observation{Fact: &pb.Observation_Count_{Count: &pb.Observation_Count{Quantity: int32(2 + h.IntN(6))}}})
	}
	poor := h.one(5)
	busy := h.pauses(taxon)
	if !poor {
		busy = slices.Concat(busy, outside)
	}
	h.sessions(taxon, from, func(day civil.Day) civil.Day {
		for _, s := range busy {
			if s.Contains(day) {
				return s.Until
			}
		}
		return day
	})
	if h.g.short {
		if h.one(3) && taxon.GetTypicalRosetteDiameterMm() > 0 {
			h.measure(h.came+civil.Day(7+h.IntN(20)), taxon.GetTypicalRosetteDiameterMm()*0.4)
		}
		return
	}
	h.sizes(taxon)
	h.stalks(taxon)
	for _, s := range outside {
		h.surveys(s, poor)
	}
	if h.one(9) {
		h.see(h.came+civil.Day(h.IntN(int(h.g.today-h.came)+1)), &pb.Observation{Fact: &pb.Observation_Health_{
			Health: &pb.Observation_Health{Text: []string{"pale new leaves", "algae on the soil", "colours up well"}[h.IntN(3)]},
		}})
	}
}

// season returns the day of a month as it is in the north, in each year of the
// records; in the south half a year later.
func (h *history) season(month, day int) []civil.Day {
	var days []civil.Day
	year, _, _ := h.g.today.Split()
	if h.g.south {
		month += 6
	}
	for y := year - 4; y <= year+1; y++ {
		days = append(days, civil.Date(y+(month-1)/12, (month-1)%12+1, day))
	}
	return days
}

// past tells whether the pot was there on a day that is over.
func (h *history) past(day civil.Day) bool { return h.came < day && day <= h.g.today }

// summers moves the pot outdoors in May and in again in October, and returns the days
// outdoors.
func (h *history) summers() []civil.Span {
	if h.s.summer == "" {
		return nil
	}
	move := func(day civil.Day, bench string) {
		h.see(day, &pb.Observation{Fact: &pb.Observation_Move_{Move: &pb.Observation_Move{Bench: h.g.bench(bench)}}})
	}
	var spans []civil.Span
	in := h.season(10, 4)
	for i, out := range h.season(5, 9) {
		if !h.past(out) {
			continue
		}
		move(out, h.s.summer)
		span := civil.Span{From: out, Until: in[i]}
		if h.past(in[i]) {
			move(in[i], h.s.name)
		}
		spans = append(spans, span)
	}
	return spans
}

// pauses are days on which nobody feeds the pot: rests, and after repotting, holds and
// treatments.
func (h *history) pauses(taxon *pb.Taxon) []civil.Span {
	var spans []civil.Span
	rest := taxon.GetRest().GetSeason()
	begins, ends := h.season(10, 12), h.season(2, 20)
	if rest == pb.Taxon_Rest_SUMMER {
		begins, ends = h.season(4, 1), h.season(10, 2)
	}
	if rest == pb.Taxon_Rest_WINTER || rest == pb.Taxon_Rest_SUMMER {
		for i := range begins[:len(begins)-1] {
			span := civil.Span{From: begins[i], Until: ends[i]}
			if span.Until < span.From {
				span.Until = ends[i+1]
			}
			spans = append(spans, span)
			if h.s.exposure != pb.Bench_ENCLOSED || h.g.short {
				continue
			}
			// Lamps know no seasons: the grower makes the rest.
			if h.past(span.From) {
				h.see(span.From, &pb.Observation{Fact: &pb.Observation_RestStart_{RestStart: &pb.Observation_RestStart{}}})
				if h.past(span.Until) {
					h.see(span.Until, &pb.Observation{Fact: &pb.Observation_RestEnd_{RestEnd: &pb.Observation_RestEnd{}}})
				}
			}
		}
	}
	if h.g.short {
		return spans
	}
	for _, day := range h.season(3, 3) {
		if day += civil.Day(h.IntN(25)); h.past(day) && h.one(2) {
			h.see(day, &pb.Observation{Fact: &pb.Observation_Repotting_{Repotting: &pb.Observation_Repotting{}}})
			spans = append(spans, civil.Span{From: day, Until: day + 14})
		}
	}
	lived := int(h.g.today - h.came)
	if lived > 30 && h.one(8) {
		day := h.came + civil.Day(15+h.IntN(lived-15))
		until := day + civil.Day(8+h.IntN(20))
		h.see(day, &pb.Observation{Fact: &pb.Observation_Hold_{Hold: &pb.Observation_Hold{
			Reason: "new growth first", UntilDate: proto.String(until.String()),
		}}})
		spans = append(spans, civil.Span{From: day, Until: until})
	}
	if lived > 30 && h.one(10) {
		day := h.came + civil.Day(15+h.IntN(lived-15))
		until := day + civil.Day(5+h.IntN(9))
		h.see(day, &pb.Observation{Fact: &pb.Observation_Treatment_{Treatment: &pb.Observation_Treatment{
			What: "aphids", Product: "rain water bath", UntilDate: proto.String(until.String()),
		}}})
		spans = append(spans, civil.Span{From: day, Until: until})
	}
	return spans
}

// sessions feeds the pot from a day on in its rhythm, not always on the day. free
// returns the first day from a day on of which nothing keeps the grower.
func (h *history) sessions(taxon *pb.Taxon, day civil.Day, free func(civil.Day) civil.Day) {
	interval := 10
	foods := []string{"foods/bloodworm-frozen", "foods/bloodworm-frozen", "foods/fruit-fly-flightless-live", "foods/fish-food-flake"}
	switch taxon.GetTrapType() {
	case pb.Taxon_SNAP:
		interval, foods = 14, []string{"foods/bloodworm-dried", "foods/cricket-small-live", "foods/bloodworm-frozen"}
	case pb.Taxon_PITFALL:
		interval, foods = 21, []string{"foods/cricket-freeze-dried", "foods/insect-caught", "foods/fish-food-pellet"}
	case pb.Taxon_SUCTION, pb.Taxon_EEL, pb.Taxon_TRAP_TYPE_UNSPECIFIED:
		return
	}
	if h.g.short {
		interval = max(interval, 20)
	}
	neglected := h.one(15) // not fed of late
	until := h.g.today
	if neglected {
		until -= 20
	}
	for day += civil.Day(h.IntN(6)); ; {
		for next := free(day); day <= until && (next != day || !h.feedsOn(day)); next = free(day) {
			day = max(next, day+1)
		}
		if day > until {
			return
		}
		f := &pb.Feeding{Food: foods[h.IntN(len(foods))]}
		gap := interval + h.IntN(6)
		if h.one(10) {
			f.TrapsFed = proto.Int32(1)
			gap = interval/2 + h.IntN(4)
		}
		if h.one(40) {
			f.Note = []string{"old leaf", "small piece", "in the evening"}[h.IntN(3)]
		}
		if seen := day + civil.Day(1+h.IntN(4)); seen <= h.g.today && !h.one(15) {
			f.OutcomeDate = proto.String(seen.String())
			switch n := h.IntN(40); {
			case n < 2:
				f.Outcome = pb.Feeding_MOULD
				gap = max(gap, interval*3/2+4)
			case n < 5:
				f.Outcome = pb.Feeding_RESIDUE
			case n < 6:
				f.Outcome = pb.Feeding_REJECTED
				gap = 4
			default:
				f.Outcome = pb.Feeding_CLEAN
			}
		}
		h.feed(day, f)
		day += civil.Day(gap)
	}
}

// feedsOn tells whether a day of the week is one of the grower's feeding days.
func (h *history) feedsOn(day civil.Day) bool {
	return len(h.g.weekdays) == 0 || slices.ContainsFunc(h.g.weekdays, func(d dayofweek.DayOfWeek) bool { return int(d)%7 == int(day.Weekday()) })
}

// measure records a diameter.
func (l *life) measure(day civil.Day, diameter float64) *pb.Observation_Measurement {
	tenths := float64(int(diameter*10)) / 10
	m := &pb.Observation_Measurement{RosetteDiameterMm: &tenths}
	l.see(day, &pb.Observation{Fact: &pb.Observation_Measurement_{Measurement: m}})
	return m
}

// sizes measures half of the pots each month, and counts the traps of some.
func (h *history) sizes(taxon *pb.Taxon) {
	if taxon.GetTypicalRosetteDiameterMm() == 0 || h.one(2) {
		return
	}
	typical := taxon.GetTypicalRosetteDiameterMm()
	diameter := typical * (0.4 + 0.5*h.Float64())
	last := h.g.today
	if h.one(6) {
		last -= 70 // not measured since
	}
	for day := h.came + civil.Day(h.IntN(30)); day <= last; day += civil.Day(28 + h.IntN(5)) {
		m := h.measure(day, diameter)
		if h.one(4) {
			m.WorkingTraps = proto.Int32(int32(2 + h.IntN(12)))
		}
		diameter = max(typical/4, diameter+(typical*1.05-diameter)*0.12*(h.Float64()-0.15))
	}
}

// stalks grow in spring on some pots and are cut, or not.
func (h *history) stalks(taxon *pb.Taxon) {
	if taxon.GetTrapType() == pb.Taxon_SUCTION || !h.one(4) {
		return
	}
	h.plant.Regimen = &pb.Regimen{CutStalks: proto.Bool(true)}
	stalk := func(day civil.Day, s pb.Observation_Stalk) {
		if h.past(day) {
			h.see(day, &pb.Observation{Fact: &pb.Observation_Stalk_{Stalk: s}})
		}
	}
	for _, day := range h.season(4, 10) {
		day += civil.Day(h.IntN(60))
		stalk(day, pb.Observation_EMERGED)
		stalk(day+civil.Day(3+h.IntN(9)), pb.Observation_CUT)
	}
}

// flying tells whether there is prey in the open on a day.
func (h *history) flying(day civil.Day) bool {
	_, month, _ := day.Split()
	if h.g.south {
		month = (month+5)%12 + 1
	}
	return month >= 4 && month <= 10
}

// surveys look what the pot caught while it stood in the open. A poor one catches
// nothing.
func (h *history) surveys(outside civil.Span, poor bool) {
	if !poor && h.one(3) {
		return
	}
	luck := h.IntN(6)
	for day := outside.From + civil.Day(5+h.IntN(20)); day < min(outside.Until, h.g.today+1); day += civil.Day(21 + h.IntN(20)) {
		if !h.flying(day) {
			continue
		}
		prey := 0
		if !poor {
			prey = h.IntN(luck + 2)
		}
		h.see(day, &pb.Observation{Fact: &pb.Observation_CatchSurvey_{
			CatchSurvey: &pb.Observation_CatchSurvey{TrapsExamined: 3, PreyFound: int32(prey)},
		}})
	}
}

// end takes the pot out of the collection, with its records from then on.
func (h *history) end(day civil.Day, end *pb.Observation_End) {
	h.records = slices.DeleteFunc(h.records, func(r record) bool { return r.day >= day })
	h.see(day, &pb.Observation{Fact: &pb.Observation_End_{End: end}})
}

// leave lets the pot be sold or given away, or die. A dead one's label goes to another
// pot later.
func (h *history) leave(tag string) {
	day := h.came + civil.Day(60+h.IntN(int(h.g.today-h.came)-80))
	switch h.IntN(4) {
	case 0:
		h.end(day, &pb.Observation_End{State: pb.Observation_End_SOLD, Recipient: "a visitor"})
	case 1:
		h.end(day, &pb.Observation_End{State: pb.Observation_End_GIVEN_AWAY, Recipient: "the swap table"})
	default:
		h.end(day, &pb.Observation_End{State: pb.Observation_End_DEAD, Cause: []string{"rot", "dried out", "did not wake"}[h.IntN(3)]})
		if ago := int(h.g.today-day) - 2*writingDays; ago > 30 { // the end is written down by then
			next := h.other(tag, ago)
			next.live(h.g.taxa[next.plant.GetTaxon()], next.came+14)
		}
	}
}

// other begins another pot of the same kind on the same bench.
func (h *history) other(tag string, ago int) *history {
	next := *h
	next.life = h.g.add(tag, h.s.name, strings.TrimPrefix(cmp.Or(h.plant.GetTaxon(), h.plant.GetScientificName()), "taxa/"), ago)
	return &next
}

// divide makes another pot of a part of this one. Dividing counts as repotting.
func (h *history) divide(tag string, taxon *pb.Taxon) {
	ago := 40 + h.IntN(int(h.g.today-h.came)-60)
	day := h.g.today - civil.Day(ago)
	h.see(day, &pb.Observation{Note: "divided", Fact: &pb.Observation_Repotting_{Repotting: &pb.Observation_Repotting{}}})
	part := h.other(tag+"a", ago)
	part.plant.Parents = []string{h.g.place + "/plants/" + h.life.id}
	part.plant.Propagation = pb.Plant_DIVISION
	part.live(taxon, part.came+14)
}

// oddPot is a pot of which only what happened of late matters.
type oddPot struct {
	bench, taxon string
	came         int // days ago
	regimen      *pb.Regimen
	story        func(*teller)
}

// teller tells what happened to a pot by how many days ago it was.
type teller struct {
	*life
	g *lives
}

func (t *teller) day(ago int) civil.Day { return t.g.today - civil.Day(ago) }

// fed records a session, and its outcome if that was seen.
func (t *teller) fed(ago int, outcome pb.Feeding_Outcome, seen int) {
	f := &pb.Feeding{Food: "foods/bloodworm-frozen"}
	if outcome != 0 {
		f.Outcome, f.OutcomeDate = outcome, proto.String(t.day(seen).String())
	}
	t.feed(t.day(ago), f)
}

// clean records sessions of which nothing was left.
func (t *teller) clean(agos ...int) {
	for _, ago := range agos {
		t.fed(ago, pb.Feeding_CLEAN, ago-min(ago, 2))
	}
}

func (t *teller) saw(ago int, o *pb.Observation) { t.see(t.day(ago), o) }

func (t *teller) survey(ago int, prey int32) {
	t.saw(ago, &pb.Observation{Fact: &pb.Observation_CatchSurvey_{CatchSurvey: &pb.Observation_CatchSurvey{TrapsExamined: 3, PreyFound: prey}}})
}

func (t *teller) counted(ago int, traps int32) {
	t.saw(ago, &pb.Observation{Fact: &pb.Observation_Measurement_{Measurement: &pb.Observation_Measurement{WorkingTraps: &traps}}})
}

// unhurried is the regimen of a pot that may wait for a long time.
func unhurried(interval int32) *pb.Regimen {
	return &pb.Regimen{IntervalDays: &interval, ToleranceDays: proto.Int32(60)}
}

// demoTag and demoBench are the pot and the bench of the calls that the demo prints.
const (
	demoTag   = "X51"
	demoBench = odds
	odds      = "Odds and ends"
)

// odalysOdd are pots of which every collection has one: each shows something that the
// season may not.
func odalysOdd(g *lives) {
	const clean, mould, residue = pb.Feeding_CLEAN, pb.Feeding_MOULD, pb.Feeding_RESIDUE
	n := map[string]int{}
	for _, o := range []oddPot{
		{odds, "drosera-sessilifolia", 300, nil, func(t *teller) { t.clean(47, 33, 20) }},
		{odds, "drosera-burmanni", 300, nil, func(t *teller) { t.clean(25, 11) }},
		{odds, "drosera-sessilifolia", 200, nil, func(t *teller) { t.clean(26, 15, 5) }},
		{odds, "drosera-burmanni", 120, nil, func(t *teller) { t.clean(24); t.fed(13, mould, 1) }},
		{odds, "drosera-burmanni", 120, nil, func(t *teller) { t.clean(24); t.fed(11, residue, 1) }},
		// Mould cost it a trap, and it has not earned it back.
		{odds, "drosera-aliciae", 160, nil, func(t *teller) { t.clean(60); t.fed(48, mould, 45); t.clean(11) }},
		{odds, "drosera-aliciae", 90, nil, func(t *teller) { t.clean(27); t.fed(12, 0, 0) }},
		{odds, "drosera-spatulata", 400, nil, func(t *teller) { t.clean(22, 11); t.fed(0, 0, 0) }},
		{odds, "drosera-spatulata", 400, nil, func(t *teller) {
			t.clean(15)
			t.feed(t.day(5), &pb.Feeding{TrapsFed: proto.Int32(1), Outcome: clean, OutcomeDate: proto.String(t.day(3).String())})
		}},
		{odds, "drosera-spatulata", 130, nil, func(t *teller) { t.clean(18); t.survey(8, 2) }},
		{odds, "drosera-adelae", 18, nil, nil}, // not fed yet
		{odds, "drosera-adelae", 3, nil, nil},  // lately come
		{odds, "drosera-capensis", 250, nil, func(t *teller) {
			t.clean(23, 12)
			t.saw(2, &pb.Observation{Fact: &pb.Observation_Treatment_{Treatment: &pb.Observation_Treatment{What: "thrips", UntilDate: proto.String(t.day(-6).String())}}})
		}},
		{odds, "drosera-capensis", 250, nil, func(t *teller) {
			t.clean(23, 12)
			t.saw(4, &pb.Observation{Fact: &pb.Observation_Hold_{Hold: &pb.Observation_Hold{Reason: "cuttings taken"}}})
		}},
		{odds, "drosera-binata", 300, nil, func(t *teller) { t.clean(16); t.counted(5, 0) }},
		{odds, "drosera-binata", 300, nil, func(t *teller) { t.counted(20, 4); t.clean(12) }},
		{odds, "drosera-aliciae", 300, nil, func(t *teller) { t.counted(110, 9); t.measure(t.day(75), 38); t.clean(12) }},
		{odds, "drosera-capensis", 300, &pb.Regimen{CutStalks: proto.Bool(true)}, func(t *teller) {
			t.clean(13)
			t.saw(2, &pb.Observation{Fact: &pb.Observation_Stalk_{Stalk: pb.Observation_EMERGED}})
		}},
		{odds, "dionaea-muscipula", 300, nil, func(t *teller) { t.clean(31, 16) }},
		{odds, "dionaea-muscipula", 300, nil, func(t *teller) {
			t.clean(110)
			t.saw(90, &pb.Observation{Fact: &pb.Observation_RestStart_{RestStart: &pb.Observation_RestStart{}}})
			t.saw(4, &pb.Observation{Fact: &pb.Observation_RestEnd_{RestEnd: &pb.Observation_RestEnd{}}})
		}},
		{odds, "dionaea-muscipula", 300, nil, func(t *teller) {
			t.clean(50)
			t.saw(30, &pb.Observation{Note: "in the cold pantry", Fact: &pb.Observation_RestStart_{RestStart: &pb.Observation_RestStart{}}})
		}},
		// Told to be fed although no interval is known for its kind of trap.
		{odds, "utricularia-longifolia", 300, &pb.Regimen{HandFeed: pb.Regimen_ALWAYS.Enum()}, nil},
		{odds, "Philcoxia bahiensis", 90, nil, nil},
		{odds, "label lost", 90, nil, nil},
		{"Bog box", "drosera-binata", 500, nil, func(t *teller) {
			t.saw(2, &pb.Observation{Note: "in from the storm", Fact: &pb.Observation_Move_{Move: &pb.Observation_Move{Bench: t.g.bench("Cold frame")}}})
		}},
		{"Bog box", "drosera-binata", 500, nil, nil},
		{"South bed", "sarracenia-flava", 500, nil, func(t *teller) { t.survey(60, 4); t.survey(30, 0) }},
		{"South bed", "sarracenia-purpurea", 500, nil, func(t *teller) {
			for i, mm := range []float64{182, 171, 150, 138, 121} {
				t.measure(t.day(130-30*i), mm)
			}
		}},
		// In no hurry: what cuts the window short is the rest ahead.
		{"Cold frame", "sarracenia-minor", 600, unhurried(21), func(t *teller) { t.clean(25) }},
		{"Cold frame", "sarracenia-minor", 600, unhurried(60), func(t *teller) { t.clean(10) }},
		{"Cold frame", "sarracenia-minor", 600, unhurried(130), func(t *teller) { t.clean(20) }},
		{"Cold frame", "drosera-auriculata", 600, unhurried(21), func(t *teller) { t.clean(25) }},
		{"Cold frame", "drosera-auriculata", 600, unhurried(60), func(t *teller) { t.clean(10) }},
		{"Cold frame", "drosera-auriculata", 600, unhurried(130), func(t *teller) { t.clean(20) }},
	} {
		letter := g.stands[slices.IndexFunc(g.stands, func(s stand) bool { return s.name == o.bench })].letter
		n[letter]++
		l := g.add(fmt.Sprintf("%s%02d", letter, 50+n[letter]), o.bench, o.taxon, o.came)
		if l.plant.Regimen = o.regimen; o.story != nil {
			o.story(&teller{l, g})
		}
	}
}
