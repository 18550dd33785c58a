package table

import (
	"fmt"
	"strings"

	"dewbench/service/due"
)

// The numbers of the kinds below are those of the enums of the API, as those of
// package due are, so that one converts to the other.

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

// Propagation is how a plant came into being.
type Propagation int32

// The ways.
const (
	NoPropagation     Propagation = iota // not given
	FromSeed                             // seed
	FromDivision                         // division
	FromOffset                           // offset
	FromLeaf                             // leaf cutting
	FromRoot                             // root cutting
	FromStem                             // stem cutting
	FromStalk                            // flower stalk cutting
	FromGemma                            // gemma
	FromTissueCulture                    // tissue culture
)

func (p Propagation) String() string {
	return name(int(p), "PROPAGATION_UNSPECIFIED", "SEED", "DIVISION", "OFFSET", "LEAF_CUTTING", "ROOT_CUTTING", "STEM_CUTTING",
		"FLOWER_STALK_CUTTING", "GEMMA", "TISSUE_CULTURE")
}

func propagations() *words[Propagation] {
	return newWords("a way to propagate",
		wordsOf[Propagation]{FromSeed, []string{"seed", "seeds", "seedling", "sown"}},
		wordsOf[Propagation]{FromDivision, []string{"division", "divided", "split"}},
		wordsOf[Propagation]{FromOffset, []string{"offset", "offsets", "offshoot", "pup"}},
		wordsOf[Propagation]{FromLeaf, []string{"leaf cutting", "leaf", "leaf pulling"}},
		wordsOf[Propagation]{FromRoot, []string{"root cutting", "root"}},
		wordsOf[Propagation]{FromStem, []string{"stem cutting", "stem", "cutting"}},
		wordsOf[Propagation]{FromStalk, []string{"flower stalk cutting", "flower stalk", "stalk cutting"}},
		wordsOf[Propagation]{FromGemma, []string{"gemma", "gemmae"}},
		wordsOf[Propagation]{FromTissueCulture, []string{"tissue culture", "in vitro", "tc"}},
	)
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

// lists are the words of each value.
func (w *words[T]) lists() [][]string {
	out := make([][]string, len(w.words))
	for i, v := range w.words {
		out[i] = v.words
	}
	return out
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

func trapTypes() *words[due.TrapType] {
	return newWords("a trap type",
		wordsOf[due.TrapType]{due.Adhesive, []string{"adhesive", "sticky", "flypaper", "sticky leaf", "sticky leaves", "adhesive trap", "flypaper trap"}},
		wordsOf[due.TrapType]{due.Snap, []string{"snap", "snap trap", "flytrap", "closing", "snapping"}},
		wordsOf[due.TrapType]{due.Pitfall, []string{"pitfall", "pitcher", "pitchers", "pitfall trap", "pitcher trap"}},
		wordsOf[due.TrapType]{due.Suction, []string{"suction", "bladder", "bladders", "suction trap", "bladder trap"}},
		wordsOf[due.TrapType]{due.Eel, []string{"eel", "corkscrew", "eel trap", "corkscrew trap", "lobster pot"}},
	)
}

func habits() *words[due.Habit] {
	return newWords("a habit",
		wordsOf[due.Habit]{due.SmallRosette, []string{"small rosette", "small", "rosette"}},
		wordsOf[due.Habit]{due.Large, []string{"large", "big", "upright", "tall"}},
	)
}

func exposures() *words[due.Exposure] {
	return newWords("an exposure",
		wordsOf[due.Exposure]{due.Outdoors, []string{"outdoors", "outdoor", "outside", "garden", "open air", "bog garden", "patio", "balcony"}},
		wordsOf[due.Exposure]{due.Greenhouse, []string{"greenhouse", "glasshouse", "under glass", "polytunnel", "conservatory", "cold frame"}},
		wordsOf[due.Exposure]{due.Windowsill, []string{"windowsill", "window", "sill"}},
		wordsOf[due.Exposure]{due.Enclosed, []string{"enclosed", "terrarium", "lamps", "lamp", "tent", "grow tent", "lights", "under lamps", "under lights", "cabinet", "vivarium"}},
	)
}

func outcomes() *words[due.Outcome] {
	return newWords("an outcome",
		wordsOf[due.Outcome]{due.Clean, []string{"clean", "ok", "okay", "digested", "good", "fine", "all digested"}},
		wordsOf[due.Outcome]{due.Residue, []string{"residue", "leftovers", "left over", "remains", "partly digested"}},
		wordsOf[due.Outcome]{due.Mould, []string{"mould", "mold", "mouldy", "moldy"}},
		wordsOf[due.Outcome]{due.Rejected, []string{"rejected", "fell off", "dropped", "fell", "not held", "refused"}},
		wordsOf[due.Outcome]{due.Unknown, []string{"unknown", "not known", "open", "?"}},
	)
}

func handFeeds() *words[due.HandFeed] {
	return newWords("a way to feed by hand",
		wordsOf[due.HandFeed]{due.Always, []string{"always", "yes"}},
		wordsOf[due.HandFeed]{due.IfNotCatching, []string{"if not catching", "if needed", "when not catching"}},
		wordsOf[due.HandFeed]{due.Never, []string{"never", "no"}},
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
