package photo

import (
	"bytes"
	"encoding/binary"
	"strings"
	"time"
	"unicode/utf8"
)

// EXIF is read here, not by the library: that drops zeros at the beginning of fractions of
// seconds, so that 0.05 s become 0.5 s; it gives up where a tag has a type that it does not
// know, as texts of Exif 3.0 have; and a small file can make
// it go through the same directory a thousand times.

// tiff is a TIFF stream (TIFF 6.0, section 2). Its directories are looked at one by one and
// never followed in a chain, so loops in it do not matter.
type tiff struct {
	order binary.ByteOrder
	data  []byte
}

// sizes of a value by its type (TIFF 6.0, section 2; 13 is a directory, TIFF Technical Note
// 1; 129 is text in UTF-8, Exif 3.0).
var sizes = map[uint16]int64{1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4, 129: 1}

// Tags (CIPA DC-008-2019, Exif 2.32).
const (
	tagOrientation      = 0x0112
	tagArtist           = 0x013b
	tagCopyright        = 0x8298
	tagExif             = 0x8769
	tagDateTimeOriginal = 0x9003
	tagOffsetOriginal   = 0x9011
	tagSubSecOriginal   = 0x9291
)

// exifFacts are what is read of EXIF.
type exifFacts struct {
	orientation       int
	taken             *Taken
	artist, copyright string
}

func readEXIF(data []byte) (f exifFacts) {
	t := tiff{data: data[:min(len(data), maxEXIF)]}
	switch {
	case bytes.HasPrefix(data, []byte("II*\x00")):
		t.order = binary.LittleEndian
	case bytes.HasPrefix(data, []byte("MM\x00*")):
		t.order = binary.BigEndian
	default:
		return f
	}
	first, ok := t.number(data[4:])
	if !ok {
		return f
	}
	f.orientation = int(t.numberOf(first, tagOrientation))
	f.artist = t.text(first, tagArtist)
	f.copyright = t.text(first, tagCopyright)
	if exif := t.numberOf(first, tagExif); exif != 0 {
		f.taken = exifClock(t.text(exif, tagDateTimeOriginal), t.text(exif, tagSubSecOriginal), t.text(exif, tagOffsetOriginal))
	}
	return f
}

// number reads 4 bytes.
func (t tiff) number(b []byte) (uint32, bool) {
	if len(b) < 4 {
		return 0, false
	}
	return t.order.Uint32(b), true
}

// directory returns the entries of a directory, 12 bytes each. Of one that is cut short
// those count that are there.
func (t tiff) directory(at uint32) (entries []byte) {
	if at < 8 || int64(at)+2 > int64(len(t.data)) {
		return nil
	}
	rest := t.data[at+2:]
	return rest[:min(12*int(t.order.Uint16(t.data[at:])), len(rest)/12*12)]
}

// find returns the type and the bytes of a tag's value: none of one that is not there, or
// lies outside.
func (t tiff) find(directory uint32, tag uint16) (kind uint16, value []byte) {
	for entries := t.directory(directory); len(entries) > 0; entries = entries[12:] {
		if t.order.Uint16(entries) != tag {
			continue
		}
		kind = t.order.Uint16(entries[2:])
		size := sizes[kind] * int64(t.order.Uint32(entries[4:]))
		if size <= 4 {
			return kind, entries[8 : 8+size]
		}
		at := int64(t.order.Uint32(entries[8:]))
		if at+size > int64(len(t.data)) {
			return kind, nil
		}
		return kind, t.data[at : at+size]
	}
	return 0, nil
}

// numberOf returns the value of a tag that has one whole number of 2 or 4 bytes, else 0.
func (t tiff) numberOf(directory uint32, tag uint16) uint32 {
	switch kind, value := t.find(directory, tag); {
	case kind == 3 && len(value) == 2:
		return uint32(t.order.Uint16(value))
	case (kind == 4 || kind == 13) && len(value) == 4:
		return t.order.Uint32(value)
	}
	return 0
}

// text returns the value of a tag that has text. NUL ends it, but in a copyright, where it
// stands between the photographer's and the editor's. Bytes above 127, which Exif below 3.0
// has no rule for, are UTF-8 if they can be, else ISO 8859-1.
func (t tiff) text(directory uint32, tag uint16) string {
	kind, value := t.find(directory, tag)
	if kind != 2 && kind != 129 {
		return ""
	}
	var parts []string
	for part := range bytes.SplitSeq(value, []byte{0}) {
		if part = bytes.TrimSpace(part); len(part) > 0 {
			parts = append(parts, latin(part[:min(len(part), 4000)]))
		}
		if tag != tagCopyright || len(parts) == 2 {
			break
		}
	}
	return strings.Join(parts, ", ")
}

func latin(b []byte) string {
	if utf8.Valid(b) {
		return string(b)
	}
	var s strings.Builder
	for _, c := range b {
		s.WriteRune(rune(c))
	}
	return s.String()
}

// exifClock reads DateTimeOriginal with the fraction of its second and its offset from UTC
// (CIPA DC-008, tags 36867, 37521 and 36881). Blanks and zeros in place of digits stand for a
// clock that is not known. Fractions finer than a nanosecond are cut.
func exifClock(clock, fraction, offset string) *Taken {
	if len(clock) != 19 {
		return nil
	}
	at, err := time.Parse("2006:01:02 15:04:05", clock)
	if err != nil || !plausible(at) {
		return nil
	}
	nanoseconds, unit := time.Duration(0), time.Second
	for _, c := range []byte(fraction) {
		if c < '0' || c > '9' {
			nanoseconds = 0 // no number at all
			break
		}
		unit /= 10
		nanoseconds += time.Duration(c-'0') * unit
	}
	return &Taken{at.Add(nanoseconds), offsetOf(offset)}
}
