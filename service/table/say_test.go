package table

import (
	"fmt"
	"testing"

	"dewbench/service/due"
)

// Which words growers use is common practice, no source.
func TestBeginningsOfWords(t *testing.T) {
	of := func(v fmt.Stringer, err error) string {
		if err != nil {
			return err.Error()
		}
		return v.String()
	}
	for _, c := range []struct{ text, got, want string }{
		{"stalk cut", of(StalkStage("Stalk, CUT")), "CUT"},
		{"beginning", of(StalkStage("seed t")), "SEED_TAKEN"},
		{"a word that others begin with", of(StalkStage("stalk")), "EMERGED"},
		{"two", of(StalkStage("seed")), `"seed" is not a stage of a flower stalk: it is one of emerged, cut, flowered, seed ripe, seed taken`},
		{"slip", of(StalkStage("emregd")), `"emregd" is not a stage of a flower stalk: it is one of emerged, cut, flowered, seed ripe, seed taken; did you mean "emerged"?`},
		{"nothing", of(StalkStage(" ")), `" " is not a stage of a flower stalk: it is one of emerged, cut, flowered, seed ripe, seed taken`},
	} {
		if c.got != c.want {
			t.Errorf("%s: %s, want %s", c.text, c.got, c.want)
		}
	}
	if o, err := Outcome("mou"); o != due.Mould || err != nil {
		t.Errorf("mou is %v, %v", o, err)
	}
	if o, err := Outcome("re"); err == nil { // residue, rejected
		t.Errorf("re is %v", o)
	}
	if e, err := Exposure("outs"); e != due.Outdoors || err != nil {
		t.Errorf("outs is %v, %v", e, err)
	}
}
