package photo

import (
	"bytes"
	"errors"
	"image"
	"image/color"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"
)

// seeds are files of all kinds with metadata of all kinds.
func seeds(f *testing.F) {
	for _, file := range tagged(f) {
		f.Add(file)
	}
	for _, name := range []string{"progressive.jpg", "grey.jpg", "lossy.webp", "lossless.webp", "transparent.webp"} {
		f.Add(read(f, name))
	}
	f.Add(pngOf(f, drawn(20, 10)))
	f.Add(jpegOf(f, drawn(20, 10)))
	f.Add(pngOf(f, image.NewPaletted(image.Rect(0, 0, 3, 3), color.Palette{color.White, color.Black})))
	f.Add(pngOf(f, image.NewNRGBA64(image.Rect(0, 0, 3, 3))))
	f.Add(progressive(9, 9, 4, 2))
	f.Add(webpOf(plain(5, 5)))
}

// FuzzJudge: a file has a head within the limits, or a fault; and that is told with little
// memory.
func FuzzJudge(f *testing.F) {
	seeds(f)
	f.Fuzz(func(t *testing.T, file []byte) {
		head, err := Judge(bytes.NewReader(file))
		var fault *Fault
		switch {
		case err != nil && !errors.As(err, &fault):
			t.Fatalf("%v (%T)", err, err)
		case err != nil && (fault.Message == "" || !utf8.ValidString(fault.Message) || head != Head{}):
			t.Fatalf("%q %v", fault.Message, head)
		case err == nil && (head.Width < 1 || head.Width > MaxSide || head.Height < 1 || head.Height > MaxSide || head.Width*head.Height > MaxPixels || head.Kind.MediaType() == ""):
			t.Fatal(head)
		}
	})
}

// FuzzInspect: whatever the metadata is, it gives facts that can be shown.
func FuzzInspect(f *testing.F) {
	seeds(f)
	f.Fuzz(func(t *testing.T, file []byte) {
		for kind := JPEG; kind <= WebP; kind++ {
			facts, err := Inspect(bytes.NewReader(file), Head{Kind: kind})
			if err != nil {
				t.Fatal(err)
			}
			if facts.Orientation < 1 || facts.Orientation > 8 {
				t.Fatal(facts.Orientation)
			}
			if c := facts.Credit; !utf8.ValidString(c) || utf8.RuneCountInString(c) > MaxCredit || strings.ContainsFunc(c, unicode.IsControl) || strings.TrimSpace(c) != c {
				t.Fatalf("%q", c)
			}
			if facts.License != "" && !ofCreativeCommons(facts.License) {
				t.Fatalf("%q", facts.License)
			}
			if at := facts.Taken; at != nil && (at.Clock.Year() < 1900 || at.Clock.Year() > 9999) {
				t.Fatal(at)
			}
		}
	})
}

// FuzzDecode: a file of a head is a picture of that size, or a fault; and a picture becomes
// a rendition.
func FuzzDecode(f *testing.F) {
	seeds(f)
	f.Fuzz(func(t *testing.T, file []byte) {
		head, err := Judge(bytes.NewReader(file))
		if err != nil || head.Width*head.Height > 1<<16 || len(file) > 1<<16 {
			return
		}
		img, err := Decode(bytes.NewReader(file), head)
		var fault *Fault
		if err != nil {
			if !errors.As(err, &fault) {
				t.Fatalf("%v (%T)", err, err)
			}
			return
		}
		if img.Bounds().Dx() != head.Width || img.Bounds().Dy() != head.Height {
			t.Fatal(img.Bounds(), head)
		}
		var out bytes.Buffer
		if err := Rendition(&out, Upright(Fit(img, 32), 5)); err != nil {
			t.Fatal(err)
		}
		again, err := Judge(&out)
		if err != nil || again.Kind != JPEG || max(again.Width, again.Height) > 32 || max(again.Width, again.Height) != min(32, max(head.Width, head.Height)) {
			t.Fatal(head, again, err)
		}
	})
}
