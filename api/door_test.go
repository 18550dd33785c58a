package api

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"

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
	code := m.Run()
	// Whatever a test began has ended by now. (The engine of fuzzing keeps
	// goroutines of its own.)
	if fuzzing := flag.Lookup("test.fuzz"); code == 0 && fuzzing.Value.String() == "" {
		http.DefaultClient.CloseIdleConnections()
		if err := goleak.Find(); err != nil {
			fmt.Fprintln(os.Stderr, err)
			code = 1
		}
	}
	os.Exit(code)
}

// doors is a server with both doors open on the loopback interface.
type doors struct {
	server   *Server
	httpAddr string
	grpcAddr string
	conn     *grpc.ClientConn
	client   *http.Client
	log      *logBook
	stop     func() error // ends Serve and returns its error; safe to call twice
}

func (d *doors) url(path string) string { return "http://" + d.httpAddr + path }

// open serves until the test ends. Without a handler, the log goes to doors.log.
func open(t testing.TB, handlers ...slog.Handler) *doors {
	t.Helper()
	d := &doors{log: &logBook{}}
	var handler slog.Handler = slog.NewJSONHandler(d.log, &slog.HandlerOptions{Level: slog.LevelDebug})
	if len(handlers) > 0 {
		handler = handlers[0]
	}
	server, err := New(slog.New(handler), "1.2.3")
	if err != nil {
		t.Fatal(err)
	}
	d.server = server
	grpcListener, httpListener := listen(t), listen(t)
	d.grpcAddr, d.httpAddr = grpcListener.Addr().String(), httpListener.Addr().String()

	ctx, cancel := context.WithCancel(context.Background())
	served := make(chan error, 1)
	go func() { served <- server.Serve(ctx, grpcListener, httpListener) }()
	d.client = &http.Client{Transport: &http.Transport{DisableCompression: true}}
	d.conn, err = grpc.NewClient(d.grpcAddr, grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(64<<20)))
	if err != nil {
		t.Fatal(err)
	}
	d.stop = sync.OnceValue(func() error {
		cancel()
		err := <-served
		d.client.CloseIdleConnections()
		return errors.Join(err, d.conn.Close())
	})
	t.Cleanup(func() {
		if err := d.stop(); err != nil {
			t.Errorf("stop: %v", err)
		}
	})
	return d
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
	for _, h := range header {
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
