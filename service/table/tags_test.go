package table

import (
	"fmt"
	"reflect"
	"strings"
	"testing"
)

func TestJoin(t *testing.T) {
	plants, err := Plants(strings.NewReader("Tag,Name\nD-001,Drosera\nD-002,'Open\nd-003,Drosera\n"), Options{File: "plants.csv"})
	if err != nil || len(plants.Rows) != 2 {
		t.Fatal(dump(plants, err))
	}
	feedings, err := Feedings(strings.NewReader("Label;Date;Traps\nD-003;2026-05-01;1\nd-002;2026-05-01;1\nD-004;2026-05-01;1\nD-001;2026-05-01;x\nD-001;2026-05-02;2\nzz;2026-05-02;2\n"),
		Options{File: "feedings.csv"})
	if err != nil {
		t.Fatal(err)
	}
	of := Join(PlantTags(plants), feedings)
	if want := []int{1, 0}; !reflect.DeepEqual(of, want) {
		t.Error(of)
	}
	want := `2 rows of 6, unknown
row Line:2 Tag:"D-003" Fed:2026-05-01 TrapsFed:1
row Line:6 Tag:"D-001" Fed:2026-05-02 TrapsFed:2
problem feedings.csv line 3, column "Label": "d-002" is the tag of a plant that has a problem of its own, in plants.csv line 3
problem feedings.csv line 4, column "Label": "D-004" is the tag of no plant; the nearest: "D-001", "d-003"
problem feedings.csv line 5, column "Traps": "x" must be a whole number from 0 to 5000000
problem feedings.csv line 7, column "Label": "zz" is the tag of no plant
`
	if got := dump(feedings, nil); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
	observations, err := Observations(strings.NewReader("Tag,Date,Diameter\nD-001,2026-05-01,30\nD-009,2026-05-01,30\n"), Options{MaxProblems: 1})
	if err != nil {
		t.Fatal(err)
	}
	tags := NewTags([]string{"d-001", "D-001"})
	if of := Join(tags, observations); !reflect.DeepEqual(of, []int{0}) || len(observations.Problems) != 1 {
		t.Error(of, dump(observations, nil))
	}
	if i, ok := tags.Find(" D-001 "); i != 0 || !ok {
		t.Error(i, ok)
	}
	if _, ok := tags.Find("D-1"); ok {
		t.Error("found")
	}
	if rule := tags.Unknown("D-01"); rule != `is the tag of no plant; the nearest: "D-001", "d-001"` {
		t.Error(rule)
	}
}

// A table of nothing but unknown tags costs no more comparisons than the budget
// and one search; after that the suggestions stop.
func TestJoinIsBounded(t *testing.T) {
	tags := make([]string, 50_000)
	var text strings.Builder
	text.WriteString("Tag,Date\n")
	for i := range tags {
		tags[i] = fmt.Sprintf("D-%010d-%d", i*7919%100_003, i%7)
		fmt.Fprintf(&text, "E-%010d-%d,2026-05-01\n", i*7919%100_003, i%5)
	}
	r, err := Feedings(strings.NewReader(text.String()), Options{})
	if err != nil || !r.OK() {
		t.Fatal(dump(r, err))
	}
	known := NewTags(tags)
	of := Join(known, r)
	if len(of) != 0 || len(r.Problems) != DefaultMaxProblems || r.MoreProblems != len(tags)-DefaultMaxProblems {
		t.Error(len(of), len(r.Problems), r.MoreProblems)
	}
	if !strings.Contains(r.Problems[0].Rule, "the nearest") || strings.Contains(r.Problems[999].Rule, "the nearest") {
		t.Error(r.Problems[0], r.Problems[999])
	}
	// One search costs the same for all of these tags. The last one overdraws the
	// budget; none comes after it.
	search := len(tags) * (1 + len("E-0000000000-0")*len("E-0000000000-0")/64)
	if known.budget >= 0 || known.budget < -search {
		t.Errorf("budget %d of %d is left, one search costs %d", known.budget, nearBudget, search)
	}
	suggested := 0
	for _, p := range r.Problems {
		if strings.Contains(p.Rule, "the nearest") {
			suggested++
		}
	}
	if most := nearBudget/search + 1; suggested == 0 || suggested > most {
		t.Errorf("%d suggestions, want up to %d", suggested, most)
	}
}
