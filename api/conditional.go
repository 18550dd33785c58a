package api

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"mime"
	"net/http"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"dewbench/service"
)

// Conditional requests (RFC 9110, section 13). A resource may have an etag of its
// own, which covers what users set. Its answer has more: what the server computes.
// So the ETag of an answer has two parts, "<etag of the resource>.<hash of the
// body>": the whole tells whether an answer is still the same (If-None-Match), the
// part before the dot whether the resource is (If-Match).
//
// Answers go out as they are, uncompressed, so that a strong ETag is right. What
// compresses them on the way makes it a weak one, as 8.8.3.3 has it: that still
// does for If-None-Match, and never for If-Match.

// entityTag is an entity-tag (8.8.3), without its quotes.
type entityTag struct {
	opaque string
	weak   bool
}

// entityTags are the value of If-Match or If-None-Match; nil: there is none.
type entityTags struct {
	any  bool // *
	tags []entityTag
}

// readTags reads a header that is "*" or a list of entity-tags.
func readTags(header http.Header, name string) (*entityTags, error) {
	lines := header.Values(name)
	if len(lines) == 0 {
		return nil, nil
	}
	malformed := service.Invalid(malformedRequest, []service.Violation{{Field: name,
		Rule: `must be "*" without quotes, or etags in double quotes, joined by commas`}})
	var found entityTags
	rest := strings.Join(lines, ",")
	if strings.Trim(rest, " \t") == "*" {
		return &entityTags{any: true}, nil
	}
	for {
		// Empty elements count for nothing (5.6.1.2).
		if rest = strings.TrimLeft(rest, " \t,"); rest == "" {
			break
		}
		marked, weak := strings.CutPrefix(rest, "W/")
		quoted, opened := strings.CutPrefix(marked, `"`)
		opaque, after, closed := strings.Cut(quoted, `"`)
		if rest = strings.TrimLeft(after, " \t"); !opened || !closed || !isOpaque(opaque) || rest != "" && rest[0] != ',' {
			return nil, malformed
		}
		found.tags = append(found.tags, entityTag{opaque, weak})
	}
	if len(found.tags) == 0 {
		return nil, malformed
	}
	return &found, nil
}

// isOpaque tells whether text can stand in an entity-tag.
func isOpaque(text string) bool {
	for i := range len(text) {
		if c := text[i]; c < 0x21 || c == '"' || c == 0x7f {
			return false
		}
	}
	return true
}

// contain tells whether one of the tags is the given one.
func (t *entityTags) contain(opaque string, alsoWeak bool) bool {
	return t.any || slices.ContainsFunc(t.tags, func(tag entityTag) bool { return tag.opaque == opaque && (alsoWeak || !tag.weak) })
}

// resourceEtags returns the etags of resources that the tags stand for. Weak ones
// stand for none.
func (t *entityTags) resourceEtags() []string {
	if t.any {
		return []string{"*"}
	}
	var etags []string
	for _, tag := range t.tags {
		if tag.weak {
			continue
		}
		etags = append(etags, `"`+tag.opaque+`"`)
		if dot := strings.LastIndexByte(tag.opaque, '.'); dot > 0 {
			etags = append(etags, `"`+tag.opaque[:dot]+`"`)
		}
	}
	return etags
}

// takesIfMatch tells whether a call that writes compares etags: its request has
// one, or the resource that it updates.
func (rt *route) takesIfMatch() bool {
	holder := rt.call.Input()
	if rt.method == http.MethodPatch {
		if resource := holder.Fields().ByName(protoreflect.Name(rt.body)); resource != nil && resource.Message() != nil {
			holder = resource.Message()
		}
	}
	return etagField(holder) != nil
}

func etagField(in protoreflect.MessageDescriptor) protoreflect.FieldDescriptor {
	if field := in.Fields().ByName("etag"); field != nil && field.Kind() == protoreflect.StringKind && !field.IsList() {
		return field
	}
	return nil
}

// conditions reads the conditions of a request. Those of one that writes go with
// the context, those of one that reads are for its answer.
func (rt *route) conditions(r *http.Request) (ctx context.Context, ifMatch, ifNoneMatch *entityTags, err error) {
	if ifMatch, err = readTags(r.Header, "If-Match"); err != nil {
		return nil, nil, nil, err
	}
	if ifNoneMatch, err = readTags(r.Header, "If-None-Match"); err != nil {
		return nil, nil, nil, err
	}
	ctx = r.Context()
	refuse := func(header, rule string) error {
		return service.Invalid(malformedRequest, []service.Violation{{Field: header, Rule: rule}})
	}
	switch {
	case rt.method == http.MethodGet:
	case ifNoneMatch != nil:
		return nil, nil, nil, refuse("If-None-Match", "goes with GET and HEAD only")
	case ifMatch != nil && !rt.takesIfMatch():
		return nil, nil, nil, refuse("If-Match", "does not go with this call, which compares no etag")
	case ifMatch != nil:
		ctx = service.WithIfMatch(ctx, ifMatch.resourceEtags()...)
	}
	return ctx, ifMatch, ifNoneMatch, nil
}

// conditionalWriter holds back an answer to a GET that is JSON, a calendar or a strip until
// it is whole, to give it its ETag, or to leave it out. Other answers go through.
type conditionalWriter struct {
	http.ResponseWriter
	ifMatch, ifNoneMatch *entityTags
	etag                 string // of the resource that is answered, without quotes; "": it has none
	status               int    // 0: nothing was written yet
	held                 bool
	body                 bytes.Buffer
}

// WriteHeader begins the answer.
func (w *conditionalWriter) WriteHeader(status int) {
	if w.status != 0 {
		return
	}
	w.status = status
	kind, _, err := mime.ParseMediaType(w.Header().Get("Content-Type"))
	if w.held = status == http.StatusOK && err == nil && (kind == "application/json" || kind == service.CalendarType || kind == service.StripType); !w.held {
		w.ResponseWriter.WriteHeader(status)
	}
}

// Write takes a part of the body.
func (w *conditionalWriter) Write(part []byte) (int, error) {
	w.WriteHeader(http.StatusOK)
	if w.held {
		return w.body.Write(part)
	}
	return w.ResponseWriter.Write(part)
}

// finish ends the answer. It tells whether If-Match fails: then nothing is
// written yet.
func (w *conditionalWriter) finish() (mismatch bool, err error) {
	if !w.held {
		return false, nil
	}
	tag := answerTag(w.etag, w.body.Bytes())
	if w.ifMatch != nil && !w.ifMatch.contain(tag, false) && (w.etag == "" || !w.ifMatch.contain(w.etag, false)) {
		return true, nil
	}
	w.Header().Set("ETag", `"`+tag+`"`)
	if w.ifNoneMatch != nil && w.ifNoneMatch.contain(tag, true) {
		w.Header().Del("Content-Type")
		w.Header().Del("Content-Length")
		w.ResponseWriter.WriteHeader(http.StatusNotModified)
		return false, nil
	}
	w.ResponseWriter.WriteHeader(http.StatusOK)
	if _, err := w.ResponseWriter.Write(w.body.Bytes()); err != nil {
		return false, fmt.Errorf("write answer: %w", err)
	}
	return false, nil
}

// answerTag returns the ETag of an answer, without quotes.
func answerTag(etag string, body []byte) string {
	sum := sha256.Sum256(body)
	hash := base64.RawURLEncoding.EncodeToString(sum[:12])
	if etag == "" {
		return hash
	}
	return etag + "." + hash
}

// keepEtag notes the etag of the resource that is about to be answered.
func keepEtag(_ context.Context, w http.ResponseWriter, answer proto.Message) error {
	held, ok := w.(*conditionalWriter)
	if !ok {
		return nil
	}
	m := answer.ProtoReflect()
	if field := etagField(m.Descriptor()); field != nil {
		if etag := strings.Trim(m.Get(field).String(), `"`); isOpaque(etag) {
			held.etag = etag
		}
	}
	return nil
}

// keepPrivate tells caches of a calendar or a strip what they may do with it (RFC 9111,
// section 5.2.2): only that of who asked keeps it, a calendar for five minutes, and a strip
// as long as it is still the same.
func keepPrivate(_ context.Context, w http.ResponseWriter, _ proto.Message) error {
	if strings.HasPrefix(w.Header().Get("Content-Type"), service.CalendarType) {
		w.Header().Set("Cache-Control", "private, max-age=300")
	}
	if w.Header().Get("Content-Type") == service.StripType {
		w.Header().Set("Cache-Control", "private, no-cache")
	}
	return nil
}
