// Package paper draws what is printed for the bench: bench sheets and labels, as HTML
// pages that need nothing else and run nothing. It takes plain values and escapes all of
// them (html/template).
//
// Lengths are millimetres unless a name says otherwise.
package paper

import (
	"bytes"
	_ "embed" // templates
	"fmt"
	"html/template"
	"strconv"
)

// Size is a size of paper, upright.
type Size struct {
	Name          string // as CSS calls it (CSS Paged Media Level 3, section 7.1)
	Width, Height float64
}

// The sizes.
var (
	A4     = Size{"A4", 210, 297}         // ISO 216
	Letter = Size{"letter", 215.9, 279.4} // 8.5 by 11 in: ANSI/ASME Y14.1, size A
)

// Policy is the Content-Security-Policy of the pages: they load and run nothing, and
// stand in no frame. A copy stands in the pages, for those that are kept as files.
const Policy = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

//go:embed page.html
var pageText string

var pages = template.Must(template.New("page").Funcs(template.FuncMap{
	"name":    Name,
	"hyphens": hyphens,
	"mm":      func(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) },
	"policy":  func() string { return filePolicy },
	"list":    func(all ...string) []string { return all },
}).Parse(pageText))

// filePolicy is Policy without what a page cannot say of itself.
const filePolicy = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"

func page(name string, data any) ([]byte, error) {
	var out bytes.Buffer
	if err := pages.ExecuteTemplate(&out, name, data); err != nil {
		return nil, fmt.Errorf("page of %s: %w", name, err)
	}
	return out.Bytes(), nil
}
