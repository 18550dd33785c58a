package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"

	"github.com/spf13/cobra"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
)

// photoPiece is how many bytes of a file one message has, so that a file of any size
// takes as little memory.
const photoPiece = 256 << 10

func photoAddCommand() *cobra.Command {
	var (
		f   photoFlags
		dry bool
	)
	c := &cobra.Command{
		Use:   "add TAG FILE...",
		Short: "Keep photos of a plant",
		Long: `Keep photos of a plant: files of JPEG, PNG or WebP, whatever their names say, up to 25 MiB
and 50 megapixels each. In place of a file, - reads standard input. When a photo was taken
is what its camera told, unless you say; so are credit and licence, if the file has them.
The same file of the same plant is the same photo: it is kept once, and stands as it was.

What is wrong with one file keeps no other from being sent.`,
		Example: "  dewbench photo add D12 rosette.jpg\n  dewbench photo add D12 may-*.jpg --credit \"Fern Hollow\" --license CC-BY-4.0\n" +
			"  dewbench photo add D12 scan.png --taken 2019-07-14",
	}
	f.add(c)
	c.Flags().BoolVar(&dry, "dry-run", false, "check the files and show what would be kept, and keep nothing")
	return onServer(c, 2, -1, func(ctx context.Context, h *home, args []string, in inOut) error {
		create := &pb.CreatePhotoRequest{Note: f.note, ValidateOnly: dry}
		var err error
		if create.TakenTime, create.TakenDate, err = f.when(h); err != nil {
			return err
		}
		if c.Flags().Changed("credit") {
			create.Credit = &f.credit
		}
		if c.Flags().Changed("license") {
			create.License = &f.license
		}
		return h.addPhotos(ctx, in, args[0], args[1:], create)
	})
}

// addPhotos sends files, and tells of each what became of it.
func (h *home) addPhotos(ctx context.Context, in inOut, tag string, files []string, create *pb.CreatePhotoRequest) error {
	piped := 0
	for _, file := range files {
		if file == standardInput {
			piped++
		}
	}
	if piped > 1 {
		return errors.New("only one photo can come from standard input: name a file for the others")
	}
	plant, err := h.tagged(ctx, tag)
	if err != nil {
		return err
	}
	before := map[string]*pb.Photo{}
	if err := h.eachPhoto(ctx, plant.GetName(), true, func(m *pb.Photo) bool {
		before[m.GetName()] = m
		return true
	}); err != nil {
		return err
	}
	create.Parent = plant.GetName()
	failed := 0
	for i, file := range files {
		m, err := h.sendPhoto(ctx, file, create, in.stdin)
		switch {
		case err == nil:
			if err := h.writeAdded(in, file, plant, create, before[m.GetName()], m); err != nil {
				return err
			}
			before[m.GetName()] = m
			continue
		case len(files) == 1:
			return fmt.Errorf("%s: %w", shownName(file), err)
		case !ofFile(err):
			return fmt.Errorf("%s: %w\nnot sent: %s", shownName(file), err, count(len(files)-i, "file"))
		}
		text, own := h.inWords(ctx, err.Error())
		if own != nil {
			return own
		}
		failed++
		fmt.Fprintf(in.notes, "%s: not kept: %s\n", shownName(file), text)
	}
	if failed > 0 {
		return fmt.Errorf("%d of %s could not be kept", failed, count(len(files), "file"))
	}
	return nil
}

// fileError is an error of a file, which keeps no other from being sent.
type fileError struct{ error }

// Unwrap returns what was wrong.
func (e *fileError) Unwrap() error { return e.error }

// ofFile tells whether an error is one of a file.
func ofFile(err error) bool {
	var of *fileError
	return errors.As(err, &of)
}

// sendPhoto sends a file. If the connection breaks it is sent again, unless it was piped.
func (h *home) sendPhoto(ctx context.Context, file string, create *pb.CreatePhotoRequest, stdin io.Reader) (*pb.Photo, error) {
	create = proto.CloneOf(create)
	create.RequestId = newRequestID()
	from, again := stdin, func() error { return errors.New("it was piped") }
	if file != standardInput {
		f, err := openPhoto(file)
		if err != nil {
			return nil, &fileError{err}
		}
		defer func() { _ = f.Close() }() // it was only read
		from, again = f, func() error {
			_, err := f.Seek(0, io.SeekStart)
			return err
		}
	}
	for tries := sendings - 1; ; {
		m, err := h.upload(ctx, create, from)
		if err == nil {
			return m, nil
		}
		if wait, may := toWait(err, &tries); may && again() == nil {
			if err := pause(ctx, wait); err != nil {
				return nil, err
			}
			continue
		}
		s, ok := status.FromError(err)
		if !ok { // it was not read to its end
			return nil, &fileError{err}
		}
		words := h.said(err, func(field string) string {
			if field == "data" {
				return ""
			}
			return fields(photoFlagWords)(field)
		})
		switch refusal(s) {
		case "INVALID_PHOTO", "REQUEST_TOO_LARGE":
			return nil, &fileError{words}
		}
		if s.Code() == codes.InvalidArgument && about(s, "data") {
			return nil, &fileError{words}
		}
		return nil, words
	}
}

// about tells whether an error is about a field.
func about(s *status.Status, field string) bool {
	for _, d := range s.Details() {
		if bad, ok := d.(*errdetails.BadRequest); ok {
			for _, v := range bad.GetFieldViolations() {
				if v.GetField() == field {
					return true
				}
			}
		}
	}
	return false
}

// openPhoto opens a file that may be a photo. Its errors do not name the file.
func openPhoto(file string) (*os.File, error) {
	f, err := os.Open(file)
	if err != nil {
		return nil, withoutPath(err)
	}
	info, err := f.Stat()
	switch {
	case err != nil:
		err = withoutPath(err)
	case info.IsDir():
		err = errors.New("is a folder")
	case info.Size() > service.MaxPhotoBytes:
		err = errPhotoTooLarge
	default:
		return f, nil
	}
	return nil, errors.Join(err, f.Close())
}

// withoutPath takes the name of a file from an error.
func withoutPath(err error) error {
	var of *fs.PathError
	if errors.As(err, &of) {
		return of.Err
	}
	return err
}

var errPhotoTooLarge = fmt.Errorf("is larger than %s, which is the most", bytesWords(service.MaxPhotoBytes))

// upload sends a photo once. What is no status is an error of the file.
func (c *client) upload(ctx context.Context, create *pb.CreatePhotoRequest, from io.Reader) (*pb.Photo, error) {
	ctx, breakOff := context.WithCancel(ctx)
	defer breakOff() // of a stream that did not come to its end
	stream, err := pb.NewPhotoServiceClient(c).UploadPhoto(ctx)
	if err != nil {
		return nil, err
	}
	total := 0
	for first, ended := true, false; !ended; first = false {
		piece := make([]byte, photoPiece) // the message before may still be on its way
		n, err := io.ReadFull(from, piece)
		switch {
		case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
			ended = true
		case err != nil:
			return nil, fmt.Errorf("cannot be read: %w", withoutPath(err))
		}
		if total += n; total > service.MaxPhotoBytes {
			return nil, errPhotoTooLarge
		}
		m := &pb.UploadPhotoRequest{Data: piece[:n]}
		if first {
			m.Create = create
		}
		if err := stream.Send(m); errors.Is(err, io.EOF) {
			break // the server has answered: what, CloseAndRecv tells
		} else if err != nil {
			return nil, err
		}
	}
	answer, err := stream.CloseAndRecv()
	return answer.GetPhoto(), err
}

// writeAdded tells what became of a file. before is the photo as it was, if there was one.
func (h *home) writeAdded(in inOut, file string, plant *pb.Plant, asked *pb.CreatePhotoRequest, before, m *pb.Photo) error {
	words := photoWords(m, plant.GetTag())
	what := words
	switch {
	case before != nil && before.GetDeleteTime() != nil && asked.GetValidateOnly():
		what = words + " is deleted, and would be back"
	case before != nil && before.GetDeleteTime() != nil:
		what = words + " was deleted, and is back"
	case before != nil:
		what = "is there already, as " + words
	case asked.GetValidateOnly():
		what = "would be a photo of " + printable(plant.GetTag())
	}
	if _, err := fmt.Fprintf(in.out, "%s: %s, %s, %s, taken %s\n", shownName(file), what, pixelWords(m), bytesWords(int64(m.GetSizeBytes())), h.takenWords(m)); err != nil {
		return err
	}
	told := asked.GetTakenTime() != nil || asked.TakenDate != nil || asked.Credit != nil || asked.License != nil || asked.GetNote() != ""
	if before != nil && told {
		fmt.Fprintf(in.notes, "note: %s: what is said of it stays as it was: dewbench photo update %s changes it\n", shownName(file), photoID(m))
	}
	return nil
}

// bytesWords tell how large a file is.
func bytesWords(n int64) string {
	const kib, mib = 1 << 10, 1 << 20
	switch {
	case n < kib:
		return count(int(n), "byte")
	case n < mib:
		return fmt.Sprintf("%.0f KiB", float64(n)/kib)
	case n%mib == 0:
		return fmt.Sprintf("%d MiB", n/mib)
	}
	return fmt.Sprintf("%.1f MiB", float64(n)/mib)
}
