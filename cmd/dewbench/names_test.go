package main

import (
	"slices"
	"testing"

	pb "dewbench/proto/dewbench/v1"
)

func TestFind(t *testing.T) {
	known := knownNames(t)
	for _, c := range []struct {
		name, taxon string
		exact       bool
		note        string
	}{
		{"Drosera capensis", "Drosera capensis", true, ""},
		{"drosera CAPENSIS L.", "Drosera capensis", true, ""},
		{"Drosera capensis alba", "Drosera capensis", false, ""},
		{"Dionaea muscipula B52", "Dionaea muscipula", false, ""},
		{"Drosera nullicola", "Drosera", false, ""},
		{"Drosera capensis × aliciae", "Drosera", false, ""},
		{"D. capensis", "Drosera capensis", true, ""},
		{"D capensis", "Drosera capensis", true, ""},
		{"D. muscipula B52", "Dionaea muscipula", false, ""},
		{"P. nullicola", "Pinguicula", false, ""},
		{"D. nullicola", "", false, "has a genus that may be Darlingtonia, Dionaea, Drosera, Drosophyllum: write it in full"},
		{"D. sp.", "", false, "has a genus that may be Darlingtonia, Dionaea, Drosera, Drosophyllum: write it in full"},
		{"Q. nullicola", "", false, ""},
		{"Drosra capensis", "", false, `did you mean "Drosera capensis"?`},
		{"Drosra", "", false, `did you mean "Drosera"?`},
		{"Saracenia flava", "", false, `did you mean "Sarracenia flava"?`},
		{"Byblisaria pendula", "", false, ""},
		{"", "", false, ""},
	} {
		taxon, exact, note := known.find(c.name)
		if taxon.GetScientificName() != c.taxon || exact != c.exact || note != c.note {
			t.Errorf("%q: %q %v %q, want %q %v %q", c.name, taxon.GetScientificName(), exact, note, c.taxon, c.exact, c.note)
		}
	}
}

func TestUnknownName(t *testing.T) {
	for _, c := range []struct {
		maybe string
		given bool
		want  string
	}{
		{"", true, ""},
		{"", false, "is not in the catalogue, nor is its genus: add a column for the trap type to have it fed"},
		{`did you mean "A"?`, true, `is not in the catalogue, nor is its genus; did you mean "A"?`},
		{`did you mean "A"?`, false, `is not in the catalogue, nor is its genus; did you mean "A"? If not, add a column for the trap type to have it fed`},
		{"has a genus that may be A, B: write it in full", true, "has a genus that may be A, B: write it in full"},
	} {
		if got := unknownName(c.maybe, c.given); got != c.want {
			t.Errorf("%q, %v: got %q, want %q", c.maybe, c.given, got, c.want)
		}
	}
}

// TestReadNamesLeavesMessages looks whether the synonyms stay as they were.
func TestReadNamesLeavesMessages(t *testing.T) {
	seen := map[*pb.Taxon]bool{}
	for _, taxon := range knownNames(t) {
		if seen[taxon] {
			continue
		}
		seen[taxon] = true
		if s := taxon.GetSynonyms(); slices.Contains(s[:cap(s)], taxon.GetScientificName()) {
			t.Errorf("%s was written behind its synonyms", taxon.GetScientificName())
		}
	}
}
