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
	"google.golang.org/genproto/googleapis/rpc/errdetails"
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
- writes to standard output. With a great many photos it takes a while: when the server
takes no more calls of a token for now, it waits.`,
		Example: "  dewbench archive save plants-2026.zip",
		Args:    argumentsOf(1, 1),
	}
	c.Flags().BoolVar(&withoutPhotos, "without-photos", false, "leave the photos out: what is said of them too")
	return withoutHome(c, func(ctx context.Context, conn *client, args []string, in inOut) error {
		files, records := 0, 0
		write := func(w io.Writer) (err error) {
			photos := pb.ExportArchiveRequest_ALL
			if withoutPhotos {
				photos = pb.ExportArchiveRequest_NONE
			}
			files, records, err = conn.saveArchive(ctx, w, photos)
			return err
		}
		if args[0] == standardInput {
			return write(in.out)
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

// saveArchive writes an archive, and tells how many files and lines it has.
func (c *client) saveArchive(ctx context.Context, w io.Writer, photos pb.ExportArchiveRequest_Photos) (files, records int, err error) {
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
	for {
		page, err := pb.NewArchiveServiceClient(c).ExportArchive(ctx, req)
		if err == nil {
			return page, nil
		}
		if s, _ := status.FromError(err); refusal(s) == string(service.ArchiveTooLarge) {
			return nil, fmt.Errorf("%w. Here that is --without-photos", c.said(err, nil))
		}
		wait, asked := toWait(err)
		if !asked {
			return nil, c.said(err, nil)
		}
		again := time.NewTimer(wait)
		select {
		case <-ctx.Done():
			again.Stop()
			return nil, ctx.Err()
		case <-again.C:
		}
	}
}

// toWait tells how long to wait with a call of which too many were made.
func toWait(err error) (wait time.Duration, asked bool) {
	s, _ := status.FromError(err)
	if s.Code() != codes.ResourceExhausted {
		return 0, false
	}
	for _, detail := range s.Details() {
		if retry, is := detail.(*errdetails.RetryInfo); is {
			return retry.GetRetryDelay().AsDuration(), true
		}
	}
	return 0, false
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
wrong. A file of more than 16 MiB goes over HTTP: see the README.`,
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
		return nil, errors.New(shownName(path) + `: is larger than 16 MiB, which is the most over gRPC: send it over HTTP, up to 1 GiB:
  curl -H "Authorization: Bearer $DEWBENCH_TOKEN" -H "Content-Type: application/zip" --data-binary @FILE https://SERVER/v1/growers/me:import`)
	}
	return text, nil
}
