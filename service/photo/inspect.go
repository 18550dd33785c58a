package photo

import (
	"bytes"
	"encoding/binary"
	"io"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/bep/imagemeta"
)

// How much of each kind of metadata is read, in bytes. EXIF and XMP of a JPEG are smaller
// anyway, as a segment has 65,533 at most.
const (
	maxEXIF = 64 << 10  // what lies behind counts as absent
	maxXMP  = 256 << 10 // a larger packet counts as absent
	maxIPTC = 60 << 10
	maxPSIR = 256 << 10 // Photoshop's image resources, among them IPTC
)

// MaxCredit is the most characters of a credit.
const MaxCredit = 200

// Facts are what a file's metadata says that is of use here. What is missing, broken or
// impossible is left out: it never speaks against a picture.
type Facts struct {
	Orientation int    // 1 to 8, see Upright; 1 if the file says nothing
	Taken       *Taken // nil if not known
	Credit      string // whom to name; "" if nobody is named
	License     string // address of a licence of Creative Commons; "" if none is named
}

// Taken is when a picture was taken.
type Taken struct {
	Clock  time.Time      // what the camera's clock showed, as if that were in UTC
	Offset *time.Duration // of the clock from UTC, east is positive; nil if not known
}

// At returns the instant. Where the file names no offset the clock was that of a zone. To
// what this zone's clocks skipped, the offset before the gap applies; of what they showed
// twice it is the first (RFC 5545, 3.3.5).
func (t Taken) At(zone *time.Location) time.Time {
	if t.Offset != nil {
		return t.Clock.Add(-*t.Offset)
	}
	year, month, day := t.Clock.Date()
	hour, minute, second := t.Clock.Clock()
	// Of two instants time.Date takes either; in a gap it takes the offset before or after. No
	// clocks were ever put by more than a day, so the offset before is that of a day before.
	// ZoneBounds is no help: at the end of a leap year it names an end that is none.
	either := time.Date(year, month, day, hour, minute, second, t.Clock.Nanosecond(), zone)
	_, before := either.Add(-24 * time.Hour).Zone()
	first := t.Clock.Add(-time.Duration(before) * time.Second)
	shows := func(at time.Time) bool {
		_, seconds := at.In(zone).Zone()
		return at.Add(time.Duration(seconds) * time.Second).Equal(t.Clock)
	}
	if shows(either) && !shows(first) {
		return either.UTC()
	}
	return first.UTC()
}

// found is the metadata of a file, as it lies in it.
type found struct {
	exif, xmp, resources []byte
}

// Inspect reads the metadata of a picture that was judged: EXIF (CIPA DC-008), XMP
// (ISO 16684-1) and IPTC (IIM 4.2). A JPEG is read up to its first scan, the others to
// their end, where metadata may stand. It holds less than 1 MiB of the file, and returns no
// other error than the reader's.
func Inspect(r io.ReadSeeker, head Head) (Facts, error) {
	facts := Facts{Orientation: 1}
	if _, err := r.Seek(0, io.SeekStart); err != nil {
		return facts, err
	}
	in, err := gather(newSource(r), head.Kind)
	if err != nil {
		return facts, err
	}
	exif := readEXIF(in.exif)
	xmp := readXMP(in.xmp)
	iptc := readIPTC(in.resources)
	if o := exif.orientation; o >= 1 && o <= 8 {
		facts.Orientation = o
	}
	if facts.Taken = exif.taken; facts.Taken == nil {
		facts.Taken = xmp.taken
	}
	for _, text := range []string{
		iptc.credit, xmp.credit, iptc.byline, xmp.creator, exif.artist, exif.copyright, iptc.copyright, xmp.rights,
	} {
		if facts.Credit = Legible(text, MaxCredit); facts.Credit != "" {
			break
		}
	}
	for _, address := range []string{xmp.license, xmp.statement} {
		if facts.License == "" && ofCreativeCommons(address) {
			facts.License = address
		}
	}
	return facts, nil
}

// gather returns the metadata of a file. Of one that ends early or is damaged it is what
// stands before that: only the reader's error is one.
func gather(s *source, kind Kind) (in found, err error) {
	if kind == JPEG {
		err = segments(s.Reader, in.segment)
	} else {
		err = chunks(s.Reader, kind, in.chunk)
	}
	if err != nil && s.err != nil {
		return in, s.err
	}
	return in, nil
}

const (
	exifMark = "Exif\x00\x00"                     // CIPA DC-008, APP1
	xmpMark  = "http://ns.adobe.com/xap/1.0/\x00" // ISO 16684-3, JPEG
	psirMark = "Photoshop 3.0\x00"
	pngXMP   = "XML:com.adobe.xmp\x00\x00\x00\x00\x00" // ISO 16684-3, PNG: not compressed, no language
)

// segment keeps the metadata of a segment of a JPEG file.
func (f *found) segment(marker byte, body *io.LimitedReader) error {
	switch marker {
	case sos, eoi:
		return errStop
	case app1, app13:
	default:
		return nil
	}
	data := make([]byte, body.N) // a segment is small
	if _, err := io.ReadFull(body, data); err != nil {
		return err
	}
	after := func(mark string) ([]byte, bool) { return bytes.CutPrefix(data, []byte(mark)) }
	if rest, ok := after(exifMark); ok && marker == app1 && f.exif == nil {
		f.exif = rest
	} else if rest, ok := after(xmpMark); ok && marker == app1 && f.xmp == nil {
		f.xmp = rest
	} else if rest, ok := after(psirMark); ok && marker == app13 && len(f.resources)+len(rest) <= maxPSIR {
		f.resources = append(f.resources, rest...)
	}
	return nil
}

// chunk keeps the metadata of a chunk of a PNG or WebP file.
func (f *found) chunk(name string, body *io.LimitedReader) error {
	switch name {
	case "eXIf", "EXIF":
		if f.exif != nil {
			return nil
		}
		data, err := io.ReadAll(io.LimitReader(body, maxEXIF))
		f.exif = bytes.TrimPrefix(data, []byte(exifMark)) // not by the standard, but common
		return err
	case "XMP ":
		if f.xmp != nil || body.N > maxXMP {
			return nil
		}
		data, err := io.ReadAll(body)
		f.xmp = data
		return err
	case "iTXt":
		if f.xmp != nil || body.N > maxXMP {
			return nil
		}
		data, err := io.ReadAll(body)
		if rest, ok := bytes.CutPrefix(data, []byte(pngXMP)); ok {
			f.xmp = rest
		}
		return err
	case "IEND":
		return errStop
	}
	return nil
}

// xmpFacts are what is read of XMP.
type xmpFacts struct {
	credit, creator, rights, license, statement string
	taken                                       *Taken
}

// readXMP reads a packet. The library reads it by encoding/xml, which knows no entities but
// XML's own and bounds how deep elements nest. It takes the packet in the smallest WebP
// file that holds it, so that its length is that of what there is.
func readXMP(packet []byte) (f xmpFacts) {
	packet = bytes.Trim(packet, "\x00 \r\n\t")
	if len(packet) == 0 {
		return f
	}
	if !bytes.Contains(packet, []byte(":xmpmeta")) && !bytes.Contains(packet, []byte(":xapmeta")) {
		// The element around rdf:RDF may be left out (ISO 16684-1); the library wants it.
		packet = slices.Concat([]byte("<xmpmeta>"), packet, []byte("</xmpmeta>"))
	}
	file := []byte("RIFF\x00\x00\x00\x00WEBPXMP ")
	file = binary.LittleEndian.AppendUint32(file, uint32(len(packet)))
	file = append(file, packet...)
	places := map[[2]string]*string{
		{"http://ns.adobe.com/photoshop/1.0/", "Credit"}:        &f.credit,
		{"http://purl.org/dc/elements/1.1/", "Creator"}:         &f.creator,
		{"http://purl.org/dc/elements/1.1/", "Rights"}:          &f.rights,
		{"http://creativecommons.org/ns#", "License"}:           &f.license,
		{"http://ns.adobe.com/xap/1.0/rights/", "WebStatement"}: &f.statement,
		{"http://ns.adobe.com/exif/1.0/", "DateTimeOriginal"}:   new(string),
	}
	readTags(imagemeta.WebP, imagemeta.XMP, file, func(t imagemeta.TagInfo) *string {
		return places[[2]string{t.Namespace, t.Tag}]
	})
	f.license, f.statement = strings.TrimSpace(f.license), strings.TrimSpace(f.statement)
	f.taken = xmpClock(*places[[2]string{"http://ns.adobe.com/exif/1.0/", "DateTimeOriginal"}])
	return f
}

// readTags has the library read metadata, and puts the first text of each tag in the place
// that is wanted for it. What the library finds wrong ends it: what it told before stands.
func readTags(format imagemeta.ImageFormat, from imagemeta.Source, file []byte, place func(imagemeta.TagInfo) *string) {
	_, _ = imagemeta.Decode(imagemeta.Options{
		R:           bytes.NewReader(file),
		ImageFormat: format,
		Sources:     from,
		ShouldHandleTag: func(t imagemeta.TagInfo) bool {
			return t.Tag == "CodedCharacterSet" || place(t) != nil
		},
		HandleTag: func(t imagemeta.TagInfo) error {
			to := place(t)
			if to == nil || *to != "" {
				return nil
			}
			switch v := t.Value.(type) {
			case string:
				*to = v
			case []string:
				*to = strings.Join(v, ", ")
			}
			return nil
		},
		LimitNumTags: 2000,
		LimitTagSize: 4000,
	})
}

// xmpClock reads a date of XMP (ISO 16684-1) that has a time of day.
func xmpClock(text string) *Taken {
	zone := ""
	if clock, utc := strings.CutSuffix(text, "Z"); utc {
		text, zone = clock, "+00:00"
	} else if at := len(text) - 6; at > 0 && (text[at] == '+' || text[at] == '-') {
		text, zone = text[:at], text[at:]
	}
	for _, layout := range []string{"2006-01-02T15:04:05", "2006-01-02T15:04"} {
		if clock, err := time.Parse(layout, text); err == nil && plausible(clock) {
			return &Taken{clock, offsetOf(zone)}
		}
	}
	return nil
}

// offsetOf reads an offset from UTC, "+HH:MM" or "-HH:MM"; nil if it is none, or one that no
// clocks have: they differ by -12 to +14 hours (IANA time zone database, since 1995).
func offsetOf(text string) *time.Duration {
	at, err := time.Parse("-07:00", text)
	if err != nil || len(text) != 6 || text[4] > '5' { // time.Parse takes 60 minutes
		return nil
	}
	_, seconds := at.Zone()
	offset := time.Duration(seconds) * time.Second
	if offset < -12*time.Hour || offset > 14*time.Hour {
		return nil
	}
	return &offset
}

// plausible tells whether a clock may have been set. Before 1900 it was not, as elsewhere
// in records here.
func plausible(clock time.Time) bool { return clock.Year() >= 1900 }

// iptcFacts are what is read of IPTC.
type iptcFacts struct{ credit, byline, copyright string }

// readIPTC reads the IPTC among Photoshop's image resources (resource 0x0404). The library
// gets that resource alone, as it loses its way behind others of odd length.
func readIPTC(resources []byte) (f iptcFacts) {
	data := resource(resources, 0x0404)
	if len(data) == 0 || len(data) > maxIPTC {
		return f
	}
	block := []byte(psirMark + "8BIM\x04\x04\x00\x00")
	block = binary.BigEndian.AppendUint32(block, uint32(len(data)))
	block = append(block, data...)
	file := []byte{0xff, soi, 0xff, app13}
	file = binary.BigEndian.AppendUint16(file, uint16(2+len(block)))
	file = append(append(file, block...), 0xff, eoi)
	readTags(imagemeta.JPEG, imagemeta.IPTC, file, func(t imagemeta.TagInfo) *string {
		if t.Namespace != "IPTCApplication" {
			return nil
		}
		switch t.Tag {
		case "Credit":
			return &f.credit
		case "By-line":
			return &f.byline
		case "CopyrightNotice":
			return &f.copyright
		}
		return nil
	})
	f.credit, f.byline, f.copyright = unLatin(f.credit), unLatin(f.byline), unLatin(f.copyright)
	return f
}

// resource returns the data of one of Photoshop's image resources: a signature, a number, a
// name with its length, and data with its length, the latter two padded to an even length.
func resource(all []byte, number uint16) []byte {
	for len(all) >= 12 && string(all[:4]) == "8BIM" {
		at := 6 + (1+int(all[6])+1)&^1
		if at+4 > len(all) {
			return nil
		}
		size := int64(binary.BigEndian.Uint32(all[at:]))
		data := all[at+4:]
		if size > int64(len(data)) {
			return nil
		}
		if binary.BigEndian.Uint16(all[4:]) == number {
			return data[:size]
		}
		all = data[min(size+size&1, int64(len(data))):]
	}
	return nil
}

// unLatin undoes that text without a declared character set was read as ISO 8859-1, where
// its bytes are UTF-8. IIM 4.2 (1:90) has no rule for bytes above 127 then; both are common.
func unLatin(text string) string {
	raw := make([]byte, 0, len(text))
	for _, r := range text {
		if r > 0xff {
			return text
		}
		raw = append(raw, byte(r))
	}
	if utf8.Valid(raw) {
		return string(raw)
	}
	return text
}

// ofCreativeCommons tells whether text is the address of a licence of Creative Commons, or
// of its dedications to the public domain.
func ofCreativeCommons(text string) bool {
	if len(text) > 200 || strings.ContainsFunc(text, func(r rune) bool { return r <= ' ' || r > '~' || strings.ContainsRune(`"<>\^{|}`+"`", r) }) {
		return false
	}
	_, rest, ok := strings.Cut(text, "://")
	if scheme := strings.ToLower(text[:len(text)-len(rest)]); !ok || scheme != "https://" && scheme != "http://" {
		return false
	}
	host, path, _ := strings.Cut(rest, "/")
	host = strings.TrimPrefix(strings.ToLower(host), "www.")
	return host == "creativecommons.org" && (strings.HasPrefix(path, "licenses/") || strings.HasPrefix(path, "publicdomain/"))
}

// Legible returns text as it may be shown: valid UTF-8 on one line, without controls or
// marks that turn the direction of what follows, at most some characters. Text that it leaves
// as it is may be shown.
func Legible(text string, most int) string {
	text = strings.Map(func(r rune) rune {
		switch {
		case unicode.IsSpace(r), r == '\u2028', r == '\u2029':
			return ' '
		case unicode.IsControl(r), r >= '\u202a' && r <= '\u202e', r >= '\u2066' && r <= '\u2069', r == '\ufeff', r == '\ufffd':
			return -1
		}
		return r
	}, strings.ToValidUTF8(text, ""))
	text = strings.Join(strings.Fields(text), " ")
	if n := 0; len(text) > most {
		for i := range text {
			if n == most {
				return strings.TrimSpace(text[:i])
			}
			n++
		}
	}
	return text
}
