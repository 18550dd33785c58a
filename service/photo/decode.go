package photo

import (
	"encoding/binary"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"image/png"
	"io"
	"math"

	"golang.org/x/image/webp"
)

// How many scans a JPEG file may have. Each goes through all of the picture, and may take
// next to nothing of the file: thousands would take hours. In a sequential one each
// component is in one scan only (ITU-T T.81, 4.8), so 4 are the most. Progressive ones have
// about ten.
const (
	maxScans            = 4
	maxScansProgressive = 64
)

// Decode decodes a picture that was judged, wholly: a file that is cut short or damaged is
// a Fault, as far as its format lets that be seen. PNG has checksums; in JPEG and WebP
// damage within the coded picture may only show in the picture. It holds MaxMemory at most
// and what the file has of coded WebP. The picture is as stored: Upright turns it. Profiles
// of colour are not applied.
func Decode(r io.ReadSeeker, head Head) (image.Image, error) {
	size, err := r.Seek(0, io.SeekEnd)
	if err != nil {
		return nil, err
	}
	if size > MaxBytes {
		return nil, faultf("the file is larger than %d MiB", MaxBytes>>20)
	}
	// The header is judged again, as decoders make room for what it says.
	if _, err := r.Seek(0, io.SeekStart); err != nil {
		return nil, err
	}
	s := newSource(r)
	again, f, err := judge(s)
	behind := s.read - int64(s.Buffered()) // the frame of a JPEG
	if err != nil {
		return nil, err
	}
	if again != head {
		return nil, fmt.Errorf("the file is a %v now and was judged as a %v", again, head)
	}
	if _, err := r.Seek(0, io.SeekStart); err != nil {
		return nil, err
	}
	s = newSource(r)
	var img image.Image
	switch head.Kind {
	case JPEG:
		most := maxScans
		if f.progressive {
			most = maxScansProgressive
		}
		img, err = jpeg.Decode(&scans{from: s, skip: behind, most: most})
	case PNG:
		// The decoder takes 4 KiB for each chunk that it passes over.
		err = chunks(s.Reader, PNG, func(name string, _ *io.LimitedReader) error {
			if name == "IEND" {
				return errStop
			}
			return nil
		})
		if !errors.Is(err, errStop) {
			return nil, s.why(head.Kind, err)
		}
		if _, err := r.Seek(0, io.SeekStart); err != nil {
			return nil, err
		}
		s = newSource(r)
		img, err = png.Decode(s)
	case WebP:
		// The decoder makes room for what lengths say, and does not look behind the picture.
		var start []byte
		if start, err = s.Peek(8); err != nil {
			return nil, s.why(head.Kind, err)
		}
		if int64(binary.LittleEndian.Uint32(start[4:]))+8 > size {
			return nil, errCut
		}
		if img, err = webp.Decode(s); err == nil {
			widen(img)
		}
	}
	if err != nil {
		return nil, s.why(head.Kind, err)
	}
	if got := img.Bounds().Size(); got != image.Pt(head.Width, head.Height) {
		return nil, faultf("the picture is %d x %d pixels, and %d x %d by its header", got.X, got.Y, head.Width, head.Height)
	}
	return img, nil
}

var errScans = &Fault{"the JPEG file has too many scans: save it as a plain JPEG"}

// scans counts the starts of scans in what is read behind the frame. Within coded data
// their marker does not occur (ITU-T T.81, B.1.1.5); what looks like it elsewhere counts too.
type scans struct {
	from io.Reader
	skip int64 // up to the end of the frame, in bytes
	n    int
	most int
	last byte
}

func (s *scans) Read(p []byte) (int, error) {
	n, err := s.from.Read(p)
	for _, b := range p[:n] {
		if s.skip > 0 {
			s.skip--
		} else if s.last == 0xff && b == sos {
			s.n++
		}
		s.last = b
	}
	if s.n > s.most {
		return 0, errScans
	}
	return n, err
}

// widen stretches the samples of a lossy WebP picture. VP8 has those of video (RFC 6386, 9.2,
// after ITU-R BT.601): 16 to 235 for luma, 16 to 240 for chroma. image.YCbCr stands for those
// of JFIF, 0 to 255, and the decoder leaves them as they are (go.dev/issue/40173): white
// would be grey.
func widen(img image.Image) {
	var planes *image.YCbCr
	switch img := img.(type) {
	case *image.YCbCr:
		planes = img
	case *image.NYCbCrA:
		planes = &img.YCbCr
	default:
		return // lossless: RGB
	}
	var luma, chroma [256]uint8
	for i := range 256 {
		luma[i] = uint8(min(max(((i-16)*255*2+219)/(219*2), 0), 255))
		chroma[i] = uint8(min(max(128+int(math.Round(float64(i-128)*255/224)), 0), 255))
	}
	for i, v := range planes.Y {
		planes.Y[i] = luma[v]
	}
	for _, plane := range [][]uint8{planes.Cb, planes.Cr} {
		for i, v := range plane {
			plane[i] = chroma[v]
		}
	}
}
