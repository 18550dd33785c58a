package api

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/net/http2"
	"golang.org/x/net/http2/hpack"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/encoding"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"
)

// hasty serves with little patience.
func hasty(t *testing.T, waits waiting) (grpcAddr, httpAddr string) {
	t.Helper()
	rows := storetest.New(t, store.SQLite)
	if err := addGrower(t.Context(), rows, "grower-a", testSecret, service.Scopes...); err != nil {
		t.Fatal(err)
	}
	s, err := newServerThatWaits(t.Context(), service.Config{Store: rows, Blobs: storetest.Blobs(t), Log: slog.New(slog.DiscardHandler), Version: "1.2.3"}, waits)
	if err != nil {
		t.Fatal(err)
	}
	one, two := listen(t), listen(t)
	ctx, cancel := context.WithCancel(context.Background())
	served := make(chan error, 1)
	go func() { served <- s.Serve(ctx, one, two) }()
	t.Cleanup(func() {
		cancel()
		if err := <-served; err != nil {
			t.Error(err)
		}
	})
	return one.Addr().String(), two.Addr().String()
}

// drip sends text a byte at a time for as long as the server takes it, and returns what it
// answered before it hung up.
func drip(t *testing.T, address, first, text string) string {
	t.Helper()
	conn, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	var sending sync.WaitGroup
	sending.Go(func() {
		if _, err := io.WriteString(conn, first); err != nil {
			return
		}
		pace := time.NewTicker(2 * time.Millisecond) // the caller's; the test waits for the server to hang up
		defer pace.Stop()
		for i := range text {
			if _, err := io.WriteString(conn, text[i:i+1]); err != nil {
				return
			}
			<-pace.C
		}
	})
	answer, err := io.ReadAll(conn)
	if err != nil && !errors.Is(err, net.ErrClosed) && !strings.Contains(err.Error(), "reset") {
		t.Errorf("%v", err)
	}
	conn.Close()
	sending.Wait()
	return string(answer)
}

// Who sends headers or a body byte by byte is hung up on, however long it goes on.
func TestSlowCallersOverHTTP(t *testing.T) {
	waits := usualWaits
	waits.header, waits.body = 50*time.Millisecond, 100*time.Millisecond
	_, address := hasty(t, waits)
	endless := strings.Repeat("a", 1<<20)
	if answer := drip(t, address, "GET /healthz HTTP/1.1\r\nHost: x\r\nX-Slow: ", endless); strings.Contains(answer, "200 OK") {
		t.Errorf("headers: %.300s", answer)
	}
	head := "POST /v1/dueFeedings:compute HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer " + testSecret + "\r\n"
	for name, more := range map[string]string{
		"body":         fmt.Sprintf("Content-Length: %d\r\n\r\n{\"", len(endless)),
		"chunked body": fmt.Sprintf("Transfer-Encoding: chunked\r\n\r\n%x\r\n{\"", len(endless)),
	} {
		answer := drip(t, address, head+more, endless)
		if !strings.HasPrefix(answer, "HTTP/1.1 400 ") || !strings.Contains(answer, "MALFORMED_REQUEST") {
			t.Errorf("%s: %.300s", name, answer)
		}
	}
	// A caller who is no slower than allowed is answered.
	r, err := http.Get("http://" + address + "/healthz")
	if err != nil {
		t.Fatal(err)
	}
	r.Body.Close()
	if r.StatusCode != http.StatusOK {
		t.Errorf("status %d", r.StatusCode)
	}
}

// A gRPC call whose message does not come ends, and so does a connection that says
// nothing.
func TestSlowCallersOverGRPC(t *testing.T) {
	waits := usualWaits
	waits.greeting, waits.stream = 50*time.Millisecond, 50*time.Millisecond
	address, _ := hasty(t, waits)
	drip(t, address, http2.ClientPreface[:10], "") // until it is hung up on
	conn, err := grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	ctx := metadata.AppendToOutgoingContext(t.Context(), "authorization", "Bearer "+testSecret)
	s, err := conn.NewStream(ctx, &grpc.StreamDesc{ClientStreams: true}, pb.DueService_ComputeDue_FullMethodName)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.RecvMsg(&pb.ComputeDueResponse{}); status.Code(err) != codes.DeadlineExceeded {
		t.Errorf("%v", err)
	}
}

// bomb returns gzip that inflates to a body of many bytes, and how many it has itself.
func bomb(t *testing.T, inflated int) []byte {
	t.Helper()
	var out bytes.Buffer
	w, err := gzip.NewWriterLevel(&out, gzip.BestCompression)
	if err != nil {
		t.Fatal(err)
	}
	some := bytes.Repeat([]byte(" "), 1<<20)
	for range inflated >> 20 {
		if _, err := w.Write(some); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// allocated returns how many bytes were allocated meanwhile by all the process.
func allocated(do func()) uint64 {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	do()
	runtime.ReadMemStats(&after)
	return after.TotalAlloc - before.TotalAlloc
}

// Gzip that inflates to far more than the limit is refused once it is over the limit,
// also as many members or gzip within gzip, and takes no more memory than a body of the
// limit does.
func TestGzipBombs(t *testing.T) {
	d := open(t, slog.DiscardHandler)
	huge := bomb(t, 1<<28)
	member := bomb(t, 1<<20)
	const path = "/v1/dueFeedings:compute"
	// io.ReadAll grows by a quarter, so that it allocates about six times what it returns.
	const most = 10 * service.MaxRequestBytes
	for name, c := range map[string]struct {
		encoding string
		body     []byte
		status   int
		reason   string
	}{
		"one":                {"gzip", huge, http.StatusRequestEntityTooLarge, "REQUEST_TOO_LARGE"},
		"many members":       {"gzip", bytes.Repeat(member, 2000), http.StatusRequestEntityTooLarge, "REQUEST_TOO_LARGE"},
		"many empty members": {"gzip", bytes.Repeat(bomb(t, 0), 1<<19), http.StatusOK, ""}, // an empty body
		"gzip within gzip":   {"gzip", zipped(t, huge), http.StatusBadRequest, "MALFORMED_REQUEST"},
		"said to be so":      {"gzip, gzip", zipped(t, huge), http.StatusBadRequest, "MALFORMED_REQUEST"},
		"by another name":    {"x-gzip", huge, http.StatusBadRequest, "MALFORMED_REQUEST"},
	} {
		t.Run(name, func(t *testing.T) {
			var a httpAnswer
			used := allocated(func() {
				a = d.sendRaw(t, http.MethodPost, path, [][2]string{{"Content-Encoding", c.encoding}}, c.body)
			})
			if c.reason == "" {
				if a.status == http.StatusRequestEntityTooLarge || a.status >= 500 {
					t.Errorf("status %d: %.300s", a.status, a.body)
				}
			} else if !bytes.Contains(a.body, []byte(`"`+c.reason+`"`)) || a.status != c.status {
				t.Errorf("status %d: %.300s", a.status, a.body)
			}
			if used > most {
				t.Errorf("%d MiB allocated", used>>20)
			}
		})
	}
}

func zipped(t *testing.T, text []byte) []byte {
	t.Helper()
	var out bytes.Buffer
	w := gzip.NewWriter(&out)
	if _, err := w.Write(text); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// Over gRPC the server takes no compressed messages, so there is nothing to inflate.
func TestGzipOverGRPC(t *testing.T) {
	d := open(t, slog.DiscardHandler)
	if encoding.GetCompressor("gzip") != nil {
		t.Fatal("something has registered gzip: then the limit of messages is all that holds against bombs")
	}
	frame := bomb(t, 1<<28)
	conn := dialHTTP2(t, d.grpcAddr)
	conn.headers(t, 1, false, "grpc-encoding", "gzip", "authorization", "Bearer "+d.token)
	length := len(frame)
	message := append([]byte{1, byte(length >> 24), byte(length >> 16), byte(length >> 8), byte(length)}, frame...)
	used := allocated(func() {
		conn.data(t, 1, message[:16<<10])
		if got := conn.trailer(t, 1)["grpc-status"]; got != fmt.Sprint(int(codes.Unimplemented)) {
			t.Errorf("status %s", got)
		}
	})
	if used > 10<<20 {
		t.Errorf("%d MiB allocated", used>>20)
	}
}

// http2Conn is a connection that sends what frames it is told to.
type http2Conn struct {
	net.Conn
	framer  *http2.Framer
	encoded bytes.Buffer
	encoder *hpack.Encoder
}

func dialHTTP2(t *testing.T, address string) *http2Conn {
	t.Helper()
	conn, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	if _, err := io.WriteString(conn, http2.ClientPreface); err != nil {
		t.Fatal(err)
	}
	c := &http2Conn{Conn: conn, framer: http2.NewFramer(conn, bufio.NewReader(conn))}
	c.framer.ReadMetaHeaders = hpack.NewDecoder(4096, nil)
	c.encoder = hpack.NewEncoder(&c.encoded)
	if err := c.framer.WriteSettings(); err != nil {
		t.Fatal(err)
	}
	return c
}

// headers begins a call of ComputeDue.
func (c *http2Conn) headers(t *testing.T, stream uint32, end bool, more ...string) {
	t.Helper()
	c.encoded.Reset()
	fields := append([]string{
		":method", "POST", ":scheme", "http", ":path", pb.DueService_ComputeDue_FullMethodName, ":authority", "x",
		"content-type", "application/grpc", "te", "trailers",
	}, more...)
	for i := 0; i < len(fields); i += 2 {
		if err := c.encoder.WriteField(hpack.HeaderField{Name: fields[i], Value: fields[i+1]}); err != nil {
			t.Fatal(err)
		}
	}
	block := bytes.Clone(c.encoded.Bytes())
	first := block[:min(len(block), 16<<10)]
	block = block[len(first):]
	err := c.framer.WriteHeaders(http2.HeadersFrameParam{StreamID: stream, BlockFragment: first, EndStream: end, EndHeaders: len(block) == 0})
	for err == nil && len(block) > 0 {
		next := block[:min(len(block), 16<<10)]
		block = block[len(next):]
		err = c.framer.WriteContinuation(stream, len(block) == 0, next)
	}
	if err != nil && !errors.Is(err, net.ErrClosed) && !strings.Contains(err.Error(), "reset") && !strings.Contains(err.Error(), "pipe") {
		t.Fatal(err)
	}
}

func (c *http2Conn) data(t *testing.T, stream uint32, data []byte) {
	t.Helper()
	if err := c.framer.WriteData(stream, false, data); err != nil {
		t.Fatal(err)
	}
}

// trailer reads on to the end of a call and returns its last headers; nil if there is
// none, as the stream was reset or the connection closed.
func (c *http2Conn) trailer(t *testing.T, stream uint32) map[string]string {
	t.Helper()
	for {
		frame, err := c.framer.ReadFrame()
		if err != nil {
			return nil
		}
		switch f := frame.(type) {
		case *http2.MetaHeadersFrame:
			if f.StreamID == stream && f.StreamEnded() {
				found := map[string]string{}
				for _, field := range f.Fields {
					found[field.Name] = field.Value
				}
				return found
			}
		case *http2.RSTStreamFrame:
			if f.StreamID == stream {
				return nil
			}
		}
	}
}

// Headers beyond 64 KiB are refused over both doors, before any call.
func TestGiantHeaders(t *testing.T) {
	d := open(t, slog.DiscardHandler)
	giant := strings.Repeat("a", 1<<20)
	if a := d.sendRaw(t, http.MethodGet, "/healthz", [][2]string{{"X-Giant", giant}}, nil); a.status != http.StatusRequestHeaderFieldsTooLarge {
		t.Errorf("over HTTP: %d", a.status)
	}
	c := dialHTTP2(t, d.grpcAddr)
	c.headers(t, 1, true, "x-giant", giant)
	if got := c.trailer(t, 1); got["grpc-status"] == "0" {
		t.Errorf("over gRPC: %v", got)
	}
	ctx := metadata.AppendToOutgoingContext(t.Context(), "x-large", strings.Repeat("a", 32<<10))
	if _, err := pb.NewServerServiceClient(d.conn).GetHealth(ctx, &pb.GetHealthRequest{}); err != nil {
		t.Errorf("half of it: %v", err)
	}
}

// Who begins calls and resets them at once, many times over (CVE-2023-44487), does not
// make the server work on more than it takes at once, and others are answered meanwhile.
func TestRapidReset(t *testing.T) {
	const calls = 20_000
	var under, most atomic.Int64
	d := failing(t, time.Minute, func(ctx context.Context) error {
		if n := under.Add(1); n > most.Load() {
			most.Store(n)
		}
		<-ctx.Done()
		under.Add(-1)
		return ctx.Err()
	})
	c := dialHTTP2(t, d.grpcAddr)
	var reading sync.WaitGroup
	reading.Go(func() { // or the server would wait for us
		for {
			if _, err := c.framer.ReadFrame(); err != nil {
				return
			}
		}
	})
	empty := make([]byte, 5) // a message without fields
	for i := range calls {
		stream := uint32(2*i + 1)
		c.headers(t, stream, false)
		if err := errors.Join(c.framer.WriteData(stream, true, empty), c.framer.WriteRSTStream(stream, http2.ErrCodeCancel)); err != nil {
			break // hung up on: as good
		}
	}
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Millisecond)
	defer cancel()
	_, err := pb.NewDueServiceClient(d.conn).ComputeDue(ctx, &pb.ComputeDueRequest{AsOfDate: "2026-05-11"})
	if code := status.Code(err); code != codes.DeadlineExceeded && code != codes.Unavailable {
		t.Errorf("another: %v", err)
	}
	c.Close()
	reading.Wait()
	if most.Load() > mostCalls {
		t.Errorf("%d calls at once", most.Load())
	}
}

// What is in memory of bodies is bounded: who comes when too much is held is told to come
// again, and what is not needed any more is given free.
func TestBodiesInMemory(t *testing.T) {
	d := open(t, slog.DiscardHandler)
	g := d.server.gateway
	post := func() httpAnswer {
		return d.sendRaw(t, http.MethodPost, "/v1/dueFeedings:compute", nil, []byte(`{"asOfDate":"2026-05-11"}`))
	}
	if a := post(); a.status != http.StatusOK || g.held.Load() != 0 {
		t.Fatalf("status %d, %d bytes are held", a.status, g.held.Load())
	}
	g.held.Add(mostHeld - 10)
	a := post()
	if e, _ := parseJSON(t, a.body).(map[string]any)["error"].(map[string]any); a.status != http.StatusServiceUnavailable || errorReason(e) != "TOO_BUSY" {
		t.Errorf("status %d: %s", a.status, a.body)
	}
	if got := g.held.Load(); got != mostHeld-10 {
		t.Errorf("%d bytes are held", got)
	}
	if a := d.sendRaw(t, http.MethodGet, "/healthz", nil, nil); a.status != http.StatusOK {
		t.Errorf("without a body: %d", a.status)
	}
	g.held.Add(-mostHeld + 10)
	if a := post(); a.status != http.StatusOK {
		t.Errorf("status %d", a.status)
	}
	for _, broken := range []string{`{`, `{"asOfDate":1}`, `x`} {
		d.sendRaw(t, http.MethodPost, "/v1/dueFeedings:compute", nil, []byte(broken))
	}
	if got := g.held.Load(); got != 0 {
		t.Errorf("%d bytes are held", got)
	}
}

// A call that takes no body does not read one, however long.
func TestBodyThatIsNotTaken(t *testing.T) {
	d := open(t, slog.DiscardHandler)
	used := allocated(func() {
		a := d.sendRaw(t, http.MethodGet, "/healthz", nil, bytes.Repeat([]byte(" "), 4<<20))
		if a.status != http.StatusBadRequest || !bytes.Contains(a.body, []byte("takes no body")) {
			t.Errorf("status %d: %s", a.status, a.body)
		}
	})
	if used > 12<<20 { // the test's own bytes among them
		t.Errorf("%d MiB allocated", used>>20)
	}
}
