package api

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"net/http"
	"strings"

	"dewbench/service"
)

// withBody tells the call which fields the body of a PATCH has, those with null too:
// they are what changes if no mask is given.
func withBody(ctx context.Context, body []byte) context.Context {
	var object map[string]json.RawMessage
	if json.Unmarshal(body, &object) != nil {
		return ctx // the call says what is wrong with it
	}
	fields := make([]string, 0, len(object))
	for name := range object {
		fields = append(fields, name)
	}
	return service.WithBodyFields(ctx, fields)
}

// conditions hands the conditions of a request (RFC 9110, section 13) to the call.
func conditions(r *http.Request, body []byte) (*http.Request, error) {
	ctx := r.Context()
	if r.Method == http.MethodPatch {
		ctx = withBody(ctx, body)
	}
	if header := r.Header.Values("If-Match"); len(header) > 0 && r.Method != http.MethodGet {
		var err error
		if ctx, err = service.WithIfMatch(ctx, strings.Join(header, ", ")); err != nil {
			return nil, err
		}
	}
	return r.WithContext(ctx), nil
}

// tagged holds back the answer to a GET until its entity tag is known.
type tagged struct {
	http.ResponseWriter
	status int
	body   bytes.Buffer
}

func (t *tagged) WriteHeader(status int) { t.status = status }

func (t *tagged) Write(b []byte) (int, error) { return t.body.Write(b) }

// finish writes the answer with its entity tag: the resource's own etag, if it has
// one, a dot, and a digest of the body, which also tells what changes without a
// change of the resource. If the client has that answer already, it gets 304.
func (t *tagged) finish(ifNoneMatch string) error {
	if t.status == 0 {
		t.status = http.StatusOK
	}
	if t.status == http.StatusOK {
		tag := entityTag(t.body.Bytes())
		t.Header().Set("ETag", tag)
		if ifNoneMatch != "" && service.IfNoneMatch(ifNoneMatch, tag) {
			t.Header().Del("Content-Length")
			t.Header().Del("Content-Type")
			t.ResponseWriter.WriteHeader(http.StatusNotModified)
			return nil
		}
	}
	t.ResponseWriter.WriteHeader(t.status)
	_, err := t.ResponseWriter.Write(t.body.Bytes())
	return err
}

func entityTag(body []byte) string {
	sum := sha256.Sum256(body)
	digest := base64.RawURLEncoding.EncodeToString(sum[:12])
	var resource struct {
		Etag string `json:"etag"`
	}
	if json.Unmarshal(body, &resource) == nil && len(resource.Etag) > 2 && strings.HasPrefix(resource.Etag, `"`) {
		return strings.TrimSuffix(resource.Etag, `"`) + "." + digest + `"`
	}
	return `"` + digest + `"`
}
