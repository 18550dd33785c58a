package catalogue

import (
	"strings"
	"unicode"
)

// Normalise returns a name as it is compared: without case, quotes, authors,
// hybrid signs, rank words ("subsp.", "var.", "f.") and extra white space. The
// words that are left are in lower case with one space between them. It is
// idempotent.
//
// The sign of a hybrid is U+00D7 or one that looks like it, or the letter x as
// a word of its own (ICN, Shenzhen Code, Art. H.3 and Rec. H.3A). A diaeresis is
// ignored as well (Art. 60).
//
// Authors are told from epithets without looking at capital letters, as case is
// ignored. A word is part of an author citation if
//   - it stands in round brackets,
//   - it has a full stop and is no rank word ("L.", "J.Ellis", "Hook.f."); so an
//     abbreviated genus ("D. capensis") goes too,
//   - it follows initials that stand from the third word on ("P. Taylor"),
//   - it follows "&", "ex", "et" or "in", or stands before one of them from the
//     third word on,
//   - it is a year, or
//   - it is one of the surnames that are written without a full stop and that
//     authors of carnivorous plants bear ("Kunth", "Planchon"); an epithet has a
//     Latin ending, so the two do not meet.
//
// Any other surname stays, and the name is then not found.
func Normalise(name string) string {
	words := strings.Fields(outsideBrackets(bare(name)))
	kept := words[:0:0]
	signed := false // the word before is the hybrid sign
	drop := false   // the word before says that this one is an author
	for i, w := range words {
		wasSign, wasDrop := signed, drop
		signed, drop = w == sign || w == "x", false
		stem := strings.TrimSuffix(w, ".")
		switch {
		case signed, rankWord[stem]:
		case connective[w]:
			drop = true
		case strings.Contains(w, "."):
			drop = wasDrop || !wasSign && i >= 2 && initials(w)
		case wasDrop, surname[w], year(w):
		case i >= 2 && i+1 < len(words) && connective[words[i+1]]:
		default:
			kept = append(kept, w)
		}
	}
	return strings.Join(kept, " ")
}

// sign is what every hybrid sign is turned into: no character of a name.
const sign = "\u00d7"

// bare folds case, takes quotes and combining marks away, and sets off hybrid
// signs, brackets and commas.
func bare(s string) string {
	var b strings.Builder
	b.Grow(len(s))
	for _, r := range s {
		r = unicode.ToLower(unicode.ToUpper(r))
		switch r {
		case '\'', '"', '`', '\u00b4', '\u2018', '\u2019', '\u201a', '\u201b', '\u201c', '\u201d', '\u201e', '\u201f',
			'\u2032', '\u2033', '\u00ab', '\u00bb', '\u2039', '\u203a', '\uff02', '\uff07':
			continue
		case '\u00d7', '\u2715', '\u2716', '\u2a09', '\u2a2f', '\u2573':
			b.WriteString(" " + sign + " ")
			continue
		case '(', ')', '&':
			b.WriteByte(' ')
			b.WriteRune(r)
			b.WriteByte(' ')
			continue
		case ',', ';':
			r = ' '
		case '\u00e4':
			r = 'a'
		case '\u00eb':
			r = 'e'
		case '\u00ef':
			r = 'i'
		case '\u00f6':
			r = 'o'
		case '\u00fc':
			r = 'u'
		}
		if r == unicode.ReplacementChar || unicode.Is(unicode.Mn, r) || unicode.Is(unicode.Cf, r) {
			continue
		}
		b.WriteRune(r)
	}
	return strings.TrimSpace(b.String())
}

// outsideBrackets takes away what stands in round brackets. A bracket without
// its partner is taken away alone.
func outsideBrackets(s string) string {
	out := make([]byte, 0, len(s))
	var open []int // where the brackets that are open began
	for i := range len(s) {
		switch s[i] {
		case '(':
			open = append(open, len(out))
		case ')':
			if n := len(open); n > 0 {
				out, open = append(out[:open[n-1]], ' '), open[:n-1]
			}
		default:
			out = append(out, s[i])
		}
	}
	return string(out)
}

// initials are single letters with full stops: "p.", "j.d.".
func initials(w string) bool {
	for _, part := range strings.Split(strings.TrimSuffix(w, "."), ".") {
		if len([]rune(part)) != 1 {
			return false
		}
	}
	return strings.HasSuffix(w, ".") && w != "f."
}

func year(w string) bool {
	if len(w) != 4 || w[0] != '1' && w[0] != '2' {
		return false
	}
	return strings.Trim(w, "0123456789") == ""
}

// Slug returns the id of a name: lower case, the hybrid sign as the word x, and
// a hyphen between words. "Sarracenia rubra subsp. jonesii" gives
// "sarracenia-rubra-subsp-jonesii", "Drosera ×obovata" gives
// "drosera-x-obovata".
func Slug(scientificName string) string {
	s := strings.ReplaceAll(bare(scientificName), sign, " x ")
	words := strings.FieldsFunc(s, func(r rune) bool { return (r < 'a' || r > 'z') && (r < '0' || r > '9') })
	return strings.Join(words, "-")
}

func set(words string) map[string]bool {
	m := make(map[string]bool)
	for _, w := range strings.Fields(words) {
		m[w] = true
	}
	return m
}

// What stands in a name and is neither epithet nor author.
var rankWord = set("subsp ssp nothosubsp var nothovar v forma f cf aff sp spp gen sect subg cv gr agg")

var connective = set("& ex et in")

// Surnames without a full stop in the standard forms of authors of carnivorous
// plants, and full surnames that growers write in their place. None is an
// epithet.
var surname = set(`
	adamec adlassnig afzel airy allan amoroso andrews austin bailey baleeiro barnhart beaver bentham blanco bonpland britton
	brown burbidge burm buch-ham camus carlquist casper cantley case catling cav cham chapman cheek chrtek clarke clemens conn
	conran coritico crantz danser darwin debbert degreef delile demeter diels domin don druce durand ehrh eichler elliott ellis
	erickson exell fernald fleischmann forssk forster fromm gibson gleason godfrey gonella gould gray greuter gronov gronovius
	hamet hamilton harms harper harshb heads hooker hort huth jack jebb kaul kearney kirchner kondo korthals kuntze kunth kurata
	labill labillardiere lam lamarck lavarack lehm lehmann lindley link linn linnaeus lloyd low lowrie luetzelb luhrs macfarlane
	macloskey mann marchant martius masters mcdaniel mcpherson mert michaux michx mill miller mirb molina morren muell mueller
	nees nerz obermeyer oliver orchard pancher parnell pietropaolo planch planchon pohl poir pursh raf rafarin rafinesque reichb
	rendle ridley rivadavia robins robinson roccia roem roth roxb royen ruiz salisb salisbury sander sarkar schlauer schnell
	schult seine shaw sibth sims slack small smith speirs speta sprague spruce standl stein stephens steyermark stolz studnicka
	swartz sweet tamin taylor thunb thunberg torrey turcz turner vahl vahlii vent wakabayashi wallr walt walter warburg warming
	wendl wherry whiteman wildenow willd willdenow wistuba wulff zamudio zipp
`)
