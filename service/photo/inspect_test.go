package photo

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/bep/imagemeta"
	"github.com/google/go-cmp/cmp"
)

// stub is a JPEG file of one grey pixel that does not depend on the encoder (ITU-T T.81).
func stub() []byte { return progressive(8, 8, 1, 0) }

// good is what a camera writes, and a program for photographs.
func good(o binary.AppendByteOrder) camera {
	return camera{
		first: []field{ascii(0x010f, "Maker of cameras"), short(o, 0x0112, 6), ascii(0x013b, "Artist in EXIF"), ascii(0x8298, "Copyright in EXIF")},
		exif:  []field{ascii(0x9003, "2026:05:17 14:03:09"), ascii(0x9011, "+02:00"), ascii(0x9291, "050"), ascii(0xa431, "SERIAL-4711")},
		gps:   []field{{0x0000, 1, 4, []byte{2, 3, 0, 0}}, ascii(0x0001, "N"), degrees(o, 0x0002, 47, 30, 12), ascii(0x0003, "E"), degrees(o, 0x0004, 8, 15, 45)},
	}
}

const (
	ccBY = "https://creativecommons.org/licenses/by/4.0/"
	cc0  = "http://creativecommons.org/publicdomain/zero/1.0/"
)

// tagged are files with metadata of all kinds, which TestExifTool has read by ExifTool too.
func tagged(t testing.TB) map[string][]byte {
	t.Helper()
	files := map[string][]byte{}
	for i, o := range orders {
		name := []string{"big endian", "little endian"}[i]
		files["EXIF, "+name] = behindSOI(stub(), exifSegment(tiffOf(o, good(o))))
		for n := uint16(0); n <= 9; n++ {
			if n >= 1 && n <= 8 {
				files[fmt.Sprintf("orientation %d, %s", n, name)] = behindSOI(stub(), exifSegment(tiffOf(o, camera{first: []field{short(o, 0x0112, n)}})))
			}
		}
		files["PNG, "+name] = behindIHDR(tinyPNG(t), chunkOf("eXIf", tiffOf(o, good(o))))
		files["WebP, "+name] = inWebP(webpOf(plain(4, 4)), 4, 4, riffChunk("EXIF", tiffOf(o, good(o))))
	}
	o := orders[0]
	two := good(o)
	two.exif = two.exif[:1]
	two.gps, two.first = nil, two.first[3:]
	files["EXIF, a clock without offset"] = behindSOI(stub(), exifSegment(tiffOf(o, two)))
	files["EXIF, GPS without position"] = behindSOI(stub(), exifSegment(tiffOf(o, camera{gps: []field{{0x0000, 1, 4, []byte{2, 3, 0, 0}}}})))
	packet := xmpOf(`<photoshop:Credit>Credit in XMP &amp; Co</photoshop:Credit>` +
		`<dc:creator><rdf:Seq><rdf:li>First</rdf:li><rdf:li>Second</rdf:li></rdf:Seq></dc:creator>` +
		`<cc:license rdf:resource="` + ccBY + `"/><xmpRights:WebStatement>` + cc0 + `</xmpRights:WebStatement>` +
		`<exif:DateTimeOriginal>2026-05-17T14:03:09.05+02:00</exif:DateTimeOriginal>` +
		`<exif:GPSLatitude>47,30.2N</exif:GPSLatitude><exif:GPSLongitude>8,15.75E</exif:GPSLongitude>`)
	files["XMP"] = behindSOI(stub(), xmpSegment(packet))
	files["XMP in PNG"] = behindIHDR(tinyPNG(t), chunkOf("iTXt", []byte(pngXMP+packet)))
	files["XMP in WebP"] = inWebP(webpOf(plain(4, 4)), 4, 4, riffChunk("XMP ", []byte(packet)))
	files["XMP, creators"] = behindSOI(stub(), xmpSegment(xmpOf(`<dc:creator><rdf:Seq><rdf:li>First</rdf:li><rdf:li>Second</rdf:li></rdf:Seq></dc:creator><xmpRights:WebStatement>`+cc0+`</xmpRights:WebStatement>`)))
	files["XMP, a position in a structure"] = behindSOI(stub(), xmpSegment(xmpOf(`<Iptc4xmpExt:LocationCreated><rdf:Bag><rdf:li rdf:parseType="Resource"><exif:GPSLatitude>47,30.2N</exif:GPSLatitude></rdf:li></rdf:Bag></Iptc4xmpExt:LocationCreated>`)))
	files["XMP, attributes"] = behindSOI(stub(), xmpSegment(strings.Replace(xmpOf(""), `rdf:about=""`, `rdf:about="" photoshop:Credit="An attribute"`, 1)))
	files["IPTC"] = behindSOI(stub(), iptcSegment(utf8Sets+dataSet(2, 80, "By-line")+dataSet(2, 110, "Zoë & Søn")+dataSet(2, 116, "Notice")))
	files["IPTC, Latin"] = behindSOI(stub(), iptcSegment(dataSet(2, 110, "Zo\xeb"+" & S\xf8n")))
	files["IPTC, by-lines"] = behindSOI(stub(), iptcSegment(utf8Sets+dataSet(2, 80, "First")+dataSet(2, 80, "Second")))
	files["IPTC behind other resources"] = behindSOI(stub(), segmentOf(app13, psirMark, resourceOf(0x03ed, "", "sixteen bytes ..")+resourceOf(0x0bb7, "name", "odd")+resourceOf(0x0404, "", dataSet(2, 110, "Behind"))))
	files["all"] = behindSOI(stub(), exifSegment(tiffOf(o, good(o))), xmpSegment(packet), iptcSegment(utf8Sets+dataSet(2, 110, "Credit in IPTC")))
	files["nothing"] = stub()
	return files
}

// inspect reads the facts of a file that was not judged.
func inspect(t testing.TB, kind Kind, file []byte) Facts {
	t.Helper()
	facts, err := Inspect(bytes.NewReader(file), Head{Kind: kind})
	if err != nil {
		t.Fatal(err)
	}
	if facts.Orientation < 1 || facts.Orientation > 8 || utf8.RuneCountInString(facts.Credit) > MaxCredit || !utf8.ValidString(facts.Credit) {
		t.Fatalf("%+v", facts)
	}
	return facts
}

// Both orders tell the same, in all kinds of files.
func TestInspect(t *testing.T) {
	offset := 2 * time.Hour
	want := Facts{
		Orientation: 6,
		Taken:       &Taken{time.Date(2026, 5, 17, 14, 3, 9, 50_000_000, time.UTC), &offset},
		Credit:      "Artist in EXIF",
	}
	files := tagged(t)
	for _, order := range []string{"big endian", "little endian"} {
		for name, kind := range map[string]Kind{"EXIF, ": JPEG, "PNG, ": PNG, "WebP, ": WebP} {
			if diff := cmp.Diff(want, inspect(t, kind, files[name+order])); diff != "" {
				t.Error(name, order, diff)
			}
		}
	}
	if got := want.Taken.At(time.FixedZone("elsewhere", -3600)); !got.Equal(time.Date(2026, 5, 17, 12, 3, 9, 50_000_000, time.UTC)) {
		t.Error(got)
	}
}

// TestOtherReader compares with another reader of EXIF (imagemeta 1.0.1), where that reads
// what is there.
func TestOtherReader(t *testing.T) {
	for _, o := range orders {
		for n := uint16(0); n < 12; n++ {
			file := behindSOI(stub(), exifSegment(tiffOf(o, camera{
				first: []field{short(o, 0x0112, n), ascii(0x013b, fmt.Sprint("Artist ", n))},
				exif:  []field{ascii(0x9003, "2026:05:17 14:03:09"), ascii(0x9011, "-03:30")},
			})))
			tags := map[string]any{}
			_, err := imagemeta.Decode(imagemeta.Options{R: bytes.NewReader(file), ImageFormat: imagemeta.JPEG, Sources: imagemeta.EXIF, HandleTag: func(i imagemeta.TagInfo) error {
				tags[i.Tag] = i.Value
				return nil
			}})
			if err != nil {
				t.Fatal(err)
			}
			facts := inspect(t, JPEG, file)
			want := int(tags["Orientation"].(uint16))
			if want < 1 || want > 8 {
				want = 1
			}
			if facts.Orientation != want || facts.Credit != tags["Artist"] || facts.Taken.Clock.Format("2006:01:02 15:04:05") != tags["DateTimeOriginal"] ||
				facts.Taken.Clock.In(time.FixedZone("", int(facts.Taken.Offset.Seconds()))).Format("-07:00") != tags["OffsetTimeOriginal"] {
				t.Error(facts, tags)
			}
		}
	}
}

// An orientation that is not one of the eight, or no whole number, is none.
func TestOrientationOutOfRange(t *testing.T) {
	for _, o := range orders {
		for _, f := range []field{
			short(o, 0x0112, 0), short(o, 0x0112, 9), short(o, 0x0112, 0xffff), short(o, 0x0112, 3, 3), short(o, 0x0112),
			ascii(0x0112, "6"), {0x0112, 99, 1, []byte{0, 3}}, {0x0112, 5, 1, []byte{0, 0, 0, 3, 0, 0, 0, 1}},
		} {
			if got := inspect(t, JPEG, behindSOI(stub(), exifSegment(tiffOf(o, camera{first: []field{f}})))).Orientation; got != 1 {
				t.Error(f, got)
			}
		}
		// That of the preview is not the picture's.
		file := behindSOI(stub(), exifSegment(tiffOf(o, camera{second: []field{short(o, 0x0112, 8)}})))
		if got := inspect(t, JPEG, file).Orientation; got != 1 {
			t.Error(got)
		}
	}
}

// Clocks by Exif 2.32: "YYYY:MM:DD HH:MM:SS", blanks or zeros if not known; fractions are
// digits behind the point; offsets are "+HH:MM".
func TestTaken(t *testing.T) {
	const day = "2026:05:17 14:03:09"
	for _, test := range []struct {
		clock, fraction, offset string
		want                    string // RFC 3339 with the offset, or none; "" if not known
	}{
		{day, "", "", "2026-05-17T14:03:09"},
		{day, "5", "", "2026-05-17T14:03:09.5"},
		{day, "05", "", "2026-05-17T14:03:09.05"},
		{day, "050   ", "", "2026-05-17T14:03:09.05"},
		{day, "123456789123", "", "2026-05-17T14:03:09.123456789"},
		{day, "x5", "", "2026-05-17T14:03:09"},
		{day, "5x", "", "2026-05-17T14:03:09"},
		{day, "", "+00:00", "2026-05-17T14:03:09+00:00"},
		{day, "", "-03:30", "2026-05-17T14:03:09-03:30"},
		{day, "", "+14:00", "2026-05-17T14:03:09+14:00"},
		{day, "", "-12:00", "2026-05-17T14:03:09-12:00"},
		{day, "", "+14:01", "2026-05-17T14:03:09"},
		{day, "", "-12:01", "2026-05-17T14:03:09"},
		{day, "", "+25:00", "2026-05-17T14:03:09"},
		{day, "", "+01:60", "2026-05-17T14:03:09"},
		{day, "", "   :  ", "2026-05-17T14:03:09"},
		{day, "", "+0200", "2026-05-17T14:03:09"},
		{day, "", "Z", "2026-05-17T14:03:09"},
		{"2024:02:29 00:00:00", "", "", "2024-02-29T00:00:00"},
		{"2026:02:29 00:00:00", "", "", ""},
		{"2026:13:01 00:00:00", "", "", ""},
		{"2026:01:00 00:00:00", "", "", ""},
		{"2026:01:01 24:00:00", "", "", ""},
		{"2026:01:01 23:60:00", "", "", ""},
		{"2026:01:01 23:59:60", "", "", ""},
		{"0000:00:00 00:00:00", "", "", ""},
		{"0001:01:01 00:00:00", "", "", ""},
		{"1899:12:31 23:59:59", "", "", ""},
		{"1900:01:01 00:00:00", "", "", "1900-01-01T00:00:00"},
		{"9999:12:31 23:59:59", "", "", "9999-12-31T23:59:59"},
		{"    :  :     :  :  ", "", "", ""},
		{"                   ", "", "", ""},
		{"2026:05:17", "", "", ""},
		{"2026-05-17 14:03:09", "", "", ""},
		{"2026:05:17 14:03:09 and more", "", "", ""},
		{"2026:05:17 1:03:09.5", "", "", ""},
		{"", "5", "+02:00", ""},
		{"\xff\xfe:05:17 14:03:09", "", "", ""},
	} {
		for _, o := range orders {
			file := behindSOI(stub(), exifSegment(tiffOf(o, camera{exif: []field{ascii(0x9003, test.clock), ascii(0x9011, test.offset), ascii(0x9291, test.fraction)}})))
			var got string
			if taken := inspect(t, JPEG, file).Taken; taken != nil {
				got = taken.Clock.Format("2006-01-02T15:04:05.999999999")
				if taken.Offset != nil {
					got += taken.Clock.In(time.FixedZone("", int(taken.Offset.Seconds()))).Format("-07:00")
				}
			}
			if got != test.want {
				t.Errorf("%q: %s", test, got)
			}
		}
	}
	// No clock at all.
	if got := inspect(t, JPEG, behindSOI(stub(), exifSegment(tiffOf(orders[0], camera{exif: []field{}})))).Taken; got != nil {
		t.Error(got)
	}
}

// Dates of XMP (ISO 16684-1, after the W3C note of 1997 on dates and times): the time of day
// and what stands behind it may be left out.
func TestTakenInXMP(t *testing.T) {
	for text, want := range map[string]string{
		"2026-05-17T14:03:09Z":         "2026-05-17T14:03:09Z +0s",
		"2026-05-17T14:03:09.5-03:30":  "2026-05-17T14:03:09.5Z -3h30m0s",
		"2026-05-17T14:03":             "2026-05-17T14:03:00Z -",
		"2026-05-17T14:03+02:00":       "2026-05-17T14:03:00Z +2h0m0s",
		"2026-05-17T14:03:09":          "2026-05-17T14:03:09Z -",
		"2026-05-17":                   "",
		"2026":                         "",
		"0000-00-00T00:00:00":          "",
		"2026-02-29T00:00:00Z":         "",
		"2026-05-17T14:03:09+23:00":    "2026-05-17T14:03:09Z -",
		"2026-05-17T14:03:09+01:60":    "2026-05-17T14:03:09Z -",
		"1899-12-31T00:00:00Z":         "",
		"the seventeenth":              "",
		"2026-05-17T14:03:09Z and all": "",
	} {
		var got string
		if taken := inspect(t, JPEG, behindSOI(stub(), xmpSegment(xmpOf(`<exif:DateTimeOriginal>`+text+`</exif:DateTimeOriginal>`)))).Taken; taken != nil {
			got = taken.Clock.Format(time.RFC3339Nano) + " -"
			if taken.Offset != nil {
				got = strings.TrimSuffix(got, "-") + map[bool]string{true: "+"}[*taken.Offset >= 0] + taken.Offset.String()
			}
		}
		if got != want {
			t.Errorf("%s: %q", text, got)
		}
	}
}

// The order of credits: each is taken away in turn.
func TestCreditOrder(t *testing.T) {
	o := orders[1]
	iptc := []string{dataSet(2, 110, "1 IPTC credit"), dataSet(2, 80, "3 by-line"), dataSet(2, 116, "7 notice")}
	xmp := []string{`<photoshop:Credit>2 XMP credit</photoshop:Credit>`, `<dc:creator><rdf:Seq><rdf:li>4 creator</rdf:li></rdf:Seq></dc:creator>`, `<dc:rights><rdf:Alt><rdf:li xml:lang="x-default">8 rights</rdf:li></rdf:Alt></dc:rights>`}
	exif := []field{ascii(0x013b, "5 artist"), ascii(0x8298, "6 copyright")}
	where := [][2]int{{0, 0}, {1, 0}, {0, 1}, {1, 1}, {2, 0}, {2, 1}, {0, 2}, {1, 2}}
	for n := range 9 {
		file := behindSOI(stub(), iptcSegment(utf8Sets+strings.Join(iptc, "")), xmpSegment(xmpOf(strings.Join(xmp, ""))), exifSegment(tiffOf(o, camera{first: exif})))
		if n == 8 {
			if got := inspect(t, JPEG, file).Credit; got != "" {
				t.Error(got)
			}
			break
		}
		if got := inspect(t, JPEG, file).Credit; !strings.HasPrefix(got, fmt.Sprint(n+1)) {
			t.Error(n+1, got)
		}
		switch at := where[n]; at[0] {
		case 0:
			iptc[at[1]] = ""
		case 1:
			xmp[at[1]] = ""
		case 2:
			exif[at[1]] = ascii(exif[at[1]].tag, "")
		}
	}
}

func TestCreditIsLegible(t *testing.T) {
	long := strings.Repeat("ä", 300)
	for text, want := range map[string]string{
		"Name\tof\r\nsomebody":         "Name of somebody",
		"a\x00b\x07c\x1b[31m":          "abc[31m",
		"\u202eecnirp":                 "ecnirp",
		"a\u2066b\u2069c\ufeff":        "abc",
		"line\u2028line":               "line line",
		"\xff\xfe":                     "ÿþ",
		"Zo\xeb":                       "Zoë",
		"   ":                          "",
		"क्षेत्र \u200d":               "क्षेत्र \u200d",
		long:                           long[:400],
		strings.Repeat("x", 200) + "y": strings.Repeat("x", 200),
	} {
		got := inspect(t, JPEG, behindSOI(stub(), iptcSegment(dataSet(2, 110, text)))).Credit
		if got != want {
			t.Errorf("%q: %q", text, got)
		}
		if again := Legible(got, MaxCredit); again != got {
			t.Errorf("%q is legible, and became %q", got, again)
		}
	}
	if got := Legible("a\u2029b\u2067c", 3); got != "a b" {
		t.Errorf("%q", got)
	}
	// Exif 3.0 has texts in UTF-8, of type 129; what stands behind one is read as before.
	o := orders[0]
	third := good(o)
	third.first[2] = field{0x013b, 129, 6, []byte("Søren\x00")}
	third.first[2].count = uint32(len(third.first[2].value))
	if got := inspect(t, JPEG, behindSOI(stub(), exifSegment(tiffOf(o, third)))); got.Credit != "Søren" || got.Taken == nil {
		t.Errorf("%+v", got)
	}
	// Copyright: the photographer's, NUL, the editor's (Exif 2.32, tag 33432).
	for text, want := range map[string]string{"One\x00Two": "One, Two", " \x00Two": "Two", "One\x00": "One", "One\x00Two\x00Three": "One, Two"} {
		if got := inspect(t, JPEG, behindSOI(stub(), exifSegment(tiffOf(o, camera{first: []field{ascii(0x8298, text)}})))).Credit; got != want {
			t.Errorf("%q: %q", text, got)
		}
	}
}

func TestLicense(t *testing.T) {
	for address, taken := range map[string]bool{
		ccBY: true,
		cc0:  true,
		"https://www.creativecommons.org/licenses/by-nc-sa/3.0/de/": true,
		"HTTPS://CreativeCommons.org/licenses/by/4.0":               true,
		"  " + ccBY + "\n":                                                 true,
		"https://creativecommons.org/":                                     false,
		"https://creativecommons.org.example/licenses/by/4.0/":             false,
		"https://example.org/creativecommons.org/licenses/by/4.0/":         false,
		"https://x@creativecommons.org/licenses/by/4.0/":                   false,
		"javascript://creativecommons.org/licenses/%0aalert(1)":            false,
		"creativecommons.org/licenses/by/4.0/":                             false,
		"https://creativecommons.org/licenses/by/4.0/ and more":            false,
		"https://creativecommons.org/licenses/" + strings.Repeat("x", 200): false,
		"All rights reserved":                                              false,
		"":                                                                 false,
	} {
		want := ""
		if taken {
			want = strings.TrimSpace(address)
		}
		for _, property := range []string{
			`<cc:license rdf:resource="` + escaped(t, address) + `"/>`,
			`<cc:license>` + escaped(t, address) + `</cc:license>`,
			`<xmpRights:WebStatement>` + escaped(t, address) + `</xmpRights:WebStatement>`,
		} {
			if got := inspect(t, JPEG, behindSOI(stub(), xmpSegment(xmpOf(property)))).License; got != want {
				t.Errorf("%s: %q", property, got)
			}
		}
	}
	// rdf:RDF may be the root (ISO 16684-1), and a packet padded by zeros.
	bare := xmpOf(`<cc:license rdf:resource="` + ccBY + `"/>`)
	bare = strings.NewReplacer(`<x:xmpmeta xmlns:x="adobe:ns:meta/">`, "", `</x:xmpmeta>`, "").Replace(bare) + "\x00\x00\n"
	if got := inspect(t, JPEG, behindSOI(stub(), xmpSegment(bare))).License; got != ccBY {
		t.Errorf("%q", got)
	}
}

// Metadata that is made to harm is as good as none, and costs little.
func TestHostileMetadata(t *testing.T) {
	files := map[string][]byte{}
	for i, o := range orders {
		name := []string{"big endian: ", "little endian: "}[i]
		exif := func(what string, tiff []byte) {
			files[name+what] = behindSOI(stub(), exifSegment(tiff))
		}
		head := func(at uint32) []byte { return o.AppendUint32(tiffOf(o, camera{})[:4:4], at) }
		exif("a directory that is its own next", append(head(8), o.AppendUint32([]byte{0, 0}, 8)...))
		loop := tiffOf(o, camera{first: []field{long(o, 0x8769, 0), long(o, 0x8825, 0), long(o, 0x014a, 8)}})
		for at := 10; at < 10+36; at += 12 {
			o2 := o.AppendUint32(nil, 8)
			copy(loop[at+8:], o2)
		}
		exif("directories within each other", loop)
		exif("an offset beyond the end", head(0xfffffff0))
		exif("an offset within the head", head(2))
		exif("65,535 entries", append(append(head(8), 0xff, 0xff), bytes.Repeat([]byte{0xff}, 65000)...))
		exif("a count of 4,294,967,295", tiffOf(o, camera{first: []field{{0x0112, 3, 0xffffffff, []byte{0xff, 0xff, 0xff, 0xff}}, {0x013b, 2, 0xfffffff0, []byte{0xff, 0xff, 0xff, 0xf0}}}}))
		exif("no directory", head(8))
		exif("a text of 60,000", tiffOf(o, camera{first: []field{{0x8298, 2, 60000, make([]byte, 60000)}}}))
		many := make([]field, 4500)
		for i := range many {
			many[i] = field{0x014a, 4, 2500, o.AppendUint32(nil, 8)}
		}
		exif("thousands of directories", tiffOf(o, camera{first: many}))
		files[name+"a preview that is the whole"] = behindSOI(stub(), exifSegment(tiffOf(o, camera{second: []field{long(o, 0x0201, 0), long(o, 0x0202, 100)}})))
	}
	xmp := func(what, packet string) { files["XMP: "+what] = behindSOI(stub(), xmpSegment(packet)) }
	xmp("entities that multiply", `<?xml version="1.0"?><!DOCTYPE l [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;"><!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;&b;&b;">]>`+
		strings.Replace(xmpOf(`<photoshop:Credit>&c;</photoshop:Credit>`), "<?xpacket", "<?x", 1))
	xmp("an entity of a file", `<!DOCTYPE l [<!ENTITY f SYSTEM "file:///etc/hostname">]>`+xmpOf(`<photoshop:Credit>&f;</photoshop:Credit>`))
	xmp("nested deep", xmpOf(strings.Repeat("<a>", 20000)))
	xmp("nested deep, within lists", xmpOf(strings.Repeat("<dc:creator><rdf:Seq><rdf:li>", 2000)))
	xmp("not XML", "\x00\x01\x02<<<>>>")
	xmp("not UTF-8", xmpOf("<photoshop:Credit>\xff\xfe</photoshop:Credit>"))
	xmp("UTF-16", `<?xml version="1.0" encoding="UTF-16"?>`+xmpOf(""))
	xmp("many properties", xmpOf(strings.Repeat("<a/>", 16000)))
	xmp("cut", xmpOf("<photoshop:Credit>x</photoshop:Credit>")[:300])
	iptc := func(what, resources string) {
		files["IPTC: "+what] = behindSOI(stub(), segmentOf(app13, psirMark, resources))
	}
	iptc("a resource longer than there is", "8BIM\x04\x04\x00\x00\xff\xff\xff\xff\x1c\x02\x6e\x00\x01x")
	iptc("a name longer than there is", "8BIM\x04\x04\xff\x00\x00\x00\x00\x00")
	iptc("a set longer than there is", resourceOf(0x0404, "", "\x1c\x02\x6e\xff\xffx"))
	iptc("a set with a longer length", resourceOf(0x0404, "", "\x1c\x02\x6e\x80\x04\x00\x00\x00\x01x"))
	iptc("many empty resources", strings.Repeat("8BIM\x00\x00\x00\x00\x00\x00\x00\x00", 5000))
	iptc("many sets", resourceOf(0x0404, "", strings.Repeat(dataSet(2, 25, "k"), 9000)))
	iptc("no resource", "8BI")
	files["Photoshop's resources without end"] = behindSOI(stub(), slices.Concat(slices.Repeat([][]byte{segmentOf(app13, psirMark, strings.Repeat("x", 65000))}, 100)...))
	files["XMP without end"] = behindSOI(stub(), slices.Concat(slices.Repeat([][]byte{segmentOf(app1, "http://ns.adobe.com/xmp/extension/\x00", strings.Repeat("x", 65000))}, 100)...))

	// PNG has room for more; what it has beyond the bound is not read.
	for n, kilobytes := range []int{250, 300} {
		packet := xmpOf(`<photoshop:Credit>within</photoshop:Credit>` + strings.Repeat("<a/>", kilobytes<<10/4))
		file := behindIHDR(tinyPNG(t), chunkOf("iTXt", []byte(pngXMP+packet)))
		var facts Facts
		if n := allocated(func() { facts = inspect(t, PNG, file) }); n > 128<<20 {
			t.Errorf("%d bytes were allocated", n)
		}
		if want := []string{"within", ""}[n]; facts.Credit != want {
			t.Errorf("%d KiB: %q", kilobytes, facts.Credit)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(files)) {
		t.Run(name, func(t *testing.T) {
			var facts Facts
			// Most is for what encoding/xml makes of many properties.
			if n := allocated(func() { facts = inspect(t, JPEG, files[name]) }); n > 24<<20 {
				t.Errorf("%d bytes were allocated", n)
			}
			if facts != (Facts{Orientation: 1}) {
				t.Errorf("%+v", facts)
			}
			if _, err := Judge(bytes.NewReader(files[name])); err != nil {
				t.Error(err)
			}
		})
	}
}
