package api

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"os"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"github.com/grpc-ecosystem/grpc-gateway/v2/utilities"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
)

// Archives over HTTP. One that is given out is put together from the pages of its call, in
// a file that nobody else sees: so an error half way is an answer like any other, and a
// slow client keeps no part of the database busy. One that is taken in comes into such a
// file too, as it may be larger than a request.

// archiveType is the media type of archives.
const archiveType = "application/zip"

// archiveTime is how long an archive may take to come or go.
const archiveTime = 15 * time.Minute

// archiveTries is how often an archive is begun anew, if a collection is changed meanwhile.
const archiveTries = 5

// givesArchive tells whether the answer of a route may be an archive.
func (rt *route) givesArchive() bool {
	return rt.fullName == pb.ArchiveService_ExportArchive_FullMethodName
}

// takesArchive tells whether the body of a route may be an archive.
func (rt *route) takesArchive() bool {
	return rt.fullName == pb.ArchiveService_ImportArchive_FullMethodName
}

// wantsArchive tells whether a request asks for the archive itself, and not for a page.
func wantsArchive(r *http.Request) bool {
	if r.URL.Query().Has("pageSize") || r.URL.Query().Has("pageToken") {
		return false
	}
	accept := strings.Join(r.Header.Values("Accept"), ",")
	json := false
	for _, part := range strings.Split(accept, ",") {
		kind, _, err := mime.ParseMediaType(part)
		switch {
		case err != nil:
		case kind == archiveType, kind == "*/*", kind == "application/*":
			return true
		case kind == "application/json":
			json = true
		}
	}
	return !json
}

// sendsArchive tells whether the body of a request is an archive.
func sendsArchive(r *http.Request) bool {
	kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	return err == nil && kind == archiveType
}

// mostArchives is how many archives come or go at once, and mostArchivesOfOne how many of
// them are one grower's: each may fill 256 MiB of the disk for many minutes.
const (
	mostArchives      = 16
	mostArchivesOfOne = 2
)

// underWay counts archives that come or go.
type underWay struct {
	mu  sync.Mutex // guards what follows
	all int
	of  map[string]int // by the ids of growers
}

var errArchives = &service.Error{Reason: tooBusy, Message: fmt.Sprintf(
	"as many archives come or go as the server takes at once, %d, of one grower %d: call again when one is done", mostArchives, mostArchivesOfOne)}

// begin counts one more, unless there are too many. end counts it no more.
func (u *underWay) begin(grower string) (end func(), err error) {
	u.mu.Lock()
	defer u.mu.Unlock()
	if u.all >= mostArchives || u.of[grower] >= mostArchivesOfOne {
		return nil, errArchives
	}
	if u.of == nil {
		u.of = map[string]int{}
	}
	u.all++
	u.of[grower]++
	return func() {
		u.mu.Lock()
		defer u.mu.Unlock()
		u.all--
		if u.of[grower]--; u.of[grower] == 0 {
			delete(u.of, grower)
		}
	}, nil
}

// scratch is a file that is gone when it is closed.
type scratch struct {
	*os.File
	service.SentFile        // that it holds, of one that came
	nameless            bool   // it is gone from its folder
	end                 func() // of an archive that comes or goes
}

// growerOf is the id of the grower whose request was let in.
func growerOf(ctx context.Context) string {
	if known, ok := ctx.Value(callerKey{}).(*caller); ok {
		return known.grower
	}
	return ""
}

// newScratch makes a file for an archive of a grower, by the id.
func (g *gateway) newScratch(grower string) (*scratch, error) {
	end, err := g.archives.begin(grower)
	if err != nil {
		return nil, err
	}
	f, err := os.CreateTemp("", "dewbench-archive-*")
	if err != nil {
		end()
		return nil, fmt.Errorf("file for an archive: %w", err)
	}
	// Where a system lets go of the name of an open file, nothing is left of it when the
	// program is killed.
	return &scratch{File: f, nameless: os.Remove(f.Name()) == nil, end: end}, nil
}

// Close lets go of the file.
func (s *scratch) Close() error {
	defer s.end()
	err := s.File.Close()
	if !s.nameless {
		err = errors.Join(err, os.Remove(s.Name()))
	}
	return err
}

func (g *gateway) remove(ctx context.Context, file *scratch) {
	if err := file.Close(); err != nil {
		g.log.WarnContext(ctx, "cannot remove the file of an archive", "request_id", requestID(ctx), "cause", err.Error())
	}
}

// giveArchive answers with an archive.
func (g *gateway) giveArchive(w http.ResponseWriter, r *http.Request) {
	// Making it takes as many calls as it has pages.
	if err := http.NewResponseController(w).SetWriteDeadline(time.Now().Add(archiveTime)); err != nil && !errors.Is(err, http.ErrNotSupported) {
		g.refuse(w, r, err)
		return
	}
	file, err := g.newScratch(growerOf(r.Context()))
	if err != nil {
		g.refuse(w, r, err)
		return
	}
	defer g.remove(r.Context(), file)
	name := "growers/" + strings.TrimSuffix(r.URL.Path[strings.LastIndexByte(r.URL.Path, '/')+1:], ":export")
	ctx := metadata.NewOutgoingContext(r.Context(), metadata.Pairs(
		"authorization", r.Header.Get("Authorization"), requestIDHeader, requestID(r.Context())))
	at := time.Now()
	for try := 1; ; try++ {
		if err = putTogether(ctx, file, pb.NewArchiveServiceClient(g.conn), name, at); err == nil {
			break
		}
		if try == archiveTries || reasonOf(status.Convert(err)) != service.WriteConflict {
			if _, ok := status.FromError(err); !ok {
				err = toStatus(ctx, g.log, err).Err()
			}
			g.answerError(r.Context(), nil, nil, w, r, err)
			return
		}
	}
	size, err := file.Seek(0, io.SeekEnd)
	if err == nil {
		_, err = file.Seek(0, io.SeekStart)
	}
	if err != nil {
		g.refuse(w, r, err)
		return
	}
	w.Header().Set("Content-Type", archiveType)
	w.Header().Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", "dewbench-"+at.UTC().Format("2006-01-02")+".zip"))
	w.Header().Set("Content-Length", strconv.FormatInt(size, 10))
	w.Header().Set("Cache-Control", "private, no-store")
	w.WriteHeader(http.StatusOK)
	if _, err := io.Copy(w, file); err != nil {
		g.log.InfoContext(r.Context(), "client went away", "request_id", requestID(r.Context()), "cause", err.Error())
	}
}

// putTogether writes an archive into a file from the pages of its call.
func putTogether(ctx context.Context, file *scratch, calls pb.ArchiveServiceClient, name string, at time.Time) error {
	if _, err := file.Seek(0, io.SeekStart); err != nil {
		return fmt.Errorf("write an archive: %w", err)
	}
	if err := file.Truncate(0); err != nil {
		return fmt.Errorf("write an archive: %w", err)
	}
	to := service.NewArchiveWriter(file, at)
	for token := ""; ; {
		page, err := calls.ExportArchive(ctx, &pb.ExportArchiveRequest{Name: name, PageSize: archivePage, PageToken: token})
		if err != nil {
			return err
		}
		for _, piece := range page.GetPieces() {
			if err := to.Add(piece.GetPath(), piece.GetText()); err != nil {
				return fmt.Errorf("write an archive: %w", err)
			}
		}
		if token = page.GetNextPageToken(); token == "" {
			break
		}
	}
	if err := to.Close(); err != nil {
		return fmt.Errorf("write an archive: %w", err)
	}
	return nil
}

// archivePage is how many records are read at once of an archive that is put together here.
const archivePage = 2000

// receiveArchive reads the body of a request into a file. The caller closes it.
func (g *gateway) receiveArchive(w http.ResponseWriter, r *http.Request) (*scratch, error) {
	if encoding := r.Header.Get("Content-Encoding"); encoding != "" && !strings.EqualFold(encoding, "identity") {
		return nil, &service.Error{Reason: malformedRequest, Message: "an archive is packed already: send it without Content-Encoding"}
	}
	if r.ContentLength > service.MaxArchiveBytes {
		return nil, errArchiveTooLarge
	}
	deadline := time.Now().Add(archiveTime)
	door := http.NewResponseController(w)
	if err := errors.Join(door.SetReadDeadline(deadline), door.SetWriteDeadline(deadline.Add(longCall))); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return nil, err
	}
	file, err := g.newScratch(growerOf(r.Context()))
	if err != nil {
		return nil, err
	}
	digest := sha256.New()
	body := http.MaxBytesReader(w, r.Body, service.MaxArchiveBytes)
	sent := &sentBody{from: body}
	size, err := io.Copy(io.MultiWriter(file, digest), sent)
	var over *http.MaxBytesError
	switch {
	case err == nil:
		file.SentFile = service.SentFile{ReaderAt: file.File, Size: size, Digest: digest.Sum(nil)}
		return file, nil
	case errors.As(err, &over):
		err = errArchiveTooLarge
	case sent.broke:
		err = &service.Error{Reason: malformedRequest, Message: "the archive broke off"}
	default:
		err = fmt.Errorf("keep an archive: %w", err)
	}
	g.remove(r.Context(), file)
	return nil, err
}

// sentBody tells whether reading a body failed, and not what was done with it.
type sentBody struct {
	from  io.Reader
	broke bool
}

func (b *sentBody) Read(p []byte) (int, error) {
	n, err := b.from.Read(p)
	b.broke = err != nil && !errors.Is(err, io.EOF)
	return n, err
}

// errArchiveTooLarge is the error of an archive over the limit.
var errArchiveTooLarge = &service.Error{Reason: requestTooLarge, Message: fmt.Sprintf("the archive is larger than %d bytes", service.MaxArchiveBytes)}

// archives is the marshaler of requests whose body was an archive: the other fields are
// query keys.
type archives struct{ *strictJSON }

// NewDecoder returns a decoder of such a request.
func (*archives) NewDecoder(r io.Reader) runtime.Decoder {
	return runtime.DecoderFunc(func(v any) error {
		m, ok := v.(proto.Message)
		sent, known := r.(*requestBody)
		if !ok || !known {
			return fmt.Errorf("an archive for %T", v)
		}
		return runtime.PopulateQueryParameters(m, sent.query, utilities.NewDoubleArray(nil))
	})
}

// rawField is the field of a request that its body may be as it is.
func (rt *route) rawField() string {
	if rt.takesArchive() {
		return "archive"
	}
	return "csv"
}

// rawHint tells how to send as a body what the route takes beside JSON; "" if that is nothing.
func (rt *route) rawHint() string {
	switch {
	case rt.takesArchive():
		return ": send an archive as it is with the header Content-Type: " + archiveType
	case rt.takesTable():
		return ": send a table as it is with the header Content-Type: " + tableType
	}
	return ""
}
