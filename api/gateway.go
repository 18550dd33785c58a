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
	"maps"
	"net/http"
	"net/url"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"google.golang.org/genproto/googleapis/api/annotations"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
)

// route is one way to reach a call over HTTP.
type route struct {
	method string // HTTP
	path   string // template, as in the proto file
	call   protoreflect.MethodDescriptor
	body   string
	// updates tells where the body has the resources that it updates; nil: it
	// updates none.
	updates *updateShape
}

// gateway is the HTTP door: the same calls as JSON.
type gateway struct {
	mux    *runtime.ServeMux
	probe  *runtime.ServeMux // answers nothing; it tells which methods a path takes
	routes []route
	log    *slog.Logger
}

// registrations are the generated functions that put a service on the mux.
var registrations = []func(*runtime.ServeMux, *inProcess) error{
	func(mux *runtime.ServeMux, c *inProcess) error {
		return pb.RegisterBenchServiceHandlerClient(context.Background(), mux, pb.NewBenchServiceClient(c))
	},
	func(mux *runtime.ServeMux, c *inProcess) error {
		return pb.RegisterCollectionServiceHandlerClient(context.Background(), mux, pb.NewCollectionServiceClient(c))
	},
	func(mux *runtime.ServeMux, c *inProcess) error {
		return pb.RegisterFeedingServiceHandlerClient(context.Background(), mux, pb.NewFeedingServiceClient(c))
	},
	func(mux *runtime.ServeMux, c *inProcess) error {
		return pb.RegisterGrowerServiceHandlerClient(context.Background(), mux, pb.NewGrowerServiceClient(c))
	},
	func(mux *runtime.ServeMux, c *inProcess) error {
		return pb.RegisterObservationServiceHandlerClient(context.Background(), mux, pb.NewObservationServiceClient(c))
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
		return pb.RegisterTaxonServiceHandlerClient(context.Background(), mux, pb.NewTaxonServiceClient(c))
	},
	func(mux *runtime.ServeMux, c *inProcess) error {
		return pb.RegisterTokenServiceHandlerClient(context.Background(), mux, pb.NewTokenServiceClient(c))
	},
	// The mux asks the last one first: before a plant is taken by an id such as
	// "a:explainDue".
	func(mux *runtime.ServeMux, c *inProcess) error {
		return pb.RegisterDueServiceHandlerClient(context.Background(), mux, pb.NewDueServiceClient(c))
	},
}

func newGateway(conn *inProcess, log *slog.Logger) (*gateway, error) {
	g := &gateway{log: log, probe: runtime.NewServeMux(runtime.WithDisablePathLengthFallback())}
	for name := range conn.methods {
		service, method, _ := strings.Cut(strings.TrimPrefix(name, "/"), "/")
		d, err := protoregistry.GlobalFiles.FindDescriptorByName(protoreflect.FullName(service + "." + method))
		if err != nil {
			return nil, fmt.Errorf("routes of %s: %w", name, err)
		}
		if err := g.addRoutes(d.(protoreflect.MethodDescriptor)); err != nil {
			return nil, err
		}
	}
	g.mux = runtime.NewServeMux(
		runtime.WithMarshalerOption(runtime.MIMEWildcard, &runtime.HTTPBodyMarshaler{Marshaler: &strictJSON{
			JSONPb: runtime.JSONPb{MarshalOptions: protojson.MarshalOptions{EmitDefaultValues: true}},
		}}),
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
		runtime.WithRoutingErrorHandler(g.refuseRoute),
		runtime.WithForwardResponseOption(keepEtag),
		runtime.WithMiddlewares(g.receive),
	)
	for _, register := range registrations {
		if err := register(g.mux, conn); err != nil {
			return nil, fmt.Errorf("gateway: %w", err)
		}
	}
	return g, nil
}

// addRoutes reads the HTTP rules of a call.
func (g *gateway) addRoutes(call protoreflect.MethodDescriptor) error {
	rule, _ := proto.GetExtension(call.Options(), annotations.E_Http).(*annotations.HttpRule)
	if rule == nil {
		return nil
	}
	for _, r := range append([]*annotations.HttpRule{rule}, rule.GetAdditionalBindings()...) {
		var method, path string
		switch p := r.GetPattern().(type) {
		case *annotations.HttpRule_Get:
			method, path = http.MethodGet, p.Get
		case *annotations.HttpRule_Post:
			method, path = http.MethodPost, p.Post
		case *annotations.HttpRule_Put:
			method, path = http.MethodPut, p.Put
		case *annotations.HttpRule_Patch:
			method, path = http.MethodPatch, p.Patch
		case *annotations.HttpRule_Delete:
			method, path = http.MethodDelete, p.Delete
		default:
			return fmt.Errorf("%s has an HTTP rule of an unknown kind", call.FullName())
		}
		rt := route{method: method, path: path, call: call, body: r.GetBody()}
		rt.updates = rt.shapeOf()
		g.routes = append(g.routes, rt)
		if err := g.probe.HandlePath(method, path, func(w http.ResponseWriter, r *http.Request, _ map[string]string) {
			w.(*probed).methods = append(w.(*probed).methods, r.Method)
		}); err != nil {
			return fmt.Errorf("%s: %w", call.FullName(), err)
		}
	}
	return nil
}

// ServeHTTP answers a request: names it, reads its body within the limit, and
// hands it to the call.
func (g *gateway) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	id := chosenRequestID(r.Header.Get(requestIDHeader))
	r.Header.Set(requestIDHeader, id)
	w.Header().Set("X-Request-Id", id)
	w.Header().Set("X-Content-Type-Options", "nosniff")
	r = r.WithContext(context.WithValue(r.Context(), requestIDKey{}, id))
	if r.Method == http.MethodHead {
		// net/http leaves out the body of the answer by itself.
		get := *r
		get.Method = http.MethodGet
		r = &get
	}
	body, err := readBody(w, r)
	if err != nil {
		g.refuse(w, r, err)
		return
	}
	if len(body) > 0 && r.Method == http.MethodGet {
		g.refuse(w, r, &service.Error{Reason: malformedRequest, Message: "GET takes no body; give query keys"})
		return
	}
	r.Body = newRequestBody(body)
	g.mux.ServeHTTP(w, r)
}

// readBody returns the body after inflation.
func readBody(w http.ResponseWriter, r *http.Request) ([]byte, error) {
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
	body, err := io.ReadAll(limited)
	var over *http.MaxBytesError
	switch {
	case errors.As(err, &over), len(body) > service.MaxRequestBytes:
		return nil, errTooLarge
	case objects(body) > mostObjects:
		return nil, errTooMany
	case err != nil:
		return nil, &service.Error{Reason: malformedRequest, Message: "the body broke off, or is not gzip as Content-Encoding says"}
	}
	return body, nil
}

// refuse answers a request that reaches no call.
func (g *gateway) refuse(w http.ResponseWriter, r *http.Request, err error) {
	g.answerError(r.Context(), nil, nil, w, r, toStatus(r.Context(), g.log, err).Err())
}

// answerError writes an error as JSON. An error without a reason is one that the
// gateway itself found while it read the request.
func (g *gateway) answerError(ctx context.Context, _ *runtime.ServeMux, _ runtime.Marshaler, w http.ResponseWriter, r *http.Request, err error) {
	s, ok := status.FromError(err)
	if !ok || reasonOf(s) == "" {
		message := "the request cannot be read"
		if ok {
			message = plainMessage(s.Message())
		}
		s = newStatus(requestID(ctx), malformedRequest, message, nil)
	}
	code := httpStatus(s, runtime.HTTPStatusFromCode)
	if reasonOf(s) == service.EtagMismatch && r.Header.Get("If-Match") != "" {
		code = http.StatusPreconditionFailed // RFC 9110, section 13.1.1
	}
	if s.Code() == codes.Unauthenticated {
		w.Header().Set("WWW-Authenticate", `Bearer realm="dewbench"`) // RFC 6750, section 3
	}
	body, marshalErr := errorBody(s, code)
	if marshalErr != nil {
		g.log.ErrorContext(ctx, "error answer cannot be written", "request_id", requestID(ctx), "cause", marshalErr.Error())
		code, body = http.StatusInternalServerError, []byte(`{"error":{"code":500,"status":"INTERNAL","message":"the server failed"}}`)
	}
	if reachedCall := grpcHeaders(ctx); !reachedCall {
		route := "unknown"
		if pattern, ok := runtime.HTTPPattern(ctx); ok {
			route = pattern.String()
		}
		g.log.InfoContext(ctx, "request refused", "request_id", requestID(ctx), "http.method", r.Method, "http.route", route,
			"http.status", code, "reason", string(reasonOf(s)))
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Del("Content-Length")
	if s.Code() == codes.Unavailable {
		w.Header().Set("Retry-After", strconv.Itoa(int(retryDelay.Seconds())))
	}
	w.WriteHeader(code)
	if _, err := w.Write(body); err != nil {
		g.log.InfoContext(ctx, "client went away", "request_id", requestID(ctx), "cause", err.Error())
	}
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
func (g *gateway) refuseRoute(_ context.Context, _ *runtime.ServeMux, _ runtime.Marshaler, w http.ResponseWriter, r *http.Request, httpStatus int) {
	if allowed := g.allowed(r); httpStatus == http.StatusMethodNotAllowed && len(allowed) > 0 {
		w.Header().Set("Allow", strings.Join(allowed, ", "))
		g.refuse(w, r, &service.Error{Reason: methodNotAllowed,
			Message: "this path takes " + strings.Join(allowed, ", ") + " only"})
		return
	}
	g.refuse(w, r, &service.Error{Reason: unknownRoute, Message: "there is no call at this path; GET /openapi.json lists them"})
}

// probed is where the probe leaves the methods that a path takes.
type probed struct{ methods []string }

func (*probed) Header() http.Header         { return http.Header{} }
func (*probed) Write(b []byte) (int, error) { return len(b), nil }
func (*probed) WriteHeader(int)             {}

// allowed returns the methods that the path of a request takes.
func (g *gateway) allowed(r *http.Request) []string {
	var found probed
	for _, method := range []string{http.MethodDelete, http.MethodGet, http.MethodPatch, http.MethodPost, http.MethodPut} {
		try := r.Clone(r.Context())
		try.Method = method
		g.probe.ServeHTTP(&found, try)
	}
	if slices.Contains(found.methods, http.MethodGet) {
		found.methods = append(found.methods, http.MethodHead)
	}
	return found.methods
}

// receive is what happens between the routing of a request and its call.
func (g *gateway) receive(next runtime.HandlerFunc) runtime.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request, params map[string]string) {
		pattern, _ := runtime.HTTPPattern(r.Context())
		i := slices.IndexFunc(g.routes, func(rt route) bool {
			return rt.method == r.Method && rt.path == pattern.String()
		})
		if i < 0 {
			g.refuse(w, r, fmt.Errorf("no route for %s %s", r.Method, pattern))
			return
		}
		rt := &g.routes[i]
		// The gateway would drop query keys that the call does not take.
		query, err := url.ParseQuery(r.URL.RawQuery)
		if err != nil {
			g.refuse(w, r, &service.Error{Reason: malformedRequest, Message: "the query cannot be read: " + err.Error()})
			return
		}
		if err := rt.checkQuery(query); err != nil {
			g.refuse(w, r, err)
			return
		}
		ctx, ifMatch, ifNoneMatch, err := rt.conditions(r)
		if err != nil {
			g.refuse(w, r, err)
			return
		}
		if body, ok := r.Body.(*requestBody); ok && rt.updates != nil {
			ctx = service.WithBodyFields(ctx, body.readUpdates(rt.updates))
		}
		r = r.WithContext(ctx)
		if r.Method != http.MethodGet {
			next(w, r, params)
			return
		}
		held := &conditionalWriter{ResponseWriter: w, ifMatch: ifMatch, ifNoneMatch: ifNoneMatch}
		next(held, r, params)
		switch mismatch, err := held.finish(); {
		case mismatch:
			g.refuse(w, r, &service.Error{Reason: service.EtagMismatch, Message: "the resource was changed since; get it again"})
		case err != nil:
			g.log.InfoContext(ctx, "client went away", "request_id", requestID(ctx), "cause", err.Error())
		}
	}
}

// checkQuery tells what is wrong with a query, all of it at once.
func (rt *route) checkQuery(query url.Values) error {
	fields := rt.queryFields()
	names := slices.Sorted(maps.Keys(fields))
	var unknown, bad []service.Violation
	for key, values := range query {
		field, known := fields[key]
		if key == snakeMaskKey {
			if field, known = fields[maskKey]; known && query.Has(maskKey) {
				values = append(values, query[maskKey]...)
			}
		}
		switch {
		case !known && len(names) == 0:
			unknown = append(unknown, service.Violation{Field: short(key), Rule: "is not a query key: this call takes none"})
		case !known:
			unknown = append(unknown, service.Violation{Field: short(key), Rule: "is not a query key of this call; they are " + strings.Join(names, ", ")})
		case len(values) > 1 && !field.IsList():
			bad = append(bad, service.Violation{Field: key, Rule: "stands more than once"})
		default:
			for _, value := range values {
				if rule := checkValue(field, value); rule != "" {
					bad = append(bad, service.Violation{Field: key, Rule: rule})
				}
			}
		}
	}
	for _, found := range []struct {
		reason     service.Reason
		violations []service.Violation
	}{{unknownQueryKey, unknown}, {malformedRequest, bad}} {
		if len(found.violations) > 0 {
			slices.SortFunc(found.violations, func(a, b service.Violation) int { return strings.Compare(a.Field, b.Field) })
			return service.Invalid(found.reason, found.violations)
		}
	}
	return nil
}

// checkValue tells what is wrong with the value of a query key, if anything. The
// gateway would say it in words of its own.
func checkValue(field protoreflect.FieldDescriptor, value string) (rule string) {
	var err error
	switch field.Kind() {
	case protoreflect.StringKind, protoreflect.MessageKind:
		if !utf8.ValidString(value) {
			return "is not UTF-8"
		}
	case protoreflect.Int32Kind:
		_, err = strconv.ParseInt(value, 10, 32)
		rule = "must be a whole number that fits in 32 bits"
	case protoreflect.BoolKind:
		_, err = strconv.ParseBool(value)
		rule = "must be true or false"
	case protoreflect.EnumKind:
		if field.Enum().Values().ByName(protoreflect.Name(value)) == nil {
			return "must be the name of a value, as the OpenAPI document lists them"
		}
	}
	if err != nil {
		return rule
	}
	return ""
}

// The query key of a mask, in both spellings that its paths have too.
const (
	maskKey      = "updateMask"
	snakeMaskKey = "update_mask"
)

// queryFields returns the query keys that a route takes: the JSON names of the
// request's plain fields that are in neither path nor body, and of its mask.
func (rt *route) queryFields() map[string]protoreflect.FieldDescriptor {
	keys := map[string]protoreflect.FieldDescriptor{}
	if rt.body == "*" {
		return keys
	}
	fields := rt.call.Input().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		inPath := strings.Contains(rt.path, "{"+string(f.Name())+"}") || strings.Contains(rt.path, "{"+string(f.Name())+"=")
		if inPath || string(f.Name()) == rt.body || f.Message() != nil && !isMask(f) {
			continue
		}
		keys[f.JSONName()] = f
	}
	return keys
}

// strictJSON reads a whole body at once and refuses what it does not know.
type strictJSON struct{ runtime.JSONPb }

// Marshal writes a message without white space. (protojson varies it on purpose
// from build to build.)
func (j *strictJSON) Marshal(v any) ([]byte, error) {
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
		if err == nil {
			if sent, ok := r.(*requestBody); ok {
				sent.setMasks(message)
			}
			return nil
		}
		if m := badEnum.FindStringSubmatch(err.Error()); m != nil {
			if names := enumNames(message.ProtoReflect().Descriptor(), m[1], map[protoreflect.FullName]bool{}); len(names) > 0 {
				return fmt.Errorf("%s; it must be one of %s", short(err.Error()), strings.Join(names, ", "))
			}
		}
		return errors.New(short(err.Error()))
	})
}

// badEnum is how protojson says that a name is none of an enum's.
var badEnum = regexp.MustCompile(`invalid value for enum field (\w+):`)

// enumNames returns the names that the enum field of a JSON name takes, wherever
// in a message it stands.
func enumNames(m protoreflect.MessageDescriptor, field string, seen map[protoreflect.FullName]bool) []string {
	if seen[m.FullName()] {
		return nil
	}
	seen[m.FullName()] = true
	for i := range m.Fields().Len() {
		f := m.Fields().Get(i)
		switch {
		case f.Enum() != nil && f.JSONName() == field:
			var names []string
			for k := range f.Enum().Values().Len() {
				if v := f.Enum().Values().Get(k); v.Number() != 0 {
					names = append(names, string(v.Name()))
				}
			}
			return names
		case f.Message() != nil:
			if names := enumNames(f.Message(), field, seen); names != nil {
				return names
			}
		}
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
