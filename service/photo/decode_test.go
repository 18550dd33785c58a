package photo

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"errors"
	"image"
	"image/color"
	"runtime"
	"slices"
	"strings"
	"testing"
)

// decoded judges and decodes a file.
func decoded(t testing.TB, file []byte) (image.Image, Head) {
	t.Helper()
	head, err := Judge(bytes.NewReader(file))
	if err != nil {
		t.Fatal(err)
	}
	img, err := Decode(bytes.NewReader(file), head)
	if err != nil {
		t.Fatal(err)
	}
	return img, head
}

func near(a, b color.Color, tolerance int) bool {
	r, g, bl, al := a.RGBA()
	r2, g2, b2, a2 := b.RGBA()
	for _, d := range []int{int(r) - int(r2), int(g) - int(g2), int(bl) - int(b2), int(al) - int(a2)} {
		if max(d, -d) > tolerance*0x101 {
			return false
		}
	}
	return true
}

// looksDrawn tells whether a file shows the picture of drawn, by its corners.
func looksDrawn(t testing.TB, file []byte) {
	t.Helper()
	img, _ := decoded(t, file)
	want := drawn(160, 120)
	for _, p := range []image.Point{{10, 10}, {150, 10}, {150, 110}, {10, 110}} {
		got := img.At(p.X, p.Y)
		if _, grey := img.(*image.Gray); grey {
			if !near(got, color.GrayModel.Convert(want.At(p.X, p.Y)), 8) {
				t.Errorf("%v is %v", p, got)
			}
		} else if !near(got, want.At(p.X, p.Y), 12) {
			t.Errorf("%v is %v", p, got)
		}
	}
}

// The files of testdata were written by other programs (testdata/README.md).
func TestDecode(t *testing.T) {
	for name, file := range small(t) {
		t.Run(name, func(t *testing.T) {
			if strings.Contains(name, "transparent") {
				img, _ := decoded(t, file)
				if _, _, _, a := img.At(80, 60).RGBA(); a != 0 {
					t.Error(img.At(80, 60))
				}
				return
			}
			looksDrawn(t, file)
		})
	}
}

// Lossy WebP has the colours that the reference decoder shows (libwebp 1.2.4; both take the
// colour of a square of four pixels as it is).
func TestColoursOfWebP(t *testing.T) {
	got, _ := decoded(t, read(t, "lossy.webp"))
	want, _ := decoded(t, read(t, "lossy.png"))
	for y := range 120 {
		for x := range 160 {
			if !near(got.At(x, y), want.At(x, y), 4) {
				t.Fatalf("%d, %d: %v and not %v", x, y, color.NRGBAModel.Convert(got.At(x, y)), want.At(x, y))
			}
		}
	}
}

// Lies of which the header knows nothing.
func TestDecodeRefuses(t *testing.T) {
	decode := func(file []byte) error {
		head, err := Judge(bytes.NewReader(file))
		if err != nil {
			t.Fatal(err)
		}
		_, err = Decode(bytes.NewReader(file), head)
		return err
	}
	// The canvas is small, the picture is not.
	var err error
	if n := allocated(func() { err = decode(webpOf(extended(0, 16, 16), plain(16383, 3000))) }); n > 1<<20 {
		t.Errorf("%d bytes were allocated", n)
	}
	wantFault(t, err, "invalid format")
	wantFault(t, decode(webpOf(extended(1<<4, 16, 16), plain(17, 16))), "invalid format")

	// RIFF is longer than the file, and a chunk longer than RIFF.
	short := webpOf(plain(16, 16))
	short[4]++
	wantFault(t, decode(short), "ends before")
	long := webpOf(plain(16, 16))
	long[16] = 0xff
	_, err = Judge(bytes.NewReader(long))
	wantFault(t, err, "damaged")

	// Bits of PNG are flipped: checksums tell.
	good := pngOf(t, drawn(160, 120))
	for at := 60; at < len(good); at += 97 {
		bad := slices.Clone(good)
		bad[at] ^= 1
		var fault *Fault
		if err := decode(bad); !errors.As(err, &fault) {
			t.Fatal(at, err)
		}
	}
	// More pixels than the header says, in a stream that inflates to 16 MiB.
	var bomb bytes.Buffer
	w := zlib.NewWriter(&bomb)
	zeros := make([]byte, 1<<20)
	for range 16 {
		if _, err := w.Write(zeros); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	tiny := pngOf(t, image.NewGray(image.Rect(0, 0, 4, 4)))
	file := slices.Concat(tiny[:33], chunkOf("IDAT", bomb.Bytes()), chunkOf("IEND", nil))
	if n := allocated(func() { err = decode(file) }); n > 1<<20 {
		t.Errorf("%d bytes were allocated", n)
	}
	wantFault(t, err, "too much pixel data")

	// Another file than was judged is no fault of the caller's file.
	_, err = Decode(bytes.NewReader(good), Head{JPEG, 160, 120})
	var fault *Fault
	if err == nil || errors.As(err, &fault) {
		t.Error(err)
	}
	_, err = Decode(bytes.NewReader(make([]byte, MaxBytes+1)), Head{JPEG, 160, 120})
	wantFault(t, err, "larger than 25 MiB")
}

// Chunks beside the picture are passed over, whatever they inflate to.
func TestBombsBesideThePicture(t *testing.T) {
	var bomb bytes.Buffer
	w := zlib.NewWriter(&bomb)
	zeros := make([]byte, 1<<20)
	for range 16 {
		if _, err := w.Write(zeros); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	file := behindIHDR(pngOf(t, drawn(160, 120)),
		chunkOf("iCCP", append([]byte("x\x00\x00"), bomb.Bytes()...)),
		chunkOf("zTXt", append([]byte("Raw profile type iptc\x00\x00"), bomb.Bytes()...)),
		chunkOf("iTXt", append([]byte("XML:com.adobe.xmp\x00\x01\x00\x00\x00"), bomb.Bytes()...)),
		chunkOf("eXIf", make([]byte, 4<<20)))
	looksDrawn(t, file)
	n := allocated(func() {
		facts, err := Inspect(bytes.NewReader(file), Head{PNG, 160, 120})
		if err != nil || facts != (Facts{Orientation: 1}) {
			t.Error(facts, err)
		}
	})
	if n > 1<<20 {
		t.Errorf("%d bytes were allocated", n)
	}
	// Lengths that there is nothing behind.
	for _, name := range []string{"eXIf", "iTXt"} {
		lying := chunkOf(name, []byte("MM\x00*"))
		lying[0], lying[1] = 0x7f, 0xff
		file := slices.Concat(tinyPNG(t)[:33], lying)
		if n := allocated(func() { _, _ = Inspect(bytes.NewReader(file), Head{PNG, 4, 4}) }); n > 100<<10 {
			t.Errorf("%d bytes were allocated", n)
		}
	}
}

func tinyPNG(t testing.TB) []byte { return pngOf(t, image.NewGray(image.Rect(0, 0, 4, 4))) }

// Scans that change nothing take some bytes each and go through the whole picture. In a
// sequential JPEG each component is in one scan (ITU-T T.81, 4.8): here one is in many.
func TestDecodeBoundsScans(t *testing.T) {
	sequential := func(scans int) []byte {
		file := progressive(300, 300, 1, 0)
		at := bytes.Index(file, []byte{0xff, sos})
		head := slices.Clone(file[:at])
		head[bytes.Index(head, []byte{0xff, 0xc2})+1] = 0xc0
		head[at-1] = 0 // the only code of the table for coefficients: there are no more
		blocks := 38 * 38
		for range scans {
			head = append(head, segmentOf(sos, "\x01\x01\x00\x00\x3f\x00")...)
			head = append(head, make([]byte, (2*blocks+7)/8)...)
		}
		return append(head, 0xff, eoi)
	}
	for _, test := range []struct {
		file []byte
		part string
	}{
		{sequential(1), ""},
		{sequential(4), ""},
		{sequential(60), "too many scans"},
		{progressive(2000, 2000, 1, 1), ""},
		{progressive(300, 300, 3, 60), ""},
		{progressive(300, 300, 3, 800), "too many scans"},
		// A preview has scans of its own.
		{behindSOI(sequential(1), exifSegment(tiffOf(orders[0], camera{preview: progressive(8, 8, 1, 70)}))), ""},
	} {
		head, err := Judge(bytes.NewReader(test.file))
		if err != nil {
			t.Fatal(err)
		}
		_, err = Decode(bytes.NewReader(test.file), head)
		if test.part == "" && err == nil {
			continue
		}
		wantFault(t, err, test.part)
		if test.part == "" {
			t.Error(err)
		}
	}
}

// Parts that are nearly empty cost more than they are worth.
func TestTooManyParts(t *testing.T) {
	const many = 30_000
	file := behindIHDR(tinyPNG(t), bytes.Repeat(chunkOf("teSt", nil), many))
	head, err := Judge(bytes.NewReader(file))
	if err != nil {
		t.Fatal(err)
	}
	_, err = Decode(bytes.NewReader(file), head)
	wantFault(t, err, "too many parts")
	_, err = Judge(bytes.NewReader(behindSOI(stub(), bytes.Repeat(segmentOf(0xe5), many))))
	wantFault(t, err, "too many parts")
	// What is there before counts.
	packet := xmpOf(`<photoshop:Credit>before</photoshop:Credit>`)
	if got := inspect(t, PNG, behindIHDR(tinyPNG(t), chunkOf("iTXt", []byte(pngXMP+packet)), bytes.Repeat(chunkOf("teSt", nil), many))).Credit; got != "before" {
		t.Errorf("%q", got)
	}
	looksDrawn(t, behindIHDR(pngOf(t, drawn(160, 120)), bytes.Repeat(chunkOf("teSt", nil), 10_000)))
}

// interlaced writes a PNG of 16 bits a channel in seven passes (W3C PNG, 8.2), all zeros.
func interlaced(t testing.TB, w, h int) []byte {
	t.Helper()
	var data bytes.Buffer
	z := zlib.NewWriter(&data)
	for _, pass := range [][4]int{{0, 0, 8, 8}, {4, 0, 8, 8}, {0, 4, 4, 8}, {2, 0, 4, 4}, {0, 2, 2, 4}, {1, 0, 2, 2}, {0, 1, 1, 2}} {
		across, down := (w-pass[0]+pass[2]-1)/pass[2], (h-pass[1]+pass[3]-1)/pass[3]
		if _, err := z.Write(make([]byte, down*(1+8*across))); err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	ihdr := binary.BigEndian.AppendUint32(nil, uint32(w))
	ihdr = append(binary.BigEndian.AppendUint32(ihdr, uint32(h)), 16, 6, 0, 0, 1)
	return slices.Concat([]byte("\x89PNG\r\n\x1a\n"), chunkOf("IHDR", ihdr), chunkOf("IDAT", data.Bytes()), chunkOf("IEND", nil))
}

// Decoding takes what judge says, and not much more: the decoder's own tables, and what a
// WebP file has.
func TestDecodeTakesWhatIsSaid(t *testing.T) {
	deep := image.NewNRGBA64(image.Rect(0, 0, 400, 300))
	deep.SetNRGBA64(1, 1, color.NRGBA64{1, 2, 3, 4})
	// Adobe's marker: the last byte tells RGB and CMYK from YCbCr and YCCK.
	adobe := func(components int, transform string) []byte {
		return behindSOI(progressive(400, 300, components, 0), segmentOf(app14, "Adobe\x00\x64\x00\x00\x00\x00", transform))
	}
	for name, file := range map[string][]byte{
		"JPEG, progressive, RGB":       adobe(3, "\x00"),
		"JPEG, progressive, CMYK":      adobe(4, "\x00"),
		"JPEG, progressive, YCCK":      adobe(4, "\x02"),
		"PNG, 16 bits, interlaced":     interlaced(t, 400, 300),
		"JPEG":                         jpegOf(t, drawn(400, 300)),
		"JPEG, progressive":            progressive(400, 300, 3, 0),
		"JPEG, progressive, grey":      progressive(400, 300, 1, 0),
		"PNG":                          pngOf(t, drawn(400, 300)),
		"PNG, 16 bits":                 pngOf(t, deep),
		"WebP, lossless":               webpOf(plain(400, 300)),
		"WebP, lossless, a long strip": webpOf(plain(16383, 30)),
	} {
		t.Run(name, func(t *testing.T) {
			s := newSource(bytes.NewReader(file))
			head, f, err := judge(s)
			if err != nil {
				t.Fatal(err)
			}
			var img image.Image
			n := allocated(func() { img, err = Decode(bytes.NewReader(file), head) })
			if err != nil {
				t.Fatal(err)
			}
			if int64(n) > f.memory+1<<20 {
				t.Errorf("%d bytes were allocated, %d were said", n, f.memory)
			}
			runtime.KeepAlive(img)
		})
	}
}
