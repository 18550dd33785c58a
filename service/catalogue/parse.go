package catalogue

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"regexp"
	"slices"
	"strings"

	"dewbench/service/civil"
	"dewbench/service/due"
	"dewbench/service/season"
)

// RowError is a rule that a row breaks.
type RowError struct {
	File  string // "taxa.json" or "foods.json"
	Row   string // the id, or the place in the file where there is none; empty for the file as a whole
	Field string // as in the file, for instance "rest.thresholdHours"
	Rule  string
}

func (e *RowError) Error() string {
	parts := []string{e.File, e.Row, e.Field, e.Rule}
	return strings.Join(slices.DeleteFunc(parts, func(s string) bool { return s == "" }), ": ")
}

const taxaName, foodsName = "taxa.json", "foods.json"

// What a figure may be. The sizes reach from the bladders of a bladderwort and
// the smallest pygmy sundews to the pitchers and the spread of the largest
// Nepenthes; the day lengths are those that divide the year between the tropics
// and 60 degrees.
const (
	minDiameterMm, maxDiameterMm   = 3, 2000
	minTrapMm, maxTrapMm           = 0.2, 300
	minWinterHours, maxWinterHours = 9.0, 12.5
	minSummerHours, maxSummerHours = 11.5, 15.0
	minRestDays, maxRestDays       = 14, 300
	minItemMm, maxItemMm           = 0.2, 60
	minItemMg, maxItemMg           = 0.001, 500
	minNitrogen, maxNitrogen       = 0.01, 0.2
	maxShelfDays, maxThawMinutes   = 1100, 1440
	maxIDLength                    = 63
)

type figure[T any] struct {
	Value  *T     `json:"value"`
	Mark   string `json:"mark"`
	Source string `json:"source"`
}

type taxonRow struct {
	ScientificName           string           `json:"scientificName"`
	Synonyms                 []string         `json:"synonyms"`
	Rank                     string           `json:"rank"`
	TrapType                 string           `json:"trapType"`
	Habit                    string           `json:"habit"`
	TypicalRosetteDiameterMm *figure[float64] `json:"typicalRosetteDiameterMm"`
	TypicalTrapWidthMm       *figure[float64] `json:"typicalTrapWidthMm"`
	Rest                     *restRow         `json:"rest"`
	Regimen                  *regimenRow      `json:"regimen"`
	CITES                    *citesRow        `json:"cites"`
}

type restRow struct {
	Season         string           `json:"season"`
	From           string           `json:"from"`
	Until          string           `json:"until"`
	Mark           string           `json:"mark"`
	Source         string           `json:"source"`
	ThresholdHours *figure[float64] `json:"thresholdHours"`
}

type regimenRow struct {
	IntervalDays        *figure[int]    `json:"intervalDays"`
	ToleranceDays       *figure[int]    `json:"toleranceDays"`
	TrapsStart          *figure[int]    `json:"trapsStart"`
	TrapsMax            *figure[int]    `json:"trapsMax"`
	CleanRunsToStepUp   *figure[int]    `json:"cleanRunsToStepUp"`
	FeedOneIn           *figure[int]    `json:"feedOneIn"`
	MaxItemPercent      *figure[int]    `json:"maxItemPercent"`
	MouldPausePercent   *figure[int]    `json:"mouldPausePercent"`
	ResiduePausePercent *figure[int]    `json:"residuePausePercent"`
	SettleDays          *figure[int]    `json:"settleDays"`
	DigestDays          *figure[int]    `json:"digestDays"`
	CheckDays           *figure[[]int]  `json:"checkDays"`
	HandFeed            *figure[string] `json:"handFeed"`
	CutStalks           *figure[bool]   `json:"cutStalks"`
}

type citesRow struct {
	Appendix    string `json:"appendix"`
	ListDate    string `json:"listDate"`
	CheckedDate string `json:"checkedDate"`
	Note        string `json:"note"`
	Mark        string `json:"mark"`
	Source      string `json:"source"`
}

type foodRow struct {
	ID                  string           `json:"id"`
	DisplayName         string           `json:"displayName"`
	State               string           `json:"state"`
	Moves               bool             `json:"moves"`
	MayBeCut            bool             `json:"mayBeCut"`
	TypicalLengthMm     *figure[float64] `json:"typicalLengthMm"`
	TypicalDryMassMg    *figure[float64] `json:"typicalDryMassMg"`
	NitrogenShare       *figure[float64] `json:"nitrogenShare"`
	ShelfLifeFrozenDays *figure[int]     `json:"shelfLifeFrozenDays"`
	ShelfLifeOpenDays   *figure[int]     `json:"shelfLifeOpenDays"`
	ThawMinutes         *figure[int]     `json:"thawMinutes"`
	Cautions            []string         `json:"cautions"`
}

// The words of the files, those of the proto enums.
var (
	ranks = map[string]Rank{"GENUS": Genus, "SPECIES": Species, "SUBSPECIES": Subspecies, "HYBRID": Hybrid}
	traps = map[string]due.TrapType{
		"ADHESIVE": due.Adhesive, "SNAP": due.Snap, "PITFALL": due.Pitfall, "SUCTION": due.Suction, "EEL": due.Eel,
	}
	habits     = map[string]due.Habit{"SMALL_ROSETTE": due.SmallRosette, "LARGE": due.Large}
	seasons    = map[string]season.Season{"NONE": season.None, "WINTER": season.Winter, "SUMMER": season.Summer}
	appendices = map[string]Appendix{"I": AppendixI, "II": AppendixII, "III": AppendixIII}
	handFeeds  = map[string]due.HandFeed{"ALWAYS": due.Always, "IF_NOT_CATCHING": due.IfNotCatching, "NEVER": due.Never}
	states     = map[string]FoodState{"FROZEN": Frozen, "LIVE": Live, "DRIED": Dried, "FRESH": Fresh}
	marks      = map[string]Mark{
		"PRINT": Print, "OPEN_DATA": OpenData, "COMMON_PRACTICE": CommonPractice, "MEMORY": Memory,
	}
)

// forms are how a name of each rank is written (ICN, Shenzhen Code: Art. 20 and
// 23 for capital letter and epithet, 24 for the subspecies, H.3 for the hybrid
// sign, H.2 for a formula of two parents).
var forms = map[Rank]struct {
	pattern *regexp.Regexp
	say     string
}{
	Genus:      {regexp.MustCompile(`^` + genusForm + `$`), `one word with a capital letter, as in "Drosera"`},
	Species:    {regexp.MustCompile(`^` + genusForm + ` ` + epithetForm + `$`), `genus and epithet, as in "Drosera capensis"`},
	Subspecies: {regexp.MustCompile(`^` + genusForm + ` ` + epithetForm + ` subsp\. ` + epithetForm + `$`), `as in "Sarracenia purpurea subsp. venosa"`},
	Hybrid:     {regexp.MustCompile(`^` + genusForm + ` (` + sign + `|` + epithetForm + ` ` + sign + ` )` + epithetForm + `$`), `as in "Drosera ` + sign + `obovata" or "Drosera anglica ` + sign + ` linearis"`},
}

const genusForm, epithetForm = `[A-Z][a-z]+`, `[a-z]{2,}(-[a-z]+)*`

var idForm = regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*$`)

var versionForm = regexp.MustCompile(`^[0-9]{4}-[0-9]{2}-[0-9]{2}(\.[0-9]+)?$`)

// rows is what was read from files, each row good in itself.
type rows struct {
	version string
	taxa    []Taxon
	foods   []Food
}

// with lays other rows over these.
func (r rows) with(over rows) rows {
	return rows{
		version: cmp.Or(over.version, r.version),
		taxa:    overlay(r.taxa, over.taxa, func(t *Taxon) string { return t.ID }),
		foods:   overlay(r.foods, over.foods, func(f *Food) string { return f.ID }),
	}
}

func overlay[T any](base, over []T, id func(*T) string) []T {
	out := slices.Clone(base)
	place := make(map[string]int, len(base))
	for i := range base {
		place[id(&base[i])] = i
	}
	for i := range over {
		if at, ok := place[id(&over[i])]; ok {
			out[at] = over[i]
		} else {
			out = append(out, over[i])
		}
	}
	return out
}

func readRows(taxa, foods []byte) (rows, error) {
	var out rows
	var errs []error
	fail := func(file, row, field, rule string) { errs = append(errs, &RowError{file, row, field, rule}) }

	var plants struct {
		Version string            `json:"version"`
		Taxa    []json.RawMessage `json:"taxa"`
	}
	if taxa != nil {
		if err := strict(taxa, &plants); err != nil {
			fail(taxaName, "", "", err.Error())
		}
		out.version = plants.Version
		if out.version != "" && !dated(out.version) {
			fail(taxaName, "", "version", "must be a day, and may have a number after a full stop, as in 2026-11-25.2")
		}
	}
	seen := make(map[string]bool)
	for i, data := range plants.Taxa {
		var row taxonRow
		c := &check{file: taxaName, row: label(data, i)}
		if err := strict(data, &row); err != nil {
			c.fail("", "%s", err.Error())
		} else if t := c.taxon(&row); len(c.errs) == 0 {
			if seen[t.ID] {
				c.fail("scientificName", "stands twice in the file")
			}
			seen[t.ID] = true
			out.taxa = append(out.taxa, t)
		}
		errs = append(errs, c.errs...)
	}

	var kinds struct {
		Foods []json.RawMessage `json:"foods"`
	}
	if foods != nil {
		if err := strict(foods, &kinds); err != nil {
			fail(foodsName, "", "", err.Error())
		}
	}
	seen = make(map[string]bool)
	for i, data := range kinds.Foods {
		var row foodRow
		c := &check{file: foodsName, row: label(data, i)}
		if err := strict(data, &row); err != nil {
			c.fail("", "%s", err.Error())
		} else if f := c.food(&row); len(c.errs) == 0 {
			if seen[f.ID] {
				c.fail("id", "stands twice in the file")
			}
			seen[f.ID] = true
			out.foods = append(out.foods, f)
		}
		errs = append(errs, c.errs...)
	}
	return out, errors.Join(errs...)
}

// strict decodes one JSON value and refuses fields it does not know.
func strict(data []byte, into any) error {
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	if err := d.Decode(into); err != nil {
		return err
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return errors.New("must be one JSON value")
	}
	return nil
}

// label names a row in errors: its id, or its place in the file.
func label(data []byte, i int) string {
	var probe struct {
		ScientificName string `json:"scientificName"`
		ID             string `json:"id"`
	}
	_ = json.Unmarshal(data, &probe) // what cannot be read is told by the real decoding
	return cmp.Or(probe.ID, Slug(probe.ScientificName), fmt.Sprintf("row %d", i+1))
}

func dated(version string) bool {
	if !versionForm.MatchString(version) {
		return false
	}
	_, err := civil.Parse(version[:len("2006-01-02")])
	return err == nil
}

// build makes a catalogue of rows and checks what lies between rows.
func build(raw rows) (*Catalogue, error) {
	c := &Catalogue{
		raw:    raw,
		taxa:   slices.Clone(raw.taxa),
		foods:  slices.Clone(raw.foods),
		byID:   make(map[string]*Taxon, len(raw.taxa)),
		byName: make(map[string]*Taxon, 2*len(raw.taxa)),
		foodID: make(map[string]*Food, len(raw.foods)),
	}
	var errs []error
	fail := func(file, row, field, rule string) { errs = append(errs, &RowError{file, row, field, rule}) }
	if raw.version == "" {
		fail(taxaName, "", "version", "must be given")
	}

	slices.SortFunc(c.taxa, func(a, b Taxon) int {
		return cmp.Or(strings.Compare(a.names[0], b.names[0]), strings.Compare(a.ID, b.ID))
	})
	for i := range c.taxa {
		t := &c.taxa[i]
		c.byID[t.ID] = t
		for n, name := range t.names {
			if other, taken := c.byName[name]; taken {
				field := "scientificName"
				if n > 0 {
					field = "synonyms"
				}
				fail(taxaName, t.ID, field, fmt.Sprintf("%q is a name of %s too", name, other.ID))
				continue
			}
			c.byName[name] = t
		}
	}
	for i := range c.taxa {
		t := &c.taxa[i]
		genus, ok := c.Genus(t)
		switch {
		case !ok:
			fail(taxaName, t.ID, "scientificName", "the genus "+t.Genus+" must have a row")
		case genus.TrapType != t.TrapType:
			fail(taxaName, t.ID, "trapType", "must be that of the genus")
		}
	}
	for i := range c.foods {
		c.foodID[c.foods[i].ID] = &c.foods[i]
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	return c, nil
}

// oneOf lists the words of an enum in its order.
func oneOf[T cmp.Ordered](words map[string]T) string {
	return strings.Join(slices.SortedFunc(maps.Keys(words), func(a, b string) int { return cmp.Compare(words[a], words[b]) }), ", ")
}
