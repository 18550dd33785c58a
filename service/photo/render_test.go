package photo

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"io"
	"os/exec"
	"slices"
	"strings"
	"testing"

	"github.com/bep/imagemeta"
	scale "golang.org/x/image/draw"
)

// sides are where the first row and the first column of a file lie in the picture, by
// orientation: the table of tag 274 in Exif 2.32 (CIPA DC-008-2019), which is that of
// Exif 2.2 (JEITA CP-3451), page 18.
var sides = map[int][2]string{
	1: {"top", "left"}, 2: {"top", "right"}, 3: {"bottom", "right"}, 4: {"bottom", "left"},
	5: {"left", "top"}, 6: {"right", "top"}, 7: {"right", "bottom"}, 8: {"left", "bottom"},
}

func TestUpright(t *testing.T) {
	stored := image.NewNRGBA(image.Rect(5, 7, 5+3, 7+2)) // bounds need not begin at 0
	for y := range 2 {
		for x := range 3 {
			stored.SetNRGBA(5+x, 7+y, color.NRGBA{uint8(10 + x), uint8(20 + y), 30, 255})
		}
	}
	for orientation := -1; orientation < 10; orientation++ {
		got := Upright(stored, orientation)
		where, known := sides[orientation]
		if !known {
			where = sides[1]
		}
		w, h := 3, 2
		if where[0] == "left" || where[0] == "right" {
			w, h = 2, 3
		}
		if got.Bounds().Dx() != w || got.Bounds().Dy() != h {
			t.Fatal(orientation, got.Bounds())
		}
		for row := range 2 {
			for column := range 3 {
				p := got.Bounds().Min
				// A row or column counts from the side on which the first one lies.
				for i, side := range where {
					n := []int{row, column}[i]
					switch side {
					case "top":
						p.Y += n
					case "bottom":
						p.Y += h - 1 - n
					case "left":
						p.X += n
					case "right":
						p.X += w - 1 - n
					}
				}
				if want := stored.At(5+column, 7+row); !near(got.At(p.X, p.Y), want, 0) {
					t.Errorf("%d: %v is %v and not %v", orientation, p, got.At(p.X, p.Y), want)
				}
			}
		}
	}
}

// A point goes where Upright takes the pixel on whose middle it lies.
func TestUprightPoint(t *testing.T) {
	const w, h = 5, 3
	for orientation := -1; orientation < 10; orientation++ {
		for y := range h {
			for x := range w {
				stored := image.NewGray(image.Rect(0, 0, w, h))
				stored.SetGray(x, y, color.Gray{255})
				got := Upright(stored, orientation)
				var pixels []image.Point
				for py := range got.Bounds().Dy() {
					for px := range got.Bounds().Dx() {
						if r, _, _, _ := got.At(px, py).RGBA(); r > 0 {
							pixels = append(pixels, image.Pt(px, py))
						}
					}
				}
				if len(pixels) != 1 {
					t.Fatal(orientation, x, y, pixels)
				}
				atX, atY := UprightPoint(float64(x)+0.5, float64(y)+0.5, w, h, orientation)
				if want := pixels[0]; atX != float64(want.X)+0.5 || atY != float64(want.Y)+0.5 {
					t.Errorf("%d: the middle of %d, %d is at %v, %v and not in that of %v", orientation, x, y, atX, atY, want)
				}
			}
		}
		// The picture's corners are corners, and none of two.
		size := Upright(image.NewGray(image.Rect(0, 0, w, h)), orientation).Bounds().Size()
		corners := map[[2]float64]bool{{0, 0}: true, {float64(size.X), 0}: true, {0, float64(size.Y)}: true, {float64(size.X), float64(size.Y)}: true}
		for _, c := range [][2]float64{{0, 0}, {w, 0}, {0, h}, {w, h}} {
			x, y := UprightPoint(c[0], c[1], w, h, orientation)
			if !corners[[2]float64{x, y}] {
				t.Errorf("%d: the corner %v is at %v, %v", orientation, c, x, y)
			}
			delete(corners, [2]float64{x, y})
		}
	}
}

func TestFitSizes(t *testing.T) {
	for _, test := range []struct{ w, h, longest, wantW, wantH int }{
		{400, 300, 160, 160, 120},
		{900, 1200, 320, 240, 320},
		{320, 240, 320, 320, 240},
		{100, 50, 320, 100, 50},
		{1, 1, 320, 1, 1},
		{1000, 1, 320, 320, 1},
		{1, 1000, 320, 1, 320},
		{65, 64, 64, 64, 63},
		{321, 321, 320, 320, 320},
		{10, 10, 0, 1, 1},
	} {
		got := Fit(image.NewGray(image.Rect(0, 0, test.w, test.h)), test.longest)
		if got.Rect != image.Rect(0, 0, test.wantW, test.wantH) {
			t.Error(test, got.Rect)
		}
	}
}

// Strips make no difference: the picture is that of the scaler of golang.org/x/image 0.47.0
// at one go, but for the rounding between both directions.
func TestFitHasNoSeams(t *testing.T) {
	for name, file := range small(t) {
		img, _ := decoded(t, file)
		for _, longest := range []int{159, 100, 64, 33, 7} {
			got := Fit(img, longest)
			want := image.NewRGBA(got.Rect)
			draw.Draw(want, want.Rect, image.White, image.Point{}, draw.Src)
			scale.CatmullRom.Scale(want, want.Rect, img, img.Bounds(), scale.Over, nil)
			all := 0
			for i := range want.Pix {
				// Noise overshoots between both directions, and is cut there.
				d := int(want.Pix[i]) - int(got.Pix[i])
				if all += max(d, -d); max(d, -d) > 24 {
					t.Fatalf("%s, %d: %d is %d and not %d", name, longest, i, got.Pix[i], want.Pix[i])
				}
			}
			if mean := float64(all) / float64(len(want.Pix)); mean > 0.5 {
				t.Errorf("%s, %d: %g on the whole", name, longest, mean)
			}
		}
	}
	// Without overshoot it is within a level for each rounding.
	smooth := image.NewNRGBA(image.Rect(0, 0, 400, 300))
	for y := range 300 {
		for x := range 400 {
			smooth.SetNRGBA(x, y, color.NRGBA{uint8(x / 2), uint8(y / 2), uint8((x + y) / 4), 255})
		}
	}
	for _, longest := range []int{399, 250, 65, 64} {
		got := Fit(smooth, longest)
		want := image.NewRGBA(got.Rect)
		scale.CatmullRom.Scale(want, want.Rect, smooth, smooth.Rect, scale.Src, nil)
		for i := range want.Pix {
			if d := int(want.Pix[i]) - int(got.Pix[i]); max(d, -d) > 2 {
				t.Fatalf("%d: %d is %d and not %d", longest, i, got.Pix[i], want.Pix[i])
			}
		}
	}
}

// Lines and squares of one pixel are grey from afar: their mean, by the sampling theorem.
func TestFitDoesNotAlias(t *testing.T) {
	for name, on := range map[string]func(x, y int) bool{
		"lines":   func(x, _ int) bool { return x%2 == 0 },
		"columns": func(_, y int) bool { return y%2 == 0 },
		"squares": func(x, y int) bool { return (x+y)%2 == 0 },
	} {
		img := image.NewGray(image.Rect(0, 0, 500, 350))
		for y := range 350 {
			for x := range 500 {
				if on(x, y) {
					img.SetGray(x, y, color.Gray{255})
				}
			}
		}
		for _, longest := range []int{199, 160, 50, 31} {
			got := Fit(img, longest)
			// Edges are of half a kernel.
			for y := 2; y < got.Rect.Dy()-2; y++ {
				for x := 2; x < got.Rect.Dx()-2; x++ {
					if !near(got.At(x, y), color.RGBA{127, 127, 127, 255}, 3) {
						t.Fatalf("%s, %d: %d, %d is %v", name, longest, x, y, got.At(x, y))
					}
				}
			}
		}
	}
}

// What is transparent lies on white: a x colour + (1 - a) x white (W3C Compositing 1, 5.1).
func TestFitFlattens(t *testing.T) {
	for _, size := range []int{50, 400} { // as it is, and scaled
		img := image.NewNRGBA(image.Rect(0, 0, size, size))
		for y := range size {
			for x := range size {
				switch {
				case x < size/2 && y < size/2:
					img.SetNRGBA(x, y, color.NRGBA{200, 100, 0, 255})
				case x < size/2:
					img.SetNRGBA(x, y, color.NRGBA{200, 100, 0, 51}) // a fifth
				}
			}
		}
		got := Fit(img, 100)
		n := got.Rect.Dx()
		for p, want := range map[image.Point]color.RGBA{
			{n / 4, n / 4}: {200, 100, 0, 255}, {n / 4, 3 * n / 4}: {244, 224, 204, 255}, {3 * n / 4, n / 2}: {255, 255, 255, 255},
		} {
			if !near(got.At(p.X, p.Y), want, 1) {
				t.Error(size, p, got.At(p.X, p.Y), want)
			}
		}
	}
}

// A large picture is scaled in strips: at one go the scaler alone would take 32 bytes for
// each pixel of the new width and the old height.
func TestFitTakesLittle(t *testing.T) {
	img := image.NewYCbCr(image.Rect(0, 0, 1000, 750), image.YCbCrSubsampleRatio420)
	// With the race detector sync.Pool loses things at random, on purpose: what the strips
	// share is made anew then, and how much there is at a time cannot be told by this.
	if n := allocated(func() { Fit(img, 800) }); n > 800*750*32 && !raced {
		t.Errorf("%d bytes were allocated", n)
	}
}

// secrets are what the files of full say, which no rendition may have.
var secrets = []string{"Maker of cameras", "SERIAL-4711", "2026:05:17", "Artist in EXIF", "Sublocation in IPTC", "GPS", "47,30", "Exif", "Photoshop", "a comment", "ns.adobe.com"}

// full is a picture with metadata of all kinds, and a preview that has some too.
func full(t testing.TB, file []byte) []byte {
	o := orders[1]
	all := good(o)
	all.preview = behindSOI(jpegOf(t, drawn(40, 30)), exifSegment(tiffOf(o, good(o))))
	return behindSOI(file,
		exifSegment(tiffOf(o, all)),
		xmpSegment(xmpOf(`<exif:GPSLatitude>47,30.2N</exif:GPSLatitude>`)),
		iptcSegment(dataSet(2, 92, "Sublocation in IPTC")),
		segmentOf(0xfe, "a comment"))
}

// rendition makes a rendition of a file.
func rendition(t testing.TB, file []byte, longest int) []byte {
	t.Helper()
	img, head := decoded(t, file)
	facts, err := Inspect(bytes.NewReader(file), head)
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	if err := Rendition(&out, Upright(Fit(img, longest), facts.Orientation)); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// markers are those of a file's segments up to its end.
func markers(t testing.TB, file []byte) (all []byte) {
	t.Helper()
	err := segments(newSource(bytes.NewReader(file)).Reader, func(marker byte, _ *io.LimitedReader) error {
		all = append(all, marker)
		return nil
	})
	if !errors.Is(err, io.EOF) {
		t.Fatal(err)
	}
	return all
}

// tags are what another reader finds in a file (imagemeta 1.0.1).
func tags(t testing.TB, file []byte) (all []string) {
	t.Helper()
	for _, from := range []imagemeta.Source{imagemeta.EXIF, imagemeta.IPTC, imagemeta.XMP} {
		_, err := imagemeta.Decode(imagemeta.Options{R: bytes.NewReader(file), ImageFormat: imagemeta.JPEG, Sources: from,
			ShouldHandleTag: func(imagemeta.TagInfo) bool { return true },
			HandleTag: func(i imagemeta.TagInfo) error {
				all = append(all, fmt.Sprint(i.Namespace, " ", i.Tag, ": ", i.Value))
				return nil
			}})
		if err != nil {
			t.Fatal(err)
		}
	}
	return all
}

// A rendition has the picture, upright, and nothing else.
func TestRendition(t *testing.T) {
	file := full(t, jpegOf(t, drawn(160, 120)))
	if facts := inspect(t, JPEG, file); facts.Orientation != 6 {
		t.Fatal(facts)
	}
	if !slices.ContainsFunc(tags(t, file), func(tag string) bool { return strings.Contains(tag, "GPSLatitude: ") }) {
		t.Fatal("the file has no position to begin with")
	}
	for _, secret := range secrets {
		if !bytes.Contains(file, []byte(secret)) {
			t.Fatalf("the file has no %q to begin with", secret)
		}
	}
	out := rendition(t, file, 80)
	for _, secret := range secrets {
		if bytes.Contains(out, []byte(secret)) {
			t.Errorf("the rendition has %q", secret)
		}
	}
	// Tables, frame, scan and end (ITU-T T.81, table B.1).
	for _, m := range markers(t, out) {
		if bytes.IndexByte([]byte{0xdb, 0xc0, 0xc4, sos, eoi}, m) < 0 {
			t.Errorf("a segment %x", m)
		}
	}
	if got := tags(t, out); len(got) > 0 {
		t.Error(got)
	}
	if got := inspect(t, JPEG, out); got != (Facts{Orientation: 1}) {
		t.Error(got)
	}
	// Of orientation 6 the first row is on the right: red, at its beginning, is top right.
	img, head := decoded(t, out)
	if head != (Head{JPEG, 60, 80}) {
		t.Fatal(head)
	}
	for p, want := range map[image.Point]color.Color{
		{54, 6}: color.RGBA{200, 0, 0, 255}, {54, 74}: color.RGBA{0, 200, 0, 255},
		{6, 74}: color.RGBA{0, 0, 200, 255}, {6, 6}: color.RGBA{220, 220, 220, 255},
	} {
		if !near(img.At(p.X, p.Y), want, 16) {
			t.Error(p, img.At(p.X, p.Y), want)
		}
	}
}

// Renditions are made of all kinds.
func TestRenditionOfAll(t *testing.T) {
	for name, file := range small(t) {
		out := rendition(t, file, 320)
		if _, head := decoded(t, out); head != (Head{JPEG, 160, 120}) {
			t.Error(name, head)
		}
	}
}

// stamped puts a stamp where it goes.
func stamped(rendition, stamp []byte) []byte {
	return slices.Concat(rendition[:StampOffset], stamp, rendition[StampOffset:])
}

func TestStamp(t *testing.T) {
	plain := rendition(t, full(t, jpegOf(t, drawn(160, 120))), 80)
	if Stamp("", "", "") != nil || Stamp(" \x00", "", "\u202e") != nil {
		t.Error("a stamp that says nothing")
	}
	if !bytes.Equal(stamped(plain, nil), plain) {
		t.Error("without a stamp the rendition is another")
	}
	credit, name := `Zoë <"Søn"> & Ćo]]>`, "CC BY 4.0"
	out := stamped(plain, Stamp(credit, ccBY, name))
	if want := append([]byte{app1}, markers(t, plain)...); !bytes.Equal(markers(t, out), want) {
		t.Errorf("%x", markers(t, out))
	}
	for _, secret := range secrets {
		if bytes.Contains(out, []byte(secret)) && secret != "ns.adobe.com" {
			t.Errorf("%q", secret)
		}
	}
	if got := inspect(t, JPEG, out); got != (Facts{Orientation: 1, Credit: credit, License: ccBY}) {
		t.Errorf("%+v", got)
	}
	want := []string{
		"http://ns.adobe.com/photoshop/1.0/ Credit: " + credit,
		"http://ns.adobe.com/xap/1.0/rights/ UsageTerms: " + name,
		"http://ns.adobe.com/xap/1.0/rights/ WebStatement: " + ccBY,
		"http://creativecommons.org/ns# License: " + ccBY,
	}
	if got := tags(t, out); !slices.Equal(got, want) {
		t.Errorf("%q", got)
	}
	a, _ := decoded(t, plain)
	b, _ := decoded(t, out)
	if !bytes.Equal(Fit(a, 80).Pix, Fit(b, 80).Pix) {
		t.Error("the stamp changed the picture")
	}
	// What is long is cut, and stays within a segment of 65,535 bytes with its length.
	long := strings.Repeat(`"`, 1<<20)
	stamp := Stamp(long, long, long)
	if len(stamp) > 2+65535 || len(stamp) != 2+int(stamp[2])<<8+int(stamp[3]) {
		t.Error(len(stamp))
	}
	if got := inspect(t, JPEG, stamped(plain, stamp)).Credit; got != long[:MaxCredit] {
		t.Error(got)
	}
	for _, bad := range []string{"\xff\xfe\x00", "\ud7ff\ufffe\uffff", "<!--", "]]>", "\u0085\u0000"} {
		if got := inspect(t, JPEG, stamped(plain, Stamp("x"+bad+"y", "", ""))).Credit; !strings.HasPrefix(got, "x") || !strings.HasSuffix(got, "y") {
			t.Errorf("%q: %q", bad, got)
		}
	}
}

// ExifTool, where it is installed, finds nothing in a rendition but the picture, and in a
// stamped one nothing but the stamp. Last tried with ExifTool 12.57.
func TestRenditionByExifTool(t *testing.T) {
	if _, err := exec.LookPath("exiftool"); err != nil {
		t.Skip("exiftool is not installed; TestRendition and TestStamp look by imagemeta")
	}
	file := full(t, jpegOf(t, drawn(160, 120)))
	if got := exifTool(t, file); got["GPS:GPSLatitude"] == nil || got["ExifIFD:SerialNumber"] == nil {
		t.Fatal(got)
	}
	plain := rendition(t, file, 80)
	allowed := map[string]any{}
	look := func(file []byte) {
		for name, value := range exifTool(t, file) {
			group, _, _ := strings.Cut(name, ":")
			if group == "File" || group == "ExifTool" || group == "Composite" && (name == "Composite:ImageSize" || name == "Composite:Megapixels") {
				continue
			}
			if want, ok := allowed[name]; !ok || fmt.Sprint(value) != want {
				t.Errorf("%s: %v", name, value)
			}
			delete(allowed, name)
		}
		if len(allowed) > 0 {
			t.Error(allowed)
		}
	}
	look(plain)
	allowed = map[string]any{
		"XMP-photoshop:Credit": `Zoë & Co`, "XMP-xmpRights:UsageTerms": "CC BY 4.0",
		"XMP-xmpRights:WebStatement": ccBY, "XMP-cc:License": ccBY,
	}
	look(stamped(plain, Stamp(`Zoë & Co`, ccBY, "CC BY 4.0")))
}
