package photo

import (
	"image"
	"image/color"
	"image/jpeg"
	"io"

	"golang.org/x/image/draw"
)

// Quality is that of the JPEG encoder for renditions, of 100.
const Quality = 85

// Upright turns a picture by its orientation (CIPA DC-008-2019, Exif 2.32, tag 274): the
// number says which side of the scene the first row and the first column of the file are.
//
//	1 top, left       5 left, top
//	2 top, right      6 right, top
//	3 bottom, right   7 right, bottom
//	4 bottom, left    8 left, bottom
//
// Of any other number the picture is left as it is. Fit it first: then the copy that is
// made, of 4 bytes a pixel, is small.
func Upright(img image.Image, orientation int) image.Image {
	if orientation < 2 || orientation > 8 {
		return img
	}
	from := img.Bounds()
	w, h := from.Dx(), from.Dy()
	to := image.NewRGBA(image.Rect(0, 0, w, h))
	if orientation >= 5 {
		to = image.NewRGBA(image.Rect(0, 0, h, w))
	}
	row := image.NewRGBA(image.Rect(0, 0, w, 1))
	for y := range h {
		draw.Draw(row, row.Rect, img, image.Pt(from.Min.X, from.Min.Y+y), draw.Src)
		// Where the first pixel of the row goes, and where the others go from there.
		var x0, y0, step int
		switch orientation {
		case 2:
			x0, y0, step = w-1, y, -4
		case 3:
			x0, y0, step = w-1, h-1-y, -4
		case 4:
			x0, y0, step = 0, h-1-y, 4
		case 5:
			x0, y0, step = y, 0, to.Stride
		case 6:
			x0, y0, step = h-1-y, 0, to.Stride
		case 7:
			x0, y0, step = h-1-y, w-1, -to.Stride
		case 8:
			x0, y0, step = y, w-1, -to.Stride
		}
		at := to.PixOffset(x0, y0)
		for x := range w {
			copy(to.Pix[at:at+4], row.Pix[4*x:4*x+4])
			at += step
		}
	}
	return to
}

// UprightPoint returns where a point of a picture lies after Upright. The size is that of
// the picture before. Points are told in pixels from the upper left corner, so the middle of
// the first pixel is at 0.5, 0.5.
func UprightPoint(x, y float64, width, height, orientation int) (float64, float64) {
	fromRight, fromBottom := float64(width)-x, float64(height)-y
	switch orientation {
	case 2:
		return fromRight, y
	case 3:
		return fromRight, fromBottom
	case 4:
		return x, fromBottom
	case 5:
		return y, x
	case 6:
		return fromBottom, x
	case 7:
		return fromBottom, fromRight
	case 8:
		return y, fromRight
	}
	return x, y
}

// Fit returns a picture on white whose longer side has at most some pixels, at least one
// each; it never enlarges. It scales by the kernel of Catmull and Rom, widened by the
// ratio, so that fine patterns do not alias. Rows first, then columns, in strips: the
// scaler takes 32 bytes for each pixel of what it scales in one direction. So Fit takes,
// besides what it returns, 4 bytes for each pixel of a picture of the new width and the
// old height, and less than 64 MiB.
func Fit(img image.Image, longest int) *image.RGBA {
	from := img.Bounds()
	w, h := from.Dx(), from.Dy()
	to := image.NewRGBA(image.Rect(0, 0, scaled(w, max(w, h), longest), scaled(h, max(w, h), longest)))
	draw.Draw(to, to.Rect, image.NewUniform(color.White), image.Point{}, draw.Src)
	if w == to.Rect.Dx() && h == to.Rect.Dy() {
		draw.Draw(to, to.Rect, img, from.Min, draw.Over)
		return to
	}
	onto := draw.Over
	if o, ok := img.(interface{ Opaque() bool }); ok && o.Opaque() {
		onto = draw.Src
	}
	const strip = 64
	// Scaled by 1 in the other direction, the kernel leaves pixels as they are, so strips
	// have no seams.
	narrow := image.NewRGBA(image.Rect(0, 0, to.Rect.Dx(), h))
	rows := image.NewRGBA(image.Rect(0, 0, w, strip)) // so that colours are converted once
	each := draw.CatmullRom.NewScaler(narrow.Rect.Dx(), strip, w, strip)
	for y := 0; y < h; y += strip {
		part := image.Rect(0, 0, w, min(strip, h-y))
		draw.Draw(rows, part, img, from.Min.Add(image.Pt(0, y)), draw.Src)
		each.Scale(narrow, image.Rect(0, y, narrow.Rect.Dx(), y+part.Max.Y), rows, part, draw.Src, nil)
	}
	each = draw.CatmullRom.NewScaler(strip, to.Rect.Dy(), strip, h)
	for x := 0; x < to.Rect.Dx(); x += strip {
		part := image.Rect(x, 0, min(x+strip, to.Rect.Dx()), to.Rect.Dy())
		each.Scale(to, part, narrow, image.Rect(part.Min.X, 0, part.Max.X, h), onto, nil)
	}
	return to
}

// scaled returns a side where the longer one becomes longest at most.
func scaled(side, longer, longest int) int {
	longest = max(longest, 1)
	if longer <= longest {
		return side
	}
	return max(1, (side*longest+longer/2)/longer)
}

// Rendition writes a picture as JPEG. The file has tables and pixels, and nothing else:
// what the picture's file said is gone.
func Rendition(w io.Writer, img image.Image) error {
	return jpeg.Encode(w, img, &jpeg.Options{Quality: Quality})
}
