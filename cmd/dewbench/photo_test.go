package main

import (
	"bytes"
	"encoding/binary"
	"errors"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
	"google.golang.org/grpc/codes"

	pb "dewbench/proto/dewbench/v1"
)

// drawRosette is the script command `draw FILE WIDTH HEIGHT DIAMETER [TIME]`: it draws a
// green disc on brown ground in the middle of a picture, as PNG or JPEG. The time is what
// the camera told in a JPEG, 2026:05:10 18:30:00.
func drawRosette(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 4 || len(args) > 5 {
		ts.Fatalf("usage: draw FILE WIDTH HEIGHT DIAMETER [TIME]")
	}
	var size [3]int
	for i := range size {
		n, err := strconv.Atoi(args[i+1])
		ts.Check(err)
		size[i] = n
	}
	w, h, d := size[0], size[1], size[2]
	img := image.NewNRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			dx, dy := 2*x+1-w, 2*y+1-h // twice the way from the middle
			c := color.NRGBA{130, 100, 70, 255}
			if dx*dx+dy*dy <= d*d {
				c = color.NRGBA{60, 160, 50, 255}
			}
			img.SetNRGBA(x, y, c)
		}
	}
	var file bytes.Buffer
	if strings.HasSuffix(args[0], ".png") {
		ts.Check(png.Encode(&file, img))
	} else {
		ts.Check(jpeg.Encode(&file, img, &jpeg.Options{Quality: 92}))
	}
	out := file.Bytes()
	if len(args) == 5 {
		out = slices.Concat(out[:2], cameraTime(args[4]), out[2:])
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), out, 0o600))
}

// cameraTime is the segment of a JPEG in which a camera tells DateTimeOriginal: APP1 with a
// TIFF of two directories, the second of which is that of Exif (CIPA DC-008, 4.5.4, 4.6.5).
func cameraTime(text string) []byte {
	const ascii, long = 2, 4
	entry := func(tag, kind uint16, count, value uint32) []byte {
		b := binary.BigEndian.AppendUint16(nil, tag)
		b = binary.BigEndian.AppendUint16(b, kind)
		b = binary.BigEndian.AppendUint32(b, count)
		return binary.BigEndian.AppendUint32(b, value)
	}
	const exifAt, textAt = 8 + 2 + 12 + 4, 8 + 2*(2+12+4)
	tiff := slices.Concat([]byte("MM\x00\x2a\x00\x00\x00\x08"),
		[]byte{0, 1}, entry(0x8769, long, 1, exifAt), make([]byte, 4),
		[]byte{0, 1}, entry(0x9003, ascii, uint32(len(text)+1), textAt), make([]byte, 4),
		[]byte(text+"\x00"))
	body := slices.Concat([]byte("Exif\x00\x00"), tiff)
	return slices.Concat([]byte{0xff, 0xe1}, binary.BigEndian.AppendUint16(nil, uint16(len(body)+2)), body)
}

// makeLarge is the script command `large FILE BYTES`: it makes a file of that size, which
// takes no room on most disks.
func makeLarge(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: large FILE BYTES")
	}
	size, err := strconv.ParseInt(args[1], 10, 64)
	ts.Check(err)
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), nil, 0o600))
	ts.Check(os.Truncate(ts.MkAbs(args[0]), size))
}

// checkPicture is the script command `picture KIND WIDTH HEIGHT FILE`.
func checkPicture(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 4 {
		ts.Fatalf("usage: picture KIND WIDTH HEIGHT FILE")
	}
	head, kind, err := image.DecodeConfig(strings.NewReader(ts.ReadFile(args[3])))
	ts.Check(err)
	if got := []string{kind, strconv.Itoa(head.Width), strconv.Itoa(head.Height)}; !slices.Equal(got, args[:3]) {
		ts.Fatalf("%s is %v, want %v", args[3], got, args[:3])
	}
}

// Lengths are rounded as JCGM 100:2008 (GUM) has it, 7.2.6: its examples are 10.057 62 with
// an uncertainty of 0.027, to be written as 10.058, and an uncertainty of 28.05, to be
// written as 28. "At most two significant digits" leaves a choice where it would round up
// 10.47; the others follow from the rule.
func TestWithUncertainty(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		value, uncertainty float64
		want               string
	}{
		{10.05762, 0.027, "10.058 ± 0.027"},
		{1234.5, 28.05, "1234 ± 28"},
		{31.44, 0.996, "31.4 ± 1.0"},
		{31.46, 0.0996, "31.46 ± 0.10"},
		{1234, 123, "1230 ± 120"},
		{1299.6, 99.6, "1300 ± 100"},
		{0.04, 0.5, "0.04 ± 0.50"},
		{5, 0, "5 ± 0"},
	} {
		if got := withUncertainty(c.value, c.uncertainty); got != c.want {
			t.Errorf("%g ± %g is written as %q, want %q", c.value, c.uncertainty, got, c.want)
		}
	}
}

// Every code that a photo or a proposal may have has its words.
func TestPhotoCodesHaveWords(t *testing.T) {
	t.Parallel()
	for n, name := range pb.Photo_TimeSource_name {
		if n != 0 && takenSources[pb.Photo_TimeSource(n)] == "" {
			t.Errorf("time source %s has no words", name)
		}
	}
	for n, name := range pb.MeasureRosetteResponse_Warning_name {
		if n != 0 && rosetteDoubts[pb.MeasureRosetteResponse_Warning(n)] == "" {
			t.Errorf("warning %s has no words", name)
		}
	}
	for n, name := range pb.Photo_Span_Kind_name {
		if n != 0 && !slices.ContainsFunc(spanKinds, func(k struct {
			typed string
			kind  pb.Photo_Span_Kind
		}) bool {
			return k.kind == pb.Photo_Span_Kind(n)
		}) {
			t.Errorf("kind of spans %s cannot be typed", name)
		}
	}
	for n, name := range pb.Photo_Rendition_name {
		if n != 0 && !slices.Contains(renditions, strings.ToLower(name)) {
			t.Errorf("rendition %s cannot be typed", name)
		}
	}
}

// Pixels of a rendition are larger than those of the original by the ratio of the sides,
// which are rounded to whole pixels (photo.proto: at most 320 and 1600 pixels).
func TestPixelsOf(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		w, h int32
		form pb.Photo_Rendition
		want [2]float64
	}{
		{2400, 1800, pb.Photo_LARGE, [2]float64{1.5, 1.5}},
		{2400, 1800, pb.Photo_SMALL, [2]float64{7.5, 7.5}},
		{2400, 1800, pb.Photo_ORIGINAL, [2]float64{1, 1}},
		{1600, 900, pb.Photo_LARGE, [2]float64{1, 1}},
		{1000, 3200, pb.Photo_LARGE, [2]float64{2, 2}},
		{6400, 3, pb.Photo_LARGE, [2]float64{4, 3}}, // 3 of 4 pixels are one
	} {
		if got := pixelsOf(&pb.Photo{WidthPx: c.w, HeightPx: c.h}, c.form); got != c.want {
			t.Errorf("%d x %d, %s: %v, want %v", c.w, c.h, c.form, got, c.want)
		}
	}
}

// cutting passes bytes on to a server, and breaks the first connection over which more
// than some bytes have come.
type cutting struct {
	net.Listener
	to    string
	after int
	cut   atomic.Bool
	all   atomic.Int32 // connections
}

func (c *cutting) serve(t *testing.T) {
	var passing sync.WaitGroup
	defer passing.Wait()
	for {
		near, err := c.Accept()
		if err != nil {
			if !errors.Is(err, net.ErrClosed) {
				t.Error(err)
			}
			return
		}
		c.all.Add(1)
		var d net.Dialer
		far, err := d.DialContext(t.Context(), "tcp", c.to)
		if err != nil {
			t.Error(err)
			_ = near.Close()
			return
		}
		closeBoth := func() { _, _ = near.Close(), far.Close() }
		passing.Go(func() {
			defer closeBoth()
			_, _ = io.Copy(near, far) // it ends when either side goes
		})
		passing.Go(func() {
			defer closeBoth()
			if n, _ := io.CopyN(far, near, int64(c.after)); n == int64(c.after) && c.cut.CompareAndSwap(false, true) {
				return
			}
			_, _ = io.Copy(far, near)
		})
	}
}

// noise is a PNG that does not pack: of 3 bytes for each pixel.
func noise(t *testing.T, width, height int) []byte {
	t.Helper()
	img := image.NewNRGBA(image.Rect(0, 0, width, height))
	from := rand.NewPCG(1, 2)
	for i := 0; i < len(img.Pix); i += 4 {
		v := from.Uint64()
		copy(img.Pix[i:], []byte{byte(v), byte(v >> 8), byte(v >> 16), 255})
	}
	var file bytes.Buffer
	if err := png.Encode(&file, img); err != nil {
		t.Fatal(err)
	}
	return file.Bytes()
}

// TestGetWaits gets a picture whose second piece is asked for when the server takes no more
// calls: it goes on where it was. What is not made yet is asked for when the server says.
func TestGetWaits(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	operate(t, folder, "grower", "add", "Fern Hollow", "--token-file", "token")
	s := start(t, folder, "serve")
	operate(t, folder, "new", "Home", "--time-zone", "UTC", "--server", s.grpc)
	operate(t, folder, "plant", "A1", "Drosera capensis", "--server", s.grpc)
	file := noise(t, 1000, 700) // two pieces of a MiB at least
	if err := os.WriteFile(filepath.Join(folder, "noise.png"), file, 0o600); err != nil {
		t.Fatal(err)
	}
	kept := operate(t, folder, "photo", "add", "A1", "noise.png", "--server", s.grpc)
	id, _, _ := strings.Cut(strings.TrimPrefix(kept, "noise.png: photo "), " ")

	refusals := []error{nil, tooMany(t, time.Millisecond), tooMany(t, time.Millisecond), tooMany(t, time.Millisecond),
		tooMany(t, time.Millisecond), withReason(t, codes.Unavailable, "TOO_BUSY", time.Millisecond)}
	door := refusing(t, s.grpc, pb.PhotoService_GetPhotoContent_FullMethodName, refusals...)
	operate(t, folder, "photo", "get", id, "--rendition", "original", "-o", "got.png", "--server", door.address)
	got, err := os.ReadFile(filepath.Join(folder, "got.png"))
	if n := door.stop(); n <= len(refusals) || err != nil || !bytes.Equal(got, file) {
		t.Errorf("%d calls, %d bytes of %d: %v", n, len(got), len(file), err)
	}

	// The server says when: it is not asked before that, and here not at all.
	door = refusing(t, s.grpc, pb.PhotoService_GetPhotoContent_FullMethodName, withReason(t, codes.Unavailable, "RENDITION_NOT_READY", time.Hour))
	out, err := inFolder(t.Context(), folder, "photo", "get", id, "-o", "large.jpg", "--server", door.address).CombinedOutput()
	if n := door.stop(); n != 1 || err == nil || !strings.Contains(string(out), "it is still being made") {
		t.Errorf("%d calls, it says %s: %v", n, out, err)
	}
	s.end(t, os.Interrupt)
}

// TestBrokenUpload loses the connection in the midst of a photo: it is sent again from its
// start, and kept once.
func TestBrokenUpload(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	operate(t, folder, "grower", "add", "Fern Hollow", "--token-file", "token")
	s := start(t, folder, "serve")
	operate(t, folder, "new", "Home", "--time-zone", "UTC", "--server", s.grpc)
	operate(t, folder, "plant", "A1", "Drosera capensis", "--server", s.grpc)
	file := noise(t, 1000, 700)
	if err := os.WriteFile(filepath.Join(folder, "noise.png"), file, 0o600); err != nil {
		t.Fatal(err)
	}

	var config net.ListenConfig
	l, err := config.Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	c := &cutting{Listener: l, to: s.grpc, after: len(file) / 2}
	served := make(chan struct{})
	go func() {
		defer close(served)
		c.serve(t)
	}()
	kept := operate(t, folder, "photo", "add", "A1", "noise.png", "--server", l.Addr().String())
	if !strings.HasPrefix(kept, "noise.png: photo ") || !c.cut.Load() || c.all.Load() < 2 {
		t.Errorf("it says %s; cut %v, %d connections", kept, c.cut.Load(), c.all.Load())
	}
	if err := l.Close(); err != nil {
		t.Error(err)
	}
	<-served
	if list := operate(t, folder, "photo", "list", "A1", "--server", s.grpc); strings.Count(list, "1000 x 700") != 1 {
		t.Errorf("the list is\n%s", list)
	}
	s.end(t, os.Interrupt)
}
