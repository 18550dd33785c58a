package catalogue

import (
	"regexp"
	"strings"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"
)

func TestNormalise(t *testing.T) {
	for _, test := range []struct{ name, want, check string }{
		{"Drosera capensis", "drosera capensis", ""},
		{"  DROSERA\t capensis ", "drosera capensis", "ICN Art. 20 and 23: the code writes a capital letter and a small one"},
		{"Drosera Capensis", "drosera capensis", ""},
		{"Drosera capensis L.", "drosera capensis", "ICN Art. 46: the author follows the name"},
		{"Drosera L.", "drosera", ""},
		{"Dionaea muscipula J.Ellis", "dionaea muscipula", "IPNI standard form"},
		{"dionaea muscipula j. ellis", "dionaea muscipula", ""},
		{"Dionaea muscipula Sol. ex J.Ellis", "dionaea muscipula", "ICN Art. 46: ex"},
		{"Drosera intermedia Hayne in Schrad.", "drosera intermedia", "ICN Art. 46: in; Hayne stands before it"},
		{"Nepenthes mirabilis (Lour.) Druce", "nepenthes mirabilis", "ICN Art. 49: the first author in brackets"},
		{"Nepenthes mirabilis Somebody", "nepenthes mirabilis somebody", "a surname that is not known stays"},
		{"Nepenthes rajah Hook.f.", "nepenthes rajah", "ICN Rec. 46A: f. for filius"},
		{"Nepenthes rajah Hook. f.", "nepenthes rajah", ""},
		{"Drosera peltata subsp. auriculata (Backh. ex Planch.) Conn", "drosera peltata auriculata", ""},
		{"Pinguicula moranensis Kunth", "pinguicula moranensis", "IPNI standard form without a full stop"},
		{"Drosera anglica Huds., 1778", "drosera anglica", "a year"},
		{"Drosera ordensis Lowrie & Whiteman", "drosera ordensis", "both sides of &"},
		{"Drosera \u00d7obovata Mert. & W.D.J.Koch", "drosera obovata", "ICN Art. H.3: the sign"},
		{"Drosera \u00d7 obovata", "drosera obovata", "ICN Rec. H.3A: with or without a space"},
		{"Drosera x obovata", "drosera obovata", "ICN Rec. H.3A: x where there is no sign"},
		{"Drosera X obovata", "drosera obovata", ""},
		{"Drosera xobovata", "drosera xobovata", "x is a part of the word"},
		{"Drosera anglica \u00d7 D. rotundifolia", "drosera anglica rotundifolia", "ICN Art. H.2: a formula"},
		{"Sarracenia leucophylla x S. flava", "sarracenia leucophylla flava", ""},
		{"Sarracenia purpurea L. subsp. venosa (Raf.) Wherry", "sarracenia purpurea venosa", "ICN Art. 24: the rank word"},
		{"Sarracenia purpurea ssp venosa", "sarracenia purpurea venosa", ""},
		{"Drosera capensis f. alba", "drosera capensis alba", "f. for forma"},
		{"D. capensis", "capensis", "an abbreviated genus"},
		{"Dionaea muscipula 'Akai Ryu'", "dionaea muscipula akai ryu", "ICNCP Art. 14: single quotation marks"},
		{"Dionaea muscipula \u2018Akai Ryu\u2019", "dionaea muscipula akai ryu", ""},
		{"Dionaea muscipula \"Akai Ryu\"", "dionaea muscipula akai ryu", ""},
		{"Utricularia \u00efso\u00ebtes", "utricularia isoetes", "ICN Art. 60: the diaeresis"},
		{"Utricularia iso\u0065\u0308tes", "utricularia isoetes", "the same in two characters"},
		{"Drosera ) (capensis", "drosera capensis", "brackets without partners"},
		{"(a (b) c) Drosera", "drosera", ""},
		{"'\u00d7 L.'", "", ""},
		{"", "", ""},
	} {
		if got := Normalise(test.name); got != test.want {
			t.Errorf("Normalise(%q) = %q, want %q %s", test.name, got, test.want, test.check)
		}
	}
}

// Authors of the names in the catalogue, in the standard forms of IPNI. None may
// hide the name before it.
func TestNormaliseLeavesNoAuthor(t *testing.T) {
	for _, author := range []string{
		"L.", "J.Ellis", "DC.", "Hayne ex Schrad.", "Labill.", "F.Muell.", "Vahl", "Poir.", "Planch.", "Hook.f.", "Jack", "Kunth",
		"Lam.", "Raf.", "Walter", "Michx.", "(Macfarl.) Case & R.B.Case", "(Kearney) Wherry", "A.W.Wood", "Torr.", "Benth.", "R.Br.",
		"Lehm.", "Endl.", "Sm.", "Turcz.", "Marchant", "Lowrie & Marchant", "Lowrie", "(Lowrie & Carlquist) Lowrie & Conran",
		"Cheek", "Stephens", "Zamudio & Rzed.", "Speta & F.Fuchs", "Sander ex Mast.", "Oliv.", "A.St.-Hil.", "P.Taylor", "P. Taylor",
		"Fromm", "(L.) Link", "Airy Shaw", "B.Kirchn.", "Luhrs", "Casper", "Link", "Elliott", "Blanco", "Danser", "E.F.Anderson",
	} {
		if got := Normalise("Drosera capensis " + author); got != "drosera capensis" {
			t.Errorf("author %q leaves %q", author, got)
		}
	}
}

// No author's surname is an epithet or a genus of the catalogue.
func TestSurnamesAreNoEpithets(t *testing.T) {
	for _, taxon := range loaded(t).Taxa() {
		for _, name := range append([]string{taxon.ScientificName}, taxon.Synonyms...) {
			for _, w := range strings.Fields(strings.ReplaceAll(bare(name), sign, " ")) {
				if surname[w] || connective[w] {
					t.Errorf("%q of %s counts as an author", w, name)
				}
			}
		}
	}
}

func TestSlug(t *testing.T) {
	for name, want := range map[string]string{
		"Drosera":                            "drosera",
		"Drosera capensis":                   "drosera-capensis",
		"Drosera \u00d7obovata":              "drosera-x-obovata",
		"Drosera \u00d7 obovata":             "drosera-x-obovata",
		"Drosera anglica \u00d7 linearis":    "drosera-anglica-x-linearis",
		"Sarracenia rubra subsp. jonesii":    "sarracenia-rubra-subsp-jonesii",
		"Utricularia uva-ursi \u0394 (test)": "utricularia-uva-ursi-test",
		"":                                   "",
	} {
		if got := Slug(name); got != want {
			t.Errorf("Slug(%q) = %q, want %q", name, got, want)
		}
	}
}

func TestNormaliseProperties(t *testing.T) {
	words := rapid.SampledFrom(strings.Fields(
		"Drosera capensis L. x \u00d7 obovata (Raf.) Wherry & ex subsp. f. Kunth 1753 P. Taylor 'Red Dragon' D. rubra var. iso\u00ebtes"))
	name := rapid.OneOf(rapid.Map(rapid.SliceOfN(words, 0, 8), func(w []string) string { return strings.Join(w, " ") }), rapid.String())
	rapid.Check(t, func(t *rapid.T) {
		s := name.Draw(t, "name")
		want := Normalise(s)
		quote := rapid.SampledFrom([]string{"'", `"`, "\u2018", "\u2019", "\u201c", "\u201d", "`"}).Draw(t, "quote")
		runes := []rune(s)
		at := rapid.IntRange(0, len(runes)).Draw(t, "at")
		for what, other := range map[string]string{
			"idempotent":   want,
			"upper case":   strings.ToUpper(s),
			"quotes":       string(runes[:at]) + quote + string(runes[at:]),
			"white space":  " " + strings.ReplaceAll(s, " ", " \u00a0\t"),
			"x for a sign": strings.ReplaceAll(s, "\u00d7", " x "),
			"a year":       s + " 1753",
		} {
			if got := Normalise(other); got != want {
				t.Fatalf("%s: Normalise(%q) = %q, Normalise(%q) = %q", what, other, got, s, want)
			}
		}
	})
}

var slugForm = regexp.MustCompile(`^([a-z0-9]+(-[a-z0-9]+)*)?$`)

func FuzzNormalise(f *testing.F) {
	for _, s := range []string{
		"Drosera capensis L.", "Drosera \u00d7obovata", "S. leucophylla x S. flava", "(a (b) c", ")(", "\xff", "\u0130\u017f\u212a", "'", "f. f. ex ex",
	} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got := Normalise(s)
		if again := Normalise(got); again != got {
			t.Errorf("%q, then %q", got, again)
		}
		if !utf8.ValidString(got) || strings.Join(strings.Fields(got), " ") != got {
			t.Errorf("%q is not valid text with single spaces", got)
		}
		if upper := Normalise(strings.ToUpper(s)); upper != got {
			t.Errorf("%q, in capital letters %q", got, upper)
		}
		slug := Slug(s)
		if !slugForm.MatchString(slug) || Slug(slug) != slug {
			t.Errorf("slug %q", slug)
		}
	})
}
