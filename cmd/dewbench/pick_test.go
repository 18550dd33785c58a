package main

import (
	"fmt"
	"strings"
	"testing"
)

func TestPick(t *testing.T) {
	all := []named{
		{"growers/0199a-1", "0199a-1", "Fern Hollow"},
		{"growers/0199a-2", "0199a-2", "Moss Lane"},
		{"growers/0199b-3", "0199b-3", "Moss Lane"},
		{"growers/0199b-4", "0199b-4", "0199a-1"},      // shown as another's id
		{"growers/0199b-5", "0199b-5", "0199a"},        // shown as what others begin with
		{"growers/0199b-51", "0199b-51", "\x1b[2JSty"}, // its id begins with another's
	}
	for text, want := range map[string]string{
		"growers/0199a-1": "0199a-1", "0199a-1": "0199a-1", "Fern Hollow": "0199a-1",
		"0199a-2": "0199a-2", "growers/0199a-2": "0199a-2",
		"0199b-5": "0199b-5", "0199b-51": "0199b-51", "growers/0199b-5": "0199b-5",
		"\x1b[2JSty": "0199b-51",

		"":              `give a grower by its name, its id or its display name: list lists all`,
		"fern hollow":   `there is no grower "fern hollow"; did you mean "Fern Hollow", growers/0199a-1?`,
		"Mos Lane":      `there is no grower "Mos Lane"; did you mean "Moss Lane"? There are 2: list lists all`,
		"growers/":      `there is no grower "growers/": list lists all`,
		"growers":       `there is no grower "growers": list lists all`,
		"Bog":           `there is no grower "Bog": list lists all`,
		"Moss Lane":     "\"Moss Lane\" may be 2 growers: give the whole id of one\n  growers/0199a-2  Moss Lane\n  growers/0199b-3  Moss Lane",
		"growers/0199a": "\"growers/0199a\" may be 2 growers: give the whole id of one\n  growers/0199a-1  Fern Hollow\n  growers/0199a-2  Moss Lane",
		"0199a":         "\"0199a\" may be 3 growers: give the whole id of one\n  growers/0199a-1  Fern Hollow\n  growers/0199a-2  Moss Lane\n  growers/0199b-5  0199a",
		"0199b-": "\"0199b-\" may be 4 growers: give the whole id of one\n  growers/0199b-3  Moss Lane\n  growers/0199b-4  0199a-1\n" +
			"  growers/0199b-5  0199a\n  growers/0199b-51  \"\\x1b[2JSty\"",
	} {
		i, err := pick("grower", text, all, "list")
		got := all[i].id
		if err != nil {
			got = err.Error()
		}
		if got != want {
			t.Errorf("%q: got\n%s\nwant\n%s", text, got, want)
		}
	}
	many := make([]named, mostShown+3)
	for i := range many {
		many[i] = named{fmt.Sprint("growers/a", i), fmt.Sprint("a", i), "x"}
	}
	if _, err := pick("grower", "x", many, "list"); err == nil || strings.Count(err.Error(), "\n") != mostShown+1 || !strings.HasSuffix(err.Error(), "\n  and 3 more") {
		t.Errorf("of many: %v", err)
	}
	if _, err := pick("grower", "x", nil, "list"); err == nil || err.Error() != `there is no grower "x": list lists all` {
		t.Errorf("of none: %v", err)
	}
}
