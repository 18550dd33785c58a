package table

import (
	"strings"
	"testing"

	"dewbench/service/due"
)

// A bench that is called by a word for an exposure gives it, as in the table of
// plants; a column for the exposure goes before.
func TestMovedToAnExposure(t *testing.T) {
	for in, want := range map[string]due.Exposure{
		"Tag,Date,Moved to\nA1,2026-10-01,greenhouse\n":                due.Greenhouse,
		"Tag,Date,Moved to\nA1,2026-10-01,long bench\n":                due.NoExposure,
		"Tag,Date,Moved to,Exposure\nA1,2026-10-01,greenhouse,lamps\n": due.Enclosed,
	} {
		got, err := Observations(strings.NewReader(in), Options{})
		if err != nil || !got.OK() || len(got.Rows) != 1 || got.Rows[0].Exposure != want {
			t.Errorf("%q: %+v, %v; want exposure %v", in, got, err, want)
		}
	}
}
