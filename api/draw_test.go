package api

import (
	"fmt"
	"math/rand/v2"
	"time"
	_ "time/tzdata" // time zones where the machine has none

	"dewbench/service/catalogue"
	"dewbench/service/civil"
	"dewbench/service/due"
	"dewbench/service/season"
)

// object is a JSON object.
type object = map[string]any

// histories are plants with their records, once as a request, once as facts for
// the engine.
type histories struct {
	*rand.Rand
	catalogue *catalogue.Catalogue
	zone      *time.Location
	place     season.Place
	weekdays  due.Weekdays
	absences  []civil.Span

	request object
	asOf    civil.Day
	horizon int
	latest  civil.Day // on which something happened
	plants  []drawnPlant
}

type drawnPlant struct {
	key, scientificName string
	facts               due.Facts
}

// Zones that are hard: quarter hours, clock changes of half an hour, a day that
// was skipped, both sides of the date line, changes at midnight.
var zones = []string{
	"", "UTC", "Europe/Berlin", "America/New_York", "Asia/Kathmandu", "Australia/Lord_Howe", "Pacific/Apia", "Pacific/Kiritimati",
	"Pacific/Chatham", "America/St_Johns", "Pacific/Niue", "Antarctica/Troll", "America/Asuncion", "Africa/Monrovia", "Asia/Kolkata",
}

var weekdayWords = []string{"SUNDAY", "MONDAY", "TUESDAY", "WEDNESDAY", "THURSDAY", "FRIDAY", "SATURDAY"}

// often tells true that many times in a hundred.
func (h *histories) often(percent int) bool { return h.IntN(100) < percent }

func (h *histories) between(from, to int) int { return from + h.IntN(to-from+1) }

// choose draws a value of a table of words.
func choose[T ~uint8](h *histories, words map[T]string) (T, string) {
	v := T(h.IntN(len(words)))
	return v, words[v]
}

// drawHistories draws a request with that many plants. The same seed draws the
// same.
func drawHistories(seed uint64, c *catalogue.Catalogue, plants int) *histories {
	h := &histories{Rand: rand.New(rand.NewPCG(seed, 1)), catalogue: c, request: object{}, horizon: 7}
	switch h.IntN(12) {
	case 0: // the first years of the calendar
		h.asOf = civil.Min + civil.Day(h.IntN(500))
	case 1: // the last that can be asked about
		h.asOf = civil.Date(9990, 12, 31) - civil.Day(h.IntN(500))
	case 2: // clocks by the sun
		h.asOf = civil.Date(h.between(1860, 1920), h.between(1, 12), h.between(1, 28))
	default:
		h.asOf = civil.Date(h.between(2010, 2030), h.between(1, 12), h.between(1, 31))
	}
	h.request["asOfDate"] = h.asOf.String()
	if h.often(70) {
		h.horizon = h.between(0, 366)
		h.request["horizonDays"] = h.horizon
	}
	name := zones[h.IntN(len(zones))]
	zone, err := time.LoadLocation(name)
	if err != nil {
		panic(err) // the zones are part of the test's machine, or of the server
	}
	if h.zone = zone; name != "" {
		h.request["timeZone"] = name
	}
	switch h.IntN(4) {
	case 0:
		h.place.HasLatitude, h.place.LatitudeDeg = true, float64(h.between(-900, 900))/10
		h.request["latitudeDeg"] = h.place.LatitudeDeg
		// A latitude tells the hemisphere, whatever is said besides.
		h.request["hemisphere"] = []string{"NORTH", "SOUTH"}[h.IntN(2)]
		h.place.South = h.request["hemisphere"] == "SOUTH"
	case 1:
		h.place.South = true
		h.request["hemisphere"] = "SOUTH"
	case 2:
		h.request["hemisphere"] = "NORTH"
	}
	if h.often(40) {
		var words []string
		for _, i := range h.Perm(7)[:h.between(1, 7)] {
			words = append(words, weekdayWords[i])
			h.weekdays = h.weekdays.On(time.Weekday(i))
		}
		h.request["feedingWeekdays"] = words
	}
	if h.often(50) {
		var list []object
		for range h.between(1, 5) {
			from := h.inside(h.asOf + civil.Day(h.between(-40, 60)))
			until := from + civil.Day(h.between(1, 30))
			h.absences = append(h.absences, civil.Span{From: from, Until: until})
			list = append(list, object{"fromDate": from.String(), "untilDate": until.String()})
		}
		h.request["absences"] = list
	}
	var list []object
	for i := range plants {
		list = append(list, h.plant(i))
	}
	h.request["plants"] = list
	return h
}

// inside moves a day into the calendar, but for its last month, so that what
// follows it can be written too.
func (h *histories) inside(d civil.Day) civil.Day { return min(max(d, civil.Min), civil.Max-31) }

// about is a day around the one asked about, mostly before it, and often one on
// which something happened already.
func (h *histories) about() civil.Day {
	if h.latest == 0 || h.often(75) {
		h.latest = h.anyDay()
	}
	return h.latest
}

func (h *histories) anyDay() civil.Day {
	switch h.IntN(8) {
	case 0:
		return h.inside(h.asOf)
	case 1:
		return h.inside(h.asOf + civil.Day(h.between(1, 40)))
	case 2, 3:
		return h.inside(h.asOf - civil.Day(h.between(0, 400)))
	}
	return h.inside(h.asOf - civil.Day(h.between(0, 60)))
}

func (h *histories) plant(index int) object {
	out := drawnPlant{key: fmt.Sprintf("plant %d ü", index)}
	f := &out.facts
	*f = due.Facts{Acquired: civil.None, Entered: civil.None, Ships: civil.None, Quantity: 1, Weekdays: h.weekdays, Absences: h.absences}
	p := object{"key": out.key}
	dated := func(field string, percent int, into *civil.Day, from, to int) {
		if h.often(percent) {
			*into = h.inside(h.asOf + civil.Day(h.between(from, to)))
			p[field] = into.String()
		}
	}
	dated("acquireDate", 50, &f.Acquired, -300, 10)
	dated("enterDate", 50, &f.Entered, -300, 10)
	dated("shipDate", 8, &f.Ships, -10, 30)
	if h.often(85) {
		f.First, p["exposure"] = choose(h, exposureWords)
	}
	if h.often(30) {
		p["lampHours"] = float64(h.between(0, 240)) / 10
	}
	if h.often(40) {
		f.Quantity = h.between(1, 20)
		p["quantity"] = f.Quantity
	}
	habit := due.NoHabit
	if h.often(50) {
		f.TrapType, p["trapType"] = choose(h, trapTypeWords)
	}
	if h.often(40) {
		habit, p["habit"] = choose(h, habitWords)
	}
	var plants due.Regimen
	if h.often(50) {
		plants, p["regimen"] = h.regimen()
	}
	sets := []due.Set{{Layer: due.PlantLayer, Regimen: plants}}
	if h.often(60) {
		all := h.catalogue.Taxa()
		t := all[h.IntN(len(all))]
		p["taxon"] = "taxa/" + t.ID
		out.scientificName = t.ScientificName
		if f.TrapType == due.NoTrapType {
			f.TrapType = t.TrapType
		}
		if habit == due.NoHabit {
			habit = t.Habit
		}
		f.TypicalWidthMM, f.TypicalDiameterMM = t.TrapWidthMm, t.RosetteDiameterMm
		if t.RestKnown {
			from, to := due.RestRange(h.asOf)
			f.Rests = season.Rests(t.Rest, h.place, from, to)
		}
		sets = append(sets, due.Set{Layer: due.CatalogueTaxonLayer, Regimen: t.Regimen})
		for _, other := range all {
			if other.Rank == catalogue.Genus && other.ScientificName == t.Genus && other.ID != t.ID {
				sets = append(sets, due.Set{Layer: due.CatalogueGenusLayer, Regimen: other.Regimen})
			}
		}
	}
	f.Rules, _ = due.Resolve(f.TrapType, habit, sets...)
	for _, food := range h.catalogue.Foods() {
		f.Foods = append(f.Foods, due.Food{LengthMM: food.LengthMm, Moves: food.Moves, MayCut: food.MayBeCut})
	}

	var moves, feedings, observations []object
	for range h.several(3) {
		var exposure due.Exposure
		var word string
		for exposure == due.NoExposure {
			exposure, word = choose(h, exposureWords)
		}
		day := h.about()
		f.Moves = append(f.Moves, due.Move{Day: day, Exposure: exposure})
		moves = append(moves, object{"date": day.String(), "exposure": word})
	}
	for range h.several(9) {
		fact, message := h.feeding()
		f.Feedings = append(f.Feedings, fact)
		feedings = append(feedings, message)
	}
	for range h.several(9) {
		fact, message := h.observation()
		f.Observations = append(f.Observations, fact)
		observations = append(observations, message)
	}
	if h.often(10) {
		h.shrink(f, &observations)
	}
	p["moves"], p["feedings"], p["observations"] = moves, feedings, observations
	for _, list := range []string{"moves", "feedings", "observations"} {
		if events, _ := p[list].([]object); len(events) == 0 {
			delete(p, list)
		}
	}
	h.plants = append(h.plants, out)
	return p
}

// several is a number of events, often none.
func (h *histories) several(most int) int {
	if h.often(35) {
		return 0
	}
	return h.between(1, most)
}

// shrink records smaller and smaller rosettes.
func (h *histories) shrink(f *due.Facts, observations *[]object) {
	day := h.asOf - civil.Day(h.between(40, 100))
	if day < civil.Min {
		return
	}
	size := h.between(50, 100)
	for range h.between(2, 6) {
		y, m, d := day.Split()
		noon := time.Date(y, time.Month(m), d, 12, 0, 0, 0, h.zone)
		f.Observations = append(f.Observations, due.Observation{
			Day: day, Time: micros(noon), Kind: due.Measured, DiameterMM: float64(size), WorkingTraps: due.NotCounted,
		})
		*observations = append(*observations, object{"observeDate": day.String(), "measurement": object{"rosetteDiameterMm": size}})
		day += civil.Day(h.between(1, 9))
		size = max(1, size*h.between(60, 85)/100)
	}
}

// micros counts the microseconds from 1970 to an instant.
func micros(t time.Time) int64 { return t.Unix()*1_000_000 + int64(t.Nanosecond()/1000) }

// dayOf is the civil day on which an instant falls; beyond the calendar, its
// nearest day.
func (h *histories) dayOf(t time.Time) civil.Day {
	y, m, d := t.In(h.zone).Date()
	switch {
	case y < 1:
		return civil.Min
	case y > 9999:
		return civil.Max
	}
	return civil.Date(y, int(m), d)
}

// writable tells whether the API takes an instant.
func writable(t time.Time) bool { y := t.UTC().Year(); return y >= 1 && y <= 9999 }

// moment draws when something happened: a day, or an instant written in some
// zone. Fields are those of a message.
func (h *histories) moment(timeField, dayField string, message object) (civil.Day, time.Time) {
	day := h.about()
	y, m, d := day.Split()
	if h.often(50) {
		message[dayField] = day.String()
		return day, time.Date(y, time.Month(m), d, 12, 0, 0, 0, h.zone)
	}
	t := time.Date(y, time.Month(m), d, 0, 0, h.IntN(86400), 0, time.UTC)
	if h.often(30) {
		t = t.Add(time.Duration(h.IntN(1_000_000_000)))
	}
	message[timeField] = h.write(t)
	return h.dayOf(t), t
}

// write writes an instant as RFC 3339 says, with an offset of its own.
func (h *histories) write(t time.Time) string {
	in := t.In(time.FixedZone("", 60*h.between(-14*60, 14*60)))
	if y := in.Year(); y < 1 || y > 9999 {
		in = t.UTC()
	}
	return in.Format(time.RFC3339Nano)
}
