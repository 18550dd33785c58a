package api

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"mime"
	"net/http"
	"net/url"
	"regexp"
	"strconv"
	"strings"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"github.com/grpc-ecosystem/grpc-gateway/v2/utilities"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"dewbench/service"
)

// Tables over HTTP. A call whose request has a field csv takes the table itself as its
// body, with the other fields as query keys; one whose answer has one gives the table
// itself to who asks for it by Accept. They are calls like any other: the mux decodes
// and encodes them by another marshaler.

// tableType is the media type of tables (RFC 4180, RFC 7111).
const tableType = "text/csv"

// csvField returns the field of a message that holds a table, or nil.
func csvField(in protoreflect.MessageDescriptor, kind protoreflect.Kind) protoreflect.FieldDescriptor {
	if f := in.Fields().ByName("csv"); f != nil && f.Kind() == kind {
		return f
	}
	return nil
}

// takesTable tells whether the body of a route may be a table.
func (rt *route) takesTable() bool {
	return rt.body == "*" && csvField(rt.call.Input(), protoreflect.BytesKind) != nil
}

// givesTable tells whether the answer of a route may be a table.
func (rt *route) givesTable() bool { return csvField(rt.call.Output(), protoreflect.StringKind) != nil }

// negotiate settles in which form a request comes and its answer goes. It leaves in the
// headers what the mux chooses its marshalers by.
func (rt *route) negotiate(w http.ResponseWriter, r *http.Request) (table bool, err error) {
	kind, parameters, parseErr := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if kind == tableType && parseErr == nil && rt.takesTable() {
		table = true
		if parameters["charset"] != "" && r.URL.Query().Has(charsetKey) {
			return true, service.Invalid(malformedRequest, []service.Violation{{Field: charsetKey, Rule: "is told by Content-Type already"}})
		}
		if err := addCharset(r, parameters["charset"]); err != nil {
			return true, err
		}
		r.Header.Set("Content-Type", tableType)
	} else {
		r.Header.Set("Content-Type", "application/json")
	}
	wantsTable := rt.givesTable() && prefersTable(r.Header.Values("Accept"))
	r.Header.Set("Accept", "application/json")
	if rt.givesTable() {
		w.Header().Set("Vary", "Accept")
	}
	if wantsTable {
		r.Header.Set("Accept", tableType)
	}
	return table, nil
}

const charsetKey = "charset"

// addCharset makes the charset of a body one of the query keys. The names are those of
// the WHATWG Encoding Standard for what is taken.
func addCharset(r *http.Request, charset string) error {
	switch strings.ToLower(charset) {
	case "", "utf-8", "utf8", "us-ascii", "ascii", "utf-16", "utf-16le", "utf-16be":
		return nil
	case "windows-1252", "cp1252", "iso-8859-1", "latin1":
		query := r.URL.Query()
		query.Set(charsetKey, "WINDOWS_1252")
		r.URL.RawQuery = query.Encode()
		return nil
	}
	return service.Invalid(malformedRequest, []service.Violation{{Field: "Content-Type",
		Rule: fmt.Sprintf("has the charset %q; utf-8, utf-16 and windows-1252 are taken", short(charset))}})
}

// prefersTable tells whether Accept ranks a table before JSON (RFC 9110, 12.5.1). Who asks
// for anything gets JSON.
func prefersTable(accept []string) bool {
	table, other := 0.0, 0.0
	for _, part := range strings.Split(strings.Join(accept, ","), ",") {
		kind, parameters, err := mime.ParseMediaType(part)
		if err != nil {
			continue
		}
		q := 1.0
		if text, given := parameters["q"]; given {
			if q, err = strconv.ParseFloat(text, 64); err != nil {
				continue
			}
		}
		switch kind {
		case tableType, "text/*":
			table = max(table, q)
		case "application/json", "application/*":
			other = max(other, q)
		}
	}
	return table > 0 && table >= other
}

// tables is the marshaler of requests and answers that are tables.
type tables struct{ *strictJSON }

// ContentType tells that of an answer.
func (*tables) ContentType(v any) string {
	if m, ok := v.(proto.Message); ok && csvField(m.ProtoReflect().Descriptor(), protoreflect.StringKind) != nil {
		return tableType + "; charset=utf-8"
	}
	return "application/json"
}

// Marshal writes the table of an answer.
func (t *tables) Marshal(v any) ([]byte, error) {
	if m, ok := v.(proto.Message); ok {
		if f := csvField(m.ProtoReflect().Descriptor(), protoreflect.StringKind); f != nil {
			return []byte(m.ProtoReflect().Get(f).String()), nil
		}
	}
	return t.strictJSON.Marshal(v)
}

// NewDecoder returns a decoder of a request whose body is a table.
func (*tables) NewDecoder(r io.Reader) runtime.Decoder {
	return runtime.DecoderFunc(func(v any) error {
		body, err := io.ReadAll(r)
		if err != nil {
			return err
		}
		m, ok := v.(proto.Message)
		sent, known := r.(*requestBody)
		if !ok || !known {
			return fmt.Errorf("a table for %T", v)
		}
		m.ProtoReflect().Set(csvField(m.ProtoReflect().Descriptor(), protoreflect.BytesKind), protoreflect.ValueOfBytes(bytes.Clone(body)))
		return runtime.PopulateQueryParameters(m, sent.query, utilities.NewDoubleArray(nil))
	})
}

// tellTable tells of an answer that is a table: that it is to be kept as a file, and
// where the next page is (RFC 6266; RFC 8288).
func tellTable(ctx context.Context, w http.ResponseWriter, answer proto.Message) error {
	m := answer.ProtoReflect()
	if csvField(m.Descriptor(), protoreflect.StringKind) == nil || !strings.HasPrefix(w.Header().Get("Content-Type"), tableType) {
		return nil
	}
	rt, at := routeOf(ctx), targetOf(ctx)
	if rt == nil || at == nil {
		return nil
	}
	what := rt.parts[len(rt.parts)-1]
	w.Header().Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", what+".csv"))
	next := m.Get(m.Descriptor().Fields().ByName("next_page_token")).String()
	if next == "" {
		return nil
	}
	query := at.Query()
	query.Set("pageToken", next)
	w.Header().Set("Link", fmt.Sprintf(`<%s?%s>; rel="next"`, at.EscapedPath(), query.Encode()))
	return nil
}

// giveWhole answers with all pages of a table, one call after another. Where a later one
// fails the connection breaks off, so that nobody takes a part for the whole.
func (g *gateway) giveWhole(w http.ResponseWriter, r *http.Request) {
	query := r.URL.Query()
	query.Set("pageSize", strconv.FormatInt(g.page.Load(), 10))
	for first := true; ; first = false {
		page := r.Clone(r.Context())
		page.URL.RawQuery = query.Encode()
		held := &tableWriter{header: http.Header{}, status: http.StatusOK}
		g.mux.ServeHTTP(held, page)
		next := ""
		if link := linkTarget.FindStringSubmatch(held.header.Get("Link")); link != nil {
			if u, err := url.Parse(link[1]); err == nil {
				next = u.Query().Get("pageToken")
			}
		}
		if first {
			held.header.Del("Link")
			if next != "" {
				held.header.Del("Content-Length")
			}
			for name, values := range held.header {
				w.Header()[name] = values
			}
			w.WriteHeader(held.status)
		} else if held.status != http.StatusOK {
			panic(http.ErrAbortHandler)
		}
		if _, err := w.Write(held.body.Bytes()); err != nil {
			g.log.InfoContext(r.Context(), "client went away", "request_id", requestID(r.Context()), "cause", err.Error())
			return
		}
		if next == "" || held.status != http.StatusOK {
			return
		}
		query.Set("pageToken", next)
	}
}

// linkTarget is what tellTable writes.
var linkTarget = regexp.MustCompile(`^<([^>]+)>; rel="next"$`)

// tableWriter keeps an answer.
type tableWriter struct {
	header http.Header
	status int
	body   bytes.Buffer
}

func (w *tableWriter) Header() http.Header            { return w.header }
func (w *tableWriter) WriteHeader(status int)         { w.status = status }
func (w *tableWriter) Write(text []byte) (int, error) { return w.body.Write(text) }

type targetKey struct{}

// targetOf returns the URL of a request.
func targetOf(ctx context.Context) *url.URL {
	u, _ := ctx.Value(targetKey{}).(*url.URL)
	return u
}
