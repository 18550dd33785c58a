package table

import (
	"fmt"
	"strings"
)

// The numbers of the kinds below are those of the enums of the API, so that one
// converts to the other; their String is the API's name.

// TrapType is how a trap works.
type TrapType int32

// The kinds of traps.
const (
	NoTrapType TrapType = iota // not given
	Adhesive                   // sticky leaves
	Snap                       // closing lobes
	Pitfall                    // pitchers
	Suction                    // bladders
	Eel                        // twisted tubes
)

func (t TrapType) String() string {
	return name(int(t), "TRAP_TYPE_UNSPECIFIED", "ADHESIVE", "SNAP", "PITFALL", "SUCTION", "EEL")
}

// Habit is how large an adhesive plant is.
type Habit int32

// The habits.
const (
	NoHabit      Habit = iota // not given
	SmallRosette              // a small rosette
	Large                     // large, or upright
)

func (h Habit) String() string { return name(int(h), "HABIT_UNSPECIFIED", "SMALL_ROSETTE", "LARGE") }

// Exposure is what a plant is exposed to where it stands.
type Exposure int32

// The exposures.
const (
	NoExposure Exposure = iota // not given
	Outdoors                   // in the open air
	Greenhouse                 // under glass
	Windowsill                 // at a window
	Enclosed                   // under lamps or in a terrarium
)

func (e Exposure) String() string {
	return name(int(e), "EXPOSURE_UNSPECIFIED", "OUTDOORS", "GREENHOUSE", "WINDOWSILL", "ENCLOSED")
}

// Outcome is what became of the food.
type Outcome int32

// The outcomes.
const (
	NoOutcome Outcome = iota // not yet known
	Clean                    // digested
	Residue                  // part of it lies there
	Mould                    // mould on food or trap
	Rejected                 // fell off or was not held
)

func (o Outcome) String() string {
	return name(int(o), "OUTCOME_UNSPECIFIED", "CLEAN", "RESIDUE", "MOULD", "REJECTED")
}

// HandFeed is when a plant is fed by hand.
type HandFeed int32

// When a plant is fed by hand.
const (
	NoHandFeed    HandFeed = iota // not given
	Always                        // wherever it stands
	IfNotCatching                 // where it does not catch for itself
	Never                         // not at all
)

func (h HandFeed) String() string {
	return name(int(h), "HAND_FEED_UNSPECIFIED", "ALWAYS", "IF_NOT_CATCHING", "NEVER")
}

// Stalk is what became of a flower stalk.
type Stalk int32

// The stages of a flower stalk.
const (
	NoStalk   Stalk = iota // not given
	Emerged                // it is up
	Cut                    // it was cut
	Flowered               // it flowers
	SeedRipe               // its seed is ripe
	SeedTaken              // its seed was taken
)

func (s Stalk) String() string {
	return name(int(s), "STALK_UNSPECIFIED", "EMERGED", "CUT", "FLOWERED", "SEED_RIPE", "SEED_TAKEN")
}

// End is how a plant left the collection.
type End int32

// The ends.
const (
	NoEnd     End = iota // it is there
	Dead                 // dead
	Sold                 // sold
	GivenAway            // given away
)

func (e End) String() string { return name(int(e), "STATE_UNSPECIFIED", "DEAD", "SOLD", "GIVEN_AWAY") }

func name(n int, names ...string) string {
	if n < 0 || n >= len(names) {
		return fmt.Sprint(n)
	}
	return names[n]
}

// words are the words for the values of one kind, the best word of each value
// first. Which words growers use is common practice, no source.
type words[T comparable] struct {
	what  string // "an exposure"
	words []wordsOf[T]
	index map[string]T
}

type wordsOf[T comparable] struct {
	value T
	words []string
}

func newWords[T comparable](what string, list ...wordsOf[T]) *words[T] {
	w := &words[T]{what: what, words: list, index: map[string]T{}}
	for _, v := range list {
		for _, word := range v.words {
			w.index[wordKey(word)] = v.value
		}
	}
	return w
}

// wordKey is key, or the sign itself where there is no letter.
func wordKey(s string) string {
	if k := key(s); k != "" {
		return k
	}
	return s
}

// match finds the value of a word.
func (w *words[T]) match(s string) (value T, ok bool) {
	value, ok = w.index[wordKey(s)]
	return value, ok
}

// find reads a word. The rule lists what is accepted, and the nearest of it;
// where it is not going to be shown, it may be brief.
func (w *words[T]) find(s string, brief bool) (value T, rule string) {
	value, ok := w.match(s)
	if ok {
		return value, ""
	}
	rule = "is not " + w.what
	if brief {
		return value, rule
	}
	var all, groups []string
	for _, v := range w.words {
		all = append(all, v.words...)
		groups = append(groups, strings.Join(v.words, ", "))
	}
	if near := Nearest(s, all, 1); len(near) > 0 {
		rule += fmt.Sprintf("; did you mean %q?", near[0])
	}
	return value, rule + "; accepted: " + strings.Join(groups, " | ")
}

func trapTypes() *words[TrapType] {
	return newWords("a trap type",
		wordsOf[TrapType]{Adhesive, []string{"adhesive", "sticky", "flypaper", "sticky leaf", "sticky leaves", "adhesive trap", "flypaper trap"}},
		wordsOf[TrapType]{Snap, []string{"snap", "snap trap", "flytrap", "closing", "snapping"}},
		wordsOf[TrapType]{Pitfall, []string{"pitfall", "pitcher", "pitchers", "pitfall trap", "pitcher trap"}},
		wordsOf[TrapType]{Suction, []string{"suction", "bladder", "bladders", "suction trap", "bladder trap"}},
		wordsOf[TrapType]{Eel, []string{"eel", "corkscrew", "eel trap", "corkscrew trap", "lobster pot"}},
	)
}

func habits() *words[Habit] {
	return newWords("a habit",
		wordsOf[Habit]{SmallRosette, []string{"small rosette", "small", "rosette"}},
		wordsOf[Habit]{Large, []string{"large", "big", "upright", "tall"}},
	)
}

func exposures() *words[Exposure] {
	return newWords("an exposure",
		wordsOf[Exposure]{Outdoors, []string{"outdoors", "outdoor", "outside", "garden", "open air", "bog garden", "patio", "balcony"}},
		wordsOf[Exposure]{Greenhouse, []string{"greenhouse", "glasshouse", "polytunnel", "conservatory", "cold frame"}},
		wordsOf[Exposure]{Windowsill, []string{"windowsill", "window", "sill"}},
		wordsOf[Exposure]{Enclosed, []string{"enclosed", "terrarium", "lamps", "lamp", "tent", "grow tent", "lights", "under lamps", "under lights", "cabinet", "vivarium"}},
	)
}

func outcomes() *words[Outcome] {
	return newWords("an outcome",
		wordsOf[Outcome]{Clean, []string{"clean", "ok", "okay", "digested", "good", "fine", "all digested"}},
		wordsOf[Outcome]{Residue, []string{"residue", "leftovers", "left over", "remains", "partly digested"}},
		wordsOf[Outcome]{Mould, []string{"mould", "mold", "mouldy", "moldy"}},
		wordsOf[Outcome]{Rejected, []string{"rejected", "fell off", "dropped", "fell", "not held", "refused"}},
		wordsOf[Outcome]{NoOutcome, []string{"unknown", "not known", "open", "?"}},
	)
}

func handFeeds() *words[HandFeed] {
	return newWords("a way to feed by hand",
		wordsOf[HandFeed]{Always, []string{"always", "yes"}},
		wordsOf[HandFeed]{IfNotCatching, []string{"if not catching", "if needed", "when not catching"}},
		wordsOf[HandFeed]{Never, []string{"never", "no"}},
	)
}

func stalks() *words[Stalk] {
	return newWords("a stage of a flower stalk",
		wordsOf[Stalk]{Emerged, []string{"emerged", "up", "stalk", "stalk up", "stalk emerged", "stalk seen"}},
		wordsOf[Stalk]{Cut, []string{"cut", "stalk cut"}},
		wordsOf[Stalk]{Flowered, []string{"flowered", "flowering", "in flower", "flower open", "flowers open"}},
		wordsOf[Stalk]{SeedRipe, []string{"seed ripe", "ripe", "seeds ripe"}},
		wordsOf[Stalk]{SeedTaken, []string{"seed taken", "seed collected", "seeds collected", "seeds taken", "harvested", "seed harvested"}},
	)
}

func ends() *words[End] {
	return newWords("a way to leave the collection",
		wordsOf[End]{Dead, []string{"dead", "died"}},
		wordsOf[End]{Sold, []string{"sold"}},
		wordsOf[End]{GivenAway, []string{"given away", "gave away", "given", "gift", "traded", "swapped"}},
	)
}

// states are the ends and the words for a plant that is there.
func states() *words[End] {
	growing := wordsOf[End]{NoEnd, []string{"growing", "alive", "living", "in collection"}}
	return newWords("a state", append(ends().words, growing)...)
}

func yesNo() *words[bool] {
	return newWords("yes or no",
		wordsOf[bool]{true, []string{"yes", "y", "true", "1", "x", "✓", "✔"}},
		wordsOf[bool]{false, []string{"no", "n", "false", "0"}},
	)
}
