package table

import (
	"fmt"
	"testing"

	"dewbench/service/due"
)

// The names of the values are those of the API's enums, the numbers follow them.
func TestNames(t *testing.T) {
	for _, c := range []struct {
		value fmt.Stringer
		want  string
	}{
		{due.NoTrapType, "TRAP_TYPE_UNSPECIFIED"}, {due.Adhesive, "ADHESIVE"}, {due.Eel, "EEL"}, {due.TrapType(9), "9"},
		{due.NoHabit, "HABIT_UNSPECIFIED"}, {due.SmallRosette, "SMALL_ROSETTE"}, {due.Large, "LARGE"},
		{due.NoExposure, "EXPOSURE_UNSPECIFIED"}, {due.Outdoors, "OUTDOORS"}, {due.Enclosed, "ENCLOSED"},
		{due.Unknown, "OUTCOME_UNSPECIFIED"}, {due.Clean, "CLEAN"}, {due.Rejected, "REJECTED"}, {due.Outcome(9), "9"},
		{due.NoHandFeed, "HAND_FEED_UNSPECIFIED"}, {due.IfNotCatching, "IF_NOT_CATCHING"},
		{NoStalk, "STALK_UNSPECIFIED"}, {SeedTaken, "SEED_TAKEN"},
		{NoEnd, "STATE_UNSPECIFIED"}, {GivenAway, "GIVEN_AWAY"},
		{DayFirst, "day first"}, {MonthFirst, "month first"}, {Unknown, "unknown"},
	} {
		if got := c.value.String(); got != c.want {
			t.Errorf("got %s, want %s", got, c.want)
		}
	}
}

// Each word has one value, each value its own name as a word.
func TestWords(t *testing.T) {
	wordsOnce(t, trapTypes())
	wordsOnce(t, habits())
	wordsOnce(t, exposures())
	wordsOnce(t, outcomes())
	wordsOnce(t, handFeeds())
	wordsOnce(t, stalks())
	wordsOnce(t, ends())
	wordsOnce(t, states())
	wordsOnce(t, yesNo())
	wordsOnce(t, events())
}

func wordsOnce[T comparable](t *testing.T, w *words[T]) {
	n := 0
	for _, v := range w.words {
		for _, word := range v.words {
			n++
			if got, rule := w.find(word, false); rule != "" || got != v.value {
				t.Errorf("%s: %q: %v, %s", w.what, word, got, rule)
			}
			if none(word) {
				t.Errorf("%s: %q says nothing", w.what, word)
			}
		}
		if s, ok := any(v.value).(fmt.Stringer); ok && s.String() != "STATE_UNSPECIFIED" && s.String() != "OUTCOME_UNSPECIFIED" {
			if got, ok := w.match(s.String()); !ok || got != v.value {
				t.Errorf("%s: %s is no word", w.what, s)
			}
		}
	}
	if n != len(w.index) {
		t.Errorf("%s: %d words, %d of them different", w.what, n, len(w.index))
	}
	if _, rule := w.find("zzzz", false); rule == "" {
		t.Error(w.what)
	}
	if _, rule := w.find("zzzz", true); rule != "is not "+w.what {
		t.Error(rule)
	}
}
