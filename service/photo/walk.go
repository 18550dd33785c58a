package photo

import (
	"bufio"
	"encoding/binary"
	"errors"
	"io"
)

// Markers of JPEG (ITU-T T.81, table B.1).
const (
	soi   = 0xd8
	eoi   = 0xd9
	sos   = 0xda
	rst0  = 0xd0
	rst7  = 0xd7
	app1  = 0xe1
	app13 = 0xed
	app14 = 0xee
)

// maxParts is how many segments before the first scan, or chunks, a file may have. Large
// pictures have some thousands of chunks; empty ones would cost more than they are worth.
const maxParts = 20_000

// Errors that end a walk: the first is the walker's wish.
var (
	errStop  = errors.New("stop")
	errParts = errors.New("it has too many parts")
)

// segments calls f for each marker of a JPEG file behind SOI, with what is in its segment,
// until f returns an error. What f leaves of it is skipped. It is as lenient as image/jpeg
// about bytes between segments, so that both see the same frame.
func segments(r *bufio.Reader, f func(marker byte, body *io.LimitedReader) error) error {
	if _, err := r.Discard(2); err != nil {
		return err
	}
	body := &io.LimitedReader{R: r}
	var size [2]byte
	for n := 0; ; n++ {
		if n == maxParts {
			return errParts
		}
		marker, err := nextMarker(r)
		if err != nil {
			return err
		}
		if marker >= rst0 && marker <= rst7 {
			continue
		}
		body.N = 0
		if marker != eoi {
			if _, err := io.ReadFull(r, size[:]); err != nil {
				return err
			}
			if body.N = int64(binary.BigEndian.Uint16(size[:])) - 2; body.N < 0 {
				return errors.New("a segment is shorter than its length")
			}
		}
		if err := f(marker, body); err != nil {
			return err
		}
		if marker == eoi {
			return io.EOF
		}
		if _, err := r.Discard(int(body.N)); err != nil {
			return err
		}
	}
}

// nextMarker skips to a marker. 0xff 0x00 is none, and any number of 0xff may stand before
// one (B.1.1.2 and B.1.1.5).
func nextMarker(r *bufio.Reader) (byte, error) {
	for {
		if _, err := r.ReadSlice(0xff); errors.Is(err, bufio.ErrBufferFull) {
			continue
		} else if err != nil {
			return 0, err
		}
		for {
			b, err := r.ReadByte()
			if err != nil {
				return 0, err
			}
			if b == 0xff {
				continue
			}
			if b == 0 {
				break
			}
			return b, nil
		}
	}
}

// chunks calls f for each chunk of a PNG file (W3C PNG, 5.3), or of a WebP file (RFC 9649,
// 2.3), until f returns an error. What f leaves is skipped.
func chunks(r *bufio.Reader, kind Kind, f func(name string, body *io.LimitedReader) error) error {
	start := 8 // the signature
	if kind == WebP {
		start = 12 // RIFF, the size, WEBP
	}
	if _, err := r.Discard(start); err != nil {
		return err
	}
	body := &io.LimitedReader{R: r}
	var head [8]byte
	for n := 0; ; n++ {
		if n == maxParts {
			return errParts
		}
		if _, err := io.ReadFull(r, head[:]); err != nil {
			return err
		}
		name, behind := string(head[4:]), int64(4) // the checksum, which Decode looks at
		body.N = int64(binary.BigEndian.Uint32(head[:]))
		if kind == WebP {
			name, body.N = string(head[:4]), int64(binary.LittleEndian.Uint32(head[4:]))
			behind = body.N & 1
		}
		if err := f(name, body); err != nil {
			return err
		}
		if rest := body.N + behind; rest > MaxBytes {
			return io.ErrUnexpectedEOF
		} else if _, err := r.Discard(int(rest)); err != nil {
			return err
		}
	}
}
