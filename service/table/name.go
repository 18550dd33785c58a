package table

import (
	"errors"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Name is the name of a plant as a grower types it.
type Name struct {
	// Original is the name as it was typed.
	Original string
	// Scientific is the name without the cultivar, white space collapsed, each
	// hybrid sign a "×": against the name or epithet of a hybrid that has one
	// ("×Dionanthus", "Drosera ×obovata"), apart in a formula ("Drosera anglica ×
	// linearis"). Upper and lower case, authors and abbreviations stay as typed.
	Scientific string
	// Cultivar is the cultivar epithet without quotes, else as typed.
	Cultivar string
	// Rest is what stands after the cultivar, for instance "(seedling)".
	Rest string
}

// String writes the name anew: the cultivar in the single quotes that article
// 14 of the ICNCP asks for. ParseName of it gives the same three parts.
func (n Name) String() string {
	s := n.Scientific
	if n.Cultivar != "" {
		s = strings.TrimPrefix(s+" ‘"+n.Cultivar+"’", " ")
	}
	if n.Rest != "" {
		s += " " + n.Rest
	}
	return s
}

// Errors of ParseName, in words that go on after the value.
var (
	ErrQuoteOpen     = errors.New("opens a quotation mark before a cultivar and does not close it")
	ErrQuoteEmpty    = errors.New("has quotation marks with no cultivar between them")
	ErrCultivarEmpty = errors.New(`ends in "cv." with no cultivar after it`)
)

// ParseName takes a typed name apart.
//
// Hybrids (International Code of Nomenclature for algae, fungi, and plants,
// articles H.2 and H.3, recommendation H.3A): the words x and X before another
// word, and the sign × or one that looks like it before or on a word, become
// "×". An x that is part of a word stays: it cannot be told from a letter.
//
// Cultivars (ICNCP, 9th edition 2016, articles 14 and 21): what stands in
// quotes, single or double, straight or curled, or after the word "cv". Those
// that open at the start of a word and close at the end of one count, so
// apostrophes stay. The code wants single quotes and no "cv."; growers write
// both (common practice, no source).
//
// A name with more than one pair of quotes, or with a cultivar in a hybrid
// formula, is one of two parents: it stays whole in Scientific, as does one with
// a stray quote that could be read in two ways. Empty text gives the empty name.
// Length is not looked at.
func ParseName(s string) (Name, error) {
	n, err := splitName(s)
	if err != nil || n.Cultivar == "" {
		return n, err
	}
	again, err := splitName(n.String())
	if again.Original = s; err != nil || again != n {
		whole := Name{Original: s, Scientific: against(signs(apart(clean(s)), false))}
		return whole, nil
	}
	return n, nil
}

func splitName(s string) (Name, error) {
	n := Name{Original: s, Scientific: clean(s)}
	if plainName(n.Scientific) {
		return n, nil
	}
	text := apart(n.Scientific)
	n.Scientific = ""
	before, inner, after, pairs, err := quoted(text)
	if err != nil {
		return n, err
	}
	if pairs == 0 {
		if before, inner, pairs = afterCV(text); pairs < 0 {
			return n, ErrCultivarEmpty
		}
	} else {
		before = withoutCV(before)
	}
	sci := signs(before, inner != "")
	if pairs != 1 || crossed(sci) || strings.Contains(" "+signs(after, false)+" ", " × ") {
		n.Scientific = against(signs(text, false))
		return n, nil
	}
	n.Scientific, n.Cultivar, n.Rest = against(sci), inner, after
	return n, nil
}

// plainName tells of most names that they have no sign and no cultivar.
func plainName(s string) bool {
	for i := range len(s) {
		switch c := s[i]; {
		case c >= 0x80, c == '\'', c == '"', c == '`', c == 'x', c == 'X':
			return false
		case (c == 'v' || c == 'V') && i > 0 && (s[i-1] == 'c' || s[i-1] == 'C'):
			return false
		}
	}
	return true
}

// apart sets off each × that begins a word.
func apart(s string) string {
	if !strings.ContainsAny(s, "×✕✖⨉⨯╳") {
		return s
	}
	var b strings.Builder
	start := true
	for _, r := range s {
		if start && strings.ContainsRune("×✕✖⨉⨯╳", r) {
			b.WriteString("× ")
			continue
		}
		b.WriteRune(r)
		start = r == ' ' || r == '('
	}
	return clean(b.String())
}

// against puts the × of a hybrid that has a name of its own against that name:
// one before the first word, or between the first word and an epithet.
func against(s string) string {
	if rest, ok := strings.CutPrefix(s, "× "); ok {
		if r, _ := utf8.DecodeRuneInString(rest); unicode.IsLetter(r) {
			return "×" + rest
		}
		return s
	}
	first, rest, ok := strings.Cut(s, " × ")
	r, _ := utf8.DecodeRuneInString(rest)
	if ok && unicode.IsLower(r) && !strings.ContainsAny(first, " (") {
		return first + " ×" + rest
	}
	return s
}

// signs makes the words x and X that stand before another word to ×. follows
// tells whether another word comes after the text.
func signs(s string, follows bool) string {
	if !strings.ContainsAny(s, "xX") {
		return s
	}
	parts := strings.Split(s, " ")
	for i, p := range parts {
		if (p == "x" || p == "X") && (follows || i+1 < len(parts)) {
			parts[i] = "×"
		}
	}
	return strings.Join(parts, " ")
}

// crossed tells whether a name is a hybrid formula: outside brackets, a sign
// after a word and before a word that begins in upper case, as a genus does.
func crossed(sci string) bool {
	depth := 0
	parts := strings.Split(sci, " ")
	for i, p := range parts {
		if p == "×" && depth == 0 && i > 0 && i+1 < len(parts) {
			if r, _ := utf8.DecodeRuneInString(parts[i+1]); unicode.IsUpper(r) {
				return true
			}
		}
		depth += strings.Count(p, "(") - strings.Count(p, ")")
	}
	return false
}

// quoteClass returns 1 for a character that growers put in place of a single
// quote, 2 for one in place of a double quote, else 0.
func quoteClass(r rune) int {
	switch r {
	case '\'', '‘', '’', '‚', '‛', '′', '`', '´', '‹', '›':
		return 1
	case '"', '“', '”', '„', '‟', '″', '«', '»':
		return 2
	}
	return 0
}

// quoted finds the text in quotes.
func quoted(s string) (before, inner, after string, pairs int, err error) {
	type mark struct {
		at, end, class int
		opens, closes  bool
	}
	var marks []mark
	last := ' '
	for i, r := range s {
		end := i + utf8.RuneLen(r)
		if class := quoteClass(r); class > 0 {
			next, _ := utf8.DecodeRuneInString(s[end:])
			m := mark{at: i, end: end, class: class}
			m.opens = last == ' ' || last == '(' || last == '['
			m.closes = end == len(s) || strings.ContainsRune(" ),;.]", next)
			// Two single quotes are typed for a double one.
			if k := len(marks) - 1; k >= 0 && marks[k].end == i && class == 1 && marks[k].class == 1 {
				if marks[k].opens {
					marks[k].end, marks[k].closes = end, m.closes
					last = r
					continue
				}
				m.at, marks = marks[k].at, marks[:k]
			}
			marks = append(marks, m)
		}
		last = r
	}
	from, to := -1, -1
	for i, m := range marks {
		switch {
		case from < 0:
			if m.opens {
				from = i
			}
		case m.closes && m.class == marks[from].class:
			to = i
		case m.opens && to >= 0:
			pairs++ // another pair may begin; it does if it ends
			for _, e := range marks[i+1:] {
				if e.closes && e.class == m.class {
					return "", "", "", 2, nil
				}
			}
			pairs--
		}
	}
	switch {
	case from < 0:
		return s, "", "", 0, nil
	case to < 0:
		return s, "", "", 0, ErrQuoteOpen
	}
	inner = unquoted(s[marks[from].end:marks[to].at])
	if inner == "" {
		return s, "", "", 0, ErrQuoteEmpty
	}
	return strings.TrimSpace(s[:marks[from].at]), inner, strings.TrimSpace(s[marks[to].end:]), 1, nil
}

// unquoted takes quotes and spaces off both ends.
func unquoted(s string) string {
	return strings.TrimFunc(s, func(r rune) bool { return r == ' ' || quoteClass(r) > 0 })
}

// isCV tells the word before a cultivar.
func isCV(word string) bool { return strings.EqualFold(word, "cv.") || strings.EqualFold(word, "cv") }

// withoutCV drops the word cv at the end.
func withoutCV(s string) string {
	parts := strings.Split(s, " ")
	if isCV(parts[len(parts)-1]) {
		return strings.Join(parts[:len(parts)-1], " ")
	}
	return s
}

// afterCV splits a name at the word cv. pairs is -1 if nothing follows.
func afterCV(s string) (before, inner string, pairs int) {
	parts := strings.Split(s, " ")
	for i, p := range parts {
		if isCV(p) {
			if inner = unquoted(strings.Join(parts[i+1:], " ")); inner == "" {
				return s, "", -1
			}
			return strings.Join(parts[:i], " "), inner, 1
		}
	}
	return s, "", 0
}

// Capitalised tells whether a cultivar epithet does not begin in lower case.
// Article 21 of the ICNCP (9th edition 2016) wants each word to begin with a
// capital unless the custom of its language is another; so the first word alone
// is looked at, and nothing is rewritten.
func Capitalised(cultivar string) bool {
	r, _ := utf8.DecodeRuneInString(cultivar)
	return cultivar == "" || !unicode.IsLower(r)
}

// The most characters of a name and of a cultivar.
const (
	maxName     = 300
	maxCultivar = 200
)

// ComposeName makes a name out of a scientific name and a cultivar. What cannot be
// taken apart stays whole.
func ComposeName(scientific, cultivar string) Name {
	n, _, rule := composeName(scientific, "", cultivar)
	if rule != "" {
		return Name{Original: scientific, Scientific: clean(scientific), Cultivar: clean(cultivar)}
	}
	return n
}

// composeName makes the name out of the cells for the name, the genus and the
// cultivar. field tells whose fault the broken rule is.
func composeName(nameCell, genusCell, cultivarCell string) (n Name, field, rule string) {
	n, err := ParseName(nameCell)
	if err != nil {
		return n, "name", err.Error()
	}
	if genus := signs(apart(clean(genusCell)), true); genus != "" {
		if rule = n.under(genus); rule != "" {
			return n, "name", rule
		}
		if n.Original == "" {
			n.Original = genus
		}
	}
	if c := clean(cultivarCell); c != "" {
		_, inner, after, pairs, err := quoted(c)
		switch {
		case err != nil:
			return n, "cultivar", err.Error()
		case pairs > 1 || after != "":
			return n, "cultivar", "must be one cultivar and nothing else"
		case pairs == 1:
			c = inner
		default:
			if before, inner, pairs := afterCV(c); pairs > 0 && before == "" {
				c = inner
			}
		}
		if n.Cultivar != "" && Fold(n.Cultivar) != Fold(c) {
			return n, "cultivar", "is not the cultivar of the name, ‘" + n.Cultivar + "’"
		}
		if n.Cultivar == "" {
			n.Cultivar = c
		}
	}
	return n, "", ""
}

// under puts the genus before a name that has only its epithet, or only the
// first letter of the genus.
func (n *Name) under(genus string) (rule string) {
	name := apart(n.Scientific)
	first, rest, _ := strings.Cut(name, " ")
	second, _, _ := strings.Cut(rest, " ")
	bare := strings.TrimPrefix(genus, "× ")
	r, _ := utf8.DecodeRuneInString(first)
	switch {
	case name == "":
		name = genus
	case strings.EqualFold(first, bare), first == "×" && strings.EqualFold(second, bare):
	case strings.HasSuffix(first, ".") && len(first) > 1 && len(first) <= 5 &&
		unicode.IsUpper(r) && len(first)-1 <= len(bare) && strings.EqualFold(first[:len(first)-1], bare[:len(first)-1]):
		name = strings.TrimSpace(genus + " " + rest)
	case first == "×", !unicode.IsUpper(r):
		name = genus + " " + name
	default:
		return "does not belong to the genus " + genus
	}
	n.Scientific = against(name)
	return ""
}
