package api

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"image"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"google.golang.org/genproto/googleapis/api/httpbody"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"
)

// pair is a golden pair: a request and its answer. testdata/rpc/README.md tells
// what the fields mean.
type pair struct {
	About  string         `json:"about"`
	As     string         `json:"as,omitempty"`
	Time   string         `json:"time,omitempty"`
	Given  []*fixtureCall `json:"given,omitempty"`
	HTTP   *httpRequest   `json:"http,omitempty"`
	GRPC   *grpcRequest   `json:"grpc,omitempty"`
	After  []*fixtureCall `json:"after,omitempty"`
	Only   []string       `json:"only,omitempty"`
	Show   []string       `json:"show,omitempty"`
	Answer *goldenAnswer  `json:"answer,omitempty"`
}

type httpRequest struct {
	Method string            `json:"method"`
	Target string            `json:"target"`
	Header map[string]string `json:"header,omitempty"`

	Body  json.RawMessage `json:"body,omitempty"`
	Text  string          `json:"text,omitempty"`
	File  string          `json:"file,omitempty"`
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
	HTTP  *httpGolden     `json:"http,omitempty"`
	GRPC  *grpcGolden     `json:"grpc,omitempty"`
	Body  json.RawMessage `json:"body,omitempty"`
	After []afterGolden   `json:"after,omitempty"`
}

type afterGolden struct {
	Status int             `json:"status"`
	Body   json.RawMessage `json:"body,omitempty"`
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
	case r.Body != nil: // on one line, so that an error tells the same place however the file is laid out
		var plain bytes.Buffer
		if err := json.Compact(&plain, r.Body); err != nil {
			t.Fatal(err)
		}
		body = plain.Bytes()
	case r.File != "":
		body = picturesOfPairs(t)[r.File]
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

// picturesOfPairs are the pictures that pairs send, by the names of their files.
func picturesOfPairs(t *testing.T) map[string][]byte {
	t.Helper()
	out := map[string][]byte{}
	for _, name := range []string{"rosette.png", "grey.png", "camera.jpg"} {
		file, err := os.ReadFile(filepath.Join("../testdata/rpc", name))
		if err != nil {
			t.Fatal(err)
		}
		out[name] = file
	}
	return out
}

// size is how much a request holds once it is unpacked, if much.
func (r *httpRequest) size() int {
	size := 0
	for _, p := range r.Parts {
		size += len(p.Text) * max(p.Times, 1)
	}
	return size
}

func unhex(t testing.TB, text string) []byte {
	t.Helper()
	b, err := hex.DecodeString(text)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// TestGolden sends every golden request through both doors, on both engines, and
// compares the answers with the golden one, and so with each other.
func TestGolden(t *testing.T) {
	t.Parallel()
	var paths []string
	err := filepath.WalkDir("../testdata/rpc", func(path string, _ fs.DirEntry, err error) error {
		if err == nil && strings.HasSuffix(path, ".json") && filepath.Base(path) != "fixture.json" {
			paths = append(paths, path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(paths) < 300 {
		t.Errorf("only %d golden pairs", len(paths))
	}
	beds := make([]*goldenBed, len(storetest.Engines()))
	for i, engine := range storetest.Engines() {
		beds[i] = newGoldenBed(t, engine)
	}
	withPair := map[string]bool{}
	for i, path := range paths {
		call := filepath.Base(filepath.Dir(path))
		withPair[call] = true
		name := call + "/" + strings.TrimSuffix(filepath.Base(path), ".json")
		on := beds
		if storetest.Race {
			on = beds[i%len(beds):][:1] // half of the pairs each: a race shows on either
		}
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			runPair(t, on, call, path)
		})
	}
	for method := range beds[0].shared.server.conn.methods {
		if call := method[strings.LastIndexByte(method, '/')+1:]; !withPair[call] {
			t.Errorf("%s has no golden pair", method)
		}
	}
}

// goldenBed is where pairs run on one engine.
type goldenBed struct {
	engine store.Engine
	shared *fixtureDoors      // of pairs that write nothing
	free   chan *fixtureDoors // of the others, each for one door of a pair at a time
}

func newGoldenBed(t *testing.T, engine store.Engine) *goldenBed {
	t.Helper()
	b := &goldenBed{engine: engine, shared: openFixture(t, engine), free: make(chan *fixtureDoors, min(runtime.GOMAXPROCS(0), 4))}
	for range cap(b.free) {
		b.free <- openFixture(t, engine)
	}
	before := b.stands(t)
	t.Cleanup(func() {
		if diff := cmp.Diff(before, b.stands(t)); diff != "" {
			t.Errorf("%s: a call that only reads, or that was refused, wrote (-before +after):\n%s", engine, diff)
		}
	})
	return b
}

// stands returns what stands in the shared database.
func (b *goldenBed) stands(t *testing.T) []any {
	t.Helper()
	var all []any
	for _, as := range []string{"manage", "other", "organiser"} {
		for _, target := range []string{
			"growers/me", "growers/me/tokens?showDeleted=true", "growers/me/calendars?showDeleted=true", "collections?showDeleted=true", "collections/-/benches?showDeleted=true&pageSize=1000",
			"collections/-/plants?showDeleted=true&pageSize=1000", "collections/-/plants/-/feedings?showDeleted=true&pageSize=1000",
			"collections/-/plants/-/observations?showDeleted=true&pageSize=1000", "collections/-/plants/-/photos?showDeleted=true&pageSize=1000",
			"societies", "societies/club/members", "societies/club/invitations?showDeleted=true", "collections/bog/grants", "collections/bog/invitations?showDeleted=true",
		} {
			if as != "organiser" && (strings.Contains(target, "/club/") || strings.Contains(target, "/bog/")) {
				continue // not theirs
			}
			answer := b.shared.ask(t, &fixtureCall{As: as, Method: http.MethodGet, Target: "/v1/" + target}, strings.NewReplacer())
			if answer.status != http.StatusOK {
				t.Errorf("%s: %s", target, answer.body)
			}
			all = append(all, parseJSON(t, answer.body))
		}
	}
	return all
}

// with runs f where a door of a pair is tried: if it writes, in a fixture that no
// other uses at the time.
func (b *goldenBed) with(t *testing.T, call string, p *pair, f func(*fixtureDoors)) {
	t.Helper()
	if !p.writes(call) {
		f(b.shared)
		return
	}
	own := <-b.free
	defer func() {
		own.ids.made.Store(0)
		if err := own.reset(); err != nil {
			t.Errorf("make the fixture again: %v", err)
		}
		b.free <- own
	}()
	f(own)
}

// writes tells whether a pair may write, or needs a clock of its own.
func (p *pair) writes(call string) bool {
	for _, given := range p.Given {
		if given.Method != http.MethodGet {
			return true
		}
	}
	if p.Time != "" {
		return true
	}
	if p.Answer != nil && p.Answer.refused() {
		return false
	}
	for method, rule := range service.Rules {
		if strings.HasSuffix(method, "/"+call) {
			return !rule.Open && !rule.Secret && rule.Scope != service.ScopeRead
		}
	}
	return false // it reaches no call
}

func (a *goldenAnswer) refused() bool {
	return a.HTTP != nil && a.HTTP.Status >= 400 || a.HTTP == nil && a.GRPC != nil && a.GRPC.Code != "OK"
}

func runPair(t *testing.T, beds []*goldenBed, call, path string) {
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var p pair
	decoder := json.NewDecoder(bytes.NewReader(text))
	decoder.DisallowUnknownFields()
	if err := decoder.Decode(&p); err != nil {
		t.Fatal(err)
	}
	if p.About == "" || p.HTTP == nil && p.GRPC == nil {
		t.Fatal("a pair needs about, and http or grpc")
	}
	if p.HTTP != nil && p.HTTP.size() > 1<<20 {
		beds = beds[:1] // what it shows comes before the database, and takes long
	}
	for _, b := range beds {
		t.Run(string(b.engine), func(t *testing.T) {
			got := b.answer(t, call, &p)
			same := p.Answer != nil && cmp.Equal(p.Answer.HTTP, got.HTTP, cmpopts.EquateEmpty()) && cmp.Equal(p.Answer.GRPC, got.GRPC) &&
				cmp.Equal(plainBody(t, p.Answer.Body), plainBody(t, got.Body)) && cmp.Equal(plainAfter(t, p.Answer.After), plainAfter(t, got.After))
			switch {
			case same:
			case *update && b == beds[0]:
				p.Answer = got
				writePair(t, path, &p)
			case p.Answer == nil:
				t.Error("there is no answer yet: run with -update and read it")
			default:
				t.Errorf("answer differs (-golden +got):\n%s%s%s%s", cmp.Diff(p.Answer.HTTP, got.HTTP), cmp.Diff(p.Answer.GRPC, got.GRPC),
					cmp.Diff(plainBody(t, p.Answer.Body), plainBody(t, got.Body)), cmp.Diff(plainAfter(t, p.Answer.After), plainAfter(t, got.After)))
			}
		})
	}
}

func writePair(t *testing.T, path string, p *pair) {
	t.Helper()
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
}

// answer returns what both doors answer, which must be the same.
func (b *goldenBed) answer(t *testing.T, call string, p *pair) *goldenAnswer {
	t.Helper()
	got, other := &goldenAnswer{}, &goldenAnswer{}
	if p.HTTP != nil {
		b.with(t, call, p, func(d *fixtureDoors) {
			filled := d.begin(t, p)
			got.HTTP, got.Body = viaHTTP(t, d.doors, p, filled)
			got.After = d.end(t, p, filled)
		})
	}
	if p.GRPC == nil {
		return got
	}
	b.with(t, call, p, func(d *fixtureDoors) {
		filled := d.begin(t, p)
		got.GRPC, other.Body = viaGRPC(t, d.doors, p, filled)
		other.After = d.end(t, p, filled)
	})
	if p.HTTP == nil {
		got.Body, got.After = other.Body, other.After
		return got
	}
	if diff := cmp.Diff(plainBody(t, got.Body), plainBody(t, other.Body)); diff != "" && p.HTTP.Method != http.MethodHead && got.HTTP.Status != http.StatusNotModified {
		t.Errorf("the doors differ (-http +grpc):\n%s", diff)
	}
	if diff := cmp.Diff(plainAfter(t, got.After), plainAfter(t, other.After)); diff != "" {
		t.Errorf("what stands after the calls differs (-http +grpc):\n%s", diff)
	}
	return got
}

// begin makes the calls before the request, and returns what the last of them that
// tell it fill in: the token of the next page, the secret of a new token, and the entity
// tag.
func (d *fixtureDoors) begin(t *testing.T, p *pair) *strings.Replacer {
	t.Helper()
	told := map[string]string{}
	for name, file := range picturesOfPairs(t) {
		told["("+name+")"] = base64.StdEncoding.EncodeToString(file)
	}
	filled := replacer(told)
	for _, c := range p.Given {
		if c.Method == "RENDER" {
			d.render(t, c)
			continue
		}
		var answer httpAnswer
		for range max(c.Times, 1) {
			answer = d.ask(t, c, filled)
			if failed := answer.status >= 300; failed != c.Fails {
				t.Fatalf("%s %s: status %d: %s", c.Method, c.Target, answer.status, answer.body)
			}
		}
		var object struct{ NextPageToken, Secret string }
		if json.Unmarshal(answer.body, &object) == nil {
			if object.NextPageToken != "" {
				told["(token)"] = object.NextPageToken
			}
			if object.Secret != "" {
				told["(secret)"] = object.Secret
			}
		}
		if tag := answer.header.Get("ETag"); tag != "" {
			told["(etag)"] = tag
		}
		filled = replacer(told)
	}
	if err := d.clock.set(p.Time); err != nil {
		t.Fatal(err)
	}
	return filled
}

func replacer(told map[string]string) *strings.Replacer {
	var pairs []string
	for name, value := range told {
		pairs = append(pairs, name, value)
	}
	return strings.NewReplacer(pairs...)
}

// render makes the renditions of a photo, which its job does for a server that works.
func (d *fixtureDoors) render(t *testing.T, c *fixtureCall) {
	t.Helper()
	var m struct{ Sha256 string }
	asked := d.ask(t, &fixtureCall{Time: c.Time, As: c.As, Method: http.MethodGet, Target: c.Target}, strings.NewReplacer())
	if err := json.Unmarshal(asked.body, &m); err != nil || m.Sha256 == "" {
		t.Fatalf("RENDER %s: status %d: %s", c.Target, asked.status, asked.body)
	}
	job := store.Job{Collection: store.Segment(strings.TrimPrefix(c.Target, "/v1/"), "collections"), Args: m.Sha256}
	if err := d.server.photos.MakeRenditions(t.Context(), job); err != nil {
		t.Fatal(err)
	}
}

// end asks what stands after the request.
func (d *fixtureDoors) end(t *testing.T, p *pair, filled *strings.Replacer) []afterGolden {
	t.Helper()
	var all []afterGolden
	for _, c := range p.After {
		if c.Method != http.MethodGet {
			t.Fatal("after the request there is GET only")
		}
		answer := d.ask(t, c, filled)
		all = append(all, afterGolden{answer.status, tidy(t, answer.body, c.Only)})
	}
	return all
}

func plainAfter(t *testing.T, all []afterGolden) []any {
	t.Helper()
	var out []any
	for _, a := range all {
		out = append(out, a.Status, plainBody(t, a.Body))
	}
	return out
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

func viaHTTP(t *testing.T, d *doors, p *pair, filled *strings.Replacer) (*httpGolden, json.RawMessage) {
	t.Helper()
	body := p.HTTP.body(t)
	if p.HTTP.Body != nil {
		body = []byte(filled.Replace(string(body)))
	}
	answer := d.sendRaw(t, p.HTTP.Method, filled.Replace(p.HTTP.Target), headerOf(t, p.As, p.HTTP.Header, filled), body)
	golden := &httpGolden{Status: answer.status, Header: map[string]string{}}
	for _, name := range slices.Concat(shownHeaders, p.Show) {
		if v := answer.header.Get(name); v != "" {
			golden.Header[name] = v
		}
	}
	if len(golden.Header) == 0 {
		golden.Header = nil // as it is read back
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
	if answer.status == http.StatusNotModified {
		if len(answer.body) > 0 {
			t.Errorf("304 has a body: %q", answer.body)
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
	return golden, tidy(t, shown(t, answer.header.Get("Content-Type"), answer.body), p.Only)
}

// shown returns a calendar as a list of its lines, with folded ones as they are, of a
// picture what its header says, or of a part of one how long it is; and what is JSON as it
// is.
func shown(t *testing.T, kind string, body []byte) []byte {
	t.Helper()
	if strings.HasPrefix(kind, "image/") {
		head, format, err := image.DecodeConfig(bytes.NewReader(body))
		if err != nil {
			return fmt.Appendf(nil, `{"bytes": %d}`, len(body))
		}
		return fmt.Appendf(nil, `{"picture": %q, "widthPx": %d, "heightPx": %d}`, format, head.Width, head.Height)
	}
	if !strings.HasPrefix(kind, service.CalendarType) {
		return body
	}
	var text bytes.Buffer
	encoder := json.NewEncoder(&text)
	encoder.SetEscapeHTML(false)
	if err := encoder.Encode(strings.Split(string(body), "\r\n")); err != nil {
		t.Fatal(err)
	}
	return text.Bytes()
}

func viaGRPC(t *testing.T, d *doors, p *pair, filled *strings.Replacer) (*grpcGolden, json.RawMessage) {
	t.Helper()
	output, message := grpcMessage(t, p, filled)
	ctx := context.Background()
	for _, h := range headerOf(t, p.As, p.GRPC.Header, filled) {
		if h[1] != "" {
			ctx = metadata.AppendToOutgoingContext(ctx, h[0], h[1])
		}
	}
	bare := *d
	if b, ok := d.conn.(*bearing); ok {
		bare.conn = b.ClientConnInterface // it would add its own token
	}
	raw, header, err := bare.callRaw(ctx, p.GRPC.Method, message)
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
		return &grpcGolden{"OK"}, tidy(t, shown(t, page.GetContentType(), page.GetData()), p.Only)
	}
	return &grpcGolden{"OK"}, tidy(t, messageJSON(t, output), p.Only)
}

// grpcMessage returns the bytes to send, and where to put the answer. The
// message is that of the HTTP body, if the pair gives no other.
func grpcMessage(t *testing.T, p *pair, filled *strings.Replacer) (output proto.Message, message []byte) {
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
		text := []byte(filled.Replace(string(p.GRPC.Message)))
		if len(text) == 0 {
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
	body = tokenSecret.ReplaceAll(body, []byte(`$1"(secret)"`))
	body = calendarSecret.ReplaceAll(body, []byte("(secret)"))
	body = erasedCode.ReplaceAll(body, []byte("growers/(code)"))
	if bytes.HasPrefix(body, []byte("<!DOCTYPE html>")) { // a page is shown line by line
		lines, err := json.Marshal(strings.Split(strings.TrimSuffix(string(body), "\n"), "\n"))
		if err != nil {
			t.Fatal(err)
		}
		return lines
	}
	if only == nil {
		var plain bytes.Buffer
		if err := json.Compact(&plain, body); err != nil {
			t.Fatalf("%v in %.300q", err, body)
		}
		return plain.Bytes()
	}
	text, err := json.Marshal(keep(parseJSON(t, body), append(only, "error")))
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// keep leaves of an answer what the paths name, such as plants.tag; a path goes
// through lists. What is not there is not missed.
func keep(v any, paths []string) any {
	switch v := v.(type) {
	case []any:
		out := make([]any, len(v))
		for i := range v {
			out[i] = keep(v[i], paths)
		}
		return out
	case map[string]any:
		below := map[string][]string{}
		for _, path := range paths {
			key, rest, _ := strings.Cut(path, ".")
			below[key] = append(below[key], rest)
		}
		out := map[string]any{}
		for key, rest := range below {
			if value, has := v[key]; !has {
				continue
			} else if slices.Contains(rest, "") {
				out[key] = value
			} else {
				out[key] = keep(value, rest)
			}
		}
		return out
	}
	return v
}

var (
	pageToken        = regexp.MustCompile(`("nextPageToken":\s*)"[A-Za-z0-9_-]+"`)
	erasedCode       = regexp.MustCompile(`growers/erased-[0-9a-f]{32}`)
	tokenSecret      = regexp.MustCompile(`("secret":\s*)"dwb_[A-Za-z0-9_-]{43}"`)
	calendarSecret   = regexp.MustCompile(`dwb(?:cal|inv)_[A-Za-z0-9_-]{43}`)
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
		if d["reason"] == string(internalError) {
			t.Errorf("a defect: %.300s", body)
		}
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
