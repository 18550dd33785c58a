package paper

// Sheet is a bench sheet.
type Sheet struct {
	Paper      Size
	Number     int64
	Collection string // its name
	Day        string // YYYY-MM-DD
	Weekday    string
	Made       string // when, as the collection's clock had it
	Benches    []Bench
	Foods      []Food
	Rows       int
	Cautions   []string // of what is fed
}

// Food is what to bring of a kind of food.
type Food struct {
	Name          string // "" if none fits
	Frozen        bool
	Items, Plants int64
	Portions      []Portion
}

// Portion is how much of a food to bring of a length.
type Portion struct {
	Length        string // of the longest item, such as "up to 4 mm"; "" if no limit is known
	Items, Plants int64
}

// Bench is what there is to do on a bench.
type Bench struct {
	Name string // "" for plants on none
	Rows []Row
}

// Row is a plant with what there is to do with it.
type Row struct {
	Number                        int32
	Tag, ScientificName, Cultivar string
	Tasks                         []Task
}

// Kind is what there is to do.
type Kind uint8

// The kinds.
const (
	Plain        Kind = iota // with nothing to write
	Feed                     // so many traps, or others
	CheckOutcome             // one of the outcomes
	Survey                   // traps and prey
	Measure                  // a length, working traps, or both
)

// Task is something to do with a plant.
type Task struct {
	Kind  Kind
	Words string // what to do, where Plain
	Since string // the day that it goes back to; "" if none

	// Of Feed.
	First   string // what to do before
	Traps   int32
	Overdue bool
	Food    string   // "" where the sheet has no other
	Length  string   // of the longest item
	Mind    []string // what to mind

	// Of Measure, one of them at least.
	Diameter bool // whether to measure it
	Count    bool // whether to count working traps
}

// Is tells whether a task is of a kind, by the name that the page has for it.
func (t Task) Is(kind string) bool { return t.Kind != Plain && kinds[kind] == t.Kind }

var kinds = map[string]Kind{"feed": Feed, "check": CheckOutcome, "survey": Survey, "measure": Measure}

// HTML draws the sheet.
func (s *Sheet) HTML() ([]byte, error) { return page("sheet", s) }

// LongTag tells whether a tag needs small type.
func (r Row) LongTag() bool { return len([]rune(r.Tag)) > 8 }
