package catalogue

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"dewbench/service/due"
)

const goodTaxa = `{"version": "2026-11-25", "taxa": [
	{"scientificName": "Drosera", "rank": "GENUS", "trapType": "ADHESIVE", "habit": "SMALL_ROSETTE"},
	{"scientificName": "Drosera regia", "synonyms": ["Freatulina regia"], "rank": "SPECIES", "trapType": "ADHESIVE", "habit": "LARGE",
		"typicalRosetteDiameterMm": {"value": 500, "mark": "MEMORY"},
		"typicalTrapWidthMm": {"value": 15, "mark": "PRINT", "source": "A flora"},
		"rest": {"season": "WINTER", "from": "11-01", "until": "02-15", "mark": "COMMON_PRACTICE", "thresholdHours": {"value": 10.5, "mark": "MEMORY"}},
		"regimen": {"intervalDays": {"value": 21, "mark": "MEMORY"}, "checkDays": {"value": [1, 3], "mark": "MEMORY"}, "cutStalks": {"value": true, "mark": "MEMORY"}},
		"cites": {"appendix": "II", "listDate": "2017-04-21", "checkedDate": "2026-11-25", "mark": "MEMORY"}}
]}`

const end = "\n]}" // of goodTaxa

const goodFoods = `{"foods": [{"id": "worm", "displayName": "Worm", "state": "FROZEN", "moves": false, "mayBeCut": true,
	"typicalLengthMm": {"value": 10, "mark": "MEMORY"}, "nitrogenShare": {"value": 0.09, "mark": "MEMORY"},
	"shelfLifeFrozenDays": {"value": 90, "mark": "MEMORY"}, "shelfLifeOpenDays": {"value": 3, "mark": "MEMORY"}, "thawMinutes": {"value": 5, "mark": "MEMORY"},
	"cautions": ["Wear gloves."]}]}`

func TestParse(t *testing.T) {
	c, err := Parse([]byte(goodTaxa), []byte(goodFoods))
	if err != nil {
		t.Fatal(err)
	}
	taxon, _ := c.Taxon("drosera-regia")
	if taxon.Habit != due.Large || taxon.TrapWidthMm != 15 || *taxon.Regimen.IntervalDays != 21 || !*taxon.Regimen.CutStalks ||
		!slices.Equal(taxon.Regimen.CheckDays, []int{1, 3}) || taxon.Rest.ThresholdHours != 10.5 || taxon.Regimen.DigestDays != nil {
		t.Errorf("%+v", taxon)
	}
	want := []Source{
		{"typicalRosetteDiameterMm", Memory, ""}, {"typicalTrapWidthMm", Print, "A flora"}, {"rest", CommonPractice, ""},
		{"rest.thresholdHours", Memory, ""}, {"regimen.intervalDays", Memory, ""}, {"regimen.checkDays", Memory, ""},
		{"regimen.cutStalks", Memory, ""}, {"cites", Memory, ""},
	}
	if !slices.Equal(taxon.Sources, want) {
		t.Errorf("sources %v, want %v", taxon.Sources, want)
	}
	if food, _ := c.Food("worm"); food.FrozenDays != 90 || food.NitrogenShare != 0.09 || len(food.Sources) != 5 {
		t.Errorf("%+v", food)
	}
}

// Each case spoils one thing in a good file: the error names row, field and rule.
func TestParseTellsWhatIsWrong(t *testing.T) {
	for _, test := range []struct{ old, bad, row, field, rule string }{
		{`"version": "2026-11-25", `, ``, "", "version", "must be given"},
		{`2026-11-25", "taxa`, `2026-02-30", "taxa`, "", "version", "must be a day"},
		{`"Drosera regia"`, `"Drosera regia Stephens"`, "drosera-regia-stephens", "scientificName", "without author"},
		{`"Drosera regia"`, `"drosera regia"`, "drosera-regia", "scientificName", "genus and epithet"},
		{`"Drosera regia"`, `"Drosera x regia"`, "drosera-x-regia", "scientificName", "genus and epithet"},
		{`"Drosera regia"`, `"Drosera ` + strings.Repeat("a", 60) + `"`, "drosera-" + strings.Repeat("a", 60), "scientificName", "63"},
		{`"Drosera regia"`, `"Dionaea regia"`, "dionaea-regia", "scientificName", "Dionaea must have a row"},
		{`"Drosera regia"`, `"Drosera"`, "drosera", "scientificName", "genus and epithet"},
		{`"Freatulina regia"`, `"Drosera regia L."`, "drosera-regia", "synonyms", "another name"},
		{`"Freatulina regia"`, `"L."`, "drosera-regia", "synonyms", "another name"},
		{`"Freatulina regia"`, `"DROSERA"`, "drosera-regia", "synonyms", "a name of drosera too"},
		{`"SPECIES"`, `"FORM"`, "drosera-regia", "rank", "GENUS, SPECIES, SUBSPECIES, HYBRID"},
		{`"SPECIES"`, `"HYBRID"`, "drosera-regia", "scientificName", "obovata"},
		{`"SPECIES"`, `"SUBSPECIES"`, "drosera-regia", "scientificName", "subsp."},
		{`"SPECIES", "trapType": "ADHESIVE", "habit": "LARGE"`, `"SPECIES", "trapType": "SNAP"`, "drosera-regia", "trapType", "of the genus"},
		{`"trapType": "ADHESIVE", "habit": "LARGE"`, `"trapType": "STICKY"`, "drosera-regia", "trapType", "ADHESIVE, SNAP"},
		{`"trapType": "ADHESIVE", "habit": "LARGE"`, `"trapType": "SNAP", "habit": "LARGE"`, "drosera-regia", "habit", "ADHESIVE plants only"},
		{`"habit": "LARGE"`, `"habit": ""`, "drosera-regia", "habit", "SMALL_ROSETTE, LARGE"},
		{`"value": 500, "mark": "MEMORY"`, `"value": 0, "mark": "MEMORY"`, "drosera-regia", "typicalRosetteDiameterMm", "from 3 to 2000"},
		{`"value": 500, "mark": "MEMORY"`, `"value": 10, "mark": "MEMORY"`, "drosera-regia", "typicalTrapWidthMm", "not be above"},
		{`"value": 500, "mark": "MEMORY"`, `"mark": "MEMORY"`, "drosera-regia", "typicalRosetteDiameterMm", "value must be given"},
		{`"value": 500, "mark": "MEMORY"`, `"value": 500`, "drosera-regia", "typicalRosetteDiameterMm", "mark must be one of PRINT"},
		{`, "source": "A flora"`, ``, "drosera-regia", "typicalTrapWidthMm", "must name its source"},
		{`, "source": "A flora"`, `, "source": " "`, "drosera-regia", "typicalTrapWidthMm", "must name its source"},
		{`"rest": {"season": "WINTER"`, `"rest": {"season": "AUTUMN"`, "drosera-regia", "rest.season", "NONE, WINTER, SUMMER"},
		{`"rest": {"season": "WINTER"`, `"rest": {"season": "NONE"`, "drosera-regia", "rest", "has no days"},
		{`"rest": {"season": "WINTER"`, `"rest": {"season": "SUMMER"`, "drosera-regia", "rest.thresholdHours", "from 11.5 to 15"},
		{`"11-01"`, `"11-31"`, "drosera-regia", "rest.from", "day of the year"},
		{`"02-15"`, `"2-15"`, "drosera-regia", "rest.until", "day of the year"},
		{`"02-15"`, `"11-01"`, "drosera-regia", "rest.until", "from 14 to 300 days"},
		{`"value": 10.5`, `"value": 8.9`, "drosera-regia", "rest.thresholdHours", "from 9 to 12.5"},
		{`"value": 21`, `"value": 366`, "drosera-regia", "regimen.intervalDays", "from 1 to 365"},
		{`"value": 21`, `"value": 1.5`, "drosera-regia", "", "intervalDays"},
		{`[1, 3]`, `[]`, "drosera-regia", "regimen.checkDays", "one to four"},
		{`[1, 3]`, `[3, 3]`, "drosera-regia", "regimen.checkDays", "different"},
		{`"cutStalks": {"value": true`, `"handFeed": {"value": "SOMETIMES"`, "drosera-regia", "regimen.handFeed", "IF_NOT_CATCHING"},
		{`"cutStalks"`, `"cutLeaves"`, "drosera-regia", "", "cutLeaves"},
		{`"appendix": "II"`, `"appendix": "IV"`, "drosera-regia", "cites.appendix", "I, II, III"},
		{`"2017-04-21"`, `""`, "drosera-regia", "cites.listDate", "day"},
		{`"2017-04-21"`, `"2027-01-01"`, "drosera-regia", "cites.checkedDate", "not be before"},
		{`"checkedDate": "2026-11-25"`, `"checkedDate": "soon"`, "drosera-regia", "cites.checkedDate", "day"},
		{end, `, {"scientificName": "Drosera", "rank": "GENUS", "trapType": "ADHESIVE", "habit": "LARGE"}]}`, "drosera", "scientificName", "twice"},
		{end, `, {"rank": "GENUS"}]}`, "row 3", "scientificName", "one word"},
		{end, `, 7]}`, "row 3", "", "number"},
		{end, `]} {}`, "", "", "one JSON value"},

		{`"id": "worm"`, `"id": "Worm"`, "Worm", "id", "a-z"},
		{`"displayName": "Worm"`, `"displayName": " "`, "worm", "displayName", "must be given"},
		{`"state": "FROZEN"`, `"state": "TINNED"`, "worm", "state", "FROZEN, LIVE, DRIED, FRESH"},
		{`"state": "FROZEN"`, `"state": "DRIED"`, "worm", "thawMinutes", "for no other"},
		{`"state": "FROZEN"`, `"state": "LIVE"`, "worm", "moves", "LIVE"},
		{`"moves": false`, `"moves": true`, "worm", "mayBeCut", "LIVE"},
		{`"value": 0.09`, `"value": 9`, "worm", "nitrogenShare", "from 0.01 to 0.2"},
		{`"shelfLifeFrozenDays": {"value": 90, "mark": "MEMORY"}, `, ``, "worm", "shelfLifeFrozenDays", "must be given"},
		{`"shelfLifeOpenDays": {"value": 3, "mark": "MEMORY"}, `, ``, "worm", "shelfLifeOpenDays", "must be given"},
		{`"Wear gloves."`, `""`, "worm", "cautions", "empty"},
		{`"cautions": ["Wear gloves."]}`, `"cautions": []}, {"id": "worm", "displayName": "W", "state": "DRIED", "moves": false, "mayBeCut": false}`, "worm", "id", "twice"},
	} {
		if strings.Count(goodTaxa, test.old)+strings.Count(goodFoods, test.old) == 0 {
			t.Errorf("%q stands nowhere", test.old)
			continue
		}
		taxa, foods := strings.Replace(goodTaxa, test.old, test.bad, 1), goodFoods
		if taxa == goodTaxa {
			foods = strings.Replace(goodFoods, test.old, test.bad, 1)
		}
		_, err := Parse([]byte(taxa), []byte(foods))
		if !slices.ContainsFunc(rowErrors(err), func(e *RowError) bool {
			return e.Row == test.row && e.Field == test.field && strings.Contains(e.Rule, test.rule)
		}) {
			t.Errorf("%q for %q: %v; want row %q, field %q, rule ...%s...", test.bad, test.old, err, test.row, test.field, test.rule)
		}
	}
}

func rowErrors(err error) (all []*RowError) {
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		for _, e := range joined.Unwrap() {
			all = append(all, rowErrors(e)...)
		}
		return all
	}
	var row *RowError
	if errors.As(err, &row) {
		all = append(all, row)
	}
	return all
}

func TestRowErrorIsPlain(t *testing.T) {
	_, err := Parse([]byte(strings.Replace(goodTaxa, `"value": 15`, `"value": 900`, 1)), []byte(goodFoods))
	want := "taxa.json: drosera-regia: typicalTrapWidthMm: must be from 0.2 to 300"
	if err == nil || !strings.Contains(err.Error(), want) {
		t.Errorf("%v, want %s", err, want)
	}
}

// An operator lays rows over the shared ones.
func TestOverlay(t *testing.T) {
	base, err := Parse([]byte(goodTaxa), []byte(goodFoods))
	if err != nil {
		t.Fatal(err)
	}
	local := `{"taxa": [
		{"scientificName": "Drosera regia", "rank": "SPECIES", "trapType": "ADHESIVE", "habit": "LARGE", "rest": {"season": "NONE", "mark": "MEMORY"}},
		{"scientificName": "Drosera aliciae", "rank": "SPECIES", "trapType": "ADHESIVE", "habit": "SMALL_ROSETTE", "rest": {"season": "NONE", "mark": "MEMORY"}}]}`
	over, err := base.Overlay([]byte(local), []byte(`{"foods": [{"id": "ant", "displayName": "Ant", "state": "FRESH", "moves": false, "mayBeCut": true}]}`))
	if err != nil {
		t.Fatal(err)
	}
	var ids []string
	for _, taxon := range over.Taxa() {
		ids = append(ids, taxon.ID)
	}
	if want := []string{"drosera", "drosera-aliciae", "drosera-regia"}; !slices.Equal(ids, want) {
		t.Errorf("%v, want %v", ids, want)
	}
	if taxon, _ := over.Taxon("drosera-regia"); taxon.TrapWidthMm != 0 || len(taxon.Sources) != 1 {
		t.Errorf("the local row did not take the place of the shared one: %+v", taxon)
	}
	if taxon, _ := base.Taxon("drosera-regia"); taxon.TrapWidthMm != 15 || len(base.Taxa()) != 2 {
		t.Error("the shared catalogue changed")
	}
	if _, ok := over.ByName("Freatulina regia"); ok {
		t.Error("a synonym of the row that was replaced is still found")
	}
	if foods := over.Foods(); len(foods) != 2 || foods[1].ID != "ant" {
		t.Errorf("foods %v", foods)
	}
	if over.Version() == base.Version() || !strings.HasPrefix(over.Version(), "2026-11-25+") {
		t.Errorf("version %s over %s", over.Version(), base.Version())
	}
	same, err := base.Overlay(nil, nil)
	if err != nil || len(same.Taxa()) != 2 {
		t.Errorf("nothing laid over: %v", err)
	}
	if _, err := base.Overlay([]byte(`{"taxa": [{"scientificName": "Byblis gigantea", "rank": "SPECIES", "trapType": "ADHESIVE", "habit": "LARGE", "rest": {"season": "NONE", "mark": "MEMORY"}}]}`), nil); err == nil {
		t.Error("a species without its genus was taken")
	}
}

func FuzzParse(f *testing.F) {
	f.Add([]byte(goodTaxa), []byte(goodFoods))
	f.Add([]byte(`{"version": "2026-11-25", "taxa": []}`), []byte(nil))
	f.Add([]byte(`{"taxa": [null]}`), []byte(`{"foods": [null, {"id": 7}]}`))
	f.Fuzz(func(t *testing.T, taxa, foods []byte) {
		c, err := Parse(taxa, foods)
		if (c == nil) == (err == nil) {
			t.Fatalf("%v and %v", c, err)
		}
		if err != nil {
			return
		}
		for _, taxon := range c.Taxa() {
			if got, ok := c.ByName(taxon.ScientificName); !ok || got.ID != taxon.ID || !slugForm.MatchString(taxon.ID) {
				t.Errorf("%q is lost", taxon.ScientificName)
			}
			if _, ok := c.Genus(&taxon); !ok {
				t.Errorf("%q has no genus", taxon.ScientificName)
			}
		}
	})
}
