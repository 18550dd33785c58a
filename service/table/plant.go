package table

import (
	"regexp"
	"strings"

	"dewbench/service/civil"
	"dewbench/service/due"
)

// Plant is a row of a table of plants: one pot. Numbers that are nil, days that
// are civil.None and texts that are empty are not given.
type Plant struct {
	// Line is the line of the file on which the row starts.
	Line int
	// Tag is what is on the label, 1 to 200 characters, white space collapsed.
	// Its Fold is unique in the table.
	Tag string
	// Name is the plant's name, with the genus and the cultivar of columns of
	// their own. The zero Name: not given; then TrapType or Taxon is.
	Name Name
	// Taxon is `taxa/...`, where the cell of the name has that form.
	Taxon string

	TrapType due.TrapType
	Habit    due.Habit
	// Exposure is that where it stands. Where the table has no column for it, a
	// bench that is called by a word for an exposure ("greenhouse") gives it.
	Exposure due.Exposure
	// Bench is the bench, sill, shelf, tray or bed, up to 300 characters.
	Bench string
	// LampHours are hours of lamp light a day, 0 to 24.
	LampHours *float64
	// WalkOrder is the place in the round, 0 to 1,000,000.
	WalkOrder *int32

	// Quantity is the number of plants in the pot, 1 to 100,000.
	Quantity *int32
	// Acquired is the day on which the grower got it, Entered that on which its
	// record began, Ship that on which it is to be shipped, LastFed that of its
	// last feeding.
	Acquired, Entered, Ship, LastFed civil.Day
	// State is how it left the collection, EndDay when.
	State  End
	EndDay civil.Day

	Clone    string // up to 200 characters
	Source   string // from whom, up to 1000 characters
	Locality string // where its kind was found, up to 1000 characters
	Note     string // up to 4000 characters
	// Ref is what the grower calls the plant whatever its tag, up to 300 characters.
	Ref string
	// Propagation is how it came into being.
	Propagation Propagation

	// Regimen is how it is fed, as far as its own row says.
	Regimen due.Regimen
	// Sizes are its last sizes, Measured the day on which they were taken.
	Sizes    Sizes
	Measured civil.Day
}

// Sizes are sizes and counts of a plant; nil is not measured.
type Sizes struct {
	RosetteDiameterMM *float64 // above 0 to 10,000
	HeightMM          *float64 // above 0 to 10,000
	TrapWidthMM       *float64 // above 0 to 1000
	WorkingTraps      *int32   // of the whole pot, 0 to 1,000,000
	LeafCount         *int32   // of the whole pot, 0 to 1,000,000
}

// Given tells whether anything was measured.
func (s *Sizes) Given() bool { return *s != Sizes{} }

type plantDraft struct {
	Plant
	name, genus, cultivar string
	withheld              string
}

// bearer is a row that has a tag.
type bearer struct {
	line         int
	named, lives bool // whether it has a ref, and is not dead, sold or given away
}

// composed is what composeName returns.
type composed struct {
	name        Name
	field, rule string
}

// taxonName is the form of `taxa/{taxon}` in the API.
var taxonName = regexp.MustCompile(`^taxa/[a-z0-9-]{1,63}$`)

func plantSchema(o Options) *schema[plantDraft] {
	type d = plantDraft
	tagStrong, tagWeak := tagHeaders()
	seen := map[string]bearer{}
	names := map[[3]string]composed{} // the same names come again and again
	places := exposures()
	s := &schema[d]{
		what: "plants",
		fresh: d{Plant: Plant{
			Acquired: civil.None, Entered: civil.None, Ship: civil.None, LastFed: civil.None, EndDay: civil.None, Measured: civil.None,
		}},
		need: [][]string{{"tag"}, {"name", "genus", "trap type"}},
	}
	s.fields = []field[d]{
		tagField(func(p *d) *string { return &p.Tag }, tagStrong, tagWeak),
		textField("name", maxName, func(p *d) *string { return &p.name },
			[]string{"scientific name", "species", "botanical name", "latin name", "taxon", "full name"}, []string{"name", "plant name", "plant"}),
		textField("genus", maxName, func(p *d) *string { return &p.genus }, []string{"genus"}, nil),
		textField("cultivar", maxCultivar, func(p *d) *string { return &p.cultivar },
			[]string{"cultivar", "cultivar name", "cultivar epithet", "cv"}, []string{"variety"}),
		wordField("trap type", trapTypes(), func(p *d) *due.TrapType { return &p.TrapType }, []string{"trap type", "trap", "type of trap", "kind of trap"}, nil),
		wordField("habit", habits(), func(p *d) *due.Habit { return &p.Habit }, []string{"habit", "growth habit"}, nil),
		wordField("exposure", places, func(p *d) *due.Exposure { return &p.Exposure }, []string{"exposure", "exposed to", "stands"}, []string{"where", "setting"}),
		textField("bench", 300, func(p *d) *string { return &p.Bench },
			[]string{"bench", "bench name"}, []string{"place", "location", "shelf", "tray", "bed", "position", "spot"}),
		hoursField("lamp hours", func(p *d) **float64 { return &p.LampHours }, []string{"lamp hours", "light hours", "hours of light", "photoperiod"}, nil),
		countField("walk order", 0, 1_000_000, func(p *d) **int32 { return &p.WalkOrder }, []string{"walk order"}, []string{"order"}),
		countField("quantity", 1, 100_000, func(p *d) **int32 { return &p.Quantity },
			[]string{"quantity", "qty", "plants in pot", "number of plants", "no of plants", "individual count"}, []string{"how many", "count", "plants", "amount"}),
		dayField("day acquired", func(p *d) *civil.Day { return &p.Acquired }, nil,
			[]string{"acquired", "date acquired", "day acquired", "acquire date", "acquired on"},
			[]string{"bought", "date bought", "bought on", "purchased", "purchase date", "received", "date received", "since"}),
		dayField("day entered", func(p *d) *civil.Day { return &p.Entered }, nil,
			[]string{"entered", "date entered", "day entered", "enter date", "entered on"}, []string{"recorded since"}),
		dayField("ship day", func(p *d) *civil.Day { return &p.Ship }, nil, []string{"ship date", "shipping date", "ship on", "to be shipped", "ships"}, nil),
		dayField("day last fed", func(p *d) *civil.Day { return &p.LastFed }, nil, []string{"last fed", "date last fed", "last fed on"}, []string{"last feeding"}),
		wordField("state", states(), func(p *d) *End { return &p.State }, []string{"state", "status"}, nil),
		dayField("day of its end", func(p *d) *civil.Day { return &p.EndDay }, nil,
			[]string{"end date", "date of end"}, []string{"died on", "date died", "date of death", "sold on", "date sold", "given away on"}),
		textField("ref", maxRef, func(p *d) *string { return &p.Ref }, append(append(refHeaders(), organismHeaders()...), "occurrence id"), nil),
		wordField("propagation", propagations(), func(p *d) *Propagation { return &p.Propagation }, []string{"propagation", "propagated by", "raised from"}, nil),
		textField("information withheld", 1000, func(p *d) *string { return &p.withheld }, []string{"information withheld"}, nil),
		textField("clone", 200, func(p *d) *string { return &p.Clone }, []string{"clone"}, nil),
		textField("source", 1000, func(p *d) *string { return &p.Source }, []string{"source"}, []string{"bought from", "got from", "supplier", "from"}),
		textField("locality", 1000, func(p *d) *string { return &p.Locality }, []string{"locality"}, []string{"location data", "provenance"}),
		textField("note", 4000, func(p *d) *string { return &p.Note }, noteHeaders(), nil),

		regimenField("interval", days, due.IntervalDays,
			[]string{"interval days", "interval", "feeding interval", "feed every", "days between feedings"}, nil),
		regimenField("tolerance", days, due.ToleranceDays, []string{"tolerance days", "tolerance"}, nil),
		regimenField("traps at first", noUnit, due.TrapsStart, []string{"traps start", "traps at first", "traps per session"}, nil),
		regimenField("most traps", noUnit, due.TrapsMax, []string{"traps max", "max traps", "most traps"}, nil),
		regimenField("clean runs to step up", noUnit, due.CleanRunsToStepUp, []string{"clean runs to step up", "clean runs"}, nil),
		regimenField("one in how many traps", noUnit, due.FeedOneIn, []string{"feed one in", "one in"}, nil),
		regimenField("longest item", percent, due.MaxItemPercent, []string{"max item percent", "max item", "longest item percent"}, nil),
		regimenField("pause after mould", percent, due.MouldPausePercent, []string{"mould pause percent", "mould pause", "mold pause"}, nil),
		regimenField("pause after residue", percent, due.ResiduePausePercent, []string{"residue pause percent", "residue pause"}, nil),
		regimenField("days to settle", days, due.SettleDays, []string{"settle days", "settle", "settling days"}, nil),
		regimenField("days to digest", days, due.DigestDays, []string{"digest days", "digest", "digestion days"}, nil),
		listField("check days", 4, 1, 60, func(p *d) *[]int { return &p.Regimen.CheckDays }, []string{"check days", "check on days", "look after days"}),
		wordField("hand feed", handFeeds(), func(p *d) *due.HandFeed { return &p.Regimen.HandFeed }, []string{"hand feed", "hand fed", "feed by hand", "fed by hand"}, nil),
		flagField("cut stalks", func(p *d) **bool { return &p.Regimen.CutStalks }, []string{"cut stalks", "cut flower stalks"}, nil),
		dayField("day measured", func(p *d) *civil.Day { return &p.Measured }, nil, []string{"measured", "date measured", "measured on", "last measured"}, nil),
	}
	s.fields = append(s.fields, sizeFields(func(p *d) *Sizes { return &p.Sizes })...)
	s.finish = func(p *d, r *row[d]) {
		p.Line = r.line
		if p.Tag != "" {
			first, twice := seen[Fold(p.Tag)]
			this := bearer{r.line, p.Ref != "", p.State == NoEnd}
			if twice && !(o.ByRef && first.named && this.named && !(first.lives && this.lives)) {
				r.fail("tag", "is the tag of the plant in line "+itoa(first.line)+" too; tags differ in more than upper and lower case")
			} else if !twice || this.lives {
				seen[Fold(p.Tag)] = this
			}
		}
		if taxonName.MatchString(p.name) {
			p.Taxon, p.name = p.name, ""
		}
		cells := [3]string{p.name, p.genus, p.cultivar}
		n, again := names[cells]
		if !again {
			n.name, n.field, n.rule = composeName(p.name, p.genus, p.cultivar)
			names[cells] = n
		}
		if p.Name = n.name; n.rule != "" {
			r.fail(n.field, n.rule)
		} else if !r.bad && p.Name.Scientific == "" && p.Taxon == "" && p.TrapType == due.NoTrapType {
			r.fail("name", "must not be empty where no trap type is given")
		}
		if raw := strings.TrimSpace(r.raw("name")); raw != "" {
			p.Name.Original = raw
		}
		if !Capitalised(p.Name.Cultivar) {
			field := "cultivar"
			if p.cultivar == "" {
				field = "name"
			}
			r.caution(field, "has a cultivar that begins in lower case; the code of cultivated plants has a capital")
		}
		if p.Exposure == due.NoExposure && p.Bench != "" && !r.has("exposure") {
			p.Exposure, _ = places.match(p.Bench)
		}
		if p.EndDay != civil.None && p.State == NoEnd && r.has("state") {
			r.fail("day of its end", "is the day of an end, but the state is not dead, sold or given away")
		}
	}
	return s
}

// regimenField reads a number of the regimen.
func regimenField(name string, u unit, of due.Field, strong, weak []string) field[plantDraft] {
	r := due.Ranges[of]
	return wholeField(name, u, int64(r.Min), int64(r.Max),
		func(p *plantDraft) **int { return p.Regimen.Numbers()[of] }, strong, weak)
}

// sizeFields are the columns of sizes and counts.
func sizeFields[D any](at func(*D) *Sizes) []field[D] {
	return []field[D]{
		lengthField("rosette diameter", 10_000, func(d *D) **float64 { return &at(d).RosetteDiameterMM },
			[]string{"rosette diameter", "diameter"}, []string{"plant diameter", "diam", "rosette", "width"}),
		lengthField("height", 10_000, func(d *D) **float64 { return &at(d).HeightMM }, []string{"height", "plant height"}, nil),
		lengthField("trap width", 1000, func(d *D) **float64 { return &at(d).TrapWidthMM },
			[]string{"trap width", "width of trap"}, []string{"leaf width", "trap size"}),
		countField("working traps", 0, 1_000_000, func(d *D) **int32 { return &at(d).WorkingTraps },
			[]string{"working traps", "working leaves", "active traps", "traps working"}, []string{"traps"}),
		countField("leaf count", 0, 1_000_000, func(d *D) **int32 { return &at(d).LeafCount },
			[]string{"leaf count", "number of leaves", "no of leaves"}, []string{"leaves"}),
	}
}
