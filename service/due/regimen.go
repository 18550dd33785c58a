package due

// TrapType is how a plant catches.
type TrapType uint8

// The trap types. NoTrapType: not known, so the plant is not fed by hand.
const (
	NoTrapType TrapType = iota
	Adhesive
	Snap
	Pitfall
	Suction
	Eel
)

// Habit is how large an adhesive plant is; it means nothing for other traps.
type Habit uint8

// The habits. NoHabit is treated as SmallRosette: start small.
const (
	NoHabit Habit = iota
	SmallRosette
	Large
)

// HandFeed is when a grower feeds a plant by hand.
type HandFeed uint8

// When a plant is fed by hand. NoHandFeed: not set in this layer.
const (
	NoHandFeed HandFeed = iota
	Always
	IfNotCatching
	Never
)

// Regimen is one layer of how a plant is to be fed. Nil, an empty CheckDays and
// NoHandFeed mean: not set here, ask the next layer.
type Regimen struct {
	IntervalDays        *int     `json:"intervalDays,omitempty"`        // days one full session covers, 1-365
	ToleranceDays       *int     `json:"toleranceDays,omitempty"`       // days after the due day still on time, 0-60
	TrapsStart          *int     `json:"trapsStart,omitempty"`          // traps per plant and session at first, 1-50
	TrapsMax            *int     `json:"trapsMax,omitempty"`            // ceiling of the ladder, 1-50
	CleanRunsToStepUp   *int     `json:"cleanRunsToStepUp,omitempty"`   // clean sessions in a row before one more trap, 1-20
	FeedOneIn           *int     `json:"feedOneIn,omitempty"`           // at most one in this many working traps, 1-20
	MaxItemPercent      *int     `json:"maxItemPercent,omitempty"`      // longest item, percent of the trap's width, 1-200
	MouldPausePercent   *int     `json:"mouldPausePercent,omitempty"`   // pause after mould, percent of the interval, 0-1000
	ResiduePausePercent *int     `json:"residuePausePercent,omitempty"` // pause after residue, likewise
	SettleDays          *int     `json:"settleDays,omitempty"`          // no feeding after arrival, repotting, dividing, 0-120
	DigestDays          *int     `json:"digestDays,omitempty"`          // days an item needs, 1-90
	CheckDays           []int    `json:"checkDays,omitempty"`           // up to four of 1-60
	HandFeed            HandFeed `json:"-"`
	CutStalks           *bool    `json:"cutStalks,omitempty"` // whether flower stalks are to be cut
}

// Rules is a regimen in force: every field has its value.
type Rules struct {
	IntervalDays        int // 0: none, so the plant is not fed by hand
	ToleranceDays       int
	TrapsStart          int
	TrapsMax            int
	CleanRunsToStepUp   int
	FeedOneIn           int
	MaxItemPercent      int
	MouldPausePercent   int
	ResiduePausePercent int
	SettleDays          int
	DigestDays          int
	CheckDays           []int
	HandFeed            HandFeed
	CutStalks           bool
}

// Layer is where the value of a field comes from. The first layer that sets a
// field wins.
type Layer uint8

// The layers, in the order in which they are asked.
const (
	NoLayer Layer = iota
	TrialArmLayer
	PlantLayer
	BenchLayer
	CollectionTaxonLayer
	CollectionGenusLayer
	CollectionTrapTypeLayer
	CatalogueTaxonLayer
	CatalogueGenusLayer
	TrapTypeLayer
)

// Field is a field of a regimen.
type Field uint8

// The fields of a regimen, in the order of the struct.
const (
	IntervalDays Field = iota
	ToleranceDays
	TrapsStart
	TrapsMax
	CleanRunsToStepUp
	FeedOneIn
	MaxItemPercent
	MouldPausePercent
	ResiduePausePercent
	SettleDays
	DigestDays
	CheckDays
	HandFeedField
	CutStalks
	fieldCount
)

// Range is the values that a number may have, both ends included.
type Range struct{ Min, Max int }

// Ranges are those of the fields that are numbers. Nobody changes them.
var Ranges = [DigestDays + 1]Range{
	IntervalDays:        {1, 365},
	ToleranceDays:       {0, 60},
	TrapsStart:          {1, 50},
	TrapsMax:            {1, 50},
	CleanRunsToStepUp:   {1, 20},
	FeedOneIn:           {1, 20},
	MaxItemPercent:      {1, 200},
	MouldPausePercent:   {0, 1000},
	ResiduePausePercent: {0, 1000},
	SettleDays:          {0, 120},
	DigestDays:          {1, 90},
}

// Origins names the layer of each field's value.
type Origins [fieldCount]Layer

// Set is one layer of a regimen with its place in the order.
type Set struct {
	Layer   Layer
	Regimen Regimen
}

// Numbers returns the fields that are numbers, in the order of Field, to read or
// to set.
func (r *Regimen) Numbers() [DigestDays + 1]**int {
	return [...]**int{
		&r.IntervalDays, &r.ToleranceDays, &r.TrapsStart, &r.TrapsMax, &r.CleanRunsToStepUp, &r.FeedOneIn,
		&r.MaxItemPercent, &r.MouldPausePercent, &r.ResiduePausePercent, &r.SettleDays, &r.DigestDays,
	}
}

func (r *Rules) numbers() [DigestDays + 1]*int {
	return [...]*int{
		&r.IntervalDays, &r.ToleranceDays, &r.TrapsStart, &r.TrapsMax, &r.CleanRunsToStepUp, &r.FeedOneIn,
		&r.MaxItemPercent, &r.MouldPausePercent, &r.ResiduePausePercent, &r.SettleDays, &r.DigestDays,
	}
}

// Regimen returns the rules as a regimen in which every field is set, but for an
// interval that there is none of.
func (r *Rules) Regimen() Regimen {
	out := Regimen{CheckDays: r.CheckDays, HandFeed: r.HandFeed, CutStalks: &r.CutStalks}
	set := out.Numbers()
	for i, v := range r.numbers() {
		if Field(i) != IntervalDays || *v > 0 {
			*set[i] = v
		}
	}
	return out
}

// Resolve returns the regimen in force: for each field the value of the first
// of the sets that has one, after them the default of the trap type. The sets
// must be in the order of their layers.
func Resolve(trap TrapType, habit Habit, sets ...Set) (Rules, Origins) {
	var rules Rules
	var from Origins
	take := func(layer Layer, r *Regimen) {
		dst := rules.numbers()
		for i, v := range r.Numbers() {
			if *v != nil && from[i] == NoLayer {
				*dst[i], from[i] = **v, layer
			}
		}
		if len(r.CheckDays) > 0 && from[CheckDays] == NoLayer {
			rules.CheckDays, from[CheckDays] = r.CheckDays, layer
		}
		if r.HandFeed != NoHandFeed && from[HandFeedField] == NoLayer {
			rules.HandFeed, from[HandFeedField] = r.HandFeed, layer
		}
		if r.CutStalks != nil && from[CutStalks] == NoLayer {
			rules.CutStalks, from[CutStalks] = *r.CutStalks, layer
		}
	}
	for i := range sets {
		take(sets[i].Layer, &sets[i].Regimen)
	}
	last := Default(trap, habit)
	take(TrapTypeLayer, &last)
	return rules, from
}

// Default returns the regimen of last resort of a trap type. Ten days, two traps
// of a small rosette and four of a large plant, few at first, no item that
// overhangs its leaf: common practice, no source. A third of a snap trap's
// width: growers' rule. The other figures are this product's own defaults.
//
// Suction and eel traps are not fed by hand and have no interval; the rest of
// their row only serves a grower who sets both.
func Default(trap TrapType, habit Habit) Regimen {
	r := func(interval, tolerance, start, most, oneIn, item, digest int, check ...int) Regimen {
		runs, mould, residue, settle, cut := 2, 150, 50, 14, false
		out := Regimen{
			ToleranceDays: &tolerance, TrapsStart: &start, TrapsMax: &most, CleanRunsToStepUp: &runs, FeedOneIn: &oneIn,
			MaxItemPercent: &item, MouldPausePercent: &mould, ResiduePausePercent: &residue, SettleDays: &settle,
			DigestDays: &digest, CheckDays: check, HandFeed: IfNotCatching, CutStalks: &cut,
		}
		if interval > 0 {
			out.IntervalDays = &interval
		} else {
			out.HandFeed = Never
		}
		return out
	}
	switch trap {
	case Adhesive:
		if habit == Large {
			return r(10, 3, 4, 8, 3, 100, 10, 1, 3)
		}
		return r(10, 3, 2, 4, 3, 100, 10, 1, 3)
	case Snap:
		return r(14, 5, 1, 3, 3, 33, 10, 1, 7)
	case Pitfall:
		return r(21, 7, 1, 3, 2, 50, 14, 7)
	case Suction, Eel:
		return r(0, 3, 1, 1, 1, 100, 10)
	}
	return Regimen{}
}
