package store

import (
	"strings"

	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"
)

// Fold returns text as it is compared where case is not told apart: without space
// around it, by the default case folding of Unicode, in its composed form. The
// engines differ in this, so neither does it.
func Fold(text string) string {
	return norm.NFC.String(cases.Fold().String(norm.NFC.String(strings.TrimSpace(text))))
}
