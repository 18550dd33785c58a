package table

import (
	"errors"
	"testing"

	"pgregory.net/rapid"
)

func TestParseName(t *testing.T) {
	for _, c := range []struct{ text, scientific, cultivar, rest string }{
		{"", "", "", ""},
		{"  Drosera   capensis ", "Drosera capensis", "", ""},
		{"Drosera\u00a0capensis\u200b", "Drosera capensis", "", ""},
		{"Drosera capensis L.", "Drosera capensis L.", "", ""},
		// ICN, Art. H.3.1: the sign before the name or the epithet. Its examples are
		// ×Agropogon and Salix ×capreola.
		{"×Agropogon littoralis", "×Agropogon littoralis", "", ""},
		{"x Agropogon littoralis", "×Agropogon littoralis", "", ""},
		{"Salix × capreola", "Salix ×capreola", "", ""},
		{"Salix x capreola", "Salix ×capreola", "", ""},
		{"Salix X capreola", "Salix ×capreola", "", ""},
		{"Salix ×capreola", "Salix ×capreola", "", ""},
		{"Salix ✕capreola", "Salix ×capreola", "", ""},
		{"Salix xcapreola", "Salix xcapreola", "", ""},
		{"S. x moorei", "S. ×moorei", "", ""},
		// ICN, Art. H.2.1: in a formula the sign stands between the names.
		{"Salix aurita L. x S. caprea L.", "Salix aurita L. × S. caprea L.", "", ""},
		{"Mentha aquatica × M. arvensis x M. spicata", "Mentha aquatica × M. arvensis × M. spicata", "", ""},
		{"Agrostis x Polypogon", "Agrostis × Polypogon", "", ""},
		{"Nepenthes (ventricosa x alata)", "Nepenthes (ventricosa × alata)", "", ""},
		{"Nepenthes x", "Nepenthes x", "", ""},
		{"X", "X", "", ""},
		// ICNCP, 9th edition, Art. 14: single quotes; what growers write besides.
		{"Dionaea ‘Long Teeth’", "Dionaea", "Long Teeth", ""},
		{"Dionaea 'Long Teeth'", "Dionaea", "Long Teeth", ""},
		{`Dionaea muscipula "Long Teeth"`, "Dionaea muscipula", "Long Teeth", ""},
		{"Dionaea muscipula “Long Teeth”", "Dionaea muscipula", "Long Teeth", ""},
		{"Dionaea muscipula „Long Teeth“", "Dionaea muscipula", "Long Teeth", ""},
		{"Dionaea muscipula ''Long Teeth''", "Dionaea muscipula", "Long Teeth", ""},
		{"Dionaea muscipula ´Long Teeth`", "Dionaea muscipula", "Long Teeth", ""},
		{"Dionaea muscipula ' Long Teeth '", "Dionaea muscipula", "Long Teeth", ""},
		{"Dionaea muscipula cv. Long Teeth", "Dionaea muscipula", "Long Teeth", ""},
		{"Dionaea muscipula cv Long Teeth", "Dionaea muscipula", "Long Teeth", ""},
		{"Dionaea muscipula cv. 'Long Teeth'", "Dionaea muscipula", "Long Teeth", ""},
		{"'Long Teeth'", "", "Long Teeth", ""},
		{"Sarracenia x catesbaei 'Red Hood'", "Sarracenia ×catesbaei", "Red Hood", ""},
		{"Sarracenia x 'Red Hood'", "Sarracenia ×", "Red Hood", ""},
		{"Sarracenia 'Grower's Pride'", "Sarracenia", "Grower's Pride", ""},
		{"Sarracenia 'Growers' Pride'", "Sarracenia", "Growers' Pride", ""},
		{"Sarracenia ‘Grower’s Pride’ (seedling)", "Sarracenia", "Grower’s Pride", "(seedling)"},
		{"Sarracenia (flava x rubra) 'Big x Small'", "Sarracenia (flava × rubra)", "Big x Small", ""},
		{"Drosera capensis 'typical' form", "Drosera capensis", "typical", "form"},
		// Two parents: no cultivar of its own.
		{"Sarracenia 'One' x 'Two'", "Sarracenia 'One' × 'Two'", "", ""},
		{"Sarracenia 'One' x S. flava", "Sarracenia 'One' × S. flava", "", ""},
		{"Sarracenia flava x S. 'One'", "Sarracenia flava × S. 'One'", "", ""},
		{"Sarracenia flava x Sarracenia cv. One", "Sarracenia flava × Sarracenia cv. One", "", ""},
		// Apostrophes that are no quotes.
		{"Utricularia o'haraei", "Utricularia o'haraei", "", ""},
		{"the growers' choice", "the growers' choice", "", ""},
	} {
		n, err := ParseName(c.text)
		if err != nil || n.Scientific != c.scientific || n.Cultivar != c.cultivar || n.Rest != c.rest || n.Original != c.text {
			t.Errorf("%q: got %q + %q + %q, %v", c.text, n.Scientific, n.Cultivar, n.Rest, err)
		}
		again, err := ParseName(n.String())
		if err != nil || again.Scientific != n.Scientific || again.Cultivar != n.Cultivar || again.Rest != n.Rest {
			t.Errorf("%q: again %q: got %q + %q + %q, %v", c.text, n.String(), again.Scientific, again.Cultivar, again.Rest, err)
		}
	}
	for text, want := range map[string]error{
		"Dionaea 'Long Teeth":  ErrQuoteOpen,
		`Dionaea "Long Teeth'`: ErrQuoteOpen,
		`Dionaea ""`:           ErrQuoteEmpty,
		"Dionaea ' '":          ErrQuoteEmpty,
		"Dionaea cv.":          ErrCultivarEmpty,
	} {
		if _, err := ParseName(text); !errors.Is(err, want) {
			t.Errorf("%q: got %v, want %v", text, err, want)
		}
	}
}

// Taking a name apart, writing it and taking it apart again changes nothing.
func TestParseNameTwice(t *testing.T) {
	word := rapid.SampledFrom([]string{
		"Drosera", "D.", "capensis", "x", "X", "×", "×obovata", "×Foo", "'One'", "'One", "One'", "\"Two", "Two\"", "‘A", "B’", "''", "'", "(", "(a", "b)",
		"cv.", "cv", "O'B", "''C''", "L.", "var.", "„D“", "✕", ",",
	})
	rapid.Check(t, func(t *rapid.T) {
		text := ""
		for _, w := range rapid.SliceOfN(word, 0, 7).Draw(t, "words") {
			text += w + rapid.SampledFrom([]string{" ", "  ", ""}).Draw(t, "gap")
		}
		nameTwice(t, text)
	})
}

func nameTwice(t interface{ Fatalf(string, ...any) }, text string) {
	n, err := ParseName(text)
	if err != nil {
		return
	}
	again, err := ParseName(n.String())
	if err != nil || again.Scientific != n.Scientific || again.Cultivar != n.Cultivar || again.Rest != n.Rest {
		t.Fatalf("%q: %q + %q + %q, again %q: %q + %q + %q, %v", text, n.Scientific, n.Cultivar, n.Rest,
			n.String(), again.Scientific, again.Cultivar, again.Rest, err)
	}
}

func TestComposeName(t *testing.T) {
	for _, c := range []struct{ name, genus, cultivar, want, field string }{
		{"capensis", "Drosera", "", "Drosera capensis", ""},
		{"Drosera capensis", "Drosera", "", "Drosera capensis", ""},
		{"drosera capensis", "Drosera", "", "drosera capensis", ""},
		{"D. capensis", "Drosera", "", "Drosera capensis", ""},
		{"Dros. capensis", "Drosera", "", "Drosera capensis", ""},
		{"x obovata", "Drosera", "", "Drosera ×obovata", ""},
		{"×obovata", "Drosera", "Red", "Drosera ×obovata ‘Red’", ""},
		{"", "Drosera", "", "Drosera", ""},
		{"", "Dionaea", "'Long Teeth'", "Dionaea ‘Long Teeth’", ""},
		{"", "x Dionanthus", "", "×Dionanthus", ""},
		{"primus", "× Dionanthus", "", "×Dionanthus primus", ""},
		{"×Dionanthus primus", "Dionanthus", "", "×Dionanthus primus", ""},
		{"capensis 'Red'", "Drosera", "red", "Drosera capensis ‘Red’", ""},
		{"Drosera", "", "cv. Red", "Drosera ‘Red’", ""},
		{"Dionaea muscipula", "Drosera", "", "", "name"},
		{"P. capensis", "Drosera", "", "", "name"},
		{"'Open", "Drosera", "", "", "name"},
		{"capensis 'Red'", "Drosera", "Blue", "", "cultivar"},
		{"capensis", "Drosera", "'Red' and 'Blue'", "", "cultivar"},
		{"capensis", "Drosera", "'Red", "", "cultivar"},
	} {
		n, field, rule := composeName(c.name, c.genus, c.cultivar)
		if field != c.field || (field == "") != (rule == "") || field == "" && n.String() != c.want {
			t.Errorf("%q, %q, %q: got %q, %s %q", c.name, c.genus, c.cultivar, n.String(), field, rule)
		}
	}
}

func TestCapitalised(t *testing.T) {
	for text, want := range map[string]bool{"Red": true, "red": false, "52": true, "": true, "Élan": true, "élan": false, "赤": true} {
		if got := Capitalised(text); got != want {
			t.Errorf("%q: %v", text, got)
		}
	}
}
