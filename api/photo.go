package api

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/textproto"
	"strings"
	"time"

	"buf.build/go/protovalidate"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
)

// Photos. Over gRPC one comes as a stream, over HTTP as a body: both doors keep it in a
// file that nobody else sees, once its caller is let in, and make the call CreatePhoto with
// it. One that is given out over HTTP is read piece by piece by the call that gRPC clients
// make.

// photoDoor is the service of photos as gRPC clients reach it.
type photoDoor struct {
	*service.Photos
	server    *Server
	validator protovalidate.Validator
}

// UploadPhoto keeps a photo that comes in pieces.
func (p *photoDoor) UploadPhoto(stream grpc.ClientStreamingServer[pb.UploadPhotoRequest, pb.UploadPhotoResponse]) error {
	const method = pb.PhotoService_CreatePhoto_FullMethodName
	outside := stream.Context()
	shown := metadata.ValueFromIncomingContext(outside, "authorization")
	began := time.Now()
	ctx, err := p.server.conn.admit(outside, method, shown)
	if err != nil {
		return err
	}
	pieces := &photoStream{stream: stream, ctx: outside, validator: p.validator, left: service.MaxPhotoBytes}
	create, err := pieces.first()
	if err != nil {
		return err
	}
	file, err := p.server.gateway.keepFile(outside, photoFiles, pieces)
	if err != nil {
		return err
	}
	defer p.server.gateway.remove(outside, file)
	if p.server.gateway.isSlow(began) { // a token may have been revoked meanwhile
		if ctx, err = p.server.conn.admit(outside, method, shown); err != nil {
			return err
		}
	}
	ctx = metadata.NewOutgoingContext(service.WithFile(ctx, &file.SentFile), metadata.MD{"authorization": shown, requestIDHeader: {requestID(outside)}})
	kept, err := pb.NewPhotoServiceClient(p.server.conn).CreatePhoto(ctx, create)
	if err != nil {
		return err
	}
	return stream.SendAndClose(&pb.UploadPhotoResponse{Photo: kept})
}

// photoStream reads the data of a stream.
type photoStream struct {
	stream    grpc.ClientStreamingServer[pb.UploadPhotoRequest, pb.UploadPhotoResponse]
	ctx       context.Context
	validator protovalidate.Validator
	data      []byte // that has come and was not read yet
	left      int64  // bytes that may come
}

// next receives a message.
func (s *photoStream) next() (*pb.UploadPhotoRequest, error) {
	m, err := s.stream.Recv()
	if err != nil {
		return nil, err
	}
	return m, validate(s.ctx, s.validator, m)
}

// first receives the first message, and returns what is asked in it.
func (s *photoStream) first() (*pb.CreatePhotoRequest, error) {
	m, err := s.next()
	switch {
	case errors.Is(err, io.EOF):
		return nil, missingCreate("must be given in the first message")
	case err != nil:
		return nil, err
	case m.GetCreate() == nil:
		return nil, missingCreate("must be given in the first message")
	case len(m.GetCreate().GetData()) > 0:
		return nil, service.Invalid(service.InvalidFields, []service.Violation{{Field: "create.data", Rule: "stands beside create, in data"}})
	}
	s.data = m.GetData()
	return m.GetCreate(), nil
}

func missingCreate(rule string) error {
	return service.Invalid(service.InvalidFields, []service.Violation{{Field: "create", Rule: rule}})
}

// Read reads on.
func (s *photoStream) Read(p []byte) (int, error) {
	for len(s.data) == 0 {
		m, err := s.next()
		switch {
		case err != nil:
			return 0, err
		case m.GetCreate() != nil:
			return 0, missingCreate("must be in the first message alone")
		}
		s.data = m.GetData()
	}
	n := copy(p, s.data)
	s.data = s.data[n:]
	if s.left -= int64(n); s.left < 0 {
		return 0, photoFiles.tooLarge()
	}
	return n, nil
}

// givesPhoto tells whether the answer of a route may be a picture.
func (rt *route) givesPhoto() bool {
	return rt.fullName == pb.PhotoService_GetPhotoContent_FullMethodName
}

// wantsPhoto tells whether a request asks for the picture itself, and not for a piece.
func wantsPhoto(r *http.Request) bool {
	return !r.URL.Query().Has("offset") && wantsFile(r, "image/*", "image/jpeg", "image/png", "image/webp")
}

// givePhoto answers with a picture, or a range of it (RFC 9110, sections 13 and 14). Who
// has it asks each time whether it may still be seen.
//
// outside is the context of the request before its caller was let in.
func (g *gateway) givePhoto(outside context.Context, w http.ResponseWriter, r *http.Request) {
	if err := http.NewResponseController(w).SetWriteDeadline(time.Now().Add(g.fileTime)); err != nil && !errors.Is(err, http.ErrNotSupported) {
		g.refuse(w, r, err)
		return
	}
	end, err := g.underWay[photosOut].begin(growerOf(r.Context()))
	if err != nil {
		g.refuse(w, r, err)
		return
	}
	defer end()
	query := r.URL.Query()
	asked := &pb.GetPhotoContentRequest{
		Name: strings.TrimSuffix(strings.TrimPrefix(r.URL.Path, "/v1/"), "/content"), Tag: query.Get("tag"),
		Rendition: pb.Photo_Rendition(pb.Photo_Rendition_value[query.Get("rendition")]), // checkQuery knows it
	}
	calling := func(ctx context.Context) context.Context {
		return metadata.NewOutgoingContext(ctx, metadata.Pairs("authorization", r.Header.Get("Authorization"), requestIDHeader, requestID(ctx)))
	}
	admitted := time.Now()
	pieces := &photoPieces{ctx: calling(r.Context()), calls: pb.NewPhotoServiceClient(g.conn), asked: asked}
	pieces.admit = func() error {
		if !g.isSlow(admitted) {
			return nil
		}
		ctx, err := g.conn.admit(outside, routeOf(outside).fullName, r.Header.Values("Authorization"))
		if err == nil {
			admitted, pieces.ctx = time.Now(), calling(ctx)
		}
		return err
	}
	if err := pieces.fetch(0); err != nil {
		g.answerError(r.Context(), nil, nil, w, r, err)
		return
	}
	w.Header().Set("Content-Type", pieces.now.GetContentType())
	w.Header().Set("ETag", pieces.now.GetEtag())
	w.Header().Set("Cache-Control", "private, no-cache")
	w.Header().Set("Content-Security-Policy", "default-src 'none'; sandbox")
	if !takesRange(r, pieces.asked.GetRendition()) {
		r.Header.Del("Range")
	}
	if isHead(r.Context()) {
		head := *r
		head.Method = http.MethodHead // else all of it is read
		r = &head
	}
	out := &photoWriter{ResponseWriter: w}
	http.ServeContent(out, r, "", pieces.now.GetUpdateTime().AsTime(), pieces)
	switch out.refused {
	case 0:
	case http.StatusPreconditionFailed:
		g.refuse(w, r, &service.Error{Reason: service.EtagMismatch, Message: "the picture was changed since; get it again"})
	case http.StatusRequestedRangeNotSatisfiable:
		g.refuse(w, r, &service.Error{Reason: badRange, Message: fmt.Sprintf("the range lies outside of the picture, which has %d bytes", pieces.now.GetSizeBytes())})
	default:
		g.refuse(w, r, fmt.Errorf("serve a picture: status %d, %w", out.refused, pieces.failed))
	}
	if pieces.failed != nil {
		g.log.WarnContext(r.Context(), "a picture broke off", append(logFields(r.Context()), "cause", pieces.failed.Error())...)
	}
}

// takesRange tells whether a request may be answered by a part of a picture (section 14.2).
// Ranges are those of GET, and of bytes; several are answered as all of it. A date is no
// proof that a rendition is still the same: it may change twice within a second (sections
// 8.8.2.2 and 13.1.5).
func takesRange(r *http.Request, form pb.Photo_Rendition) bool {
	asked, condition := r.Header.Get("Range"), r.Header.Get("If-Range")
	dated := condition != "" && !strings.Contains(condition, `"`)
	return !isHead(r.Context()) && strings.HasPrefix(asked, "bytes=") && !strings.Contains(asked, ",") && (!dated || form == pb.Photo_ORIGINAL)
}

// photoWriter holds back what is no success, which is told as other errors are.
type photoWriter struct {
	http.ResponseWriter
	refused int // the status
}

// WriteHeader begins the answer.
func (w *photoWriter) WriteHeader(status int) {
	if status < http.StatusBadRequest {
		w.ResponseWriter.WriteHeader(status)
		return
	}
	w.refused = status
	for _, name := range []string{"Etag", "Last-Modified", "Content-Type", "Cache-Control", "Accept-Ranges"} {
		w.Header().Del(textproto.CanonicalMIMEHeaderKey(name))
	}
}

// Write writes on.
func (w *photoWriter) Write(p []byte) (int, error) {
	if w.refused != 0 {
		return len(p), nil
	}
	return w.ResponseWriter.Write(p)
}

// photoPieces reads a picture by calls.
type photoPieces struct {
	ctx    context.Context
	calls  pb.PhotoServiceClient
	admit  func() error // asks again whether the caller may, where that was long ago
	asked  *pb.GetPhotoContentRequest
	now    *pb.GetPhotoContentResponse // the piece that came last
	from   int64                       // where it begins
	at     int64                       // where it is read on
	failed error
}

// fetch gets the piece that begins at an offset.
func (p *photoPieces) fetch(offset int64) error {
	asked := proto.CloneOf(p.asked)
	asked.Offset = int32(offset)
	piece, err := p.piece(asked)
	switch {
	case err != nil:
		return err
	case p.now != nil && piece.GetEtag() != p.now.GetEtag():
		return errors.New("the picture was changed meanwhile")
	}
	p.now, p.from = piece, offset
	return nil
}

// pieceTries is how often a piece is asked for while the server is busy: a picture that has
// begun should not break off for that.
const pieceTries = 5

func (p *photoPieces) piece(asked *pb.GetPhotoContentRequest) (*pb.GetPhotoContentResponse, error) {
	for try := 1; ; try++ {
		if err := p.admit(); err != nil {
			return nil, err
		}
		piece, err := p.calls.GetPhotoContent(p.ctx, asked)
		s := status.Convert(err)
		if err == nil || reasonOf(s) != tooBusy || p.now == nil || try == pieceTries {
			return piece, err
		}
		wait := time.NewTimer(time.Duration(retryAfter(s)) * time.Second)
		select {
		case <-wait.C:
		case <-p.ctx.Done():
			wait.Stop()
			return nil, p.ctx.Err()
		}
	}
}

// Read reads on.
func (p *photoPieces) Read(into []byte) (int, error) {
	if p.at >= int64(p.now.GetSizeBytes()) {
		return 0, io.EOF
	}
	if p.at < p.from || p.at >= p.from+int64(len(p.now.GetData())) {
		if p.failed = p.fetch(p.at); p.failed != nil {
			return 0, p.failed
		}
	}
	n := copy(into, p.now.GetData()[p.at-p.from:])
	p.at += int64(n)
	return n, nil
}

// Seek goes elsewhere.
func (p *photoPieces) Seek(offset int64, whence int) (int64, error) {
	switch whence {
	case io.SeekCurrent:
		offset += p.at
	case io.SeekEnd:
		offset += int64(p.now.GetSizeBytes())
	}
	if offset < 0 {
		return 0, errors.New("an offset before the start")
	}
	p.at = offset
	return offset, nil
}
