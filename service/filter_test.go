package service

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/civil"
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
	fields := Fields{"name": SearchField, "kind": NameField.With("=")}
	for filter, want := range map[string][]Condition{
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
		`name : "*"`:                   {{"name", ":", "*"}},
		`name = "*"`:                   {{"name", "=", "*"}},
		`name = "a\"b = 2026-05-11"`:   {{"name", "=", `a"b = 2026-05-11`}},
		`name = 'a = x-y' kind = b`:    {{"name", "=", "a = x-y"}, {"kind", "=", "b"}},
		`name=Byblis-1/2 AND name:x/y`: {{"name", "=", "Byblis-1/2"}, {"name", ":", "x/y"}},
		`(name = a-b) (kind=b)`:        {{"name", "=", "a-b"}, {"kind", "=", "b"}},
	} {
		got, err := ParseFilter(filter, fields)
		if err != nil {
			t.Errorf("%q: %v", filter, err)
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%q: %s", filter, diff)
		}
	}
	for filter, part := range map[string]string{
		"name":                  "comparisons",
		"other = a":             `"other"`,
		"Name = a":              `"Name"`,
		"name < a":              "<",
		"kind : b":              "only by =",
		"kind != b":             "!=",
		"kind = 5":              "letters, digits, hyphens",
		"name = 5":              "double quotes",
		"name = 1.5":            "double quotes",
		"name = a.b":            "double quotes",
		"name = f(x)":           "double quotes",
		`name = "a\000b"`:       "zero characters",
		"name:*":                ":*",
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
		got, err := ParseFilter(filter, fields)
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

// allKinds has a field of each kind.
var allKinds = Fields{
	"text":   SearchField,
	"whole":  TextField,
	"note":   SearchField.With(":", Present),
	"mark":   EnumField(pb.Taxon_Source_Mark(0)),
	"fed":    BoolField,
	"count":  IntegerField,
	"mm":     NumberField,
	"day":    DayField,
	"left":   DayField.With("<", Present),
	"at":     TimeField,
	"seen":   TimeOrDayField,
	"bench":  NameField,
	"a.path": IntegerField,
}

func TestKindsOfFilters(t *testing.T) {
	utc := func(year, month, day, hour, minute, second, nanos int) int64 {
		return time.Date(year, time.Month(month), day, hour, minute, second, nanos, time.UTC).UnixMicro()
	}
	for filter, want := range map[string]Condition{
		`text : capensis`:                      {"text", ":", "capensis"},
		`note:*`:                               {"note", Present, nil},
		`note : *`:                             {"note", Present, nil},
		`note:"*"`:                             {"note", ":", "*"},
		`mark != PRINT`:                        {"mark", "!=", int32(pb.Taxon_Source_PRINT)},
		`mark = "MARK_UNSPECIFIED"`:            {"mark", "=", int32(0)},
		`whole = "a b"`:                        {"whole", "=", "a b"},
		`bench = measurement`:                  {"bench", "=", "measurement"},
		`fed = true`:                           {"fed", "=", true},
		`fed != false`:                         {"fed", "!=", false},
		`count=0`:                              {"count", "=", int64(0)},
		`count >= -5`:                          {"count", ">=", int64(-5)},
		`count<2147483647`:                     {"count", "<", int64(2147483647)},
		`a.path > 1`:                           {"a.path", ">", int64(1)},
		`mm <= 31.5`:                           {"mm", "<=", 31.5},
		`mm != 4`:                              {"mm", "!=", 4.0},
		`mm > -0.25`:                           {"mm", ">", -0.25},
		`day = 2026-05-11`:                     {"day", "=", civil.Date(2026, 5, 11)},
		`day>="2024-02-29"`:                    {"day", ">=", civil.Date(2024, 2, 29)},
		`left:*`:                               {"left", Present, nil},
		`left < 2026-05-11`:                    {"left", "<", civil.Date(2026, 5, 11)},
		`at < "2026-05-11T07:30:00Z"`:          {"at", "<", utc(2026, 5, 11, 7, 30, 0, 0)},
		`at<2026-05-11T07:30:00.25+05:45`:      {"at", "<", utc(2026, 5, 11, 1, 45, 0, 250e6)},
		`at != "2026-05-11T07:30:00.000001Z"`:  {"at", "!=", utc(2026, 5, 11, 7, 30, 0, 1000)},
		`seen >= 2026-05-11`:                   {"seen", ">=", civil.Date(2026, 5, 11)},
		`seen >= "2026-05-11T23:59:59-01:00"`:  {"seen", ">=", utc(2026, 5, 12, 0, 59, 59, 0)},
		`bench = collections/c-1/benches/left`: {"bench", "=", "collections/c-1/benches/left"},
		`bench != "collections/c/benches/b-2"`: {"bench", "!=", "collections/c/benches/b-2"},
		`(bench=collections/c/benches/b-2)`:    {"bench", "=", "collections/c/benches/b-2"},
	} {
		got, err := ParseFilter(filter, allKinds)
		if diff := cmp.Diff([]Condition{want}, got); diff != "" || err != nil {
			t.Errorf("%s: %v %s", filter, err, diff)
		}
	}
	for filter, part := range map[string]string{
		`note = a`:                            "only by : :*",
		`day:*`:                               "only by = != < <= > >=",
		`left:2026-05-11`:                     "only by < :*",
		`mark = GLUE`:                         `"GLUE" is no value of mark; they are PRINT`,
		`mark < PRINT`:                        "only by = !=",
		`mark = 1`:                            "one of PRINT",
		`whole : a`:                           "only by = !=",
		`fed = yes`:                           "true or false",
		`fed = 1`:                             "true or false",
		`fed < true`:                          "only by = !=",
		`count = 1.5`:                         "whole number",
		`count = "1"`:                         "whole number",
		`count = 010`:                         "leading zeros",
		`count = 0x10`:                        "leading zeros",
		`count = -010`:                        "leading zeros",
		`count = 2147483648`:                  "32 bits",
		`count = 9223372036854775808`:         "cannot be read",
		`count = many`:                        "whole number",
		`count : 1`:                           "only by",
		`mm = "31.5"`:                         "number",
		`mm = 010`:                            "number",
		`mm = NaN`:                            "number",
		`mm = Inf`:                            "number",
		`day = 2026-02-30`:                    "day of the calendar",
		`day = 2026-5-1`:                      "day of the calendar",
		`day = 20260501`:                      "day of the calendar",
		`day = today`:                         "day of the calendar",
		`day = 2026-05-11T00:00:00Z`:          "day of the calendar",
		`at = 2026-05-11`:                     "RFC 3339",
		`at = "2026-05-11T07:30:00"`:          "RFC 3339",
		`at = "2026-05-11 07:30:00Z"`:         "RFC 3339",
		`at = "2026-05-11T07:30Z"`:            "RFC 3339",
		`at = "2026-05-11T7:30:00Z"`:          "RFC 3339",
		`at = "2026-05-11T07:30:00,5Z"`:       "RFC 3339",
		`at = "2026-05-11T07:30:00.1234567Z"`: "six decimals",
		`at = "2026-02-30T07:30:00Z"`:         "RFC 3339",
		`at = "2026-05-11T24:30:00Z"`:         "RFC 3339",
		`at = "2026-05-11T07:30:60Z"`:         "RFC 3339",
		`at = "2026-05-11T07:30:00+24:30"`:    "RFC 3339",
		`at = "0000-05-11T07:30:00Z"`:         "RFC 3339",
		`at = "0001-01-01T00:00:00+01:00"`:    "RFC 3339",
		`at = "9999-12-31T23:30:00-01:00"`:    "RFC 3339",
		`at = 1778484600`:                     "RFC 3339",
		`seen = now`:                          "or with a day",
		`bench = collections/c/benches/`:      "letters, digits, hyphens and slashes",
		`bench = "collections/c/benches/ä"`:   "letters, digits, hyphens and slashes",
		`bench = "collections/c/benches/b\n"`: "letters, digits, hyphens and slashes",
		`bench = 1`:                           "letters, digits, hyphens and slashes",
		`bench : left`:                        "only by = !=",
		`colour = red`:                        "the fields are a.path, at, bench, count",
	} {
		got, err := ParseFilter(filter, allKinds)
		if reasonFor(err) != InvalidFilter || got != nil || !strings.Contains(err.Error(), part) {
			t.Errorf("%s: %v, %v", filter, got, err)
		}
	}
}

func FuzzParseFilter(f *testing.F) {
	for _, filter := range []string{
		"", `text : "a" AND mark != PRINT`, "count = -5 fed = true", "mm<=1.5", "day >= 2026-05-11", `at < "2026-05-11T07:30:00Z"`,
		"bench=collections/c/benches/b", "note:*", `note:"*"`, "a.path = 1", `text = "\"`, "text='\\'", "((((", "text = a-b:c/d", "-1 = count", "= = =",
	} {
		f.Add(filter)
	}
	f.Fuzz(func(t *testing.T, filter string) {
		got, err := ParseFilter(filter, allKinds)
		if err != nil {
			if reasonFor(err) != InvalidFilter || got != nil || len(err.Error()) > 2000 {
				t.Errorf("%q: %v, %v", filter, got, err)
			}
			return
		}
		for _, c := range got {
			field, known := allKinds[c.Field]
			if !known || !slices.Contains(field.ops, c.Op) || (c.Value == nil) != (c.Op == Present) {
				t.Errorf("%q: %v", filter, c)
			}
			switch v := c.Value.(type) {
			case string:
				if !utf8.ValidString(v) || strings.ContainsRune(v, 0) {
					t.Errorf("%q: %q", filter, v)
				}
			case nil, int32, int64, float64, bool, civil.Day:
			default:
				t.Errorf("%q: a value of %T", filter, v)
			}
		}
	})
}

// However a filter is written, the error stays short: it goes into a trailer.
func TestErrorsOfFiltersAreShort(t *testing.T) {
	fields := Fields{"name": SearchField}
	for _, piece := range []string{"(", ")", "NOT ", "-", "f(", "a.", "a ", "a,", `"`, "name = ", "AND ", "OR ", "é", "\x00", "name=a OR "} {
		_, err := ParseFilter(strings.Repeat(piece, 2000/len(piece)), fields)
		if reasonFor(err) != InvalidFilter || len(err.Error()) > 4000 {
			t.Errorf("%q: %d bytes, reason %q", piece, len(err.Error()), reasonFor(err))
		}
	}
}

// A filter has so many comparisons at most, and may be nested as deep as its length allows.
func TestLongFilters(t *testing.T) {
	fields := Fields{"a": TextField}
	for name, c := range map[string]struct {
		filter string
		want   int // conditions; 0: refused
	}{
		"joined":        {strings.Repeat("a=b AND ", 99) + "a=b", 100},
		"one too many":  {strings.Repeat("a=b AND ", 100) + "a=b", 0},
		"side by side":  {strings.Repeat("a=b ", 100), 100},
		"many of these": {strings.Repeat("a=b ", 500), 0},
		"nested":        {strings.Repeat("(a=b AND ", 99) + "a=b" + strings.Repeat(")", 99), 100},
		"in brackets":   {strings.Repeat("(", 998) + "a=b" + strings.Repeat(")", 998), 1},
		"open brackets": {strings.Repeat("(", 2000), 0},
		"functions":     {strings.Repeat("a(", 900) + strings.Repeat(")", 900), 0},
		"parts":         {strings.Repeat("a.", 990) + "a=b", 0},
		"negations":     {strings.Repeat("NOT ", 490) + "a=b", 0},
		"values":        {strings.Repeat("a=(", 500) + "b" + strings.Repeat(")", 500), 0},
	} {
		got, err := ParseFilter(c.filter, fields)
		if len(got) != c.want || (c.want == 0) != (reasonFor(err) == InvalidFilter) {
			t.Errorf("%s: %d conditions, %v", name, len(got), err)
		}
	}
}

func TestParseOrders(t *testing.T) {
	for orderBy, want := range map[string][]Order{
		"":                  nil,
		"name":              {{"name", false}},
		"name desc":         {{"name", true}},
		"name asc":          {{"name", false}},
		" name  desc, kind": {{"name", true}, {"kind", false}},
		"kind,name":         {{"kind", false}, {"name", false}},
	} {
		got, err := parseOrders(orderBy, "name", "kind")
		if err != nil || !cmp.Equal(want, got) {
			t.Errorf("%q: %v, %v", orderBy, got, err)
		}
	}
	for _, orderBy := range []string{" ", ",", "name,", ",name", "name down", "name desc asc", "other", "Name", "name,name", "name,kind,name desc", "name;kind", "näme", "name.first"} {
		if got, err := parseOrders(orderBy, "name", "kind"); reasonFor(err) != InvalidOrder || got != nil {
			t.Errorf("%q: %v, %v", orderBy, got, err)
		}
	}
}

func TestParseOrder(t *testing.T) {
	for orderBy, want := range map[string]Order{
		"":            {},
		"fedTime":     {"fedTime", false},
		"name":        {"name", false},
		"name asc":    {"name", false},
		" name  desc": {"name", true},
	} {
		if got, err := ParseOrder(orderBy, "fedTime", "name"); err != nil || got != want {
			t.Errorf("%q: %v, %v", orderBy, got, err)
		}
	}
	for orderBy, part := range map[string]string{
		"name,fedTime": "must be one of fedTime, name", "name desc,fedTime": "must be one of", "name,name": "twice", " ": "cannot be read",
		"note": "the fields are fedTime, name", "name,": "cannot be read", "name down": "cannot be read", "Name": `"Name"`,
	} {
		got, err := ParseOrder(orderBy, "fedTime", "name")
		if reasonFor(err) != InvalidOrder || got != (Order{}) || !strings.Contains(err.Error(), part) {
			t.Errorf("%q: %v, %v", orderBy, got, err)
		}
	}
}

func FuzzParseOrder(f *testing.F) {
	for _, orderBy := range []string{"", "name", "name desc", "name,kind desc", ",", "name asc asc", "a.b", "ü", "\x00"} {
		f.Add(orderBy)
	}
	f.Fuzz(func(t *testing.T, orderBy string) {
		several, err := parseOrders(orderBy, "name", "kind")
		if err != nil && reasonFor(err) != InvalidOrder || len(several) > 2 {
			t.Errorf("%q: %v, %v", orderBy, several, err)
		}
		one, oneErr := ParseOrder(orderBy, "name", "kind")
		switch {
		case oneErr != nil && reasonFor(oneErr) != InvalidOrder:
			t.Errorf("%q: %v", orderBy, oneErr)
		case oneErr == nil && (one.Field == "") != (orderBy == ""):
			t.Errorf("%q: %v", orderBy, one)
		case (oneErr == nil) != (len(several) == 1 || orderBy == ""):
			t.Errorf("%q: one order %v, several %v", orderBy, oneErr, several)
		}
	})
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
