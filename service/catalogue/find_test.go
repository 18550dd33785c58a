package catalogue

import "testing"

// growersNames is an index of the whole catalogue.
func growersNames(t *testing.T) *Names[*Taxon] {
	t.Helper()
	c, err := Load()
	if err != nil {
		t.Fatal(err)
	}
	var all []*Taxon
	for _, x := range c.Taxa() {
		all = append(all, &x)
	}
	return NewNames(all, func(t *Taxon) (string, []string) { return t.ScientificName, t.Synonyms })
}

func TestFind(t *testing.T) {
	known := growersNames(t)
	for _, c := range []struct {
		name, taxon string
		exact       bool
		full, maybe string
	}{
		{"Drosera capensis", "Drosera capensis", true, "Drosera capensis", ""},
		{"drosera CAPENSIS L.", "Drosera capensis", true, "drosera CAPENSIS L.", ""},
		{"Drosera capensis alba", "Drosera capensis", false, "Drosera capensis alba", ""},
		{"Dionaea muscipula B52", "Dionaea muscipula", false, "Dionaea muscipula B52", ""},
		{"Drosera nullicola", "Drosera", false, "Drosera nullicola", ""},
		{"Drosera capensis × aliciae", "Drosera", false, "Drosera capensis × aliciae", ""},
		{"D. capensis", "Drosera capensis", true, "Drosera capensis", ""},
		{"D capensis", "Drosera capensis", true, "Drosera capensis", ""},
		{"D. muscipula B52", "Dionaea muscipula", false, "Dionaea muscipula B52", ""},
		{"P. nullicola", "Pinguicula", false, "Pinguicula nullicola", ""},
		{"D. nullicola", "", false, "", "has a genus that may be Darlingtonia, Dionaea, Drosera, Drosophyllum: write it in full"},
		{"D. sp.", "", false, "", "has a genus that may be Darlingtonia, Dionaea, Drosera, Drosophyllum: write it in full"},
		{"Q. nullicola", "", false, "Q. nullicola", ""},
		{"Drosra capensis", "", false, "Drosra capensis", `did you mean "Drosera capensis"?`},
		{"Drosra", "", false, "Drosra", `did you mean "Drosera"?`},
		{"Saracenia flava", "", false, "Saracenia flava", `did you mean "Sarracenia flava"?`},
		{"Byblisaria pendula", "", false, "Byblisaria pendula", ""},
		{"", "", false, "", ""},
	} {
		f := known.Find(c.name)
		taxon := ""
		if f.OK {
			taxon = f.Taxon.ScientificName
		}
		if taxon != c.taxon || f.Exact != c.exact || f.Name != c.full || f.Maybe != c.maybe {
			t.Errorf("%q: %q %v %q %q, want %q %v %q %q", c.name, taxon, f.Exact, f.Name, f.Maybe, c.taxon, c.exact, c.full, c.maybe)
		}
	}
}

func TestFoundNote(t *testing.T) {
	for _, c := range []struct {
		found Found[int]
		given bool
		want  string
	}{
		{Found[int]{OK: true, Exact: true}, false, ""},
		{Found[int]{OK: true}, true, "is not in the catalogue: the figures of Drosera stand in"},
		{Found[int]{}, true, ""},
		{Found[int]{}, false, "is not in the catalogue, nor is its genus: add a column for the trap type to have it fed"},
		{Found[int]{Maybe: `did you mean "A"?`}, true, `is not in the catalogue, nor is its genus; did you mean "A"?`},
		{Found[int]{Maybe: `did you mean "A"?`}, false, `is not in the catalogue, nor is its genus; did you mean "A"? If not, add a column for the trap type to have it fed`},
		{Found[int]{Maybe: "has a genus that may be A, B: write it in full"}, true, "has a genus that may be A, B: write it in full"},
	} {
		if got := c.found.Note("Drosera", c.given); got != c.want {
			t.Errorf("%+v, %v: %q, want %q", c.found, c.given, got, c.want)
		}
	}
}
