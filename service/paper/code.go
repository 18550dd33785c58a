package paper

import (
	"fmt"
	"image/color"
	"strings"

	"github.com/boombuler/barcode/qr"
)

// quiet is the width of the empty zone around a code, modules (ISO/IEC 18004:2015,
// section 6.3.8).
const quiet = 4

// Code is a QR code as the path of an SVG picture.
type Code struct {
	Size int    // of the picture with its quiet zone, modules
	Path string // of the dark modules; user units are modules
}

// NewCode returns the QR code (ISO/IEC 18004) of a text, with error correction of level M,
// of which 15 % may be soiled. Errors: a text of more than 2,331 bytes.
func NewCode(text string) (Code, error) {
	b, err := qr.Encode(text, qr.M, qr.Unicode)
	if err != nil {
		return Code{}, fmt.Errorf("QR code of %d bytes: %w", len(text), err)
	}
	n := b.Bounds().Dx()
	dark := func(x, y int) bool { return x < n && b.At(x, y) == color.Black }
	var path strings.Builder
	for y := range n {
		for x := 0; x < n; x++ {
			if !dark(x, y) {
				continue
			}
			from := x
			for dark(x, y) {
				x++
			}
			fmt.Fprintf(&path, "M%d %dh%dv1h-%dz", quiet+from, quiet+y, x-from, x-from)
		}
	}
	return Code{n + 2*quiet, path.String()}, nil
}
