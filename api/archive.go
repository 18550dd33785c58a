package api

import (
	"context"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

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

// archiveTries is how often an archive is begun anew, if a collection is changed meanwhile.
const archiveTries = 5

// givesArchive tells whether the answer of a route may be an archive.
func (rt *route) givesArchive() bool {
	return rt.fullName == pb.ArchiveService_ExportArchive_FullMethodName
}

// wantsArchive tells whether a request asks for the archive itself, and not for a page.
func wantsArchive(r *http.Request) bool {
	return !r.URL.Query().Has("pageSize") && !r.URL.Query().Has("pageToken") && wantsFile(r, archiveType, "application/*")
}

// wantsFile tells whether Accept asks for a file of some types, and not for JSON alone.
func wantsFile(r *http.Request, types ...string) bool {
	accept := strings.Join(r.Header.Values("Accept"), ",")
	json := false
	for _, part := range strings.Split(accept, ",") {
		kind, _, err := mime.ParseMediaType(part)
		switch {
		case err != nil:
		case kind == "*/*", slices.Contains(types, kind):
			return true
		case kind == "application/json":
			json = true
		}
	}
	return !json
}

// giveArchive answers with an archive.
func (g *gateway) giveArchive(w http.ResponseWriter, r *http.Request) {
	// Making it takes as many calls as it has pages.
	if err := http.NewResponseController(w).SetWriteDeadline(time.Now().Add(g.fileTime)); err != nil && !errors.Is(err, http.ErrNotSupported) {
		g.refuse(w, r, err)
		return
	}
	file, err := g.newScratch(archiveFiles, growerOf(r.Context()))
	if err != nil {
		g.refuse(w, r, err)
		return
	}
	defer g.remove(r.Context(), file)
	req := &pb.ExportArchiveRequest{
		Name:     "growers/" + strings.TrimSuffix(r.URL.Path[strings.LastIndexByte(r.URL.Path, '/')+1:], ":export"),
		PageSize: archivePage,
		// The query was checked: there is no other value.
		Photos: pb.ExportArchiveRequest_Photos(pb.ExportArchiveRequest_Photos_value[r.URL.Query().Get("photos")]),
	}
	ctx := metadata.NewOutgoingContext(r.Context(), metadata.Pairs(
		"authorization", r.Header.Get("Authorization"), requestIDHeader, requestID(r.Context())))
	at := time.Now()
	for try := 1; ; try++ {
		if err = putTogether(ctx, file, pb.NewArchiveServiceClient(g.conn), req, at); err == nil {
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
func putTogether(ctx context.Context, file *scratch, calls pb.ArchiveServiceClient, req *pb.ExportArchiveRequest, at time.Time) error {
	if _, err := file.Seek(0, io.SeekStart); err != nil {
		return fmt.Errorf("write an archive: %w", err)
	}
	if err := file.Truncate(0); err != nil {
		return fmt.Errorf("write an archive: %w", err)
	}
	to := service.NewArchiveWriter(file, at)
	for token := ""; ; {
		next := proto.CloneOf(req)
		next.PageToken = token
		page, err := calls.ExportArchive(ctx, next)
		if err != nil {
			return err
		}
		for _, piece := range page.GetPieces() {
			if service.IsArchivedPhoto(piece.GetPath()) {
				err = to.AddPhoto(piece.GetPath(), piece.GetData())
			} else {
				err = to.Add(piece.GetPath(), piece.GetText())
			}
			if err != nil {
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
