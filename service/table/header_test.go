package table

import (
	"fmt"
	"strings"
	"testing"
)

// Each header means one thing, or is a weak one of several; the first one of
// each column reads.
func TestColumns(t *testing.T) {
	for what, columns := range map[string][]Column{"plants": PlantColumns(), "feedings": FeedingColumns(), "observations": ObservationColumns()} {
		gives := map[string]bool{}
		for _, c := range columns {
			if gives[c.Gives] || len(c.Headers) == 0 || c.Gives == "" {
				t.Errorf("%s: %+v", what, c)
			}
			gives[c.Gives] = true
			if takes := c.Gives == "exposure" || c.Gives == "outcome" || c.Gives == "event" || c.Gives == "stimulated"; takes && len(c.Words) < 2 {
				t.Errorf("%s: %s takes no words", what, c.Gives)
			}
			for _, list := range c.Words {
				if len(list) == 0 {
					t.Errorf("%s: %s has a value without words", what, c.Gives)
				}
			}
		}
	}
	strongOnce(t, plantSchema(Options{}))
	strongOnce(t, feedingSchema())
	strongOnce(t, observationSchema())
}

func strongOnce[D any](t *testing.T, s *schema[D]) {
	seen := map[string]string{}
	for _, f := range s.fields {
		for _, h := range f.headers() {
			if at, twice := seen[key(h)]; twice && (at == f.name || containsKey(f.strong, h)) {
				t.Errorf("%s: %q means %s and %s", s.what, h, at, f.name)
			}
		}
		for _, h := range f.strong {
			seen[key(h)] = f.name
		}
		for _, h := range f.weak {
			if _, strong := seen[key(h)]; strong && containsKey(f.strong, h) {
				t.Errorf("%s: %q is strong and weak", s.what, h)
			}
		}
	}
	find := newFinder(s)
	for _, f := range s.fields {
		for _, h := range f.strong {
			for _, form := range []string{h, strings.ToUpper(h), strings.ReplaceAll(h, " ", "_"), strings.ReplaceAll(h, " ", ""), " " + h + ": "} {
				fits, rule := find.look(form)
				if rule != "" || len(fits) == 0 || fits[0].field.name != f.name {
					t.Errorf("%s: %q is not %s: %v %s", s.what, form, f.name, fits, rule)
				}
			}
		}
	}
}

func containsKey(list []string, s string) bool {
	for _, l := range list {
		if key(l) == key(s) {
			return true
		}
	}
	return false
}

func TestHeader(t *testing.T) {
	for _, c := range []struct {
		name, header, row string
		want              string // of the row
		warnings          []string
	}{
		{"API names", "tag,scientificName,trapType,rosetteDiameterMm,trap_width_mm,intervalDays,acquireDate", "1,Drosera,sticky,30,2.5,7,2026-05-01",
			`Line:2 Tag:"1" Name{"Drosera" -> "Drosera" + "" + ""} TrapType:ADHESIVE Acquired:2026-05-01 Regimen{IntervalDays:7} Sizes{RosetteDiameterMM:30 TrapWidthMM:2.5}`, nil},
		{"units", "LABEL,Species,Diameter [CM],Height (inches),Interval (weeks),Mould pause (%),Lamp hours (h)", "1,Drosera,3,1,2,150%,14.5 h",
			`Line:2 Tag:"1" Name{"Drosera" -> "Drosera" + "" + ""} LampHours:14.5 Regimen{IntervalDays:14 MouldPausePercent:150} Sizes{RosetteDiameterMM:30 HeightMM:25.4}`, nil},
		{"tag before number and plant", "No.,Tag,Plant", "7,D-1,Drosera",
			`Line:2 Tag:"D-1" Name{"Drosera" -> "Drosera" + "" + ""}`, []string{`line 1, column "No.": is not read: column "Tag" gives the tag`}},
		{"number before plant", "Plant,No", "Drosera,7", `Line:2 Tag:"7" Name{"Drosera" -> "Drosera" + "" + ""}`, nil},
		{"plant is the tag", "Plant,Species", "7,Drosera", `Line:2 Tag:"7" Name{"Drosera" -> "Drosera" + "" + ""}`, nil},
		{"species before name", "Tag,Name,Species", "7,my first,Drosera", `Line:2 Tag:"7" Name{"Drosera" -> "Drosera" + "" + ""}`,
			[]string{`line 1, column "Name": is not read: column "Species" gives the name`}},
		{"text in brackets", "Tag (label),Name (botanical),Note (free)", "7,Drosera,x", `Line:2 Tag:"7" Name{"Drosera" -> "Drosera" + "" + ""} Note:"x"`, nil},
		{"unknown", "Tag,Name,Trial,Soil,,", "7,Drosera,30,peat,,x", `Line:2 Tag:"7" Name{"Drosera" -> "Drosera" + "" + ""}`, []string{
			`line 1, column "Trial": is not known, so it is not read`,
			`line 1, column "Soil": is not known, so it is not read`,
			`line 1: column F has cells, the first in line 2, but no header, so it is not read`}},
		{"place gives the exposure", "Tag,Name,Location", "7,Drosera,Greenhouse", `Line:2 Tag:"7" Name{"Drosera" -> "Drosera" + "" + ""} Exposure:GREENHOUSE Bench:"Greenhouse"`, nil},
		{"exposure goes before the place", "Tag,Name,Location,Exposure", "7,Drosera,Greenhouse,", `Line:2 Tag:"7" Name{"Drosera" -> "Drosera" + "" + ""} Bench:"Greenhouse"`, nil},
		{"taxon", "Tag,Taxon,Check days", "7,taxa/drosera-capensis,1; 3", `Line:2 Tag:"7" Name{"taxa/drosera-capensis" -> "" + "" + ""} Taxon:"taxa/drosera-capensis" Regimen{CheckDays:[1 3]}`, nil},
		{"dead", "Tag,Name,State,End date,Last fed", "7,Drosera,died,2026-05-01,2026-04-01", `Line:2 Tag:"7" Name{"Drosera" -> "Drosera" + "" + ""} LastFed:2026-04-01 State:DEAD EndDay:2026-05-01`, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			r, err := Plants(strings.NewReader(c.header+"\n"+c.row+"\n"), Options{})
			if err != nil || len(r.Rows) != 1 || show(r.Rows[0]) != c.want {
				t.Fatalf("got %s\nwant row %s", dump(r, err), c.want)
			}
			if fmt.Sprint(r.Warnings) != fmt.Sprint(c.warnings) {
				t.Errorf("got %q\nwant %q", r.Warnings, c.warnings)
			}
		})
	}
}

func TestProblemString(t *testing.T) {
	for want, p := range map[string]Problem{
		`plants.csv line 12, column "Acquired": "31/02/2026" is not a day of the calendar`: {"plants.csv", 12, "Acquired", "31/02/2026", "is not a day of the calendar"},
		`line 12, column "Acquired": must not be empty`:                                    {"", 12, "Acquired", "", "must not be empty"},
		`plants.csv: is empty`:                 {"plants.csv", 0, "", "", "is empty"},
		`is empty`:                             {"", 0, "", "", "is empty"},
		`a\nb line 1, column "c\nd": "e\nf" g`: {"a\nb", 1, "c\nd", "e\nf", "g"},
	} {
		if got := p.String(); got != want || p.Error() != want {
			t.Errorf("got %s, want %s", got, want)
		}
	}
}

// Problems beyond the limit are counted, and the first are the first by line.
func TestMaxProblems(t *testing.T) {
	text := "Tag,Name,Qty\n1,Drosera,x\n2,\"a\" b,1\n3,Drosera,y\n4,'open,z\n5,d 'e',1\n6,d 'e',1\n"
	r, err := Plants(strings.NewReader(text), Options{MaxProblems: 2})
	if err != nil || len(r.Problems) != 2 || r.MoreProblems != 3 || r.Problems[0].Line != 2 || r.Problems[1].Line != 3 || len(r.Warnings) != 2 || len(r.Rows) != 2 || r.Read != 6 {
		t.Error(dump(r, err))
	}
	if r, err = Plants(strings.NewReader(text), Options{MaxProblems: 1}); err != nil || len(r.Warnings) != 1 || r.MoreWarnings != 1 {
		t.Error(dump(r, err))
	}
}

// A slip in a header is a problem, and so is what is wrong with the rows.
func TestHeaderSlip(t *testing.T) {
	r, err := Feedings(strings.NewReader("Tag,Date,Outcom\n1,2026-05-01,mould\n1,soon,\n"), Options{AskColumns: "see there"})
	if err != nil || len(r.Rows) != 1 || len(r.Problems) != 2 || r.HeaderLine != 1 || len(r.Bad) != 1 || r.Bad[0].Line != 3 ||
		r.Problems[0].String() != `line 1, column "Outcom": is not known; did you mean "outcome"? Rename the column so, or delete it (see there)` ||
		r.Problems[1].Line != 3 || r.Header("day fed") != "Date" || r.Header("outcome") != "" {
		t.Error(dump(r, err))
	}
	// The column that was meant is there already: it may be another.
	r, err = Feedings(strings.NewReader("Tag,Date,Outcome,Outcomes\n1,2026-05-01,mould,many\n"), Options{})
	if err != nil || len(r.Rows) != 1 || !r.OK() || len(r.Warnings) != 1 {
		t.Error(dump(r, err))
	}
}
