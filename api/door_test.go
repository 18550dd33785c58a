package api

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"

	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
)

var update = flag.Bool("update", false, "rewrite the answers of the golden pairs")

func TestMain(m *testing.M) {
	flag.Parse()
	storetest.Main(m, func() error {
		// Whatever a test began has ended by now. (The engine of fuzzing keeps
		// goroutines of its own.)
		if flag.Lookup("test.fuzz").Value.String() != "" {
			return nil
		}
		closeSharedIssuer()
		http.DefaultClient.CloseIdleConnections()
		return goleak.Find()
	})
}

// doors is a server with both doors open on the loopback interface.
type doors struct {
	server   *Server
	httpAddr string
	grpcAddr string
	store    *store.Store
	blobs    *store.Blobs
	token    string                   // may do all that its grower may
	grower   string                   // its id
	conn     grpc.ClientConnInterface // to the gRPC door, with the token
	client   *http.Client             // sends the token
	log      *logBook
	stop     func() error // ends Serve and returns its error; safe to call twice
}

func (d *doors) url(path string) string { return "http://" + d.httpAddr + path }

// open serves a fresh SQLite database with one grower until the test ends. Without a
// handler, the log goes to doors.log.
func open(t testing.TB, handlers ...slog.Handler) *doors {
	t.Helper()
	return openStore(t, storetest.New(t, store.SQLite), service.Config{}, handlers...)
}

// testSecret is the token of the grower that tests call as.
const testSecret = "dwb_AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"

// addGrower adds a grower with a token.
func addGrower(ctx context.Context, s *store.Store, id, secret string, scopes ...string) error {
	return s.Write(ctx, func(tx *store.Tx) error {
		g := tx.Grower(id)
		if _, err := g.Create("Test grower", 1); err != nil {
			return err
		}
		_, err := g.CreateToken(&pb.Token{Name: store.TokenName(id, "all"), DisplayName: "all", Scopes: scopes}, service.HashSecret(secret), 1)
		return err
	})
}

// openStore serves a database until the test ends. If it has not the grower of the
// tests yet, it gets one.
func openStore(t testing.TB, s *store.Store, config service.Config, handlers ...slog.Handler) *doors {
	t.Helper()
	d := &doors{log: &logBook{}, store: s, token: testSecret, grower: "grower-a"}
	err := addGrower(t.Context(), s, d.grower, testSecret, service.Scopes...)
	if err != nil && !errors.Is(err, store.ErrExists) {
		t.Fatal(err)
	}
	var handler slog.Handler = slog.NewJSONHandler(d.log, &slog.HandlerOptions{Level: slog.LevelDebug})
	if len(handlers) > 0 {
		handler = handlers[0]
	}
	if config.Blobs == nil {
		config.Blobs = storetest.Blobs(t)
	}
	d.blobs = config.Blobs
	config.Store, config.Log, config.Version = s, slog.New(handler), cmp.Or(config.Version, "1.2.3")
	server, err := New(t.Context(), config)
	if err != nil {
		t.Fatal(err)
	}
	d.server = server
	grpcListener, httpListener := listen(t), listen(t)
	d.grpcAddr, d.httpAddr = grpcListener.Addr().String(), httpListener.Addr().String()

	ctx, cancel := context.WithCancel(context.Background())
	served := make(chan error, 1)
	go func() { served <- server.Serve(ctx, grpcListener, httpListener) }()
	d.client = &http.Client{Transport: &tokenSender{http.Transport{DisableCompression: true}, d.token}}
	conn, err := grpc.NewClient(d.grpcAddr, grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(64<<20)))
	if err != nil {
		t.Fatal(err)
	}
	d.conn = WithToken(conn, d.token)
	d.stop = sync.OnceValue(func() error {
		cancel()
		err := <-served
		d.client.CloseIdleConnections()
		return errors.Join(err, conn.Close())
	})
	t.Cleanup(func() {
		if err := d.stop(); err != nil {
			t.Errorf("stop: %v", err)
		}
	})
	return d
}

// tokenSender sends a token with each request that has none.
type tokenSender struct {
	http.Transport
	token string
}

func (s *tokenSender) RoundTrip(r *http.Request) (*http.Response, error) {
	if _, has := r.Header["Authorization"]; !has {
		r = r.Clone(r.Context())
		r.Header.Set("Authorization", "Bearer "+s.token)
	}
	return s.Transport.RoundTrip(r)
}

func listen(t testing.TB) net.Listener {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// logBook keeps what is logged, a line of JSON for each record.
type logBook struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (l *logBook) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(p)
}

func (l *logBook) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

// of returns the records of a request.
func (l *logBook) of(t testing.TB, requestID string) []map[string]any {
	t.Helper()
	var found []map[string]any
	for line := range strings.Lines(l.String()) {
		var record map[string]any
		if err := json.Unmarshal([]byte(line), &record); err != nil {
			t.Fatalf("log line %q: %v", line, err)
		}
		if record["request_id"] == requestID {
			found = append(found, record)
		}
	}
	return found
}

// httpAnswer is what came back through the HTTP door.
type httpAnswer struct {
	status int
	header http.Header
	body   []byte
}

// sendRaw sends a request as it stands, byte by byte, so that no client cleans
// it up. The answer may come before all is sent: then the rest does not matter.
func (d *doors) sendRaw(t testing.TB, method, target string, header [][2]string, body []byte) httpAnswer {
	t.Helper()
	conn, err := net.Dial("tcp", d.httpAddr)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	var head bytes.Buffer
	fmt.Fprintf(&head, "%s %s HTTP/1.1\r\nHost: %s\r\nConnection: close\r\n", method, target, d.httpAddr)
	if !slices.ContainsFunc(header, func(h [2]string) bool { return strings.EqualFold(h[0], "Authorization") }) {
		header = append(slices.Clone(header), [2]string{"Authorization", "Bearer " + d.token})
	}
	for _, h := range header {
		if h[1] == "" {
			continue // not to be sent
		}
		fmt.Fprintf(&head, "%s: %s\r\n", h[0], h[1])
	}
	if len(body) > 0 || method == http.MethodPost {
		fmt.Fprintf(&head, "Content-Length: %d\r\n", len(body))
	}
	head.WriteString("\r\n")

	sent := make(chan error, 1)
	go func() {
		_, err := conn.Write(append(head.Bytes(), body...))
		sent <- err
	}()
	answer, err := http.ReadResponse(bufio.NewReader(conn), &http.Request{Method: method})
	if err != nil {
		t.Fatalf("%s %s: %v (sent: %v)", method, target, err, <-sent)
	}
	defer answer.Body.Close()
	out := httpAnswer{status: answer.StatusCode, header: answer.Header}
	if out.body, err = io.ReadAll(answer.Body); err != nil {
		t.Fatalf("%s %s: %v", method, target, err)
	}
	conn.Close()
	if err := <-sent; err != nil && answer.StatusCode < 400 {
		t.Fatalf("%s %s: %v", method, target, err)
	}
	return out
}

// post computes what is due over HTTP.
func (d *doors) post(t testing.TB, path string, body []byte) (int, []byte) {
	t.Helper()
	answer, err := d.client.Post(d.url(path), "application/json", bytes.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	got, err := io.ReadAll(answer.Body)
	if err != nil {
		t.Fatal(err)
	}
	return answer.StatusCode, got
}

// rawCodec passes bytes as they are.
type rawCodec struct{}

func (rawCodec) Marshal(v any) ([]byte, error) { return *v.(*[]byte), nil }

func (rawCodec) Unmarshal(data []byte, v any) error {
	*v.(*[]byte) = slices.Clone(data)
	return nil
}

func (rawCodec) Name() string { return "proto" }

// callRaw sends bytes as the message of a gRPC call.
func (d *doors) callRaw(ctx context.Context, method string, message []byte) ([]byte, metadata.MD, error) {
	var answer []byte
	var header, trailer metadata.MD
	err := d.conn.Invoke(ctx, method, &message, &answer, grpc.ForceCodec(rawCodec{}), grpc.Header(&header), grpc.Trailer(&trailer))
	return answer, metadata.Join(header, trailer), err
}

var answerJSON = protojson.MarshalOptions{EmitDefaultValues: true}

// messageJSON writes a message as the HTTP door does.
func messageJSON(t testing.TB, m proto.Message) []byte {
	t.Helper()
	text, err := answerJSON.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// statusJSON writes the status of a gRPC call as the HTTP door does, but for the
// HTTP status.
func statusJSON(t testing.TB, err error) map[string]any {
	t.Helper()
	s, ok := status.FromError(err)
	if !ok {
		t.Fatalf("no status: %v", err)
	}
	details := []any{}
	for _, d := range s.Proto().GetDetails() {
		text, err := protojson.Marshal(d)
		if err != nil {
			t.Fatal(err)
		}
		details = append(details, parseJSON(t, text))
	}
	return map[string]any{"error": map[string]any{"status": codeName(s.Code()), "message": s.Message(), "details": details}}
}

// parseJSON reads JSON into plain values.
func parseJSON(t testing.TB, text []byte) any {
	t.Helper()
	var v any
	if err := json.Unmarshal(text, &v); err != nil {
		t.Fatalf("%v in %.300q", err, text)
	}
	return v
}
