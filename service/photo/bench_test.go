package photo

import (
	"bytes"
	"image"
	"image/jpeg"
	"io"
	"math/rand/v2"
	"testing"
)

// twelve is a JPEG of 12 megapixels with structure at all scales, and metadata.
func twelve(b *testing.B) []byte {
	img := image.NewYCbCr(image.Rect(0, 0, 4000, 3000), image.YCbCrSubsampleRatio420)
	random := rand.New(rand.NewPCG(3, 4))
	for i := range img.Y {
		x, y := i%img.YStride, i/img.YStride
		img.Y[i] = uint8(128 + x*y/997%64 - 32 + random.IntN(24))
	}
	for i := range img.Cb {
		img.Cb[i], img.Cr[i] = uint8(i/7%200), uint8(i/1300%200)
	}
	file := full(b, jpegOf(b, img))
	b.SetBytes(int64(len(file)))
	return file
}

// BenchmarkRenditions makes both renditions of a picture: decoded once, the smaller one made
// of the larger. Beside it stands decoding alone, which any maker of renditions does, and
// what the larger one takes.
func BenchmarkRenditions(b *testing.B) {
	file := twelve(b)
	head, err := Judge(bytes.NewReader(file))
	if err != nil {
		b.Fatal(err)
	}
	b.Run("decode", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			if _, err := jpeg.Decode(bytes.NewReader(file)); err != nil {
				b.Fatal(err)
			}
		}
	})
	img, err := Decode(bytes.NewReader(file), head)
	if err != nil {
		b.Fatal(err)
	}
	b.Run("fit 1600", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			Fit(img, 1600)
		}
	})
	b.Run("320 and 1600", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			head, err := Judge(bytes.NewReader(file))
			if err != nil {
				b.Fatal(err)
			}
			facts, err := Inspect(bytes.NewReader(file), head)
			if err != nil {
				b.Fatal(err)
			}
			img, err := Decode(bytes.NewReader(file), head)
			if err != nil {
				b.Fatal(err)
			}
			large := Fit(img, 1600)
			small := Fit(large, 320)
			for _, r := range []*image.RGBA{large, small} {
				if err := Rendition(io.Discard, Upright(r, facts.Orientation)); err != nil {
					b.Fatal(err)
				}
			}
		}
		b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "pictures/s")
	})
}

// BenchmarkJudge judges and inspects. Bytes are those of the file, though a JPEG is read up
// to its scan only.
func BenchmarkJudge(b *testing.B) {
	for _, test := range []struct {
		name string
		file []byte
	}{
		{"JPEG", twelve(b)},
		{"PNG", pngOf(b, drawn(2000, 1500))},
		{"WebP", inWebP(read(b, "lossless.webp"), 160, 120)},
	} {
		b.Run(test.name, func(b *testing.B) {
			b.SetBytes(int64(len(test.file)))
			b.ReportAllocs()
			for b.Loop() {
				head, err := Judge(bytes.NewReader(test.file))
				if err != nil {
					b.Fatal(err)
				}
				if _, err := Inspect(bytes.NewReader(test.file), head); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
