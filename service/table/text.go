package table

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"strings"
	"unicode"
	"unicode/utf16"
	"unicode/utf8"
)

// Encoding is how characters are written as bytes.
type Encoding int

const (
	// UTF8 is the default. A table that begins with the byte order mark of
	// UTF-16, as spreadsheets write "Unicode text", is read as that.
	UTF8 Encoding = iota
	// Windows1252 is what spreadsheets in western Europe and America write as
	// plain "CSV". It cannot be told from its neighbours by its bytes, so it is
	// read only where the caller says so. A byte order mark goes before.
	Windows1252
)

// windows1252 holds the characters of the bytes 0x80 to 0x9F; 0 where there is
// none. Source: the table "cp1252" of the Unicode Consortium, version 2.01.
var windows1252 = [32]rune{
	0x20AC, 0, 0x201A, 0x0192, 0x201E, 0x2026, 0x2020, 0x2021,
	0x02C6, 0x2030, 0x0160, 0x2039, 0x0152, 0, 0x017D, 0,
	0, 0x2018, 0x2019, 0x201C, 0x201D, 0x2022, 0x2013, 0x2014,
	0x02DC, 0x2122, 0x0161, 0x203A, 0x0153, 0, 0x017E, 0x0178,
}

// decode turns bytes into valid UTF-8 without a byte order mark. If it cannot,
// it says on which line (0: the file) and why.
func decode(data []byte, o Options) (text string, line int, rule string) {
	switch {
	case bytes.HasPrefix(data, []byte("PK\x03\x04")), bytes.HasPrefix(data, []byte{0xD0, 0xCF, 0x11, 0xE0}):
		return "", 0, "is a workbook, not text: save the sheet as CSV (UTF-8)"
	case bytes.HasPrefix(data, []byte("%PDF-")):
		return "", 0, "is a PDF, not text: save the sheet as CSV (UTF-8)"
	case bytes.HasPrefix(data, []byte{0xFF, 0xFE, 0, 0}), bytes.HasPrefix(data, []byte{0, 0, 0xFE, 0xFF}):
		return "", 0, "is UTF-32, which is not read: save it as UTF-8"
	case bytes.HasPrefix(data, []byte{0xFF, 0xFE}):
		return decodeUTF16(data[2:], binary.LittleEndian)
	case bytes.HasPrefix(data, []byte{0xFE, 0xFF}):
		return decodeUTF16(data[2:], binary.BigEndian)
	}
	rest, marked := bytes.CutPrefix(data, []byte{0xEF, 0xBB, 0xBF})
	if i := bytes.IndexByte(rest, 0); i >= 0 {
		return "", lineOf(rest[:i]), "has a NUL byte, so it is not plain text: save it as CSV (UTF-8)"
	}
	if o.Encoding == Windows1252 && !marked {
		return decodeWindows1252(rest)
	}
	if utf8.Valid(rest) {
		return string(rest), 0, ""
	}
	return notUTF8(rest, o)
}

// notUTF8 names the first byte that is not UTF-8.
func notUTF8(data []byte, o Options) (text string, line int, rule string) {
	line, at, lines := 0, 0, 0
	var bad byte
	var before string
	for n := 1; len(data) > 0; n++ {
		end := lineEnd(data)
		if l := data[:end]; !utf8.Valid(l) {
			if lines++; lines == 1 {
				line = n
				for i := 0; i < len(l); {
					r, size := utf8.DecodeRune(l[i:])
					at++
					if r == utf8.RuneError && size == 1 {
						bad, before = l[i], string(l[max(0, i-20):i])
						break
					}
					i += size
				}
			}
		}
		data = data[end:]
	}
	rule = fmt.Sprintf("character %d of the line, the byte 0x%02X, is not UTF-8", at, bad)
	if before = strings.ToValidUTF8(before, ""); before != "" {
		rule += fmt.Sprintf(" (after %q)", before)
	}
	if lines > 1 {
		rule += fmt.Sprintf("; %d lines are like this", lines)
	}
	rule += ": save the table as CSV (UTF-8)"
	if o.AskEncoding != "" {
		rule += ", or " + o.AskEncoding
	}
	return "", line, rule
}

func decodeUTF16(data []byte, order binary.ByteOrder) (text string, line int, rule string) {
	if len(data)%2 != 0 {
		return "", 0, "is UTF-16, but ends within a character: save it as UTF-8"
	}
	units := make([]uint16, len(data)/2)
	for i := range units {
		units[i] = order.Uint16(data[2*i:])
	}
	var b strings.Builder
	b.Grow(len(units))
	for i := 0; i < len(units); i++ {
		r := rune(units[i])
		if utf16.IsSurrogate(r) {
			next := rune(0)
			if i+1 < len(units) {
				next = rune(units[i+1])
			}
			if r = utf16.DecodeRune(r, next); r == unicode.ReplacementChar {
				return "", lineOf([]byte(b.String())), "has half a character of UTF-16: save it as UTF-8"
			}
			i++
		}
		if r == 0 {
			return "", lineOf([]byte(b.String())), "has a NUL character, so it is not plain text: save it as CSV (UTF-8)"
		}
		b.WriteRune(r)
	}
	return b.String(), 0, ""
}

func decodeWindows1252(data []byte) (text string, line int, rule string) {
	var b strings.Builder
	b.Grow(len(data) + len(data)/16)
	for i, c := range data {
		r := rune(c)
		if c >= 0x80 && c < 0xA0 {
			if r = windows1252[c-0x80]; r == 0 {
				return "", lineOf(data[:i]), fmt.Sprintf("has the byte 0x%02X, which Windows-1252 does not know: save the table as CSV (UTF-8)", c)
			}
		}
		b.WriteRune(r)
	}
	return b.String(), 0, ""
}

// lineEnd returns the length of the first line with its end: CR, LF or CRLF.
func lineEnd(data []byte) int {
	i := bytes.IndexAny(data, "\r\n")
	switch {
	case i < 0:
		return len(data)
	case data[i] == '\r' && i+1 < len(data) && data[i+1] == '\n':
		return i + 2
	}
	return i + 1
}

// lineOf returns the line, from 1, on which the byte after data stands.
func lineOf(data []byte) int {
	n := 1 + bytes.Count(data, []byte{'\n'})
	for i, c := range data {
		if c == '\r' && (i+1 == len(data) || data[i+1] != '\n') {
			n++
		}
	}
	return n
}

// invisible tells characters that show nothing and come along when text is
// copied from a page: they would make equal tags unequal.
func invisible(r rune) bool {
	switch {
	case r == 0x00AD, r == 0xFEFF, r >= 0x200B && r <= 0x200F, r >= 0x202A && r <= 0x202E, r >= 0x2060 && r <= 0x2069:
		return true
	}
	return false
}

// clean trims a cell, makes each run of white space (of any kind, line breaks
// too) one space and drops invisible characters.
func clean(s string) string {
	plain, gap := true, true // gap: the byte before was a space, or there is none
	for i := 0; i < len(s) && plain; i++ {
		c := s[i]
		plain = c < 0x80 && (c > ' ' || c == ' ' && !gap)
		gap = c == ' '
	}
	if plain && (!gap || s == "") {
		return s
	}
	var b strings.Builder
	b.Grow(len(s))
	pending := false
	for _, r := range s {
		switch {
		case unicode.IsSpace(r):
			pending = b.Len() > 0
		case invisible(r):
		default:
			if pending {
				b.WriteByte(' ')
				pending = false
			}
			b.WriteRune(r)
		}
	}
	return b.String()
}

// control finds a control character that no text has. White space is none.
func control(s string) (r rune, found bool) {
	for _, r := range s {
		if unicode.IsControl(r) && !unicode.IsSpace(r) {
			return r, true
		}
	}
	return 0, false
}

// key is what headers and words are compared by: letters and digits, folded.
func key(s string) string {
	var b strings.Builder
	b.Grow(len(s))
	for _, r := range s {
		switch {
		case r >= 'a' && r <= 'z', r >= '0' && r <= '9':
			b.WriteByte(byte(r))
		case r >= 'A' && r <= 'Z':
			b.WriteByte(byte(r) + 'a' - 'A')
		case r >= 0x80 && (unicode.IsLetter(r) || unicode.IsDigit(r)):
			b.WriteRune(foldRune(r))
		}
	}
	return b.String()
}
