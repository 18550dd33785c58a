package api

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/hex"
	"encoding/json"
	"io/fs"
	"maps"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/genproto/googleapis/api/httpbody"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	"dewbench/service"
)

// pair is a golden pair: a request and its answer. testdata/rpc/README.md tells
// what the fields mean.
type pair struct {
	About  string        `json:"about"`
	HTTP   *httpRequest  `json:"http,omitempty"`
	GRPC   *grpcRequest  `json:"grpc,omitempty"`
	Only   []string      `json:"only,omitempty"`
	Answer *goldenAnswer `json:"answer,omitempty"`
}

type httpRequest struct {
	Method string            `json:"method"`
	Target string            `json:"target"`
	Header map[string]string `json:"header,omitempty"`

	Body  json.RawMessage `json:"body,omitempty"`
	Text  string          `json:"text,omitempty"`
	Parts []part          `json:"parts,omitempty"`
	Hex   string          `json:"hex,omitempty"`
	Gzip  bool            `json:"gzip,omitempty"`
}

type grpcRequest struct {
	Method string            `json:"method"`
	Header map[string]string `json:"header,omitempty"`

	Message json.RawMessage `json:"message,omitempty"`
	Hex     *string         `json:"hex,omitempty"`
}

// part is a text that stands in a body many times.
type part struct {
	Text  string `json:"text"`
	Times int    `json:"times"`
}

type goldenAnswer struct {
	HTTP *httpGolden     `json:"http,omitempty"`
	GRPC *grpcGolden     `json:"grpc,omitempty"`
	Body json.RawMessage `json:"body,omitempty"`
}

type httpGolden struct {
	Status int               `json:"status"`
	Header map[string]string `json:"header,omitempty"`
}

type grpcGolden struct {
	Code string `json:"code"`
}

// shownHeaders are the headers that a golden answer shows where they are set.
var shownHeaders = []string{"Allow", "Content-Type"}

func (r *httpRequest) body(t *testing.T) []byte {
	t.Helper()
	body := []byte(r.Text)
	switch {
	case r.Body != nil:
		body = r.Body
	case r.Hex != "":
		body = unhex(t, r.Hex)
	}
	for _, p := range r.Parts {
		body = append(body, strings.Repeat(p.Text, max(p.Times, 1))...)
	}
	if r.Gzip {
		var packed bytes.Buffer
		w := gzip.NewWriter(&packed)
		if _, err := w.Write(body); err != nil {
			t.Fatal(err)
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		body = packed.Bytes()
	}
	return body
}

func unhex(t testing.TB, text string) []byte {
	t.Helper()
	b, err := hex.DecodeString(text)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// TestGolden sends every golden request through both doors and compares the
// answers with the golden one, and so with each other.
func TestGolden(t *testing.T) {
	d := open(t)
	var paths []string
	err := filepath.WalkDir("../testdata/rpc", func(path string, _ fs.DirEntry, err error) error {
		if err == nil && strings.HasSuffix(path, ".json") {
			paths = append(paths, path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(paths) < 90 {
		t.Fatalf("only %d golden pairs", len(paths))
	}
	withPair := map[string]bool{}
	for _, path := range paths {
		call := filepath.Base(filepath.Dir(path))
		withPair[call] = true
		name := call + "/" + strings.TrimSuffix(filepath.Base(path), ".json")
		t.Run(name, func(t *testing.T) {
			text, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			runPair(t, d, path, text)
		})
	}
	for method := range d.server.conn.methods {
		if call := method[strings.LastIndexByte(method, '/')+1:]; !withPair[call] {
			t.Errorf("%s has no golden pair", method)
		}
	}
}

func runPair(t *testing.T, d *doors, path string, text []byte) {
	var p pair
	decoder := json.NewDecoder(bytes.NewReader(text))
	decoder.DisallowUnknownFields()
	if err := decoder.Decode(&p); err != nil {
		t.Fatal(err)
	}
	if p.About == "" || p.HTTP == nil && p.GRPC == nil {
		t.Fatal("a pair needs about, and http or grpc")
	}
	got := &goldenAnswer{}
	if p.HTTP != nil {
		got.HTTP, got.Body = viaHTTP(t, d, &p)
	}
	if p.GRPC != nil {
		golden, body := viaGRPC(t, d, &p)
		if got.GRPC = golden; got.Body == nil {
			got.Body = body
		} else if diff := cmp.Diff(plainBody(t, got.Body), plainBody(t, body)); diff != "" && p.HTTP.Method != http.MethodHead {
			t.Errorf("the doors differ (-http +grpc):\n%s", diff)
		}
	}
	same := p.Answer != nil && cmp.Equal(p.Answer.HTTP, got.HTTP) && cmp.Equal(p.Answer.GRPC, got.GRPC) &&
		cmp.Equal(plainBody(t, p.Answer.Body), plainBody(t, got.Body))
	switch {
	case same:
	case *update:
		p.Answer = got
		var out bytes.Buffer
		encoder := json.NewEncoder(&out)
		encoder.SetEscapeHTML(false)
		encoder.SetIndent("", "  ")
		if err := encoder.Encode(p); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, out.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	case p.Answer == nil:
		t.Error("there is no answer yet: run with -update and read it")
	default:
		t.Errorf("answer differs (-golden +got):\n%s%s%s", cmp.Diff(p.Answer.HTTP, got.HTTP), cmp.Diff(p.Answer.GRPC, got.GRPC),
			cmp.Diff(plainBody(t, p.Answer.Body), plainBody(t, got.Body)))
	}
}

// plainBody reads a body without the HTTP status, which only one door tells.
func plainBody(t *testing.T, body json.RawMessage) any {
	t.Helper()
	if len(body) == 0 {
		return nil
	}
	v := parseJSON(t, body)
	if object, ok := v.(map[string]any); ok {
		if e, ok := object["error"].(map[string]any); ok {
			delete(e, "code")
		}
	}
	return v
}

// exampleID is the request id of all golden requests that bring none themselves.
const exampleID = "example"

func viaHTTP(t *testing.T, d *doors, p *pair) (*httpGolden, json.RawMessage) {
	t.Helper()
	header := [][2]string{{"X-Request-Id", exampleID}}
	for _, k := range slices.Sorted(maps.Keys(p.HTTP.Header)) {
		header = append(header, [2]string{k, p.HTTP.Header[k]})
	}
	answer := d.sendRaw(t, p.HTTP.Method, p.HTTP.Target, header, p.HTTP.body(t))
	golden := &httpGolden{Status: answer.status, Header: map[string]string{}}
	for _, name := range shownHeaders {
		if v := answer.header.Get(name); v != "" {
			golden.Header[name] = v
		}
	}
	if id := answer.header.Get("X-Request-Id"); id != exampleID {
		t.Errorf("X-Request-Id %q", id)
	}
	if answer.header.Get("X-Content-Type-Options") != "nosniff" {
		t.Error("X-Content-Type-Options is not nosniff")
	}
	if p.HTTP.Method == http.MethodHead {
		if len(answer.body) > 0 {
			t.Errorf("HEAD has a body: %q", answer.body)
		}
		return golden, nil
	}
	if answer.status >= 400 {
		var body struct {
			Error struct{ Code int }
		}
		if err := json.Unmarshal(answer.body, &body); err != nil || body.Error.Code != answer.status {
			t.Errorf("the body says status %d, the head %d; %v", body.Error.Code, answer.status, err)
		}
		checkError(t, answer.body)
	}
	return golden, tidy(t, answer.body, p.Only)
}

func viaGRPC(t *testing.T, d *doors, p *pair) (*grpcGolden, json.RawMessage) {
	t.Helper()
	output, message := grpcMessage(t, p)
	pairs := []string{requestIDHeader, exampleID}
	for k, v := range p.GRPC.Header {
		pairs = append(pairs, k, v)
	}
	ctx := metadata.AppendToOutgoingContext(context.Background(), pairs...)
	raw, header, err := d.callRaw(ctx, p.GRPC.Method, message)
	if ids := header.Get(requestIDHeader); !slices.Equal(ids, []string{exampleID}) {
		t.Errorf("%s %q", requestIDHeader, ids)
	}
	if err != nil {
		body, marshalErr := json.Marshal(statusJSON(t, err))
		if marshalErr != nil {
			t.Fatal(marshalErr)
		}
		checkError(t, body)
		code, _ := parseJSON(t, body).(map[string]any)["error"].(map[string]any)["status"].(string)
		return &grpcGolden{code}, tidy(t, body, p.Only)
	}
	if err := proto.Unmarshal(raw, output); err != nil {
		t.Fatal(err)
	}
	if page, ok := output.(*httpbody.HttpBody); ok {
		return &grpcGolden{"OK"}, tidy(t, page.GetData(), p.Only)
	}
	return &grpcGolden{"OK"}, tidy(t, messageJSON(t, output), p.Only)
}

// grpcMessage returns the bytes to send, and where to put the answer. The
// message is that of the HTTP body, if the pair gives no other.
func grpcMessage(t *testing.T, p *pair) (output proto.Message, message []byte) {
	t.Helper()
	name := protoreflect.FullName(strings.ReplaceAll(strings.TrimPrefix(p.GRPC.Method, "/"), "/", "."))
	if p.GRPC.Hex != nil {
		message = unhex(t, *p.GRPC.Hex)
	}
	found, err := protoregistry.GlobalFiles.FindDescriptorByName(name)
	if err != nil {
		return nil, message // an unknown method
	}
	call := found.(protoreflect.MethodDescriptor)
	newMessage := func(d protoreflect.MessageDescriptor) proto.Message {
		kind, err := protoregistry.GlobalTypes.FindMessageByName(d.FullName())
		if err != nil {
			t.Fatal(err)
		}
		return kind.New().Interface()
	}
	if p.GRPC.Hex == nil {
		text := []byte(p.GRPC.Message)
		if text == nil {
			text = p.HTTP.body(t)
		}
		input := newMessage(call.Input())
		if err := protojson.Unmarshal(text, input); err != nil {
			t.Fatalf("message: %v", err)
		}
		if message, err = proto.Marshal(input); err != nil {
			t.Fatal(err)
		}
	}
	return newMessage(call.Output()), message
}

// tidy leaves of a body what is the same each time.
func tidy(t *testing.T, body []byte, only []string) json.RawMessage {
	t.Helper()
	if len(body) == 0 {
		return nil
	}
	body = bytes.ReplaceAll(body, []byte("\u00a0"), []byte(" "))
	body = pageToken.ReplaceAll(body, []byte(`$1"(token)"`))
	body = catalogueVersion.ReplaceAll(body, []byte(`$1"(version)"`))
	if only == nil {
		var plain bytes.Buffer
		if err := json.Compact(&plain, body); err != nil {
			t.Fatalf("%v in %.300q", err, body)
		}
		return plain.Bytes()
	}
	var all map[string]json.RawMessage
	if err := json.Unmarshal(body, &all); err != nil {
		t.Fatal(err)
	}
	maps.DeleteFunc(all, func(key string, _ json.RawMessage) bool { return !slices.Contains(only, key) })
	text, err := json.Marshal(all)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

var (
	pageToken        = regexp.MustCompile(`("nextPageToken":\s*)"[A-Za-z0-9_-]+"`)
	catalogueVersion = regexp.MustCompile(`("catalogueVersion":\s*)"[^"]+"`)
)

// innerWords are what a client never reads: names of our code, of libraries and
// of the machine.
var innerWords = regexp.MustCompile(`(?i)goroutine|panic|runtime error|\.go:[0-9]|nil pointer|interface conversion|rpc error|protovalidate|` +
	`cel\.|buf\.validate|protobuf:|grpc:|strconv|json:|/go/|\bproto:|http2|0x[0-9a-f]{6}`)

// checkError tells whether an error is one that clients can work with.
func checkError(t *testing.T, body []byte) {
	t.Helper()
	if len(body) > 1<<20 {
		t.Errorf("an error of %d bytes: %.300s", len(body), body)
		return
	}
	var answer struct {
		Error struct {
			Status, Message string
			Details         []map[string]any
		}
	}
	if err := json.Unmarshal(body, &answer); err != nil {
		t.Errorf("%v in %.300q", err, body)
		return
	}
	if answer.Error.Message == "" || answer.Error.Status == "" {
		t.Errorf("no message or status: %.300s", body)
	}
	infos := 0
	for _, d := range answer.Error.Details {
		if d["@type"] != "type.googleapis.com/google.rpc.ErrorInfo" {
			continue
		}
		infos++
		reason, _ := d["reason"].(string)
		k, known := table[service.Reason(reason)]
		if d["domain"] != "dewbench" || !known {
			t.Errorf("domain %v, reason %q", d["domain"], reason)
		}
		if known && codeName(k.code) != answer.Error.Status {
			t.Errorf("reason %s has status %s, the table says %s", reason, answer.Error.Status, codeName(k.code))
		}
	}
	if infos != 1 {
		t.Errorf("%d ErrorInfo: %.300s", infos, body)
	}
	if found := innerWords.Find(body); found != nil {
		t.Errorf("%q is for the log, not for clients: %.300s", found, body)
	}
}
