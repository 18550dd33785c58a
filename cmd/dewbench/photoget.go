package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc/status"

	pb "dewbench/proto/dewbench/v1"
)

// picture are the flags of commands that write a picture.
type picture struct {
	file  string
	force bool
}

func (p *picture) add(c *cobra.Command, like string) {
	c.Flags().StringVarP(&p.file, "output", "o", "", "file to write to, such as "+like+"; - is standard output, and a pipe or device is written into")
	c.Flags().BoolVar(&p.force, "force", false, "write over a file that is there")
}

// target is what a picture is written to.
type target struct {
	file string // that of the links that lead there
	// into says to write into what is there, such as a pipe or a terminal. Else the file is
	// written beside its place and put there when it is whole.
	into     bool
	standard bool // it is standard output, whatever its name
}

// target refuses what cannot be written to, before anything is asked.
func (p *picture) target(in inOut) (to target, err error) {
	if p.file == "" {
		return to, errors.New("--output: say which file to write to, such as -o picture.jpg")
	}
	if p.file == standardInput {
		return target{standard: true}, nil
	}
	info, err := os.Stat(p.file)
	if errors.Is(err, fs.ErrNotExist) {
		switch _, err := os.Lstat(p.file); {
		case err == nil:
			return to, fmt.Errorf("--output %s: is a link to what is not there", p.file)
		case !errors.Is(err, fs.ErrNotExist):
			return to, notRead("output", p.file, err)
		}
		return target{file: p.file}, nil
	}
	if err != nil {
		return to, notRead("output", p.file, err)
	}
	passes := info.Mode()&(fs.ModeNamedPipe|fs.ModeCharDevice|fs.ModeSocket) != 0 // and keeps nothing
	switch {
	case info.IsDir():
		return to, fmt.Errorf("--output %s: is a folder", p.file)
	case isStandard(info, in.out): // /dev/stdout: words of the command may not follow the picture there
		return target{standard: true}, nil
	case !p.force && !passes:
		return to, p.isThere()
	case !info.Mode().IsRegular():
		return target{file: p.file, into: true}, nil
	}
	if to.file, err = filepath.EvalSymlinks(p.file); err != nil {
		return to, notRead("output", p.file, err)
	}
	return to, nil
}

// isStandard tells whether a file is where the command writes to anyway.
func isStandard(info fs.FileInfo, out io.Writer) bool {
	f, ok := out.(*os.File)
	if !ok {
		return false
	}
	own, err := f.Stat()
	return err == nil && os.SameFile(info, own)
}

func (p *picture) isThere() error {
	return fmt.Errorf("--output %s: is there already: give another name, or say --force", p.file)
}

// write writes the file, whole or not at all. It tells whether words may follow on standard
// output.
func (p *picture) write(in inOut, content func(io.Writer) error) (words bool, err error) {
	to, err := p.target(in)
	switch {
	case err != nil:
		return false, err
	case to.standard:
		return false, content(in.out)
	case to.into:
		f, err := os.OpenFile(to.file, os.O_WRONLY, 0)
		if err != nil {
			return false, notRead("output", p.file, err)
		}
		return true, errors.Join(content(f), f.Close())
	}
	f, err := os.CreateTemp(filepath.Dir(to.file), "."+filepath.Base(to.file)+"-*")
	if err != nil {
		return false, notRead("output", p.file, err)
	}
	if err := errors.Join(content(f), f.Sync(), f.Close()); err != nil {
		return false, errors.Join(err, os.Remove(f.Name()))
	}
	if !p.force {
		// Unlike a rename, a link replaces no file that came meanwhile.
		switch err := os.Link(f.Name(), to.file); {
		case err == nil:
			return true, os.Remove(f.Name())
		case errors.Is(err, fs.ErrExist):
			return false, errors.Join(p.isThere(), os.Remove(f.Name()))
		}
	}
	if err := os.Rename(f.Name(), to.file); err != nil {
		return false, errors.Join(notRead("output", p.file, err), os.Remove(f.Name()))
	}
	return true, nil
}

// renditions are the forms of a photo as they are typed.
var renditions = []string{"small", "large", "original"}

// renditionOf reads a form of a photo.
func renditionOf(flag, text string) (pb.Photo_Rendition, error) {
	form := pb.Photo_Rendition(pb.Photo_Rendition_value[strings.ToUpper(text)])
	if form == pb.Photo_RENDITION_UNSPECIFIED {
		return 0, fmt.Errorf("%s %s: must be one of %s", flag, text, strings.Join(renditions, ", "))
	}
	return form, nil
}

func photoGetCommand() *cobra.Command {
	var (
		p    picture
		form string
		wait time.Duration
	)
	c := &cobra.Command{
		Use:   "get PHOTO",
		Short: "Get a picture as a file",
		Long: `Get a picture as a file: large, at most 1600 pixels wide and high; small, at most 320; or
the original as it was sent. The first two are JPEG, upright, and hold nothing of what the
camera told but credit and licence. The original may tell where the plant stands, and is
for managers alone.

After a photo was sent its small and large forms are made, which takes a moment: they are
waited for.`,
		Example: "  dewbench photo get 0198c2f0 -o rosette.jpg\n  dewbench photo get 2026-05-10 --plant D12 --rendition original -o rosette.png",
	}
	p.add(c, "picture.jpg")
	c.Flags().StringVar(&form, "rendition", "large", strings.Join(renditions, ", "))
	c.Flags().DurationVar(&wait, "wait", time.Minute, "how long to wait until it is made")
	return onPhoto(c, false, func(ctx context.Context, h *home, m *shownPhoto, in inOut) error {
		rendition, err := renditionOf("--rendition", form)
		if err != nil {
			return err
		}
		var kind string
		size := int64(0)
		if words, err := p.write(in, func(w io.Writer) (err error) {
			size, kind, err = h.download(ctx, m.Photo, rendition, wait, w)
			return err
		}); err != nil || !words {
			return err
		}
		_, err = fmt.Fprintf(in.out, "%s: %s, %s, %s\n", shownName(p.file), m.words(), kind, bytesWords(size))
		return err
	})
}

// download writes a form of a photo. One that is not made yet is waited for, and so is a
// server that takes no more calls for now: then it goes on where it was.
func (h *home) download(ctx context.Context, m *pb.Photo, form pb.Photo_Rendition, wait time.Duration, w io.Writer) (size int64, kind string, err error) {
	until := time.Now().Add(wait)
	etag, tries := "", sendings-1
	for {
		piece, err := pb.NewPhotoServiceClient(h).GetPhotoContent(ctx, &pb.GetPhotoContentRequest{Name: m.GetName(), Rendition: form, Offset: int32(size)})
		if s, _ := status.FromError(err); err != nil && refusal(s) == "RENDITION_NOT_READY" {
			delay, _ := retryDelay(s)
			if time.Now().Add(delay).After(until) {
				return 0, "", fmt.Errorf("it is still being made after %s: try again later. If that lasts, the server's log tells why", wait)
			}
			if err := pause(ctx, delay); err != nil {
				return 0, "", err
			}
			continue
		}
		if delay, again := toWait(err, &tries); again {
			if err := pause(ctx, delay); err != nil {
				return 0, "", err
			}
			continue
		}
		switch {
		case err != nil:
			return 0, "", h.said(err, nil)
		case etag != "" && piece.GetEtag() != etag:
			return 0, "", errors.New("the picture was changed while it came: get it again")
		}
		n, err := w.Write(piece.GetData())
		if err != nil {
			return 0, "", fmt.Errorf("--output: %w", err)
		}
		etag, size, tries = piece.GetEtag(), size+int64(n), sendings-1
		switch {
		case size >= int64(piece.GetSizeBytes()):
			return size, piece.GetContentType(), nil
		case n == 0:
			return 0, "", fmt.Errorf("the picture ended at %d of %d bytes: get it again", size, piece.GetSizeBytes())
		}
	}
}

func photoStripCommand() *cobra.Command {
	var (
		p           picture
		from, until string
		most        int32
	)
	c := &cobra.Command{
		Use:   "strip TAG",
		Short: "Put photos of a plant side by side, all at one scale",
		Long: `Put the photos of a plant that have a scale side by side, in the order in which they were
taken, all at one scale, with their days, as a PNG. Photos without a scale are left out;
see dewbench photo measure.`,
		Example: "  dewbench photo strip D12 -o d12.png\n  dewbench photo strip D12 --from 2026-01-01 --most 6 -o spring.png",
	}
	p.add(c, "strip.png")
	c.Flags().StringVar(&from, "from", "", "only photos from this day on")
	c.Flags().StringVar(&until, "until", "", "only photos of days before this one")
	c.Flags().Int32Var(&most, "most", 12, "the most photos, 1 to 24; of more, those that lie evenly between the first and the last")
	return onServer(c, 1, 1, func(ctx context.Context, h *home, args []string, in inOut) error {
		if most < 1 {
			return errors.New("--most: must be at least 1")
		}
		plant, err := h.tagged(ctx, args[0])
		if err != nil {
			return err
		}
		req := &pb.GetPhotoStripRequest{Parent: plant.GetName(), Most: most}
		if req.FromDate, err = h.day("--from", from); err != nil {
			return err
		}
		if req.UntilDate, err = h.day("--until", until); err != nil {
			return err
		}
		size := 0
		if words, err := p.write(in, func(w io.Writer) error {
			strip, err := pb.NewPhotoServiceClient(h).GetPhotoStrip(ctx, req)
			if err != nil {
				return h.said(err, fields(map[string]string{"fromDate": "--from", "untilDate": "--until", "most": "--most"}))
			}
			size, err = w.Write(strip.GetData())
			return err
		}); err != nil || !words {
			return err
		}
		_, err = fmt.Fprintf(in.out, "%s: photos of %s, %s\n", shownName(p.file), printable(plant.GetTag()), bytesWords(int64(size)))
		return err
	})
}
