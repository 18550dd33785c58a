package measure

import (
	"image"
	"math/rand/v2"
	"testing"
)

func BenchmarkFindRosette(b *testing.B) {
	picture := func(width, height int) image.Image {
		img := ground(width, height, peat)
		plant(img, leaves(Point{float64(width) / 2, float64(height) / 2}, float64(height)/3, 9, 1), leafGreen)
		return toYCbCr(noisy(img, 6, rand.New(rand.NewPCG(12, 0))))
	}
	for _, c := range []struct {
		name          string
		width, height int
	}{{"12MP", 4000, 3000}, {"2MP", 1600, 1200}} {
		img := picture(c.width, c.height)
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := FindRosette(img, Auto); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
