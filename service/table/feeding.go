package table

import (
	"strconv"

	"dewbench/service/civil"
	"dewbench/service/due"
)

func itoa(n int) string { return strconv.Itoa(n) }

// Feeding is a row of a table of feedings: one session of one plant. Counts are
// of the whole pot. Numbers that are nil, days that are civil.None and texts
// that are empty are not given.
type Feeding struct {
	// Line is the line of the file on which the row starts.
	Line int
	// Tag is the plant's, 1 to 200 characters, white space collapsed.
	Tag string
	// Fed is the day on which food was given; Time the time of that day.
	Fed  civil.Day
	Time Clock
	// TrapsFed are the traps that got food, 0 to 5,000,000.
	TrapsFed *int32
	// TrapsTarget are those that were to get some, 1 to 5,000,000.
	TrapsTarget *int32
	// Food is the kind of food as written, up to 200 characters.
	Food string
	// ItemLengthMM is the length of the longest item, mm, above 0 to 1000.
	ItemLengthMM *float64
	// Stimulated tells whether the item was moved in the closed trap.
	Stimulated *bool
	// Outcome is what became of the food; NoOutcome: not yet known.
	Outcome due.Outcome
	// OutcomeDay is when that was seen: not before Fed.
	OutcomeDay civil.Day
	Note       string // up to 4000 characters
	Feeder     string // who fed, up to 200 characters
	// Ref is what the grower calls the row, PlantRef the ref of the plant; each up to
	// 300 characters.
	Ref, PlantRef string
}

func (f Feeding) label() (tag string, line int) { return f.Tag, f.Line }

func feedingSchema() *schema[Feeding] {
	type d = Feeding
	tagStrong, tagWeak := tagHeaders()
	s := &schema[d]{
		what:  "feedings",
		fresh: d{Fed: civil.None, OutcomeDay: civil.None},
		need:  [][]string{{"tag"}, {"day fed"}},
	}
	s.fields = []field[d]{
		tagField(func(f *d) *string { return &f.Tag }, tagStrong, tagWeak),
		dayField("day fed", func(f *d) *civil.Day { return &f.Fed }, func(f *d) *Clock { return &f.Time },
			[]string{"date fed", "day fed", "fed on", "fed date", "feeding date", "date of feeding", "event date"}, []string{"date", "day", "when", "fed"}),
		clockField("time", func(f *d) *Clock { return &f.Time }, []string{"time", "time of day", "time fed", "event time"}, nil),
		countField("traps fed", 0, 5_000_000, func(f *d) **int32 { return &f.TrapsFed },
			[]string{"traps fed", "leaves fed", "pitchers fed", "fed traps"},
			[]string{"number of traps", "no of traps", "traps", "leaves", "pitchers", "count", "quantity", "qty"}),
		countField("target", 1, 5_000_000, func(f *d) **int32 { return &f.TrapsTarget },
			[]string{"target", "traps target", "target traps", "traps planned", "planned"}, nil),
		textField("ref", maxRef, func(f *d) *string { return &f.Ref }, append(refHeaders(), "event id"), nil),
		textField("ref of the plant", maxRef, func(f *d) *string { return &f.PlantRef }, organismHeaders(), nil),
		textField("food", 200, func(f *d) *string { return &f.Food }, []string{"food", "kind of food", "food type"}, []string{"fed with", "prey", "item"}),
		lengthField("item length", 1000, func(f *d) **float64 { return &f.ItemLengthMM },
			[]string{"item length", "length of item", "food length"}, []string{"item size", "food size", "length", "size"}),
		flagField("stimulated", func(f *d) **bool { return &f.Stimulated }, []string{"stimulated", "stroked", "massaged"}, nil),
		wordField("outcome", outcomes(), func(f *d) *due.Outcome { return &f.Outcome }, []string{"outcome", "result"}, nil),
		dayField("day of the outcome", func(f *d) *civil.Day { return &f.OutcomeDay }, nil,
			[]string{"outcome date", "date of outcome", "outcome seen on"}, []string{"outcome seen", "checked on", "date checked", "checked"}),
		textField("note", 4000, func(f *d) *string { return &f.Note }, noteHeaders(), nil),
		textField("feeder", 200, func(f *d) *string { return &f.Feeder }, []string{"feeder", "fed by", "who fed"}, []string{"who", "by"}),
	}
	s.finish = func(f *d, r *row[d]) {
		f.Line = r.line
		if f.Fed == civil.None && !r.bad {
			r.fail("day fed", "must not be empty")
		}
		if f.OutcomeDay != civil.None && f.Fed != civil.None && f.OutcomeDay < f.Fed {
			r.fail("day of the outcome", "is before the day fed, "+f.Fed.String())
		}
		if f.OutcomeDay != civil.None && f.Outcome == due.Unknown && !r.bad {
			r.caution("day of the outcome", "is the day of an outcome that is not given; it is not used")
			f.OutcomeDay = civil.None
		}
	}
	return s
}
