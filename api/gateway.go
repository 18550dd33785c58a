package api

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"reflect"
	"regexp"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"google.golang.org/genproto/googleapis/api/httpbody"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
)

// gateway is the HTTP door: the same calls as JSON.
type gateway struct {
	mux    *runtime.ServeMux
	routes []route
	conn   *inProcess
	log    *slog.Logger
	meter  *meter
	page   atomic.Int64 // rows that are read at once of a table that is given out whole
	held   atomic.Int64 // bytes of bodies
	slow   atomic.Int64 // nanoseconds that a body may take to come before its caller is asked again

	underWay map[*fileKind]*underWay // files that come or go
	fileTime time.Duration           // how long one may take to do so
}

// registrations are the generated functions that put a service on the mux.
var registrations = []func(*runtime.ServeMux, *inProcess) error{
	func(mux *runtime.ServeMux, c *inProcess) error {
		return pb.RegisterAuditServiceHandlerClient(context.Background(), mux, pb.NewAuditServiceClient(c))
	},
	func(mux *runtime.ServeMux, c *inProcess) error {
		return pb.RegisterBenchServiceHandlerClient(context.Background(), mux, pb.NewBenchServiceClient(c))
	},
	func(mux *runtime.ServeMux, c *inProcess) error {
		return pb.RegisterCalendarServiceHandlerClient(context.Background(), mux, pb.NewCalendarServiceClient(c))
	},
	func(mux *runtime.ServeMux, c *inProcess) error {
		return pb.RegisterCollectionServiceHandlerClient(context.Background(), mux, pb.NewCollectionServiceClient(c))
	},
	func(mux *runtime.ServeMux, c *inProcess) error {
		return pb.RegisterFeedingServiceHandlerClient(context.Background(), mux, pb.NewFeedingServiceClient(c))
	},
	func(mux *runtime.ServeMux, c *inProcess) error {
		return pb.RegisterGrantServiceHandlerClient(context.Background(), mux, pb.NewGrantServiceClient(c))
	},
	func(mux *runtime.ServeMux, c *inProcess) error {
		return pb.RegisterGrowerServiceHandlerClient(context.Background(), mux, pb.NewGrowerServiceClient(c))
	},
	func(mux *runtime.ServeMux, c *inProcess) error {
		return pb.RegisterIdentityServiceHandlerClient(context.Background(), mux, pb.NewIdentityServiceClient(c))
	},
	func(mux *runtime.ServeMux, c *inProcess) error {
		return pb.RegisterInvitationServiceHandlerClient(context.Background(), mux, pb.NewInvitationServiceClient(c))
	},
	func(mux *runtime.ServeMux, c *inProcess) error {
		return pb.RegisterObservationServiceHandlerClient(context.Background(), mux, pb.NewObservationServiceClient(c))
	},
	func(mux *runtime.ServeMux, c *inProcess) error {
		return pb.RegisterPhotoServiceHandlerClient(context.Background(), mux, pb.NewPhotoServiceClient(c))
	},
	func(mux *runtime.ServeMux, c *inProcess) error {
		return pb.RegisterPlanServiceHandlerClient(context.Background(), mux, pb.NewPlanServiceClient(c))
	},
	func(mux *runtime.ServeMux, c *inProcess) error {
		return pb.RegisterPlantServiceHandlerClient(context.Background(), mux, pb.NewPlantServiceClient(c))
	},
	func(mux *runtime.ServeMux, c *inProcess) error {
		return pb.RegisterRevisionServiceHandlerClient(context.Background(), mux, pb.NewRevisionServiceClient(c))
	},
	func(mux *runtime.ServeMux, c *inProcess) error {
		return pb.RegisterServerServiceHandlerClient(context.Background(), mux, pb.NewServerServiceClient(c))
	},
	func(mux *runtime.ServeMux, c *inProcess) error {
		return pb.RegisterSocietyServiceHandlerClient(context.Background(), mux, pb.NewSocietyServiceClient(c))
	},
	func(mux *runtime.ServeMux, c *inProcess) error {
		return pb.RegisterTaxonServiceHandlerClient(context.Background(), mux, pb.NewTaxonServiceClient(c))
	},
	func(mux *runtime.ServeMux, c *inProcess) error {
		return pb.RegisterTokenServiceHandlerClient(context.Background(), mux, pb.NewTokenServiceClient(c))
	},
	func(mux *runtime.ServeMux, c *inProcess) error {
		return pb.RegisterWatchServiceHandlerClient(context.Background(), mux, pb.NewWatchServiceClient(c))
	},
	// The mux asks the last one first: before a plant is taken by an id such as
	// "a:explainDue".
	func(mux *runtime.ServeMux, c *inProcess) error {
		return pb.RegisterArchiveServiceHandlerClient(context.Background(), mux, pb.NewArchiveServiceClient(c))
	},
	func(mux *runtime.ServeMux, c *inProcess) error {
		return pb.RegisterSessionServiceHandlerClient(context.Background(), mux, pb.NewSessionServiceClient(c))
	},
	func(mux *runtime.ServeMux, c *inProcess) error {
		return pb.RegisterSheetServiceHandlerClient(context.Background(), mux, pb.NewSheetServiceClient(c))
	},
	func(mux *runtime.ServeMux, c *inProcess) error {
		return pb.RegisterExchangeServiceHandlerClient(context.Background(), mux, pb.NewExchangeServiceClient(c))
	},
	func(mux *runtime.ServeMux, c *inProcess) error {
		return pb.RegisterDueServiceHandlerClient(context.Background(), mux, pb.NewDueServiceClient(c))
	},
}

func newGateway(conn *inProcess, log *slog.Logger) (*gateway, error) {
	g := &gateway{conn: conn, log: log, underWay: map[*fileKind]*underWay{}}
	for _, k := range fileKinds {
		g.underWay[k] = &underWay{kind: k}
	}
	g.slow.Store(int64(time.Second))
	g.page.Store(10_000)
	for name := range conn.methods {
		service, method, _ := strings.Cut(strings.TrimPrefix(name, "/"), "/")
		d, err := protoregistry.GlobalFiles.FindDescriptorByName(protoreflect.FullName(service + "." + method))
		if err != nil {
			return nil, fmt.Errorf("routes of %s: %w", name, err)
		}
		routes, err := routesOf(d.(protoreflect.MethodDescriptor))
		if err != nil {
			return nil, err
		}
		g.routes = append(g.routes, routes...)
	}
	plain := &strictJSON{JSONPb: runtime.JSONPb{MarshalOptions: protojson.MarshalOptions{EmitDefaultValues: true}}}
	g.mux = runtime.NewServeMux(
		runtime.WithMarshalerOption(runtime.MIMEWildcard, &runtime.HTTPBodyMarshaler{Marshaler: plain}),
		runtime.WithMarshalerOption(tableType, &tables{plain}),
		runtime.WithMarshalerOption(fileType, &besides{plain}),
		runtime.WithUnescapingMode(runtime.UnescapingModeAllExceptReserved),
		runtime.WithDisablePathLengthFallback(),
		runtime.WithDisableHTTPMethodOverride(),
		runtime.WithWriteContentLength(),
		runtime.WithIncomingHeaderMatcher(func(name string) (string, bool) {
			switch name = strings.ToLower(name); name {
			case requestIDHeader, "traceparent", "tracestate":
				return name, true
			}
			return "", false
		}),
		runtime.WithOutgoingHeaderMatcher(func(string) (string, bool) { return "", false }),
		runtime.WithOutgoingTrailerMatcher(func(string) (string, bool) { return "", false }),
		runtime.WithErrorHandler(g.answerError),
		runtime.WithRoutingErrorHandler(g.refuseLost),
		runtime.WithForwardResponseOption(keepEtag),
		runtime.WithForwardResponseOption(tellTable),
		runtime.WithForwardResponseOption(keepPrivate),
		runtime.WithForwardResponseOption(guardPage),
		runtime.WithMiddlewares(g.checkRoute),
	)
	for _, register := range registrations {
		if err := register(g.mux, conn); err != nil {
			return nil, fmt.Errorf("gateway: %w", err)
		}
	}
	return g, nil
}

// guardPage tells the browser that a page loads and runs nothing (Content Security Policy
// Level 3), and that nobody but its reader keeps it.
func guardPage(_ context.Context, w http.ResponseWriter, answer proto.Message) error {
	if page, ok := answer.(*httpbody.HttpBody); ok && strings.HasPrefix(page.GetContentType(), "text/html") {
		w.Header().Set("Content-Security-Policy", service.PagePolicy)
		w.Header().Set("Cache-Control", "private, no-cache")
	}
	return nil
}

type routeKey struct{}

// routeOf returns the route of a request, or nil if it has none.
func routeOf(ctx context.Context) *route {
	rt, _ := ctx.Value(routeKey{}).(*route)
	return rt
}

// ServeHTTP answers a request: names it, finds its call, lets its caller in, reads its
// body within the limit, and hands it to the call.
func (g *gateway) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	id := chosenRequestID(r.Header.Get(requestIDHeader))
	r.Header.Set(requestIDHeader, id)
	w.Header().Set("X-Request-Id", id)
	w.Header().Set("X-Content-Type-Options", "nosniff")
	r = r.WithContext(context.WithValue(r.Context(), requestIDKey{}, id))
	if r.Method == http.MethodHead {
		// net/http leaves out the body of the answer by itself.
		get := r.WithContext(context.WithValue(r.Context(), headKey{}, true))
		get.Method = http.MethodGet
		r = get
	}
	if g.meter != nil {
		r = r.WithContext(context.WithValue(r.Context(), arrivalKey{}, g.meter.arriveByHTTP(r)))
	}
	rt, allowed := g.findRoute(r)
	if rt == nil {
		if err := g.meter.arrive(arrivalOf(r.Context()), ""); err != nil {
			g.refuse(w, r, err)
			return
		}
		g.refuseRoute(w, r, allowed)
		return
	}
	r = r.WithContext(context.WithValue(context.WithValue(r.Context(), routeKey{}, rt), callerKey{}, &caller{}))
	began, outside := time.Now(), r.Context()
	admitted, err := g.conn.admit(outside, rt.fullName, r.Header.Values("Authorization"))
	if err != nil { // a call that is refused is not worth its body
		g.refuse(w, r, err)
		return
	}
	r = r.WithContext(context.WithValue(admitted, targetKey{}, r.URL))
	if service.Rules[rt.fullName].Long {
		err := http.NewResponseController(w).SetWriteDeadline(began.Add(longCall + usualWaits.answer))
		if err != nil && !errors.Is(err, http.ErrNotSupported) {
			g.refuse(w, r, err)
			return
		}
	}
	wantsArchive, wantsPhoto := rt.givesArchive() && wantsArchive(r), rt.givesPhoto() && wantsPhoto(r)
	if rt.givesPhoto() {
		w.Header().Set("Vary", "Accept")
	}
	came := &heldBody{total: &g.held}
	defer came.release()
	file, err := g.receive(w, r, rt, came)
	if file != nil {
		defer g.remove(outside, file)
	}
	if err != nil {
		g.refuse(w, r, err)
		return
	}
	switch {
	case wantsArchive:
		g.giveArchive(w, r)
		return
	case wantsPhoto:
		g.givePhoto(outside, w, r)
		return
	}
	if file != nil {
		outside = service.WithFile(outside, &file.SentFile)
		r = r.WithContext(service.WithFile(r.Context(), &file.SentFile))
	}
	if g.isSlow(began) { // a token may have been revoked meanwhile
		if admitted, err = g.conn.admit(outside, rt.fullName, r.Header.Values("Authorization")); err != nil {
			g.refuse(w, r, err)
			return
		}
		r = r.WithContext(admitted)
	}
	ctx, ifMatch, ifNoneMatch, err := rt.conditions(r)
	if err != nil {
		g.refuse(w, r, err)
		return
	}
	body := r.Body.(*requestBody) // receive made it
	ctx = context.WithValue(ctx, bodyKey{}, body)
	if rt.updates != nil {
		ctx = service.WithBodyFields(ctx, body.readUpdates())
		ctx = service.WithBodyName(ctx, func() string { return body.name })
	}
	r = r.WithContext(ctx)
	if r.Method != http.MethodGet {
		g.mux.ServeHTTP(w, r)
		return
	}
	if rt.givesTable() && r.Header.Get("Accept") == tableType && !r.URL.Query().Has("pageSize") && !r.URL.Query().Has("pageToken") {
		g.giveWhole(w, r)
		return
	}
	held := &conditionalWriter{ResponseWriter: w, ifMatch: ifMatch, ifNoneMatch: ifNoneMatch}
	g.mux.ServeHTTP(held, r)
	switch mismatch, err := held.finish(); {
	case mismatch:
		g.refuse(w, r, &service.Error{Reason: service.EtagMismatch, Message: "the resource was changed since; get it again"})
	case err != nil:
		g.log.InfoContext(ctx, "client went away", "request_id", requestID(ctx), "cause", err.Error())
	}
}

// isSlow tells whether a request that began at a time took so long to come that its caller
// is asked again.
func (g *gateway) isSlow(began time.Time) bool {
	return time.Since(began) > time.Duration(g.slow.Load())
}

type headKey struct{}

// isHead tells whether only the headers of an answer are wanted.
func isHead(ctx context.Context) bool { return ctx.Value(headKey{}) != nil }

// receive reads a request into memory, or tells why it is not to reach its call. A body
// that is a file goes into one, which the caller closes.
func (g *gateway) receive(w http.ResponseWriter, r *http.Request, rt *route, held *heldBody) (*scratch, error) {
	kind := rt.takesFile()
	sent := kind != nil && kind.sent(r)
	table, err := rt.negotiate(w, r)
	if err != nil {
		return nil, err
	}
	if err := rt.checkQuery(r.URL.RawQuery, table || sent); err != nil {
		return nil, err
	}
	if sent {
		r.Header.Set("Content-Type", fileType)
		file, err := g.receiveFile(w, r, kind)
		if err != nil {
			return nil, err
		}
		body := newRequestBody(rt, nil)
		body.query = r.URL.Query()
		r.Body = body
		return file, nil
	}
	var body []byte
	if rt.body != "" {
		if body, err = readBody(w, r, table, held); err != nil {
			return nil, err
		}
	} else if n, _ := io.ReadFull(r.Body, make([]byte, 1)); n > 0 { // the rest is not worth reading
		return nil, &service.Error{Reason: malformedRequest, Message: rt.method + " takes no body; give query keys"}
	}
	read := newRequestBody(rt, body)
	if table {
		read.query = r.URL.Query()
	}
	r.Body = read
	return nil, nil
}

// mostHeld is how many bytes of bodies are in memory at once, after inflation. Who sends
// them slowly holds what came so far.
const mostHeld = 16 * service.MaxRequestBytes

// heldBody counts what is in memory of a body.
type heldBody struct {
	io.Reader
	total *atomic.Int64 // of all
	own   int64
}

var errHeld = &service.Error{Reason: tooBusy, Message: "the server holds as many large requests as it takes at once: call again in a moment"}

// Read reads on, unless too much is held.
func (h *heldBody) Read(p []byte) (int, error) {
	n, err := h.Reader.Read(p)
	h.own += int64(n)
	if h.total.Add(int64(n)) > mostHeld {
		return 0, errHeld
	}
	return n, err
}

// release tells that the body is not needed any more.
func (h *heldBody) release() { h.total.Add(-h.own) }

// readBody returns the body after inflation. A table has no objects to count.
func readBody(w http.ResponseWriter, r *http.Request, table bool, held *heldBody) ([]byte, error) {
	limited := io.Reader(http.MaxBytesReader(w, r.Body, service.MaxRequestBytes))
	switch encoding := r.Header.Get("Content-Encoding"); strings.ToLower(encoding) {
	case "", "identity":
	case "gzip":
		inflated, err := gzip.NewReader(limited)
		if err != nil {
			return nil, &service.Error{Reason: malformedRequest, Message: "the body is not gzip, as Content-Encoding says"}
		}
		limited = io.LimitReader(inflated, service.MaxRequestBytes+1)
	default:
		return nil, &service.Error{Reason: malformedRequest, Message: fmt.Sprintf("Content-Encoding %q is not taken, only gzip", encoding)}
	}
	held.Reader = limited
	body, err := io.ReadAll(held)
	var over *http.MaxBytesError
	switch {
	case errors.As(err, &over), len(body) > service.MaxRequestBytes:
		return nil, errTooLarge
	case errors.Is(err, errHeld):
		return nil, errHeld
	case !table && objects(body) > mostObjects:
		return nil, errTooMany
	case err != nil:
		return nil, &service.Error{Reason: malformedRequest, Message: "the body broke off, or is not gzip as Content-Encoding says"}
	}
	return body, nil
}

// refuse answers a request that reaches no call.
func (g *gateway) refuse(w http.ResponseWriter, r *http.Request, err error) {
	if _, read := r.Body.(*requestBody); !read && r.ContentLength != 0 {
		w.Header().Set("Connection", "close") // or net/http waits for the body before it answers
	}
	g.answerError(r.Context(), nil, nil, w, r, toStatus(r.Context(), g.log, err).Err())
}

// answerError writes an error as JSON. An error without a reason is one that the
// gateway itself found while it read the request.
func (g *gateway) answerError(ctx context.Context, _ *runtime.ServeMux, _ runtime.Marshaler, w http.ResponseWriter, r *http.Request, err error) {
	s, ok := status.FromError(err)
	switch {
	case ok && reasonOf(s) != "":
	case grpcHeaders(ctx):
		// The call has answered, but its answer cannot be written: our defect.
		s = toStatus(ctx, g.log, fmt.Errorf("write the answer: %w", err))
	case faultOf(ctx) != nil:
		fault := faultOf(ctx)
		s = newStatus(requestID(ctx), fault.Reason, fault.Message, fault.Violations)
	default:
		message := "the request cannot be read"
		if ok {
			message = plainMessage(s.Message())
		}
		s = newStatus(requestID(ctx), malformedRequest, message, nil)
	}
	code := httpStatus(s, runtime.HTTPStatusFromCode)
	rt := routeOf(ctx)
	if reasonOf(s) == service.EtagMismatch && (r.Header.Get("If-Match") != "" || rt != nil && rt.givesPhoto()) {
		code = http.StatusPreconditionFailed // RFC 9110, sections 13.1.1, and 13.1.4 for pictures
	}
	if challenge := challengeOf(r, reasonOf(s)); challenge != "" {
		w.Header().Set("WWW-Authenticate", challenge)
	}
	body, marshalErr := errorBody(s, code)
	if marshalErr != nil {
		g.log.ErrorContext(ctx, "error answer cannot be written", "request_id", requestID(ctx), "cause", marshalErr.Error())
		code, body = http.StatusInternalServerError, []byte(`{"error":{"code":500,"status":"INTERNAL","message":"the server failed"}}`)
	}
	if reachedCall := grpcHeaders(ctx); !reachedCall {
		route := "unknown"
		if rt != nil {
			route = rt.path
		}
		level := slog.LevelInfo
		if reasonOf(s) == tooManyCalls {
			level = slog.LevelDebug // the meter tells of them once a minute
		}
		g.log.Log(ctx, level, "request refused", append(logFields(ctx), "http.method", r.Method, "http.route", route,
			"http.status", code, "reason", string(reasonOf(s)))...)
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Del("Content-Length")
	if wait := retryAfter(s); wait > 0 {
		w.Header().Set("Retry-After", strconv.Itoa(wait))
	}
	w.WriteHeader(code)
	if _, err := w.Write(body); err != nil {
		g.log.InfoContext(ctx, "client went away", "request_id", requestID(ctx), "cause", err.Error())
	}
}

// challengeOf tells what a caller must show who was not let in (RFC 6750, section 3),
// or "". What is wrong with a token is only told to those who showed one.
func challengeOf(r *http.Request, reason service.Reason) string {
	const challenge = `Bearer realm="dewbench"`
	switch reason {
	case service.TokenMissing:
		return challenge
	case service.TokenInvalid, service.TokenExpired:
		for _, value := range r.Header.Values("Authorization") {
			if scheme, _, _ := strings.Cut(value, " "); strings.EqualFold(scheme, "Bearer") {
				return challenge + `, error="invalid_token"`
			}
		}
		return challenge
	case service.ScopeMissing:
		return challenge + `, error="insufficient_scope"`
	}
	return ""
}

// grpcHeaders tells whether a call answered, which has logged it then.
func grpcHeaders(ctx context.Context) bool {
	md, ok := runtime.ServerMetadataFromContext(ctx)
	return ok && len(md.HeaderMD.Get(requestIDHeader)) > 0
}

// errorBody writes the body of an error (AIP-193).
func errorBody(s *status.Status, code int) ([]byte, error) {
	return protojson.Marshal(&pb.ErrorResponse{Error: &pb.ErrorResponse_Error{
		Code: int32(code), Status: codeName(s.Code()), Message: s.Message(), Details: s.Proto().GetDetails(),
	}})
}

// codeName writes a code as google.rpc.Code names it, for instance
// INVALID_ARGUMENT.
func codeName(c codes.Code) string {
	if c == codes.Canceled {
		return "CANCELLED"
	}
	return strings.ToUpper(wordStart.ReplaceAllString(c.String(), "${1}_${2}"))
}

var wordStart = regexp.MustCompile(`([a-z])([A-Z])`)

// refuseRoute answers where there is no call: 404, or 405 with Allow.
func (g *gateway) refuseRoute(w http.ResponseWriter, r *http.Request, allowed []string) {
	if len(allowed) == 0 {
		g.refuse(w, r, &service.Error{Reason: unknownRoute, Message: "there is no call at this path; GET /openapi.json lists them"})
		return
	}
	w.Header().Set("Allow", strings.Join(allowed, ", "))
	g.refuse(w, r, &service.Error{Reason: methodNotAllowed, Message: "this path takes " + strings.Join(allowed, ", ") + " only"})
}

// refuseLost answers a request with a route that the mux does not find: then one of
// the two is wrong.
func (g *gateway) refuseLost(ctx context.Context, _ *runtime.ServeMux, _ runtime.Marshaler, w http.ResponseWriter, r *http.Request, _ int) {
	g.refuse(w, r, fmt.Errorf("the mux has no handler for %s %s", r.Method, routeOf(ctx).path))
}

// checkRoute sees to it that the mux takes a request for the same call as findRoute
// did. The mux knows verbs, but also takes one that a pattern lacks for a part of an
// id.
func (g *gateway) checkRoute(next runtime.HandlerFunc) runtime.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request, params map[string]string) {
		pattern, _ := runtime.HTTPPattern(r.Context())
		if rt := routeOf(r.Context()); pattern.String() != rt.path {
			g.refuse(w, r, fmt.Errorf("the mux takes %s %s for %s", r.Method, rt.path, pattern))
			return
		}
		next(w, r, params)
	}
}

// strictJSON reads a whole body at once and refuses what it does not know.
type strictJSON struct{ runtime.JSONPb }

// Marshal writes a message without white space. (protojson varies it on purpose
// from build to build.)
func (j *strictJSON) Marshal(v any) ([]byte, error) {
	if text, ok := fastJSON(v); ok {
		return text, nil
	}
	text, err := j.JSONPb.Marshal(v)
	if err != nil {
		return nil, err
	}
	var out bytes.Buffer
	out.Grow(len(text))
	if err := json.Compact(&out, text); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

// NewDecoder returns a decoder of one message.
func (*strictJSON) NewDecoder(r io.Reader) runtime.Decoder {
	return runtime.DecoderFunc(func(v any) error {
		body, err := io.ReadAll(r)
		if err != nil {
			return err
		}
		if len(bytes.TrimSpace(body)) == 0 {
			return nil
		}
		message, ok := v.(proto.Message)
		if field := reflect.ValueOf(v); !ok && field.Kind() == reflect.Pointer && field.Elem().Kind() == reflect.Pointer {
			// A field of the request, where the body is not all of it.
			if field.Elem().IsNil() {
				field.Elem().Set(reflect.New(field.Elem().Type().Elem()))
			}
			message, ok = field.Elem().Interface().(proto.Message)
		}
		if !ok {
			return fmt.Errorf("%T is not a message", v)
		}
		err = protojson.Unmarshal(body, message)
		sent, isRequest := r.(*requestBody)
		switch {
		case err == nil && isRequest:
			sent.setMasks(message)
			sent.keepName(message)
		case isRequest:
			// The gateway keeps of an error its text alone.
			sent.fault = sent.route.faultIn(body, message.ProtoReflect().Descriptor(), err)
			if hint := sent.route.rawHint(); sent.fault == nil && hint != "" {
				sent.fault = &service.Error{Reason: malformedRequest, Message: plainMessage(err.Error()) + hint}
			}
		}
		if err != nil {
			return errors.New(short(err.Error()))
		}
		return nil
	})
}

// faultOf returns what the decoder found wrong in the body of a request, or nil.
func faultOf(ctx context.Context) *service.Error {
	if body, ok := ctx.Value(bodyKey{}).(*requestBody); ok {
		return body.fault
	}
	return nil
}

// protojsonPrefix is how protojson begins its errors; it varies the space on
// purpose.
var protojsonPrefix = regexp.MustCompile(`^proto:[\s\x{a0}]*`)

func plainMessage(message string) string {
	return service.Cut(protojsonPrefix.ReplaceAllString(message, ""), 600)
}

// short returns text that a caller wrote, cut to what an error may quote.
func short(text string) string { return service.Cut(text, 300) }
