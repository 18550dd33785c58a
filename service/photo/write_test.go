package photo

import (
	"bytes"
	"encoding/binary"
	"encoding/xml"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"math/rand/v2"
	"slices"
	"testing"
)

// What this file writes stands in the standards that it names, so that readers are checked
// against them: Exif 2.32 (CIPA DC-008-2019), TIFF 6.0, IIM 4.2, ISO 16684 (XMP), PNG, RFC
// 9649 (WebP) and ITU-T T.81 (JPEG).

// drawn is a picture whose corners tell how it lies: red, green, blue and white from the top
// left on clockwise, and some noise, so that its files have some kilobytes.
func drawn(w, h int) *image.NRGBA {
	img := image.NewNRGBA(image.Rect(0, 0, w, h))
	random := rand.New(rand.NewPCG(1, 2))
	for y := range h {
		for x := range w {
			c := color.NRGBA{R: 200, A: 255}
			switch right, low := x >= w/2, y >= h/2; {
			case right && low:
				c = color.NRGBA{B: 200, A: 255}
			case right:
				c = color.NRGBA{G: 200, A: 255}
			case low:
				c = color.NRGBA{R: 220, G: 220, B: 220, A: 255}
			}
			if (x-w/2)*(x-w/2)+(y-h/2)*(y-h/2) < min(w, h)*min(w, h)/16 {
				c.R, c.G, c.B = uint8(random.IntN(256)), uint8(x), uint8(y)
			}
			img.SetNRGBA(x, y, c)
		}
	}
	return img
}

func jpegOf(t testing.TB, img image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, img, &jpeg.Options{Quality: 90}); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func pngOf(t testing.TB, img image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := png.Encode(&b, img); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// field is an entry of a TIFF directory.
type field struct {
	tag, kind uint16
	count     uint32
	value     []byte // in the order of the file
}

// orders are both orders of bytes.
var orders = []binary.AppendByteOrder{binary.BigEndian, binary.LittleEndian}

func short(o binary.AppendByteOrder, tag uint16, v ...uint16) field {
	f := field{tag, 3, uint32(len(v)), nil}
	for _, n := range v {
		f.value = o.AppendUint16(f.value, n)
	}
	return f
}

func long(o binary.AppendByteOrder, tag uint16, v uint32) field {
	return field{tag, 4, 1, o.AppendUint32(nil, v)}
}

func ascii(tag uint16, text string) field {
	return field{tag, 2, uint32(len(text) + 1), append([]byte(text), 0)}
}

// degrees are three rationals.
func degrees(o binary.AppendByteOrder, tag uint16, d, m, s uint32) field {
	f := field{tag, 5, 3, nil}
	for _, n := range []uint32{d, m, s} {
		f.value = o.AppendUint32(o.AppendUint32(f.value, n), 1)
	}
	return f
}

// camera is what a test has a camera write.
type camera struct {
	first, exif, gps, second []field
	preview                  []byte
}

// tiffOf writes a TIFF stream: the directories one behind the other, values behind each.
func tiffOf(o binary.AppendByteOrder, c camera) []byte {
	out := []byte("MM")
	if o.String() == binary.LittleEndian.String() {
		out = []byte("II")
	}
	out = o.AppendUint16(out, 42)
	out = o.AppendUint32(out, 8)
	size := func(fields []field) (n uint32) {
		n = 2 + 12*uint32(len(fields)) + 4
		for _, f := range fields {
			if len(f.value) > 4 {
				n += uint32(len(f.value) + len(f.value)&1)
			}
		}
		return n
	}
	// Pointers take entries of their own, so that sizes are known before offsets.
	if c.exif != nil {
		c.first = append(slices.Clone(c.first), long(o, 0x8769, 0))
	}
	if c.gps != nil {
		c.first = append(slices.Clone(c.first), long(o, 0x8825, 0))
	}
	if c.preview != nil {
		c.second = append(slices.Clone(c.second), short(o, 0x0103, 6), long(o, 0x0201, 0), long(o, 0x0202, uint32(len(c.preview))))
	}
	exifAt := 8 + size(c.first)
	gpsAt := exifAt
	if c.exif != nil {
		gpsAt += size(c.exif)
	}
	secondAt := gpsAt
	if c.gps != nil {
		secondAt += size(c.gps)
	}
	previewAt := secondAt + size(c.second)
	for _, fields := range [][]field{c.first, c.second} {
		for i, f := range fields {
			switch f.tag {
			case 0x8769:
				fields[i] = long(o, f.tag, exifAt)
			case 0x8825:
				fields[i] = long(o, f.tag, gpsAt)
			case 0x0201:
				fields[i] = long(o, f.tag, previewAt)
			}
		}
	}
	write := func(fields []field, next uint32) {
		behind := uint32(len(out)) + 2 + 12*uint32(len(fields)) + 4
		slices.SortStableFunc(fields, func(a, b field) int { return int(a.tag) - int(b.tag) })
		out = o.AppendUint16(out, uint16(len(fields)))
		var values []byte
		for _, f := range fields {
			out = o.AppendUint16(o.AppendUint16(out, f.tag), f.kind)
			out = o.AppendUint32(out, f.count)
			if len(f.value) > 4 {
				out = o.AppendUint32(out, behind+uint32(len(values)))
				values = append(values, f.value...)
				values = append(values, make([]byte, len(f.value)&1)...)
			} else {
				out = append(append(out, f.value...), make([]byte, 4-len(f.value))...)
			}
		}
		out = append(o.AppendUint32(out, next), values...)
	}
	if c.second != nil {
		write(c.first, secondAt)
	} else {
		write(c.first, 0)
	}
	if c.exif != nil {
		write(c.exif, 0)
	}
	if c.gps != nil {
		write(c.gps, 0)
	}
	if c.second != nil {
		write(c.second, 0)
	}
	return append(out, c.preview...)
}

// segmentOf writes a segment of a JPEG file.
func segmentOf(marker byte, parts ...string) []byte {
	var body []byte
	for _, p := range parts {
		body = append(body, p...)
	}
	return append([]byte{0xff, marker, byte((len(body) + 2) >> 8), byte(len(body) + 2)}, body...)
}

// behindSOI puts segments into a JPEG file.
func behindSOI(file []byte, segments ...[]byte) []byte {
	return slices.Concat(file[:2], slices.Concat(segments...), file[2:])
}

// chunkOf writes a chunk of a PNG file.
func chunkOf(name string, body []byte) []byte {
	out := binary.BigEndian.AppendUint32(nil, uint32(len(body)))
	out = append(append(out, name...), body...)
	return binary.BigEndian.AppendUint32(out, crc32.ChecksumIEEE(out[4:]))
}

// behindIHDR puts chunks into a PNG file.
func behindIHDR(file []byte, chunks ...[]byte) []byte {
	return slices.Concat(file[:33], slices.Concat(chunks...), file[33:])
}

// riffChunk writes a chunk of a WebP file.
func riffChunk(name string, body []byte) []byte {
	out := binary.LittleEndian.AppendUint32([]byte(name), uint32(len(body)))
	return append(append(out, body...), make([]byte, len(body)&1)...)
}

// webpOf writes a WebP file of chunks.
func webpOf(chunks ...[]byte) []byte {
	body := slices.Concat(chunks...)
	out := binary.LittleEndian.AppendUint32([]byte("RIFF"), uint32(len(body)+4))
	return append(append(out, "WEBP"...), body...)
}

// extended writes the chunk VP8X: flags and the size of the canvas.
func extended(flags byte, w, h int) []byte {
	return riffChunk("VP8X", []byte{flags, 0, 0, 0, byte(w - 1), byte((w - 1) >> 8), byte((w - 1) >> 16), byte(h - 1), byte((h - 1) >> 8), byte((h - 1) >> 16)})
}

// inWebP puts chunks behind the picture of a simple WebP file, which becomes an extended one.
func inWebP(file []byte, w, h int, chunks ...[]byte) []byte {
	return webpOf(append([][]byte{extended(1<<2|1<<3, w, h), file[12:]}, chunks...)...)
}

// plain writes the chunk VP8L of a picture of one colour: five codes of one symbol each, so
// that pixels take no bits at all (RFC 9649, 3.7.2.1).
func plain(w, h int) []byte {
	var bits uint64
	var n int
	var out []byte
	put := func(v uint64, count int) {
		for ; count > 0; count-- {
			bits |= v & 1 << n
			v >>= 1
			if n++; n == 8 {
				out, bits, n = append(out, byte(bits)), 0, 0
			}
		}
	}
	put(0x2f, 8)
	put(uint64(w-1), 14)
	put(uint64(h-1), 14)
	put(0, 1+3)   // no alpha, version 0
	put(0, 1+1+1) // no transform, no cache of colours, no meta codes
	for _, symbol := range []uint64{120, 80, 40, 255} {
		put(1, 1) // simple
		put(0, 1) // one symbol
		put(1, 1) // of 8 bits
		put(symbol, 8)
	}
	put(1, 1)
	put(0, 1)
	put(0, 1) // of 1 bit
	put(0, 1)
	put(0, 7)
	return riffChunk("VP8L", out)
}

// progressive writes a progressive JPEG of one colour with some components of the same
// sampling, and further scans of component 1 that change nothing. Each block takes a bit in
// the first scan; a scan of the others says that up to 32,767 blocks have nothing.
func progressive(w, h, components, more int) []byte {
	out := []byte{0xff, soi}
	quant := append([]byte{0}, bytes.Repeat([]byte{1}, 64)...)
	out = append(out, segmentOf(0xdb, string(quant))...)
	frame := []byte{8, byte(h >> 8), byte(h), byte(w >> 8), byte(w), byte(components)}
	first := []byte{byte(components)}
	for i := range components {
		frame = append(frame, byte(i+1), 0x11, 0)
		first = append(first, byte(i+1), 0)
	}
	out = append(out, segmentOf(0xc2, string(frame))...)
	// Codes of one bit: for differences of no bits, and for runs of 2^14 blocks and more.
	table := func(class, symbol byte) string {
		return string(append([]byte{class, 1}, append(make([]byte, 15), symbol)...))
	}
	out = append(out, segmentOf(0xc4, table(0x00, 0))...)
	out = append(out, segmentOf(0xc4, table(0x10, 0xe0))...)
	out = append(out, segmentOf(sos, string(append(first, 0, 0, 0)))...)
	blocks := (w + 7) / 8 * ((h + 7) / 8)
	out = append(out, make([]byte, (blocks*components+7)/8+1)...)
	for range more {
		out = append(out, segmentOf(sos, "\x01\x01\x00", "\x01\x3f\x00")...)
		var bits, n int // 0, and fourteen times 1, one behind the other; then ones
		for left := blocks; left > 0; left -= 32767 {
			bits, n = bits<<15|1<<14-1, n+15
			for ; n >= 8; n -= 8 {
				if out = append(out, byte(bits>>(n-8))); out[len(out)-1] == 0xff {
					out = append(out, 0)
				}
			}
		}
		if n > 0 {
			out = append(out, byte(bits<<(8-n))|(1<<(8-n)-1))
			if out[len(out)-1] == 0xff {
				out = append(out, 0)
			}
		}
	}
	return append(out, 0xff, eoi)
}

// dataSet writes a data set of IPTC (IIM 4.2, 1.6.1).
func dataSet(record, number byte, value string) string {
	return string([]byte{0x1c, record, number, byte(len(value) >> 8), byte(len(value))}) + value
}

// utf8Sets says that texts are UTF-8 (IIM 4.2, 1:90).
var utf8Sets = dataSet(1, 90, "\x1b%G")

// resourceOf writes one of Photoshop's image resources.
func resourceOf(number uint16, name, data string) string {
	out := "8BIM" + string(binary.BigEndian.AppendUint16(nil, number)) + string([]byte{byte(len(name))}) + name
	if len(name)%2 == 0 {
		out += "\x00"
	}
	out += string(binary.BigEndian.AppendUint32(nil, uint32(len(data)))) + data
	if len(data)%2 == 1 {
		out += "\x00"
	}
	return out
}

// xmpOf writes a packet of XMP with properties as XML.
func xmpOf(properties string) string {
	return "<?xpacket begin=\"\ufeff\" id=\"W5M0MpCehiHzreSzNTczkc9d\"?>" +
		`<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"` +
		` xmlns:photoshop="http://ns.adobe.com/photoshop/1.0/" xmlns:xmpRights="http://ns.adobe.com/xap/1.0/rights/"` +
		` xmlns:cc="http://creativecommons.org/ns#" xmlns:dc="http://purl.org/dc/elements/1.1/"` +
		` xmlns:exif="http://ns.adobe.com/exif/1.0/" xmlns:Iptc4xmpExt="http://iptc.org/std/Iptc4xmpExt/2008-02-29/">` +
		`<rdf:Description rdf:about="">` + properties + `</rdf:Description></rdf:RDF></x:xmpmeta><?xpacket end="w"?>`
}

func escaped(t testing.TB, text string) string {
	t.Helper()
	var b bytes.Buffer
	if err := xml.EscapeText(&b, []byte(text)); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func exifSegment(tiff []byte) []byte  { return segmentOf(app1, exifMark, string(tiff)) }
func xmpSegment(packet string) []byte { return segmentOf(app1, xmpMark, packet) }
func iptcSegment(sets string) []byte {
	return segmentOf(app13, psirMark, resourceOf(0x0404, "", sets))
}
