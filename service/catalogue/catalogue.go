// Package catalogue holds what every collection shares: the carnivorous plants
// and the kinds of food, each figure with how far it is to be trusted. The data
// are embedded; README.md beside them tells what each field means and how to
// add a row.
//
// A catalogue does not change once it is read, so it may be used by many
// goroutines at once. What its methods return is to be read only.
package catalogue

import (
	"crypto/sha256"
	_ "embed"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"sync"

	"dewbench/service/civil"
	"dewbench/service/due"
	"dewbench/service/season"
)

//go:embed taxa.json
var taxaFile []byte

//go:embed foods.json
var foodsFile []byte

// Mark is how far a figure is to be trusted.
type Mark uint8

// The marks. NoMark is never in a catalogue that was read without error.
const (
	NoMark         Mark = iota
	Print               // read in a publication, which is named
	OpenData            // computed from an open data set, which is named
	CommonPractice      // what growers do, no source
	Memory              // known, not looked up
)

// Rank is what a row stands for.
type Rank uint8

// The ranks.
const (
	NoRank Rank = iota
	Genus
	Species
	Subspecies
	Hybrid
)

// Appendix is a list of the Convention on International Trade in Endangered
// Species (CITES).
type Appendix uint8

// The appendices. NotListed: not known to be listed.
const (
	NotListed Appendix = iota
	AppendixI
	AppendixII
	AppendixIII
)

// Source is where a figure comes from.
type Source struct {
	Field string // its name in the data file, for instance "typicalTrapWidthMm" or "regimen.intervalDays"
	Mark  Mark
	Text  string // the publication or data set; may be empty for the other marks
}

// CITES is a listing as it stood on a day. It is reference data, not advice; each
// Note says whom to ask.
type CITES struct {
	Appendix    Appendix
	ListDate    civil.Day // of the list that was read or is remembered; civil.None if not listed
	CheckedDate civil.Day // on which it was looked up or written down; civil.None if not listed
	Note        string
	Mark        Mark
	Source      string
}

// Taxon is a genus, species, subspecies or hybrid.
type Taxon struct {
	ID             string // the slug of the name: see Slug
	ScientificName string // without author; the hybrid sign stands against its epithet
	Rank           Rank
	Genus          string // for instance "Drosera"
	TrapType       due.TrapType
	Habit          due.Habit // of an adhesive plant; NoHabit for others

	RosetteDiameterMm float64 // typical, of a grown rosette or of the whole plant; 0: not given
	TrapWidthMm       float64 // typical, of a grown trap: leaf blade, lobe of a snap trap, mouth of a pitcher; 0: not given

	Rest      season.Rule // the zero rule if RestKnown is false
	RestKnown bool        // false for a genus whose species differ

	Regimen  due.Regimen // where it differs from the genus (in a genus row: from the trap type)
	CITES    CITES       // NotListed: not known to be listed
	Sources  []Source    // one for each figure, in the order of the data file's fields
	Synonyms []string    // names under which growers also know it, without author

	names []string // normalised: the scientific name, then the synonyms
}

// FoodState is how a food is kept.
type FoodState uint8

// The states.
const (
	NoState FoodState = iota
	Frozen
	Live
	Dried
	Fresh
)

// Food is a kind of food.
type Food struct {
	ID          string
	DisplayName string
	State       FoodState
	Moves       bool // it moves, so it sets off a snap trap's digestion by itself
	MayBeCut    bool // one that is too long may be cut to length

	LengthMm      float64 // typical; 0: not given
	DryMassMg     float64 // typical, of one item; 0: not given
	NitrogenShare float64 // of the dry mass, from 0 to 1; 0: not given

	FrozenDays  int // shelf life in the freezer, days; 0 unless Frozen
	OpenDays    int // shelf life once thawed or opened, days; 0: not given
	ThawMinutes int // 0 unless Frozen

	Cautions []string
	Sources  []Source // one for each figure, in the order of the data file's fields
}

// Catalogue is a set of taxa and foods.
type Catalogue struct {
	version string
	taxa    []Taxon // by normalised name
	byID    map[string]*Taxon
	byName  map[string]*Taxon
	foods   []Food
	foodID  map[string]*Food

	raw rows
}

// Load returns the catalogue that is built into the program. It is read once.
func Load() (*Catalogue, error) { return load() }

var load = sync.OnceValues(func() (*Catalogue, error) { return Parse(taxaFile, foodsFile) })

// Version tells the data apart: the version written in the file of taxa and,
// after a plus sign, the start of a hash of all bytes read.
func (c *Catalogue) Version() string { return c.version }

// Taxa returns all taxa in order of their normalised scientific names, so a
// genus stands before its species.
func (c *Catalogue) Taxa() []Taxon { return slices.Clone(c.taxa) }

// Taxon returns the taxon of an id.
func (c *Catalogue) Taxon(id string) (*Taxon, bool) {
	t, ok := c.byID[id]
	return t, ok
}

// ByName returns the taxon of a whole name or synonym; see Normalise for what
// is ignored.
func (c *Catalogue) ByName(name string) (*Taxon, bool) {
	t, ok := c.byName[Normalise(name)]
	return t, ok
}

// Genus returns the row of a taxon's genus; of a genus, itself.
func (c *Catalogue) Genus(t *Taxon) (*Taxon, bool) { return c.Taxon(Slug(t.Genus)) }

// Foods returns the kinds of food, the first choice for hand feeding first.
func (c *Catalogue) Foods() []Food { return slices.Clone(c.foods) }

// Food returns the food of an id.
func (c *Catalogue) Food(id string) (*Food, bool) {
	f, ok := c.foodID[id]
	return f, ok
}

// Matches tells whether a query is a part of the taxon's name or of one of its
// synonyms; see Normalise for what is ignored. A blank query matches every
// taxon, a query of nothing but authors none.
func Matches(t *Taxon, query string) bool {
	part := Normalise(query)
	if part == "" {
		return bare(query) == ""
	}
	for _, name := range t.names {
		if strings.Contains(name, part) {
			return true
		}
	}
	return false
}

// Parse reads a catalogue from files of the form that README.md describes. The
// error tells every row, field and rule that is broken.
func Parse(taxa, foods []byte) (*Catalogue, error) { return (&Catalogue{}).Overlay(taxa, foods) }

// Overlay returns a catalogue with the rows of these files besides its own; a
// row with the id of one that is there takes its place, a new food comes last.
// Either file may be nil.
func (c *Catalogue) Overlay(taxa, foods []byte) (*Catalogue, error) {
	raw, err := readRows(taxa, foods)
	if err != nil {
		return nil, err
	}
	next, err := build(c.raw.with(raw))
	if err != nil {
		return nil, err
	}
	h := sha256.New()
	for _, part := range [][]byte{[]byte(c.version), taxa, foods} {
		fmt.Fprintf(h, "%d\n", len(part))
		h.Write(part)
	}
	next.version = next.raw.version + "+" + hex.EncodeToString(h.Sum(nil))[:hashDigits]
	return next, nil
}

const hashDigits = 12
