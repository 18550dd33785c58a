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
	"strings"
	"sync"
	"time"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"github.com/grpc-ecosystem/grpc-gateway/v2/utilities"
	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
)

// Files that come as the body of a request, and may be larger than a request: archives and
// photos. They come into a file that nobody else sees, and go to their call beside the
// request, of which the other fields are query keys.

// fileType is the media type by which the mux knows requests beside which a file came.
const fileType = "application/octet-stream"

// fileKind is a kind of files.
type fileKind struct {
	call  string // that takes them
	field string // of its request, which the file stands for
	one   string // as errors call it
	most  int64  // bytes
	hint  string // how to send one

	// Of how many come or go at once, and how many of them are one grower's: each may fill
	// so much of the disk for many minutes.
	atOnce, atOnceOfOne int
	// sent tells whether the body of a request is such a file.
	sent func(*http.Request) bool
}

var (
	archiveFiles = &fileKind{
		call: pb.ArchiveService_ImportArchive_FullMethodName, field: "archive", one: "archive", most: service.MaxArchiveBytes,
		hint: "send an archive as it is with the header Content-Type: " + archiveType, atOnce: 8, atOnceOfOne: 2,
		sent: func(r *http.Request) bool { return bodyType(r) == archiveType },
	}
	// What a photo is its bytes tell, whatever the header says.
	photoFiles = &fileKind{
		call: pb.PhotoService_CreatePhoto_FullMethodName, field: "data", one: "photo", most: service.MaxPhotoBytes,
		hint: "send a picture as it is with the header Content-Type: image/jpeg", atOnce: 32, atOnceOfOne: 8,
		sent: func(r *http.Request) bool { return bodyType(r) != "application/json" },
	}
	// Photos that go out: each has a piece of one in memory for as long as it is taken.
	photosOut = &fileKind{one: "photo", atOnce: 64, atOnceOfOne: 16}
	fileKinds = []*fileKind{archiveFiles, photoFiles, photosOut}
)

func (k *fileKind) tooLarge() error {
	return &service.Error{Reason: requestTooLarge, Message: fmt.Sprintf("the %s is larger than %d bytes", k.one, k.most)}
}

// bodyType is the media type of the body of a request; "" if there is none that can be read.
func bodyType(r *http.Request) string {
	kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil {
		return ""
	}
	return kind
}

// takesFile tells which files the body of a route may be; nil: none.
func (rt *route) takesFile() *fileKind {
	for _, k := range fileKinds {
		if k.call != "" && k.call == rt.fullName {
			return k
		}
	}
	return nil
}

// underWay counts files of a kind that come or go.
type underWay struct {
	kind *fileKind
	mu   sync.Mutex // guards what follows
	all  int
	of   map[string]int // by the ids of growers
}

// begin counts one more, unless there are too many. end counts it no more.
func (u *underWay) begin(grower string) (end func(), err error) {
	u.mu.Lock()
	defer u.mu.Unlock()
	if u.all >= u.kind.atOnce || u.of[grower] >= u.kind.atOnceOfOne {
		return nil, &service.Error{Reason: tooBusy, Message: fmt.Sprintf("as many %ss come or go as the server takes at once, %d, of one grower %d: call again when one is done",
			u.kind.one, u.kind.atOnce, u.kind.atOnceOfOne)}
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
	nameless         bool   // it is gone from its folder
	end              func() // of a file that comes or goes
}

// newScratch makes a file for one of a kind, of a grower, by the id.
func (g *gateway) newScratch(k *fileKind, grower string) (*scratch, error) {
	end, err := g.underWay[k].begin(grower)
	if err != nil {
		return nil, err
	}
	f, err := os.CreateTemp("", "dewbench-"+k.one+"-*")
	if err != nil {
		end()
		return nil, service.FileError("file for a "+k.one, err)
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
		g.log.WarnContext(ctx, "cannot remove a file that came or went", "request_id", requestID(ctx), "cause", err.Error())
	}
}

// growerOf is the id of the grower whose request was let in.
func growerOf(ctx context.Context) string {
	if known, ok := ctx.Value(callerKey{}).(*caller); ok {
		return known.grower
	}
	return ""
}

// receiveFile reads the body of a request into a file. The caller closes it.
func (g *gateway) receiveFile(w http.ResponseWriter, r *http.Request, k *fileKind) (*scratch, error) {
	if encoding := r.Header.Get("Content-Encoding"); encoding != "" && !strings.EqualFold(encoding, "identity") {
		return nil, &service.Error{Reason: malformedRequest, Message: "the " + k.one + " is packed already: send it without Content-Encoding"}
	}
	if r.ContentLength > k.most {
		return nil, k.tooLarge()
	}
	deadline := time.Now().Add(g.fileTime)
	door := http.NewResponseController(w)
	if err := errors.Join(door.SetReadDeadline(deadline), door.SetWriteDeadline(deadline.Add(longCall))); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return nil, err
	}
	return g.keepFile(r.Context(), k, http.MaxBytesReader(w, r.Body, k.most))
}

// keepFile reads what comes into a file. The caller closes it.
func (g *gateway) keepFile(ctx context.Context, k *fileKind, from io.Reader) (*scratch, error) {
	file, err := g.newScratch(k, growerOf(ctx))
	if err != nil {
		return nil, err
	}
	digest := sha256.New()
	sent := &sentBody{from: from}
	size, err := io.Copy(io.MultiWriter(file, digest), sent)
	var (
		over  *http.MaxBytesError
		known *service.Error
	)
	switch {
	case err == nil:
		file.SentFile = service.SentFile{ReaderAt: file.File, Size: size, Digest: digest.Sum(nil)}
		return file, nil
	case errors.As(err, &over):
		err = k.tooLarge()
	case errors.As(err, &known):
	case sent.broke:
		err = &service.Error{Reason: malformedRequest, Message: "the " + k.one + " broke off"}
	default:
		err = service.FileError("keep a "+k.one, err)
	}
	g.remove(ctx, file)
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

// besides is the marshaler of requests beside which a file came: their fields are query
// keys.
type besides struct{ *strictJSON }

// NewDecoder returns a decoder of such a request.
func (*besides) NewDecoder(r io.Reader) runtime.Decoder {
	return runtime.DecoderFunc(func(v any) error {
		m, ok := v.(proto.Message)
		sent, known := r.(*requestBody)
		if !ok || !known {
			return fmt.Errorf("a file for %T", v)
		}
		return runtime.PopulateQueryParameters(m, sent.query, utilities.NewDoubleArray(nil))
	})
}

// rawField is the field of a request that its body may be as it is.
func (rt *route) rawField() string {
	if k := rt.takesFile(); k != nil {
		return k.field
	}
	return "csv"
}

// rawHint tells how to send as a body what the route takes beside JSON; "" if that is nothing.
func (rt *route) rawHint() string {
	if k := rt.takesFile(); k != nil {
		return ": " + k.hint
	}
	if rt.takesTable() {
		return ": send a table as it is with the header Content-Type: " + tableType
	}
	return ""
}
