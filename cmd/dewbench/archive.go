package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/service/archive"
)

func archiveCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "archive",
		Short: "Save all your data in one file, or take such a file in",
		Long: `Save all your data in one file, which any server takes in again: all collections that
you own, with their history, and what else the server keeps of you.`,
		Args: noArguments,
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.AddCommand(archiveSaveCommand(), archiveRestoreCommand())
	return c
}

func archiveSaveCommand() *cobra.Command {
	var withoutPhotos bool
	c := &cobra.Command{
		Use:   "save FILE",
		Short: "Save all your data in a new file",
		Long: `Save all your data in a new ZIP file. README.txt in it says what it holds. It tells where
rare plants stand and whom you bought them from: keep it like a key. In place of a file,
- writes to standard output, when all is there. With a great many photos it takes a while:
when the server takes no more calls of a token for now, it waits. If a collection is
changed meanwhile the file is begun anew, 5 times at most.`,
		Example: "  dewbench archive save plants-2026.zip",
		Args:    argumentsOf(1, 1),
	}
	c.Flags().BoolVar(&withoutPhotos, "without-photos", false, "leave the photos out: what is said of them too")
	return withoutHome(c, func(ctx context.Context, conn *client, args []string, in inOut) error {
		files, records := 0, 0
		write := func(f *os.File) (err error) {
			photos := pb.ExportArchiveRequest_ALL
			if withoutPhotos {
				photos = pb.ExportArchiveRequest_NONE
			}
			files, records, err = conn.saveArchive(ctx, f, photos, in)
			return err
		}
		if args[0] == standardInput {
			return throughFile(in.out, write)
		}
		if err := newFile("FILE", args[0], write); err != nil {
			return err
		}
		_, err := fmt.Fprintf(in.out, "%s: %d records in %d files\n", shownName(args[0]), records, files)
		return err
	})
}

// archiveRecords is how many records of an archive come at once.
const archiveRecords = 2000

// saveTries is how often an archive is begun anew, if a collection is changed while it comes:
// as often as the server does over HTTP.
const saveTries = 5

// saveArchive writes an archive into a file, and tells how many files and lines it has.
func (c *client) saveArchive(ctx context.Context, f *os.File, photos pb.ExportArchiveRequest_Photos, in inOut) (files, records int, err error) {
	for try := 1; ; try++ {
		if files, records, err = c.archiveInto(ctx, f, photos); err == nil {
			return files, records, nil
		}
		s, _ := status.FromError(err)
		switch refusal(s) {
		case string(service.ArchiveTooLarge):
			return 0, 0, fmt.Errorf("%w. Here that is --without-photos", c.said(err, nil))
		case string(service.WriteConflict):
			if try == saveTries {
				return 0, 0, fmt.Errorf("%w. It was begun %d times: save when nobody writes", c.said(err, nil), saveTries)
			}
			fmt.Fprintln(in.notes, "note: a collection was changed meanwhile: the file is begun anew")
		default:
			return 0, 0, c.said(err, nil)
		}
		if _, err := f.Seek(0, io.SeekStart); err != nil {
			return 0, 0, fmt.Errorf("begin the file anew: %w", err)
		}
		if err := f.Truncate(0); err != nil {
			return 0, 0, fmt.Errorf("begin the file anew: %w", err)
		}
	}
}

// archiveInto writes an archive once. Errors of calls come as they are.
func (c *client) archiveInto(ctx context.Context, w io.Writer, photos pb.ExportArchiveRequest_Photos) (files, records int, err error) {
	to := archive.NewWriter(w, time.Now())
	last := ""
	for token := ""; ; {
		page, err := c.archivePage(ctx, &pb.ExportArchiveRequest{Name: "growers/me", PageSize: archiveRecords, PageToken: token, Photos: photos})
		if err != nil {
			return 0, 0, err
		}
		for _, piece := range page.GetPieces() {
			if service.IsArchivedPhoto(piece.GetPath()) {
				err = to.AddPhoto(piece.GetPath(), piece.GetData())
			} else {
				err = to.Add(piece.GetPath(), piece.GetText())
			}
			if err != nil {
				return 0, 0, err
			}
			if piece.GetPath() != last {
				files, last = files+1, piece.GetPath()
			}
			records += archive.Records(piece.GetPath(), piece.GetText())
		}
		if token = page.GetNextPageToken(); token == "" {
			return files, records, to.Close()
		}
	}
}

// archivePage gets a page of an archive. Where more pages are asked for than are taken in a
// minute it waits as long as the server says.
func (c *client) archivePage(ctx context.Context, req *pb.ExportArchiveRequest) (*pb.ExportArchiveResponse, error) {
	none := 0 // callRules make a call again whose connection breaks
	for {
		page, err := pb.NewArchiveServiceClient(c).ExportArchive(ctx, req)
		wait, again := toWait(err, &none)
		if !again {
			return page, err
		}
		if err := pause(ctx, wait); err != nil {
			return nil, err
		}
	}
}

// throughFile writes to standard output what has to be whole in a file first.
func throughFile(out io.Writer, write func(*os.File) error) (err error) {
	f, err := os.CreateTemp("", "dewbench-*")
	if err != nil {
		return fmt.Errorf("make a file for a moment: %w", err)
	}
	defer func() { err = errors.Join(err, f.Close(), os.Remove(f.Name())) }()
	if err := write(f); err != nil {
		return err
	}
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		return fmt.Errorf("read a file again: %w", err)
	}
	if _, err := io.Copy(out, f); err != nil {
		return fmt.Errorf("standard output: %w", err)
	}
	return nil
}

func archiveRestoreCommand() *cobra.Command {
	var dry bool
	c := &cobra.Command{
		Use:   "restore FILE",
		Short: "Take a saved file in: its collections become new ones of yours",
		Long: `Take a file in that dewbench archive save wrote, on this or another server. Each of its
collections becomes a new one of yours, with its plants, records, photos, times and history;
what there is already stays as it is. Whom you shared it with, tokens and calendars are
not taken in. All of the file is checked first, and nothing is taken in if something is
wrong. A file of more than 16 MiB, and up to 1 GiB, goes over HTTP, with
me:import?validateOnly=true to check it only:

` + archive.HowToSend,
		Example: "  dewbench archive restore plants-2026.zip --dry-run\n  dewbench archive restore plants-2026.zip",
		Args:    argumentsOf(1, 1),
	}
	c.Flags().BoolVar(&dry, "dry-run", false, "check the file and show what would be taken in, and do nothing")
	return withoutHome(c, func(ctx context.Context, conn *client, args []string, in inOut) error {
		text, err := readArchive(args[0], in)
		if err != nil {
			return err
		}
		answer, err := pb.NewArchiveServiceClient(conn).ImportArchive(ctx, &pb.ImportArchiveRequest{
			Name: "growers/me", Archive: text, ValidateOnly: dry, RequestId: newRequestID(),
		})
		if err != nil {
			if s, _ := status.FromError(err); s.Code() == codes.ResourceExhausted {
				return fmt.Errorf("%s: %s", shownName(args[0]), s.Message())
			}
			return conn.said(err, fields(map[string]string{"archive": shownName(args[0])}))
		}
		for _, one := range answer.GetCollections() {
			m := one.GetCollection()
			if _, err := fmt.Fprintf(in.out, "%s: %s, %d plants, %d feedings, %d observations, %d photos\n",
				cmp.Or(m.GetName(), "would be new"), printable(m.GetDisplayName()), one.GetPlants(), one.GetFeedings(), one.GetObservations(), one.GetPhotos()); err != nil {
				return err
			}
			if m.GetDeleteTime() != nil {
				fmt.Fprintf(in.notes, "note: %s is deleted, as it was\n", printable(m.GetDisplayName()))
			}
		}
		for _, name := range answer.GetLeftOut() {
			fmt.Fprintf(in.notes, "note: %s is left out: it was deleted, and its time is over\n", name)
		}
		if len(answer.GetCollections()) == 0 {
			_, err = fmt.Fprintln(in.out, "the file has no collections")
		}
		return err
	})
}

// readArchive reads a file that fits into a call.
func readArchive(path string, in inOut) (text []byte, err error) {
	from := in.stdin
	if path != standardInput {
		f, err := os.Open(path)
		if err != nil {
			return nil, notRead("FILE", path, err)
		}
		defer func() { _ = f.Close() }() // it was only read
		from = f
	}
	if text, err = io.ReadAll(io.LimitReader(from, service.MaxRequestBytes+1)); err != nil {
		return nil, notRead("FILE", path, err)
	}
	if len(text) > service.MaxRequestBytes-1000 {
		return nil, errors.New(shownName(path) + ": is larger than 16 MiB, which is the most over gRPC: send it over HTTP, up to 1 GiB:\n" + archive.HowToSend)
	}
	return text, nil
}
