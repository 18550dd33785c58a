package api

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	reflectionpb "google.golang.org/grpc/reflection/grpc_reflection_v1"
	"google.golang.org/grpc/status"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"
)

// gate is a log that holds the calls of some request ids at their end, until it
// is opened. So a test knows that they are under way.
type gate struct {
	slog.Handler
	arrived map[string]chan struct{} // by request id
	open    chan struct{}
}

func newGate(ids ...string) *gate {
	g := &gate{Handler: slog.DiscardHandler, arrived: map[string]chan struct{}{}, open: make(chan struct{})}
	for _, id := range ids {
		g.arrived[id] = make(chan struct{})
	}
	return g
}

func (*gate) Enabled(context.Context, slog.Level) bool { return true }

func (g *gate) Handle(_ context.Context, r slog.Record) error {
	r.Attrs(func(a slog.Attr) bool {
		arrived, held := g.arrived[a.Value.String()]
		if a.Key != "request_id" || !held {
			return true
		}
		close(arrived)
		<-g.open
		return false
	})
	return nil
}

func TestStopLetsCallsFinish(t *testing.T) {
	g := newGate("slow-http", "slow-grpc")
	d := open(t, g)

	overHTTP, overGRPC := make(chan error, 1), make(chan error, 1)
	go func() {
		req, err := http.NewRequestWithContext(context.Background(), http.MethodGet, d.url("/v1/serverInfo"), nil)
		if err != nil {
			overHTTP <- err
			return
		}
		req.Header.Set("X-Request-Id", "slow-http")
		answer, err := d.client.Do(req)
		if err != nil {
			overHTTP <- err
			return
		}
		defer answer.Body.Close()
		body, err := io.ReadAll(answer.Body)
		if err == nil && (answer.StatusCode != http.StatusOK || !strings.Contains(string(body), "maxComputePlants")) {
			err = errors.New(answer.Status)
		}
		overHTTP <- err
	}()
	go func() {
		ctx := metadata.AppendToOutgoingContext(context.Background(), requestIDHeader, "slow-grpc")
		_, err := pb.NewServerServiceClient(d.conn).GetServerInfo(ctx, &pb.GetServerInfoRequest{})
		overGRPC <- err
	}()
	<-g.arrived["slow-http"]
	<-g.arrived["slow-grpc"]

	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	watch, err := healthpb.NewHealthClient(d.conn).Watch(ctx, &healthpb.HealthCheckRequest{})
	if err != nil {
		t.Fatal(err)
	}
	next := func() healthpb.HealthCheckResponse_ServingStatus {
		answer, err := watch.Recv()
		if err != nil {
			t.Fatal(err)
		}
		return answer.GetStatus()
	}
	if got := next(); got != healthpb.HealthCheckResponse_SERVING {
		t.Errorf("health %s", got)
	}

	stopped := make(chan error, 1)
	go func() { stopped <- d.stop() }()
	if got := next(); got != healthpb.HealthCheckResponse_NOT_SERVING {
		t.Errorf("health %s", got)
	}
	cancel() // a stream under way would be waited for
	_, err = pb.NewServerServiceClient(d.server.Conn()).GetHealth(context.Background(), &pb.GetHealthRequest{})
	if s := status.Convert(err); s.Code() != codes.Unavailable || reasonOf(s) != "SHUTTING_DOWN" {
		t.Errorf("%v", err)
	}
	w := httptest.NewRecorder()
	d.server.gateway.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/healthz", nil))
	if w.Code != http.StatusServiceUnavailable {
		t.Errorf("status %d", w.Code)
	}
	checkError(t, w.Body.Bytes())
	select {
	case err := <-stopped:
		t.Fatalf("it stopped with calls under way: %v", err)
	default:
	}

	close(g.open)
	if err := <-overHTTP; err != nil {
		t.Errorf("over HTTP: %v", err)
	}
	if err := <-overGRPC; err != nil {
		t.Errorf("over gRPC: %v", err)
	}
	if err := <-stopped; err != nil {
		t.Errorf("stop: %v", err)
	}
	for _, address := range []string{d.httpAddr, d.grpcAddr} {
		if conn, err := net.Dial("tcp", address); err == nil {
			conn.Close()
			t.Errorf("%s is open still", address)
		}
	}
}

// newServer returns a server that nothing listens for, before a fresh database with
// the grower of the tests.
func newServer(t testing.TB) *Server {
	t.Helper()
	rows := storetest.New(t, store.SQLite)
	if err := addGrower(t.Context(), rows, "grower-a", testSecret, service.Scopes...); err != nil {
		t.Fatal(err)
	}
	s, err := New(t.Context(), service.Config{Store: rows, Blobs: storetest.Blobs(t), Log: slog.New(slog.DiscardHandler), Version: "1.2.3"})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// within returns a connection to a server in the same process that bears the token of
// the tests.
func within(s *Server) grpc.ClientConnInterface { return WithToken(s.Conn(), testSecret) }

// A server that is stopped before it began ends at once and closes both doors.
func TestStopBeforeStart(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	one, two := listen(t), listen(t)
	if err := newServer(t).Serve(ctx, one, two); err != nil {
		t.Error(err)
	}
	for _, l := range []net.Listener{one, two} {
		if conn, err := l.Accept(); err == nil {
			conn.Close()
			t.Errorf("%s is open still", l.Addr())
		}
	}
}

// If one door breaks, the other closes, and the error names the broken one.
func TestBrokenDoor(t *testing.T) {
	for broken, name := range []string{"gRPC", "HTTP"} {
		doors := []net.Listener{listen(t), listen(t)}
		if err := doors[broken].Close(); err != nil {
			t.Fatal(err)
		}
		err := newServer(t).Serve(context.Background(), doors[0], doors[1])
		if err == nil || !strings.HasPrefix(err.Error(), name+" on 127.0.0.1:") || !errors.Is(err, net.ErrClosed) {
			t.Errorf("%s: %v", name, err)
		}
		if conn, err := doors[1-broken].Accept(); err == nil {
			conn.Close()
			t.Errorf("%s is open still", doors[1-broken].Addr())
		}
	}
}

// The standard services answer as their own contracts say.
func TestStandardServices(t *testing.T) {
	d := open(t)
	health := healthpb.NewHealthClient(d.conn)
	answer, err := health.Check(context.Background(), &healthpb.HealthCheckRequest{})
	if err != nil || answer.GetStatus() != healthpb.HealthCheckResponse_SERVING {
		t.Errorf("%v, %v", answer, err)
	}
	// "If the service name is not registered, the server returns a NOT_FOUND."
	if _, err := health.Check(context.Background(), &healthpb.HealthCheckRequest{Service: "no.such.Service"}); status.Code(err) != codes.NotFound {
		t.Errorf("%v", err)
	}
	if strings.Contains(d.log.String(), "call failed") {
		t.Errorf("a question for an unknown service is no defect: %s", d.log)
	}

	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	stream, err := reflectionpb.NewServerReflectionClient(d.conn).ServerReflectionInfo(ctx)
	if err != nil {
		t.Fatal(err)
	}
	ask := &reflectionpb.ServerReflectionRequest{MessageRequest: &reflectionpb.ServerReflectionRequest_ListServices{}}
	if err := stream.Send(ask); err != nil {
		t.Fatal(err)
	}
	listed, err := stream.Recv()
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, s := range listed.GetListServicesResponse().GetService() {
		names = append(names, s.GetName())
	}
	for _, want := range []string{"dewbench.v1.DueService", "dewbench.v1.ServerService", "dewbench.v1.TaxonService", "grpc.health.v1.Health"} {
		if !slices.Contains(names, want) {
			t.Errorf("%s is not among %v", want, names)
		}
	}
	// A client can read the whole contract.
	ask = &reflectionpb.ServerReflectionRequest{MessageRequest: &reflectionpb.ServerReflectionRequest_FileContainingSymbol{
		FileContainingSymbol: "dewbench.v1.DueService.ComputeDue"}}
	if err := stream.Send(ask); err != nil {
		t.Fatal(err)
	}
	if file, err := stream.Recv(); err != nil || len(file.GetFileDescriptorResponse().GetFileDescriptorProto()) == 0 {
		t.Errorf("%v, %v", file, err)
	}
}

// A client that watches the server's health does not hold up its stop: the server
// ends the stream itself. (A stream that is cut off with the connection ends as
// UNAVAILABLE.)
func TestStopEndsWatching(t *testing.T) {
	d := open(t)
	watch, err := healthpb.NewHealthClient(d.conn).Watch(context.Background(), &healthpb.HealthCheckRequest{})
	if err != nil {
		t.Fatal(err)
	}
	if answer, err := watch.Recv(); err != nil || answer.GetStatus() != healthpb.HealthCheckResponse_SERVING {
		t.Fatalf("%v, %v", answer, err)
	}
	ended := make(chan error, 1)
	go func() {
		for {
			if _, err := watch.Recv(); err != nil {
				ended <- err
				return
			}
		}
	}()
	if err := d.stop(); err != nil {
		t.Error(err)
	}
	if err := <-ended; status.Code(err) != codes.Canceled {
		t.Errorf("the watch ended with %v", err)
	}
}
