package table

import (
	"fmt"

	"dewbench/service/civil"
	"dewbench/service/due"
)

// Observation is a row of a table of observations: what was seen of, or done
// to, one plant on one day. One row can hold several things; each that is given
// is one observation of the API. Counts are of the whole pot.
type Observation struct {
	// Line is the line of the file on which the row starts.
	Line int
	// Tag is the plant's, 1 to 200 characters, white space collapsed.
	Tag string
	// Day is the day, Time the time of that day.
	Day  civil.Day
	Time Clock

	// Sizes are what was measured.
	Sizes Sizes
	// Survey is what the plant caught by itself; nil: not looked.
	Survey *Survey
	// Quantity is the number of plants that the pot holds from then on, 1 to
	// 100,000; nil: not counted.
	Quantity *int32
	// Stalk is what became of a flower stalk.
	Stalk Stalk
	// Repotted tells that it was repotted or divided.
	Repotted bool
	// RestStart and RestEnd tell that its rest began or ended.
	RestStart, RestEnd bool
	// End is how it left the collection; Cause and Recipient say more, each up to
	// 1000 characters.
	End              End
	Cause, Recipient string
	// Bench and Exposure are where it was moved to.
	Bench    string // up to 300 characters
	Exposure due.Exposure
	// Hold tells that it is not to be fed; nil: nothing about that.
	Hold *Pause
	// Treatment tells that it was treated; nil: nothing about that.
	Treatment *Treatment
	// Health is anything else, up to 4000 characters. A note alone is taken as
	// this.
	Health string
	// Note goes with whatever else the row gives, up to 4000 characters.
	Note string
	// Ref is what the grower calls the row, PlantRef the ref of the plant; each up to
	// 300 characters.
	Ref, PlantRef string
}

// Survey is a look at what a plant caught by itself.
type Survey struct {
	// PreyFound is the prey found, 0 to 1,000,000.
	PreyFound int32
	// TrapsExamined are the traps looked at, 0 (not counted) to 1,000,000.
	TrapsExamined int32
}

// Pause is a time without feeding from the row's day on.
type Pause struct {
	// Reason is why, up to 1000 characters.
	Reason string
	// Until is the first day on which feeding is right again, after the row's
	// day; civil.None: open.
	Until civil.Day
}

// Treatment is a treatment on the row's day.
type Treatment struct {
	// What was treated, and with which Product, each up to 1000 characters.
	What, Product string
	// Until is the first day on which feeding is right again, after the row's
	// day; civil.None: open.
	Until civil.Day
}

func (o Observation) label() (tag string, line int) { return o.Tag, o.Line }

// event is something that a column "event" can say in a word.
type event int

const (
	noEvent event = iota
	eventRepotted
	eventRestStart
	eventRestEnd
	eventDead
	eventSold
	eventGivenAway
	eventEmerged
	eventCut
	eventFlowered
	eventSeedRipe
	eventSeedTaken
)

func events() *words[event] {
	all := []wordsOf[event]{
		{eventRepotted, []string{"repotted", "repotting", "divided", "division"}},
		{eventRestStart, []string{"rest started", "rest start", "rest begins", "dormant"}},
		{eventRestEnd, []string{"rest ended", "rest end", "rest over", "awake"}},
	}
	for _, v := range ends().words {
		all = append(all, wordsOf[event]{eventDead + event(v.value-Dead), v.words})
	}
	for _, v := range stalks().words {
		if v.value == Cut { // "cut" alone says too little here
			v.words = v.words[1:]
		}
		all = append(all, wordsOf[event]{eventEmerged + event(v.value-Emerged), v.words})
	}
	return newWords("an event", all...)
}

type observationDraft struct {
	Observation
	event                 event
	repotted, divided     *bool
	restStart, restEnd    *bool
	prey, examined        *int32
	held, treated         *bool
	hold, what, product   string
	holdUntil, treatUntil civil.Day
}

func observationSchema() *schema[observationDraft] {
	type d = observationDraft
	tagStrong, tagWeak := tagHeaders()
	places := exposures()
	s := &schema[d]{
		what:  "observations",
		fresh: d{Observation: Observation{Day: civil.None}, holdUntil: civil.None, treatUntil: civil.None},
		need:  [][]string{{"tag"}, {"day"}},
	}
	s.fields = []field[d]{
		tagField(func(o *d) *string { return &o.Tag }, tagStrong, tagWeak),
		dayField("day", func(o *d) *civil.Day { return &o.Day }, func(o *d) *Clock { return &o.Time },
			[]string{"date", "day", "date observed", "observed on", "observe date", "event date"}, []string{"date measured", "measured on", "when", "measured", "observed"}),
		clockField("time", func(o *d) *Clock { return &o.Time }, []string{"time", "time of day", "event time"}, nil),
		textField("ref", maxRef, func(o *d) *string { return &o.Ref }, append(refHeaders(), "event id"), nil),
		textField("ref of the plant", maxRef, func(o *d) *string { return &o.PlantRef }, organismHeaders(), nil),
		textField("note", 4000, func(o *d) *string { return &o.Note }, noteHeaders(), nil),
	}
	facts := []field[d]{
		wordField("event", events(), func(o *d) *event { return &o.event }, []string{"event", "what happened", "done"}, []string{"what"}),
		countField("prey found", 0, 1_000_000, func(o *d) **int32 { return &o.prey }, []string{"prey found", "prey caught"}, []string{"prey", "caught", "catch"}),
		countField("traps examined", 0, 1_000_000, func(o *d) **int32 { return &o.examined },
			[]string{"traps examined", "traps looked at", "leaves examined", "traps checked"}, nil),
		countField("quantity", 1, 100_000, func(o *d) **int32 { return &o.Quantity },
			[]string{"quantity", "qty", "plants in pot", "number of plants", "no of plants", "individual count"}, []string{"count", "plants"}),
		wordField("stalk", stalks(), func(o *d) *Stalk { return &o.Stalk }, []string{"stalk", "flower stalk"}, []string{"flower"}),
		flagField("repotted", func(o *d) **bool { return &o.repotted }, []string{"repotted", "repotting"}, nil),
		flagField("divided", func(o *d) **bool { return &o.divided }, []string{"divided", "division"}, nil),
		flagField("start of rest", func(o *d) **bool { return &o.restStart }, []string{"rest start", "rest started", "rest begins", "dormant"}, nil),
		flagField("end of rest", func(o *d) **bool { return &o.restEnd }, []string{"rest end", "rest ended", "rest over"}, nil),
		wordField("end", ends(), func(o *d) *End { return &o.End }, []string{"end", "ended", "left", "dead or sold"}, []string{"state", "status"}),
		textField("cause", 1000, func(o *d) *string { return &o.Cause }, []string{"cause", "cause of death"}, nil),
		textField("recipient", 1000, func(o *d) *string { return &o.Recipient }, []string{"recipient", "sold to", "given to"}, nil),
		textField("bench", 300, func(o *d) *string { return &o.Bench }, []string{"moved to", "new bench"}, []string{"new place", "new location", "bench", "place", "location", "shelf"}),
		wordField("exposure", places, func(o *d) *due.Exposure { return &o.Exposure }, []string{"exposure", "new exposure"}, []string{"where"}),
		flagField("hold", func(o *d) **bool { return &o.held }, []string{"hold", "on hold", "do not feed"}, nil),
		textField("reason of the hold", 1000, func(o *d) *string { return &o.hold }, []string{"hold reason", "reason of hold", "reason"}, nil),
		dayField("end of the hold", func(o *d) *civil.Day { return &o.holdUntil }, nil,
			[]string{"hold until", "feed again from", "no food until"}, []string{"until"}),
		textField("what was treated", 1000, func(o *d) *string { return &o.what }, []string{"treated for", "treatment", "treated against"}, nil),
		textField("product", 1000, func(o *d) *string { return &o.product }, []string{"product", "treated with"}, nil),
		dayField("end of the treatment", func(o *d) *civil.Day { return &o.treatUntil }, nil, []string{"treated until", "treatment until"}, nil),
		flagField("treated", func(o *d) **bool { return &o.treated }, []string{"treated"}, nil),
		textField("health", 4000, func(o *d) *string { return &o.Health }, []string{"health", "symptoms"}, nil),
	}
	facts = append(facts, sizeFields(func(o *d) *Sizes { return &o.Sizes })...)
	some := []string{"note"}
	for _, f := range facts {
		some = append(some, f.name)
	}
	s.need = append(s.need, some)
	s.fields = append(s.fields, facts...)
	s.finish = func(o *d, r *row[d]) {
		if o.Bench != "" && !r.has("exposure") { // as for plants: a bench called "greenhouse" says it
			o.Exposure, _ = places.match(o.Bench)
		}
		finishObservation(o, r)
	}
	return s
}

func yes(b *bool) bool { return b != nil && *b }

// finishObservation puts the cells of a row together.
func finishObservation(o *observationDraft, r *row[observationDraft]) {
	o.Line = r.line
	if o.Day == civil.None && !r.bad {
		r.fail("day", "must not be empty")
	}
	o.Repotted = yes(o.repotted) || yes(o.divided)
	o.RestStart, o.RestEnd = yes(o.restStart), yes(o.restEnd)
	o.takeEvent(r)
	switch {
	case o.prey != nil:
		o.Survey = &Survey{PreyFound: *o.prey}
		if o.examined != nil {
			o.Survey.TrapsExamined = *o.examined
		}
	case o.examined != nil:
		r.fail("traps examined", "is given, but not the prey found; write 0 if there was none")
	}
	if yes(o.held) || o.hold != "" || o.holdUntil != civil.None {
		o.Hold = &Pause{Reason: o.hold, Until: o.holdUntil}
		o.after(r, "end of the hold", o.holdUntil)
	}
	if yes(o.treated) || o.what != "" || o.product != "" || o.treatUntil != civil.None {
		o.Treatment = &Treatment{What: o.what, Product: o.product, Until: o.treatUntil}
		o.after(r, "end of the treatment", o.treatUntil)
	}
	if o.RestStart && o.RestEnd {
		r.fail("end of rest", "is given with a start of rest on the same row; write two rows")
	}
	if o.End == NoEnd && (o.Cause != "" || o.Recipient != "") && !r.bad {
		field := "cause"
		if o.Cause == "" {
			field = "recipient"
		}
		r.fail(field, "is given, but not that the plant is dead, sold or given away")
	}
	if r.bad || o.says() {
		return
	}
	if o.Note == "" {
		r.fail("", "says nothing that was seen or done")
		return
	}
	o.Health, o.Note = o.Note, ""
}

// says tells whether the row holds anything besides a note.
func (o *observationDraft) says() bool {
	return o.Sizes.Given() || o.Survey != nil || o.Quantity != nil || o.Stalk != NoStalk || o.Repotted ||
		o.RestStart || o.RestEnd || o.End != NoEnd || o.Bench != "" || o.Exposure != due.NoExposure ||
		o.Hold != nil || o.Treatment != nil || o.Health != ""
}

// takeEvent puts the word of the column "event" where it belongs.
func (o *observationDraft) takeEvent(r *row[observationDraft]) {
	clash := false
	switch e := o.event; {
	case e == noEvent:
	case e == eventRepotted:
		o.Repotted = true
	case e == eventRestStart:
		o.RestStart = true
	case e == eventRestEnd:
		o.RestEnd = true
	case e >= eventDead && e <= eventGivenAway:
		end := Dead + End(e-eventDead)
		clash = o.End != NoEnd && o.End != end
		o.End = end
	default:
		stalk := Emerged + Stalk(e-eventEmerged)
		clash = o.Stalk != NoStalk && o.Stalk != stalk
		o.Stalk = stalk
	}
	if clash {
		r.fail("event", "does not agree with the row's other columns")
	}
}

// after checks that a pause ends after the row's day.
func (o *observationDraft) after(r *row[observationDraft], field string, until civil.Day) {
	if until != civil.None && o.Day != civil.None && until <= o.Day {
		r.fail(field, fmt.Sprintf("must be after the day of the row, %s", o.Day))
	}
}
