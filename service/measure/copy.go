package measure

import (
	"image"
	"image/draw"
)

// planes is a picture as it is worked on: three numbers a pixel (red, green, blue), of
// which 255 << 8 is the brightest, row by row.
type planes struct {
	width, height int
	step          int // pixels of the original, across and down, that a pixel is the mean of
	rgb           []uint16
}

// averaged returns the mean of each block of step x step pixels of a part of the picture;
// at its right and lower edge blocks have fewer. Numbers are averaged as they are, not
// as light: the indices of colour were made from such numbers.
//
// What is transparent counts as black, and half transparent as half as bright, of the
// same colour.
//
// It converts a few rows at a time, so its memory is that of the result.
func averaged(img image.Image, part image.Rectangle, step int) *planes {
	p := &planes{width: ceilDiv(part.Dx(), step), height: ceilDiv(part.Dy(), step), step: step}
	p.rgb = make([]uint16, 3*p.width*p.height)
	band := image.NewRGBA(image.Rect(0, 0, part.Dx(), min(step, part.Dy())))
	sums := make([]uint32, 3*p.width)
	for y := range p.height {
		top := part.Min.Y + y*step
		rows := min(step, part.Max.Y-top)
		draw.Draw(band, image.Rect(0, 0, part.Dx(), rows), img, image.Pt(part.Min.X, top), draw.Src)
		clear(sums)
		for row := range rows {
			pix := band.Pix[row*band.Stride : row*band.Stride+4*part.Dx()]
			for x := range p.width {
				block := pix[4*x*step : min(4*(x+1)*step, len(pix))]
				var r, g, b uint32
				for i := 0; i+3 < len(block); i += 4 {
					r += uint32(block[i])
					g += uint32(block[i+1])
					b += uint32(block[i+2])
				}
				sums[3*x] += r
				sums[3*x+1] += g
				sums[3*x+2] += b
			}
		}
		out := p.rgb[3*p.width*y : 3*p.width*(y+1)]
		for x := range p.width {
			count := uint32(rows * (min((x+1)*step, part.Dx()) - x*step))
			for c := range 3 {
				out[3*x+c] = mean8(sums[3*x+c], count)
			}
		}
	}
	return p
}

// mean8 returns sum/count with eight bits after the point, rounded.
func mean8(sum, count uint32) uint16 {
	return uint16((uint64(sum)<<8 + uint64(count)/2) / uint64(count))
}

func ceilDiv(a, b int) int { return (a + b - 1) / b }

// smoothed returns the picture after a binomial filter of 5 x 5, with the weights
// 1 4 6 4 1 in either direction: nearly a normal law with a deviation of one pixel. It
// takes the noise of single pixels down to 27 %. Beyond the edge lies the edge's pixel
// again.
func (p *planes) smoothed() *planes {
	out := &planes{p.width, p.height, p.step, make([]uint16, len(p.rgb))}
	stride := 3 * p.width
	// Down, into rows; then along the row.
	row := make([]uint32, stride)
	at := func(y int) []uint16 {
		y = min(max(y, 0), p.height-1)
		return p.rgb[stride*y : stride*(y+1)]
	}
	for y := range p.height {
		a, b, c, d, e := at(y-2), at(y-1), at(y), at(y+1), at(y+2)
		for i := range row {
			row[i] = uint32(a[i]) + uint32(e[i]) + 4*(uint32(b[i])+uint32(d[i])) + 6*uint32(c[i])
		}
		to := out.rgb[stride*y : stride*(y+1)]
		for x := range p.width {
			l2, l1 := 3*max(x-2, 0), 3*max(x-1, 0)
			r1, r2 := 3*min(x+1, p.width-1), 3*min(x+2, p.width-1)
			for c := range 3 {
				sum := row[l2+c] + row[r2+c] + 4*(row[l1+c]+row[r1+c]) + 6*row[3*x+c]
				to[3*x+c] = uint16((sum + 128) >> 8)
			}
		}
	}
	return out
}
