package catalogue

import (
	"bytes"
	"encoding/json"
	"os"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"

	"dewbench/service/civil"
	"dewbench/service/due"
	"dewbench/service/season"
)

func loaded(t testing.TB) *Catalogue {
	t.Helper()
	c, err := Load()
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// README.md tells which genera count and which are left out. The list was written
// from memory, so it guards against a row that gets lost, no more.
func TestEveryCultivatedGenusHasARow(t *testing.T) {
	c := loaded(t)
	want := strings.Fields(`Aldrovanda Brocchinia Byblis Catopsis Cephalotus Darlingtonia Dionaea Drosera Drosophyllum
		Genlisea Heliamphora Nepenthes Pinguicula Roridula Sarracenia Triphyophyllum Utricularia`)
	var got []string
	species := make(map[string]int)
	for _, taxon := range c.Taxa() {
		if taxon.Rank == Genus {
			got = append(got, taxon.ScientificName)
			continue
		}
		species[taxon.Genus]++
	}
	if !slices.Equal(got, want) {
		t.Errorf("genera %v, want %v", got, want)
	}
	for _, g := range want {
		if species[g] == 0 {
			t.Errorf("%s has no species", g)
		}
	}
	if below := len(c.Taxa()) - len(got); below < 40 {
		t.Errorf("%d taxa below genus, want 40 or more", below)
	}
}

func TestRows(t *testing.T) {
	c := loaded(t)
	id := regexp.MustCompile(`^[a-z0-9-]{1,63}$`) // GetTaxonRequest in taxon.proto
	seen := make(map[string]bool)
	for _, taxon := range c.Taxa() {
		if !id.MatchString(taxon.ID) || seen[taxon.ID] {
			t.Errorf("id %q is malformed or stands twice", taxon.ID)
		}
		seen[taxon.ID] = true
		if got, ok := c.Taxon(taxon.ID); !ok || got.ScientificName != taxon.ScientificName {
			t.Errorf("Taxon(%q) = %v", taxon.ID, got)
		}
		for _, name := range append([]string{taxon.ScientificName}, taxon.Synonyms...) {
			if got, ok := c.ByName(name); !ok || got.ID != taxon.ID {
				t.Errorf("ByName(%q) = %v, want %s", name, got, taxon.ID)
			}
		}
		genus, ok := c.Genus(&taxon)
		if !ok || genus.Rank != Genus || !strings.HasPrefix(taxon.ScientificName, genus.ScientificName) {
			t.Errorf("Genus(%s) = %v", taxon.ID, genus)
		}
		if (taxon.TrapType == due.Adhesive) != (taxon.Habit != due.NoHabit) {
			t.Errorf("%s: habit %d does not fit its trap", taxon.ID, taxon.Habit)
		}
		if taxon.Rank != Genus && !taxon.RestKnown {
			t.Errorf("%s: no rest rule", taxon.ID)
		}
		if taxon.TrapWidthMm > taxon.RosetteDiameterMm && taxon.RosetteDiameterMm > 0 {
			t.Errorf("%s: its trap is wider than the plant", taxon.ID)
		}
	}
}

// Every figure of the file has its source in the row, and every printed one
// names it. Figures are counted in the file itself, apart from the reader.
func TestEveryFigureHasAMark(t *testing.T) {
	c := loaded(t)
	if want := bytes.Count(taxaFile, []byte(`"mark"`)); sources(c.Taxa(), func(x *Taxon) []Source { return x.Sources }, t) != want {
		t.Errorf("not all of the %d marks of taxa.json are in the rows", want)
	}
	if want := bytes.Count(foodsFile, []byte(`"mark"`)); sources(c.Foods(), func(x *Food) []Source { return x.Sources }, t) != want {
		t.Errorf("not all of the %d marks of foods.json are in the rows", want)
	}
	for _, file := range [][]byte{taxaFile, foodsFile} {
		var plain any
		if err := json.Unmarshal(file, &plain); err != nil {
			t.Fatal(err)
		}
		walk(plain, func(object map[string]any) {
			_, value := object["value"]
			_, listed := object["appendix"]
			_, rest := object["season"]
			if _, mark := object["mark"]; (value || listed || rest) != mark {
				t.Errorf("%v: a figure and its mark must stand together", object)
			}
		})
	}
}

func walk(v any, visit func(map[string]any)) {
	switch v := v.(type) {
	case []any:
		for _, e := range v {
			walk(e, visit)
		}
	case map[string]any:
		visit(v)
		for _, e := range v {
			walk(e, visit)
		}
	}
}

func sources[T any](rows []T, of func(*T) []Source, t *testing.T) (n int) {
	for i := range rows {
		seen := make(map[string]bool)
		for _, s := range of(&rows[i]) {
			n++
			if s.Mark == NoMark || (s.Mark == Print || s.Mark == OpenData) && s.Text == "" {
				t.Errorf("%s: mark %d, source %q", s.Field, s.Mark, s.Text)
			}
			if seen[s.Field] {
				t.Errorf("%s stands twice", s.Field)
			}
			seen[s.Field] = true
		}
	}
	return n
}

// A threshold must be a day length that divides the year where such plants are
// grown, and give about the days that the range of the calendar gives. Check:
// package season, whose day lengths are tested against an ephemeris.
func TestRestRules(t *testing.T) {
	from, to := civil.Date(2026, 1, 1), civil.Date(2027, 1, 1)
	seen := make(map[season.Season]bool)
	for _, taxon := range loaded(t).Taxa() {
		rule := taxon.Rest
		seen[rule.Season] = true
		if rule.Season == season.None {
			if rule != (season.Rule{}) {
				t.Errorf("%s: no rest, but %+v", taxon.ID, rule)
			}
			continue
		}
		byRange := rule
		byRange.ThresholdHours = 0
		calendar := season.Rests(byRange, season.Place{}, from, to)
		for _, latitude := range []float64{35, 40, 45, 51.5, 55} {
			rests := season.Rests(rule, season.Place{LatitudeDeg: latitude, HasLatitude: true}, from, to)
			if len(rests) == 0 {
				t.Errorf("%s: %.1f h never occur at %v degrees", taxon.ID, rule.ThresholdHours, latitude)
				continue
			}
			if days := rests[0].Until - rests[0].From; days < 30 || days > 230 {
				t.Errorf("%s: rests for %d days at %v degrees", taxon.ID, days, latitude)
			}
			if shared := overlap(rests, calendar); shared < 45 {
				t.Errorf("%s: threshold and range share %d days at %v degrees", taxon.ID, shared, latitude)
			}
		}
	}
	if !seen[season.Winter] || !seen[season.Summer] || !seen[season.None] {
		t.Errorf("seasons %v, want all three", seen)
	}
}

func overlap(a, b []civil.Span) (days civil.Day) {
	for _, x := range a {
		for _, y := range b {
			days = max(days, min(x.Until, y.Until)-max(x.From, y.From))
		}
	}
	return days
}

// Check: Index of CITES Species, export of 21 April 2017 (UNEP-WCMC), read on
// 2026-11-25; the same species stand in the Appendices valid from 25 September
// 2012.
func TestCITES(t *testing.T) {
	var first []string
	for _, taxon := range loaded(t).Taxa() {
		l := taxon.CITES
		listed := slices.Contains([]string{"Dionaea", "Nepenthes", "Sarracenia"}, taxon.Genus)
		if (l.Appendix != NotListed) != listed {
			t.Errorf("%s: appendix %d", taxon.ID, l.Appendix)
		}
		if l.Appendix == AppendixI {
			first = append(first, taxon.ID)
		}
		if !listed {
			if l.ListDate.Given() || l.CheckedDate.Given() {
				t.Errorf("%s: not listed, but dated", taxon.ID)
			}
			continue
		}
		if l.ListDate < civil.Date(2012, 1, 1) || l.CheckedDate < l.ListDate || l.Mark == NoMark {
			t.Errorf("%s: list of %v, checked %v, mark %d", taxon.ID, l.ListDate, l.CheckedDate, l.Mark)
		}
		if !strings.Contains(l.Note, "your authority") || !strings.Contains(l.Note, "national law") {
			t.Errorf("%s: the note lacks the caution: %q", taxon.ID, l.Note)
		}
	}
	want := []string{
		"nepenthes-khasiana", "nepenthes-rajah", "sarracenia-oreophila",
		"sarracenia-rubra-subsp-alabamensis", "sarracenia-rubra-subsp-jonesii",
	}
	if !slices.Equal(first, want) {
		t.Errorf("Appendix I: %v, want %v", first, want)
	}
}

// The layers of the catalogue give rules that fit the plants.
func TestRegimens(t *testing.T) {
	c := loaded(t)
	rules := func(id string) due.Rules {
		taxon, ok := c.Taxon(id)
		if !ok {
			t.Fatalf("no %s", id)
		}
		genus, _ := c.Genus(taxon)
		r, _ := due.Resolve(taxon.TrapType, taxon.Habit,
			due.Set{Layer: due.CatalogueTaxonLayer, Regimen: taxon.Regimen},
			due.Set{Layer: due.CatalogueGenusLayer, Regimen: genus.Regimen})
		return r
	}
	for id, want := range map[string]due.HandFeed{
		"drosera-capensis": due.IfNotCatching, "dionaea-muscipula": due.IfNotCatching, "aldrovanda-vesiculosa": due.Never,
		"utricularia-gibba": due.Never, "genlisea-violacea": due.Never, "roridula-dentata": due.Never, "nepenthes-alata": due.IfNotCatching,
	} {
		if got := rules(id).HandFeed; got != want {
			t.Errorf("%s: hand feed %d, want %d", id, got, want)
		}
	}
	for id, want := range map[string]int{
		"drosera-capensis": 200, "drosera-spatulata": 100, "pinguicula-moranensis": 25, "dionaea-muscipula": 33,
	} {
		if got := rules(id).MaxItemPercent; got != want {
			t.Errorf("%s: longest item %d %%, want %d", id, got, want)
		}
	}
}

// Three months frozen, three days once thawed, five minutes to thaw: common
// practice, no source.
func TestFoods(t *testing.T) {
	c := loaded(t)
	foods := c.Foods()
	if len(foods) < 8 || foods[0].ID != "bloodworm-frozen" {
		t.Fatalf("%d foods, the first %s", len(foods), foods[0].ID)
	}
	worm := foods[0]
	if worm.State != Frozen || worm.FrozenDays != 90 || worm.OpenDays != 3 || worm.ThawMinutes != 5 || worm.Moves || !worm.MayBeCut {
		t.Errorf("frozen bloodworm: %+v", worm)
	}
	states := make(map[FoodState]bool)
	for _, f := range foods {
		states[f.State] = true
		if got, ok := c.Food(f.ID); !ok || got.DisplayName != f.DisplayName {
			t.Errorf("Food(%q) = %v", f.ID, got)
		}
		if strings.Contains(f.ID, "bloodworm") && !strings.Contains(strings.Join(f.Cautions, " "), "allergy") {
			t.Errorf("%s lacks the caution about allergy", f.ID)
		}
		if f.State == Fresh && !strings.Contains(strings.Join(f.Cautions, " "), "insecticide") {
			t.Errorf("%s lacks the caution about insecticide", f.ID)
		}
	}
	if len(states) != 4 {
		t.Errorf("states %v, want all four", states)
	}
	if _, ok := c.Food("no-such-food"); ok {
		t.Error("found a food that is not there")
	}
}

// A contributor finds a row by its name, so the file has the order of Taxa.
func TestFileIsInOrder(t *testing.T) {
	var file struct {
		Taxa []struct{ ScientificName string }
	}
	if err := json.Unmarshal(taxaFile, &file); err != nil {
		t.Fatal(err)
	}
	for i, taxon := range loaded(t).Taxa() {
		if file.Taxa[i].ScientificName != taxon.ScientificName {
			t.Fatalf("row %d of taxa.json is %s, in order it would be %s", i+1, file.Taxa[i].ScientificName, taxon.ScientificName)
		}
	}
}

// README.md tells of every field of the files.
func TestFieldsAreDescribed(t *testing.T) {
	readme, err := os.ReadFile("README.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range []any{taxonRow{}, restRow{}, regimenRow{}, citesRow{}, foodRow{}} {
		for f := range reflect.TypeOf(row).Fields() {
			name := f.Tag.Get("json")
			if !bytes.Contains(readme, []byte("`"+name+"`")) && !bytes.Contains(readme, []byte("."+name+"`")) {
				t.Errorf("README.md does not tell of %s", name)
			}
		}
	}
}

func TestVersion(t *testing.T) {
	c := loaded(t)
	form := regexp.MustCompile(`^[0-9]{4}-[0-9]{2}-[0-9]{2}(\.[0-9]+)?\+[0-9a-f]{12}$`)
	if !form.MatchString(c.Version()) {
		t.Errorf("version %q", c.Version())
	}
	again, err := Parse(taxaFile, foodsFile)
	if err != nil || again.Version() != c.Version() {
		t.Errorf("the same bytes give %q and %q, %v", c.Version(), again.Version(), err)
	}
	changed, err := Parse(append([]byte(" "), taxaFile...), foodsFile)
	if err != nil || changed.Version() == c.Version() {
		t.Errorf("other bytes give the same version %q, %v", changed.Version(), err)
	}
}

func TestMatches(t *testing.T) {
	c := loaded(t)
	for _, test := range []struct {
		query     string
		some, not string // ids that match and that do not; empty: none
	}{
		{"", "drosera-capensis", ""},
		{`  ""`, "drosera-capensis", ""},
		{"capens", "drosera-capensis", "drosera-aliciae"},
		{"D. capensis", "drosera-capensis", "drosera-aliciae"},
		{"DROSERA", "drosera", "dionaea"},
		{"Drosera × obovata", "drosera-x-obovata", "drosera"},
		{"drosera x obov", "drosera-x-obovata", "drosera-anglica"},
		{"\u2018jonesii\u2019", "sarracenia-rubra-subsp-jonesii", "sarracenia-rubra"},
		{"rubra jonesii", "sarracenia-rubra-subsp-jonesii", "sarracenia-rubra"},
		{"dichotoma", "drosera-binata", "drosera-capensis"}, // a synonym
		{"J.Ellis", "", "dionaea-muscipula"},
		{"no such plant", "", "drosera"},
	} {
		for _, taxon := range c.Taxa() {
			switch got := Matches(&taxon, test.query); {
			case taxon.ID == test.some && !got:
				t.Errorf("%q does not match %s", test.query, taxon.ID)
			case taxon.ID == test.not && got, test.some == "" && got:
				t.Errorf("%q matches %s", test.query, taxon.ID)
			}
		}
	}
}

func TestByNameTakesWholeNames(t *testing.T) {
	c := loaded(t)
	for name, want := range map[string]string{
		"Drosera capensis L.":                                  "drosera-capensis",
		"DIONAEA MUSCIPULA J.ELLIS":                            "dionaea-muscipula",
		"Sarracenia alabamensis Case & Case":                   "sarracenia-rubra-subsp-alabamensis",
		"Sarracenia rubra Walter ssp. jonesii (Wherry) Wherry": "sarracenia-rubra-subsp-jonesii",
		"Drosera burmannii Vahl":                               "drosera-burmanni",
		"Nepenthes x ventrata":                                 "nepenthes-x-ventrata",
		"Drosera":                                              "drosera",
		"Drosera L.":                                           "drosera",
		"capensis":                                             "",
		"Drosera capen":                                        "",
		"":                                                     "",
		"L.":                                                   "",
	} {
		got, ok := c.ByName(name)
		if ok != (want != "") || ok && got.ID != want {
			t.Errorf("ByName(%q) = %v, %v, want %q", name, got, ok, want)
		}
	}
}

func TestTaxaIsACopy(t *testing.T) {
	c := loaded(t)
	rows, foods := c.Taxa(), c.Foods()
	rows[0].ID, foods[0].ID = "changed", "changed"
	if c.Taxa()[0].ID == "changed" || c.Foods()[0].ID == "changed" {
		t.Error("the catalogue changed with the list it gave")
	}
}

func TestConcurrentUse(t *testing.T) {
	var wg sync.WaitGroup
	for range 8 {
		wg.Go(func() {
			c, err := Load()
			if err != nil {
				t.Error(err)
				return
			}
			for _, taxon := range c.Taxa() {
				if _, ok := c.ByName(taxon.ScientificName); !ok || !Matches(&taxon, taxon.Genus) {
					t.Errorf("lost %s", taxon.ID)
				}
			}
		})
	}
	wg.Wait()
}
