package paper

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

// Part is a part of a plant's name.
type Part struct {
	Text   string
	Italic bool
}

// upright are words of scientific names that are not Latin names themselves: ranks, and
// what tells how sure a name is.
var upright = map[string]bool{
	"subsp": true, "ssp": true, "var": true, "subvar": true, "f": true, "fo": true, "forma": true, "subf": true, "sect": true, "ser": true,
	"sp": true, "spp": true, "cf": true, "aff": true, "nothosubsp": true, "nothovar": true, "cv": true, "gr": true, "grex": true,
	"x": true, "ex": true, "et": true, "in": true, "hybrid": true, "seedling": true,
}

// Name tells which parts of a name stand in italics: Latin names do (the preface of the
// International Code of Nomenclature for algae, fungi, and plants recommends it for
// scientific names of all ranks); ranks, hybrid signs and authors do not, and cultivars
// stand upright in single quotes (International Code of Nomenclature for Cultivated
// Plants, 9th edition, articles 14.1 and 14.2). A capital after the first word begins an
// author or a name that is not Latin, unless a hybrid sign stands before it. Joined, the
// parts are the name, then a space and the quoted cultivar, if there is one.
func Name(scientific, cultivar string) []Part {
	var out []Part
	add := func(text string, italic bool) {
		if n := len(out); n > 0 && out[n-1].Italic == italic {
			out[n-1].Text += text
		} else {
			out = append(out, Part{text, italic})
		}
	}
	quoted, genus := false, true // in quotes; a genus may come next
	for i, w := range strings.Fields(scientific) {
		if i > 0 {
			add(" ", len(out) > 0 && out[len(out)-1].Italic)
		}
		if strings.HasPrefix(w, "×") && w != "×" {
			add("×", false)
			w, genus = strings.TrimPrefix(w, "×"), true
		}
		word := strings.TrimLeft(w, "([")
		opened := w[:len(w)-len(word)]
		word = strings.TrimRight(word, ")],.;")
		closed := w[len(opened)+len(word):]
		first, _ := utf8.DecodeRuneInString(word)
		last, _ := utf8.DecodeLastRuneInString(word)
		quoted = quoted || strings.ContainsRune(quotesOpen, first)
		latin := !quoted && !upright[word] && (genus && unicode.IsUpper(first) || i > 0 && unicode.IsLower(first)) && isLatin(word)
		for _, part := range []Part{{opened, false}, {word, latin}, {closed, false}} {
			if part.Text != "" {
				add(part.Text, part.Italic)
			}
		}
		genus = word == "×" || word == "x" || word == "" && genus
		if quoted && strings.ContainsRune(quotesClose, last) && utf8.RuneCountInString(word) > 1 {
			quoted = false
		}
	}
	if cultivar != "" {
		if len(out) > 0 {
			add(" ", out[len(out)-1].Italic)
		}
		add("‘"+cultivar+"’", false)
	}
	return out
}

const (
	quotesOpen  = `'‘"“`
	quotesClose = `'’"”`
)

// isLatin tells whether a word has letters of Latin names and hyphens only.
func isLatin(word string) bool {
	for _, r := range word {
		if r != '-' && !unicode.Is(unicode.Latin, r) {
			return false
		}
	}
	return word != ""
}

// longWord is how many letters a Latin word may have that is never broken.
const longWord = 14

// hyphens adds soft hyphens to the long words of Latin names, where a consonant with a
// vowel follows a vowel: a syllable begins there in Latin. Words are only broken where
// they do not fit on a line.
func hyphens(text string) string {
	const vowels, edge = "aeiouy", 3 // letters that stay together at either end
	words := strings.Split(text, " ")
	for i, w := range words {
		letters := []rune(w)
		if len(letters) <= longWord {
			continue
		}
		var b strings.Builder
		for k, r := range letters {
			isVowel := func(at int) bool { return strings.ContainsRune(vowels, unicode.ToLower(letters[at])) }
			if k >= edge && k <= len(letters)-edge && unicode.IsLetter(r) && !isVowel(k) && isVowel(k-1) && isVowel(k+1) {
				b.WriteRune('\u00ad')
			}
			b.WriteRune(r)
		}
		words[i] = b.String()
	}
	return strings.Join(words, " ")
}
