package store

import (
	"strings"
	"unicode"

	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"
)

// Fold returns text as it is compared where case is not told apart: without space
// around it, by the default case folding of Unicode, in its composed form. The
// engines differ in this, so neither does it.
func Fold(text string) string {
	folded := cases.Fold().String(norm.NFC.String(strings.TrimSpace(text)))
	return norm.NFC.String(strings.Map(cherokee, folded))
}

// cherokee folds the one script that folds to capitals: golang.org/x/text v0.43
// swaps its cases instead.
func cherokee(r rune) rune {
	if unicode.Is(unicode.Cherokee, r) {
		return unicode.ToUpper(r)
	}
	return r
}
