// Package photo judges, reads and renders picture files: JPEG, PNG and WebP. What a file
// says of itself is not believed before it is bounded, and nothing of a picture is decoded
// before its header is judged.
//
// The way of an upload: Judge on the stream, then Inspect and Decode on the stored file,
// then Fit, Upright and Rendition. A rendition has pixels only. What may go with it, credit
// and licence, is a Stamp, put in front of the rest when it is sent.
package photo

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"image/png"
	"io"
	"strings"

	"golang.org/x/image/webp"
)

// What a picture may be at most.
const (
	MaxBytes  = 25 << 20
	MaxPixels = 50_000_000
	// MaxSide is of the longer side in pixels. JPEG goes to 65,535 (ITU-T T.81, B.2.2), PNG
	// to 2^31-1, WebP to 16,384. At 50 megapixels a side of 30,000 is a strip of 18 to 1.
	MaxSide = 30_000
	// MaxMemory is what Decode may hold at a time, the file aside, in bytes. Only rare forms
	// reach it before MaxPixels does: progressive JPEG without subsampling above 35
	// megapixels, and interlaced PNG of 16 bits above 33.
	MaxMemory = 512 << 20
)

// Kind is a format of picture files.
type Kind int

// The kinds that are taken. Rows of photos keep the numbers, so they never change.
const (
	JPEG Kind = iota + 1 // ITU-T T.81, sequential or progressive, Huffman-coded, 8 bits
	PNG                  // W3C PNG; of an animated one the default image counts
	WebP                 // RFC 9649, without animation
)

var kinds = [...]struct{ name, media string }{
	JPEG: {"JPEG", "image/jpeg"},
	PNG:  {"PNG", "image/png"},
	WebP: {"WebP", "image/webp"},
}

func (k Kind) String() string { return kinds[k].name }

// MediaType returns the kind's type as registered with IANA.
func (k Kind) MediaType() string { return kinds[k].media }

// Fault is what is wrong with a caller's file. Any other error is the reader's, or ours.
type Fault struct{ Message string }

func (f *Fault) Error() string { return f.Message }

func faultf(message string, args ...any) *Fault { return &Fault{fmt.Sprintf(message, args...)} }

var errCut = &Fault{"the file ends before the picture does"}

// Head is what the header of a file says. Width and Height are as stored, in pixels: before
// the orientation is applied.
type Head struct {
	Kind          Kind
	Width, Height int
}

// source reads a file from its beginning: MaxBytes at most, through a small buffer. It
// keeps errors of the reader apart from what decoders make of them.
type source struct {
	*bufio.Reader
	from io.Reader
	read int64
	err  error // the reader's
}

func newSource(from io.Reader) *source {
	s := &source{from: from}
	s.Reader = bufio.NewReaderSize((*tap)(s), 4096)
	return s
}

// tap is the end of a source that reads.
type tap source

func (t *tap) Read(p []byte) (int, error) {
	if t.err != nil {
		return 0, t.err
	}
	if t.read > MaxBytes {
		return 0, io.EOF
	}
	n, err := t.from.Read(p[:min(int64(len(p)), MaxBytes+1-t.read)])
	t.read += int64(n)
	if err != nil && err != io.EOF {
		t.err = err
	}
	return n, err
}

// why returns the error that a decoder's stands for: the reader's, or a fault of the file.
func (s *source) why(kind Kind, err error) error {
	var fault *Fault
	switch {
	case s.err != nil:
		return s.err
	case s.read > MaxBytes:
		return faultf("the file is larger than %d MiB", MaxBytes>>20)
	case errors.As(err, &fault):
		return fault
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return errCut
	}
	return faultf("the %s file is damaged or of a rare form: %s", kind, err)
}

// Judge finds the kind and the size of a picture, and refuses what is over a limit. It
// reads the header through a buffer of 4 KiB and no farther than to the size: of PNG and
// WebP one buffer; of JPEG all that stands before the frame, such as EXIF, profiles and
// previews, up to MaxBytes. How much memory it takes does not depend on what the file says.
func Judge(r io.Reader) (Head, error) {
	s := newSource(r)
	head, _, err := judge(s)
	return head, err
}

// form is what else a header says.
type form struct {
	memory      int64 // that decoding takes, in bytes
	progressive bool  // of a JPEG
}

// judge also returns the form.
func judge(s *source) (Head, form, error) {
	const enough = 64 // for all that is looked at below
	start, err := s.Peek(enough)
	if err != nil && !errors.Is(err, io.EOF) {
		return Head{}, form{}, err
	}
	var head Head
	var f form
	switch {
	case len(start) == 0:
		return Head{}, form{}, &Fault{"the file is empty"}
	case bytes.HasPrefix(start, []byte("\xff\xd8\xff")):
		head.Kind = JPEG
		head.Width, head.Height, f, err = judgeJPEG(s.Reader)
	case bytes.HasPrefix(start, []byte("\x89PNG\r\n\x1a\n")):
		head.Kind = PNG
		head.Width, head.Height, f, err = judgePNG(start)
	case bytes.HasPrefix(start, []byte("RIFF")) && bytes.HasPrefix(start[min(8, len(start)):], []byte("WEBP")):
		head.Kind = WebP
		head.Width, head.Height, f, err = judgeWebP(s.Reader, bytes.Clone(start))
	default:
		return Head{}, form{}, foreign(start)
	}
	if err != nil {
		return Head{}, form{}, s.why(head.Kind, err)
	}
	// The sides are bounded before they are multiplied.
	switch {
	case head.Width <= 0 || head.Height <= 0:
		return Head{}, form{}, faultf("the picture is %d x %d pixels by its header: it has no size", head.Width, head.Height)
	case head.Width > MaxSide || head.Height > MaxSide:
		return Head{}, form{}, faultf("the picture is %d x %d pixels: a side may have %d at most", head.Width, head.Height, MaxSide)
	case head.Width*head.Height > MaxPixels:
		return Head{}, form{}, faultf("the picture is %d x %d pixels: it may have %d megapixels at most", head.Width, head.Height, MaxPixels/1_000_000)
	case f.memory > MaxMemory:
		return Head{}, form{}, faultf("the picture is %d x %d pixels, in a form of %s that takes too much memory to read: save it as a plain JPEG", head.Width, head.Height, head.Kind)
	}
	return head, f, nil
}

// judgePNG reads IHDR (W3C PNG, 11.2.1). What decoding takes: 4 bytes a pixel, 8 at 16
// bits a channel, and as much again for the passes of an interlaced picture.
func judgePNG(start []byte) (width, height int, f form, err error) {
	const head = 33 // the signature and IHDR
	if len(start) < head {
		return 0, 0, f, io.ErrUnexpectedEOF
	}
	// The decoder has other words for sizes that it cannot count.
	width, height = int(binary.BigEndian.Uint32(start[16:])), int(binary.BigEndian.Uint32(start[20:]))
	if width > MaxSide || height > MaxSide {
		return width, height, f, nil
	}
	// To see a palette the decoder would read on: it gets one of a colour at once.
	one := []byte("\x00\x00\x00\x03PLTE\x00\x00\x00")
	one = binary.BigEndian.AppendUint32(one, crc32.ChecksumIEEE(one[4:]))
	one = append(one, "\x00\x00\x00\x00IDAT"...)
	config, err := png.DecodeConfig(io.MultiReader(bytes.NewReader(start[:head]), bytes.NewReader(one)))
	if err != nil {
		return 0, 0, f, err
	}
	each := int64(4)
	if start[24] == 16 {
		each = 8
	}
	if start[28] != 0 {
		each *= 2
	}
	return config.Width, config.Height, form{memory: each * product(config.Width, config.Height)}, nil
}

// judgeWebP reads the first chunk (RFC 9649, 2.4 to 2.7), which tells the size. What
// decoding takes: 1.5 bytes a pixel if lossy; with transparency or lossless up to 9, as two
// copies of 4 bytes are there at a time, and one of the transparency.
func judgeWebP(r io.Reader, start []byte) (width, height int, f form, err error) {
	const animated = 1 << 1
	switch {
	case len(start) < 21:
		return 0, 0, f, io.ErrUnexpectedEOF
	case string(start[12:16]) == "VP8X" && start[20]&animated != 0:
		return 0, 0, f, &Fault{"the WebP file is animated: send a still picture"}
	case string(start[12:15]) != "VP8" || !strings.ContainsRune(" LX", rune(start[15])):
		return 0, 0, f, errors.New("the first chunk is no picture")
	case string(start[12:16]) == "VP8X" && len(start) >= 30:
		width, height = 1+little24(start[24:]), 1+little24(start[27:])
		if width > MaxSide || height > MaxSide {
			return width, height, f, nil
		}
	}
	config, err := webp.DecodeConfig(r)
	if err != nil {
		return 0, 0, f, err
	}
	return config.Width, config.Height, form{memory: 9 * product(config.Width, config.Height)}, nil
}

func little24(b []byte) int { return int(b[0]) | int(b[1])<<8 | int(b[2])<<16 }

// judgeJPEG reads up to the frame header (ITU-T T.81, B.2.2). What decoding takes: a byte
// a sample; 4 more if progressive, as all coefficients are there before any pixel; 4 bytes
// a pixel more for RGB and CMYK, which are converted.
func judgeJPEG(r *bufio.Reader) (width, height int, f form, err error) {
	var plain bool // Adobe's marker says that colours are not YCbCr
	var b [6 + 3*4]byte
	err = segments(r, func(marker byte, body *io.LimitedReader) error {
		switch {
		case marker == app14:
			n, err := io.ReadFull(body, b[:12])
			plain = n == 12 && string(b[:5]) == "Adobe" && b[11] == 0
			if err == io.EOF || err == io.ErrUnexpectedEOF {
				return nil // segments tells if the file ended
			}
			return err
		case marker == eoi, marker == sos:
			return errors.New("no frame before the first scan")
		case marker == 0xc8, marker == 0xc4, marker == 0xcc, marker < 0xc0, marker > 0xcf:
			return nil
		case marker > 0xc2:
			return &Fault{"the JPEG file is lossless, hierarchical or arithmetically coded: save it as a plain JPEG"}
		}
		n, err := io.ReadFull(body, b[:min(int64(len(b)), body.N)])
		if err != nil {
			return err
		}
		parts := int(b[5])
		if parts != 1 && parts != 3 && parts != 4 || n != 6+3*parts || body.N > 0 {
			return errors.New("the frame has another number of components than 1, 3 or 4")
		}
		if b[0] != 8 {
			return faultf("the JPEG file has %d bits a sample: save it with 8", b[0])
		}
		height, width = int(binary.BigEndian.Uint16(b[1:])), int(binary.BigEndian.Uint16(b[3:]))
		f.memory = samples(width, height, b[6:n])
		if f.progressive = marker == 0xc2; f.progressive {
			f.memory *= 1 + 4
		}
		if parts == 4 || parts == 3 && (plain || b[6] == 'R' && b[9] == 'G' && b[12] == 'B') {
			f.memory += 4 * product(width, height)
		}
		return errStop
	})
	if errors.Is(err, errStop) {
		err = nil
	}
	return width, height, f, err
}

// samples returns how many samples the components of a frame have, three bytes each, in
// whole units (ITU-T T.81, A.1.1 and A.2).
func samples(width, height int, components []byte) (n int64) {
	across := func(side int, factor byte) int { return (side + 8*int(factor) - 1) / (8 * int(factor)) }
	h, v := components[1]>>4, components[1]&15
	if h == 0 || v == 0 || len(components) == 3 { // of one component the factors do not count
		h, v = 1, 1
	}
	units := product(across(width, h), across(height, v))
	for ; len(components) > 0; components = components[3:] {
		n += units * 64 * min(int64(components[1]>>4)*int64(components[1]&15), int64(h)*int64(v))
	}
	return n
}

func product(width, height int) int64 { return int64(width) * int64(height) }

// foreign says what a file is that is none of the kinds.
func foreign(start []byte) *Fault {
	const taken = "JPEG, PNG and WebP are taken"
	for _, magic := range []string{"\xff\xd8\xff", "\x89PNG\r\n\x1a\n", "RIFF"} {
		if len(start) < 12 && strings.HasPrefix(magic, string(start[:min(len(start), len(magic))])) {
			return errCut
		}
	}
	for _, f := range []struct {
		at    int
		magic string
		what  string
	}{
		{0, "GIF8", "a GIF"},
		{0, "II*\x00", "a TIFF or a raw picture"},
		{0, "MM\x00*", "a TIFF or a raw picture"},
		{0, "BM", "a bitmap (BMP)"},
		{0, "%PDF", "a PDF"},
		{0, "\xff\x0a", "a JPEG XL"},
		{0, "\x00\x00\x00\x0cJXL ", "a JPEG XL"},
		{0, "\x00\x00\x00\x0cjP  ", "a JPEG 2000"},
		{4, "ftypavi", "an AVIF"},
		{0, "RIFF", "a sound or a film"},
		{0, "\x1aE\xdf\xa3", "a film"},
	} {
		if len(start) >= f.at && bytes.HasPrefix(start[f.at:], []byte(f.magic)) {
			return faultf("the file is %s: %s", f.what, taken)
		}
	}
	if len(start) >= 12 && string(start[4:8]) == "ftyp" {
		switch string(start[8:12]) {
		// Brands of ISO/IEC 23008-12.
		case "heic", "heix", "heim", "heis", "hevc", "hevx", "hevm", "hevs", "mif1", "mif2", "msf1":
			return &Fault{"the file is a HEIC: export it as JPEG (" + taken + ")"}
		}
		return faultf("the file is a film: %s", taken)
	}
	text := strings.ToLower(strings.TrimLeft(string(start), "\ufeff \t\r\n"))
	if strings.HasPrefix(text, "<svg") || strings.HasPrefix(text, "<?xml") {
		return faultf("the file is an SVG or other XML: %s", taken)
	}
	return faultf("the file is no picture, or of a kind that is not taken: %s", taken)
}
