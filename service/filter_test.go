package service

import (
	"errors"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"go.einride.tech/aip/ordering"
)

// reasonFor returns the reason of an error of ours, or "".
func reasonFor(err error) Reason {
	var known *Error
	if errors.As(err, &known) {
		return known.Reason
	}
	return ""
}

func TestParseFilter(t *testing.T) {
	fields := filterable{"name": {"=", "!=", ":"}, "kind": {"="}}
	for filter, want := range map[string][]condition{
		"":                                    nil,
		" \t ":                                nil,
		"name = a":                            {{"name", "=", "a"}},
		`name="a b"`:                          {{"name", "=", "a b"}},
		"name = 'a'":                          {{"name", "=", "a"}},
		`name : "a" AND kind = B`:             {{"name", ":", "a"}, {"kind", "=", "B"}},
		"name != a kind = b":                  {{"name", "!=", "a"}, {"kind", "=", "b"}},
		"name = (a)":                          {{"name", "=", "a"}},
		"(name = a AND (kind = b))":           {{"name", "=", "a"}, {"kind", "=", "b"}},
		"name = a AND name = b AND name != c": {{"name", "=", "a"}, {"name", "=", "b"}, {"name", "!=", "c"}},
		`name = "` + strings.Repeat("é", 50) + `"`: {{"name", "=", strings.Repeat("é", 50)}},
	} {
		got, err := parseFilter(filter, fields)
		if err != nil {
			t.Errorf("%q: %v", filter, err)
		}
		if diff := cmp.Diff(want, got, cmp.AllowUnexported(condition{})); diff != "" {
			t.Errorf("%q: %s", filter, diff)
		}
	}
	for filter, part := range map[string]string{
		"name":                  "comparisons",
		"other = a":             `"other"`,
		"Name = a":              `"Name"`,
		"name < a":              "<",
		"kind : a":              "kind",
		"kind != a":             "!=",
		"name = 5":              "double quotes",
		"name = 1.5":            "double quotes",
		"name = a.b":            "double quotes",
		"name = f(x)":           "double quotes",
		"name = a OR kind = b":  "OR",
		"NOT name = a":          "NOT",
		"-name = a":             "",
		"f(name)":               "",
		"f(name, kind)":         "",
		"name.first = a":        "",
		"name = ":               "cannot be read",
		`name = "a`:             "cannot be read",
		"(name = a":             "cannot be read",
		"name = a AND":          "cannot be read",
		"name = a AND name":     "comparisons",
		"name = a AND (b OR c)": "OR",
	} {
		got, err := parseFilter(filter, fields)
		if reasonFor(err) != InvalidFilter || got != nil {
			t.Errorf("%q: %v, %v", filter, got, err)
			continue
		}
		var e *Error
		if errors.As(err, &e); len(e.Violations) != 1 || e.Violations[0].Field != "filter" || !strings.Contains(e.Message, part) {
			t.Errorf("%q: %+v", filter, e)
		}
		if strings.Contains(e.Message, "\n") {
			t.Errorf("%q: more than a line: %q", filter, e.Message)
		}
	}
}

// However a filter is written, the error stays short: it goes into a trailer.
func TestErrorsOfFiltersAreShort(t *testing.T) {
	fields := filterable{"name": {"="}}
	for _, piece := range []string{"(", ")", "NOT ", "-", "f(", "a.", "a ", "a,", `"`, "name = ", "AND ", "OR ", "é", "\x00", "name=a OR "} {
		_, err := parseFilter(strings.Repeat(piece, 2000/len(piece)), fields)
		if reasonFor(err) != InvalidFilter || len(err.Error()) > 4000 {
			t.Errorf("%q: %d bytes, reason %q", piece, len(err.Error()), reasonFor(err))
		}
	}
}

func TestParseOrder(t *testing.T) {
	for orderBy, want := range map[string][]ordering.Field{
		"":                  nil,
		"name":              {{Path: "name"}},
		"name desc":         {{Path: "name", Desc: true}},
		"name asc":          {{Path: "name"}},
		" name  desc, kind": {{Path: "name", Desc: true}, {Path: "kind"}},
		"kind,name":         {{Path: "kind"}, {Path: "name"}},
	} {
		got, err := parseOrder(orderBy, "name", "kind")
		if err != nil || !cmp.Equal(want, got) {
			t.Errorf("%q: %v, %v", orderBy, got, err)
		}
	}
	for _, orderBy := range []string{",", "name,", ",name", "name down", "name desc asc", "other", "Name", "name,name", "name,kind,name desc", "name;kind", "näme", "name.first"} {
		if got, err := parseOrder(orderBy, "name", "kind"); reasonFor(err) != InvalidOrder || got != nil {
			t.Errorf("%q: %v, %v", orderBy, got, err)
		}
	}
}

func TestInvalidBoundsItsWords(t *testing.T) {
	many := make([]Violation, 1000)
	for i := range many {
		many[i] = Violation{"f", "is odd"}
	}
	e := Invalid(InvalidFields, many)
	if want := "f: is odd; f: is odd; f: is odd; and 997 more"; e.Message != want || e.Error() != want {
		t.Errorf("%q", e.Message)
	}
	if len(e.Violations) == 0 || len(e.Violations) > 100 {
		t.Errorf("%d violations", len(e.Violations))
	}
	if e := Invalid(InvalidFields, []Violation{{"", "all is odd"}}); e.Message != "all is odd" {
		t.Errorf("%q", e.Message)
	}
}
