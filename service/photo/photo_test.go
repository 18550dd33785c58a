package photo

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"image/color"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"testing/iotest"
)

// read returns a file of testdata (testdata/README.md).
func read(t testing.TB, name string) []byte {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// small are pictures of all forms, 160 x 120 pixels.
func small(t testing.TB) map[string][]byte {
	t.Helper()
	return map[string][]byte{
		"JPEG":              jpegOf(t, drawn(160, 120)),
		"JPEG, progressive": read(t, "progressive.jpg"),
		"JPEG, grey":        read(t, "grey.jpg"),
		"PNG":               pngOf(t, drawn(160, 120)),
		"WebP":              read(t, "lossy.webp"),
		"WebP, lossless":    read(t, "lossless.webp"),
		"WebP, transparent": read(t, "transparent.webp"),
	}
}

func wantFault(t *testing.T, err error, part string) {
	t.Helper()
	var fault *Fault
	if !errors.As(err, &fault) {
		t.Fatalf("%v (%T) is no fault", err, err)
	}
	if !strings.Contains(fault.Message, part) {
		t.Fatalf("%q says nothing of %q", fault.Message, part)
	}
}

func TestJudge(t *testing.T) {
	for name, file := range small(t) {
		t.Run(name, func(t *testing.T) {
			for _, r := range []io.Reader{bytes.NewReader(file), iotest.OneByteReader(bytes.NewReader(file)), iotest.DataErrReader(bytes.NewReader(file))} {
				head, err := Judge(r)
				if err != nil {
					t.Fatal(err)
				}
				if want := name[:len(head.Kind.String())]; head.Kind.String() != want || head.Width != 160 || head.Height != 120 {
					t.Fatal(head)
				}
			}
		})
	}
}

// Types as registered with IANA (iana.org/assignments/media-types), among which RFC 9649
// put image/webp.
func TestKind(t *testing.T) {
	for kind, want := range map[Kind]string{JPEG: "image/jpeg", PNG: "image/png", WebP: "image/webp"} {
		if got := kind.MediaType(); got != want {
			t.Error(kind, got)
		}
	}
}

// The kind is what the bytes say. The first bytes are those of the formats' standards:
// GIF89a, TIFF 6.0, ISO/IEC 14496-12 (ftyp) with brands of 23008-12 and 23000-22, ISO/IEC
// 18181-2, ISO 32000, SVG 2.
func TestJudgeRefusesOtherKinds(t *testing.T) {
	for file, part := range map[string]string{
		"":                        "empty",
		"\xff":                    "ends before",
		"\xff\xd8":                "ends before",
		"\x89PNG\r":               "ends before",
		"RIFF":                    "ends before",
		"GIF89a\x01\x00\x01\x00":  "a GIF",
		"II*\x00\x08\x00\x00\x00": "TIFF",
		"MM\x00*\x00\x00\x00\x08": "TIFF",
		"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1": "export it as JPEG",
		"\x00\x00\x00\x1cftypmif1\x00\x00\x00\x00heic": "export it as JPEG",
		"\x00\x00\x00\x1cftypavif\x00\x00\x00\x00avif": "an AVIF",
		"\x00\x00\x00\x1cftypisom\x00\x00\x02\x00isom": "a film",
		"\x00\x00\x00\x0cJXL \r\n\x87\n":               "JPEG XL",
		"%PDF-1.7\n":                                   "a PDF",
		"BM\x36\x00\x00\x00":                           "BMP",
		"RIFF\x24\x00\x00\x00WAVEfmt ":                 "a sound",
		"<svg xmlns='http://www.w3.org/2000/svg'/>":    "SVG",
		"\ufeff<?xml version='1.0'?><svg/>":            "SVG",
		"<!DOCTYPE html><script>alert(1)</script>":     "no picture",
		"#!/bin/sh\nexit 0\n":                          "no picture",
		"Drosera, 3 plants\n":                          "no picture",
		"\x00":                                         "no picture",
	} {
		_, err := Judge(strings.NewReader(file))
		wantFault(t, err, part)
		if !strings.Contains(err.Error(), "JPEG, PNG and WebP are taken") && part != "empty" && part != "ends before" {
			t.Errorf("%q: %s", file, err)
		}
	}
}

// withSize sets the size in the header of a file of testdata or of small.
func withSize(t testing.TB, file []byte, w, h int) []byte {
	t.Helper()
	file = slices.Clone(file)
	switch {
	case file[0] == 0xff:
		at := bytes.Index(file, []byte{0xff, 0xc0})
		if at < 0 {
			at = bytes.Index(file, []byte{0xff, 0xc2})
		}
		binary.BigEndian.PutUint16(file[at+5:], uint16(h))
		binary.BigEndian.PutUint16(file[at+7:], uint16(w))
		return file
	case file[0] == 0x89:
		ihdr := slices.Clone(file[16:29])
		binary.BigEndian.PutUint32(ihdr, uint32(w))
		binary.BigEndian.PutUint32(ihdr[4:], uint32(h))
		return slices.Concat(file[:8], chunkOf("IHDR", ihdr), file[33:])
	}
	return webpOf(extended(0, w, h), file[12:])
}

// allocated returns how many bytes f allocates.
func allocated(f func()) uint64 {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	f()
	runtime.ReadMemStats(&after)
	return after.TotalAlloc - before.TotalAlloc
}

// What a header may say at most, and that nothing is allocated by it.
func TestJudgeBoundsSizes(t *testing.T) {
	files := small(t)
	for _, test := range []struct {
		file string
		w, h int
		part string // "": fits
	}{
		{"JPEG", 65000, 65000, "a side may have 30000"},
		{"JPEG", 65535, 1, "a side may have 30000"},
		{"JPEG", 0, 100, "no size"},
		{"JPEG", 100, 0, "no size"}, // the number of lines would follow (DNL)
		{"JPEG", 10000, 5000, ""},
		{"JPEG", 10000, 5001, "50 megapixels"},
		{"JPEG, progressive", 30000, 1666, ""},
		{"JPEG, progressive", 1, 30001, "a side may have 30000"},
		{"PNG", 1<<31 - 1, 1<<31 - 1, "a side may have 30000"},
		{"PNG", 1 << 31, 1, "a side may have 30000"},
		{"PNG", 0, 1, "non-positive dimension"},
		{"PNG", 5000, 10000, ""},
		{"PNG", 5000, 10001, "50 megapixels"},
		{"WebP", 1 << 24, 1, "a side may have 30000"},
		{"WebP", 1 << 24, 1 << 24, "a side may have 30000"},
		{"WebP", 25000, 2001, "50 megapixels"},
		{"WebP", 16383, 3000, ""},
	} {
		t.Run(fmt.Sprintf("%s %d x %d", test.file, test.w, test.h), func(t *testing.T) {
			file := withSize(t, files[test.file], test.w, test.h)
			var head Head
			var err error
			// The decoders' own tables take about 30 KiB.
			if n := allocated(func() { head, err = Judge(bytes.NewReader(file)) }); n > 100<<10 {
				t.Errorf("%d bytes were allocated", n)
			}
			if test.part == "" {
				if err != nil || head.Width != test.w || head.Height != test.h {
					t.Fatal(head, err)
				}
				return
			}
			wantFault(t, err, test.part)
		})
	}
}

// What a header says that the rest of the file does not bear out.
func TestDecodeFindsLies(t *testing.T) {
	for name, file := range small(t) {
		for _, size := range [][2]int{{161, 120}, {160, 1200}, {1600, 1200}} {
			file := withSize(t, file, size[0], size[1])
			head, err := Judge(bytes.NewReader(file))
			if err != nil {
				t.Fatal(name, err)
			}
			_, err = Decode(bytes.NewReader(file), head)
			if size[0] == 161 && head.Kind == JPEG {
				continue // one more column is within the last unit
			}
			wantFault(t, err, "")
		}
	}
}

// Forms that take much memory are refused below the limit of pixels. 15 bytes a pixel are
// those of progressive JPEG: three samples, and 4 bytes of coefficient for each.
func TestJudgeBoundsMemory(t *testing.T) {
	for _, test := range []struct {
		components, w, h int
		takes            int64
	}{
		{1, 8000, 6000, 5 * 8000 * 6000},
		{3, 7000, 5000, 15 * 7000 * 5000},
		{3, 8000, 6000, 15 * 8000 * 6000},
		{4, 4000, 4000, 24 * 4000 * 4000},
		{4, 5000, 5000, 24 * 5000 * 5000},
	} {
		file := progressive(8, 8, test.components, 0)
		file = withSize(t, file, test.w, test.h)
		_, err := Judge(bytes.NewReader(file))
		if test.takes > MaxMemory {
			wantFault(t, err, "too much memory")
		} else if err != nil {
			t.Error(test, err)
		}
	}
	deep := pngOf(t, image.NewNRGBA64(image.Rect(0, 0, 2, 2)))
	deep = withSize(t, deep, 8000, 6000)
	if _, err := Judge(bytes.NewReader(deep)); err != nil {
		t.Error(err)
	}
	ihdr := slices.Clone(deep[16:29])
	ihdr[12] = 1 // interlaced
	_, err := Judge(bytes.NewReader(slices.Concat(deep[:8], chunkOf("IHDR", ihdr), deep[33:])))
	wantFault(t, err, "too much memory")
}

// counting counts what is read.
type counting struct {
	io.Reader
	n int64
}

func (c *counting) Read(p []byte) (int, error) {
	n, err := c.Reader.Read(p)
	c.n += int64(n)
	return n, err
}

// forever repeats bytes.
type forever struct{ what, left []byte }

func (f *forever) Read(p []byte) (n int, err error) {
	for n < len(p) {
		if len(f.left) == 0 {
			f.left = f.what
		}
		m := copy(p[n:], f.left)
		n, f.left = n+m, f.left[m:]
	}
	return n, nil
}

func TestJudgeReadsNoMoreThanTheHeader(t *testing.T) {
	big := jpegOf(t, drawn(600, 400))
	large := behindSOI(big, exifSegment(make([]byte, 60000)), segmentOf(0xe2, string(make([]byte, 65000))))
	for _, test := range []struct {
		name string
		file []byte
		most int64
	}{
		{"JPEG", big, 8 << 10},
		{"JPEG with much before the frame", large, 136 << 10},
		{"PNG", pngOf(t, drawn(300, 200)), 8 << 10},
		{"PNG, a palette behind much", behindIHDR(pngOf(t, image.NewPaletted(image.Rect(0, 0, 9, 9), color.Palette{color.White})), chunkOf("teSt", make([]byte, 1<<20))), 8 << 10},
		{"WebP", read(t, "lossless.webp"), 8 << 10},
	} {
		c := &counting{Reader: bytes.NewReader(test.file)}
		if _, err := Judge(c); err != nil {
			t.Error(test.name, err)
		}
		if c.n > test.most {
			t.Errorf("%s: %d bytes were read", test.name, c.n)
		}
	}
	// A file without end: segments, and bytes between segments.
	for name, start := range map[string]string{"segments": "\xff\xd8", "fill": "\xff\xd8\xff"} {
		what := map[string][]byte{"segments": segmentOf(0xe5, string(make([]byte, 60000))), "fill": bytes.Repeat([]byte{0xff}, 4096)}[name]
		c := &counting{Reader: io.MultiReader(strings.NewReader(start), &forever{what: what})}
		var err error
		if n := allocated(func() { _, err = Judge(c) }); n > 100<<10 {
			t.Errorf("%s: %d bytes were allocated", name, n)
		}
		wantFault(t, err, "larger than 25 MiB")
		if c.n > MaxBytes+1 {
			t.Errorf("%s: %d bytes were read", name, c.n)
		}
	}
}

// Forms of JPEG that the decoder does not take are told by the frame header (ITU-T T.81,
// table B.1: SOF3 is lossless, SOF5 hierarchical, SOF9 arithmetic).
func TestJudgeRefusesRareForms(t *testing.T) {
	file := jpegOf(t, drawn(16, 16))
	at := bytes.Index(file, []byte{0xff, 0xc0})
	for _, marker := range []byte{0xc3, 0xc5, 0xc9, 0xca, 0xcb} {
		rare := slices.Clone(file)
		rare[at+1] = marker
		_, err := Judge(bytes.NewReader(rare))
		wantFault(t, err, "save it as a plain JPEG")
	}
	deep := slices.Clone(file)
	deep[at+4] = 12
	_, err := Judge(bytes.NewReader(deep))
	wantFault(t, err, "12 bits a sample")
	two := slices.Clone(file)
	two[at+9] = 2
	_, err = Judge(bytes.NewReader(two))
	wantFault(t, err, "components")

	_, err = Judge(bytes.NewReader(webpOf(extended(1<<1, 16, 16), riffChunk("ANIM", make([]byte, 6)))))
	wantFault(t, err, "animated")
	_, err = Judge(bytes.NewReader(webpOf(riffChunk("JUNK", nil), extended(0, 16, 16), plain(16, 16))))
	wantFault(t, err, "the first chunk is no picture")
}

// Of an animated PNG the default image counts: acTL and fdAT are ancillary (W3C PNG, 11.3.6).
func TestAnimatedPNG(t *testing.T) {
	file := behindIHDR(pngOf(t, drawn(160, 120)), chunkOf("acTL", []byte{0, 0, 0, 2, 0, 0, 0, 0}))
	looksDrawn(t, file)
}

// errDisk stands for a reader that fails.
var errDisk = errors.New("the disk is gone")

// An error of the reader is not the file's fault, wherever it comes.
func TestReaderFails(t *testing.T) {
	for name, file := range small(t) {
		head, err := Judge(bytes.NewReader(file))
		if err != nil {
			t.Fatal(err)
		}
		for _, n := range []int{0, 1, 10, 25, len(file) / 2, len(file) - 1} {
			broken := io.MultiReader(bytes.NewReader(file[:n]), iotest.ErrReader(errDisk))
			if _, err := Judge(broken); err != nil && !errors.Is(err, errDisk) {
				t.Errorf("%s, %d: %v", name, n, err)
			} else if err == nil && n < 25 {
				t.Errorf("%s, %d: no error", name, n)
			}
			if _, err := Decode(&failing{Reader: bytes.NewReader(file), after: int64(n)}, head); !errors.Is(err, errDisk) {
				t.Errorf("%s, %d: %v", name, n, err)
			}
			// Inspect needs neither the scans of a JPEG nor what ends a PNG.
			if _, err := Inspect(&failing{Reader: bytes.NewReader(file), after: int64(n)}, head); !errors.Is(err, errDisk) && (err != nil || head.Kind != JPEG && n < len(file)-12) {
				t.Errorf("%s, %d: %v", name, n, err)
			}
		}
	}
}

// failing is a file that cannot be read after some bytes.
type failing struct {
	*bytes.Reader
	after int64
}

func (f *failing) Read(p []byte) (int, error) {
	at := f.Size() - int64(f.Len())
	if at >= f.after {
		return 0, errDisk
	}
	return f.Reader.Read(p[:min(int64(len(p)), f.after-at)])
}

// WriteTo is not that of bytes.Reader, which would read on.
func (f *failing) WriteTo(io.Writer) (int64, error) { return 0, errDisk }

// Wherever a file is cut, it is a fault, and told as one.
func TestCut(t *testing.T) {
	for name, file := range small(t) {
		t.Run(name, func(t *testing.T) {
			head, err := Judge(bytes.NewReader(file))
			if err != nil {
				t.Fatal(err)
			}
			for n := 0; n < len(file); n++ {
				if n > 1024 && n%1024 != 0 && n < len(file)-20 {
					continue
				}
				var fault *Fault
				got, err := Judge(bytes.NewReader(file[:n]))
				if err == nil && got != head || err != nil && !errors.As(err, &fault) {
					t.Fatal(n, got, err)
				}
				if _, err := Decode(bytes.NewReader(file[:n]), head); !errors.As(err, &fault) {
					t.Fatalf("%d of %d bytes: %v", n, len(file), err)
				}
				if _, err := Inspect(bytes.NewReader(file[:n]), head); err != nil {
					t.Fatal(n, err)
				}
			}
		})
	}
}
