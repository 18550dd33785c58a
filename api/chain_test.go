package api

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"buf.build/go/protovalidate"
	"github.com/google/go-cmp/cmp"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/emptypb"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
)

// secret stands for what only the log may hold.
const secret = "host=db.internal password=hunter2"

// fails makes calls of ComputeDue end as the test wants.
type fails struct {
	pb.UnimplementedDueServiceServer
	how func(context.Context) error
}

func (f fails) ComputeDue(ctx context.Context, _ *pb.ComputeDueRequest) (*pb.ComputeDueResponse, error) {
	return nil, f.how(ctx)
}

func panics(context.Context) error { panic(secret) }

// stopsAtDeadline waits for the end of the call, as a long computation does.
func stopsAtDeadline(ctx context.Context) error {
	<-ctx.Done()
	return fmt.Errorf("%s: %w", secret, ctx.Err())
}

// admitAll lets everybody in.
func admitAll(ctx context.Context, _ string, _ []string) (context.Context, error) { return ctx, nil }

// failing opens both doors before a service that fails, with calls no longer
// than longest.
func failing(t *testing.T, longest time.Duration, how func(context.Context) error) *doors {
	t.Helper()
	d := &doors{log: &logBook{}}
	log := slog.New(slog.NewJSONHandler(d.log, nil))
	validator, err := protovalidate.New()
	if err != nil {
		t.Fatal(err)
	}
	unary, guard, stream := chain(t.Context(), log, validator, admitAll, longest, nil)
	conn := &inProcess{chain: unary, guard: guard, methods: map[string]inProcessMethod{}}
	desc := &pb.DueService_ServiceDesc
	conn.register(desc, fails{how: how})
	gateway, err := newGateway(conn, log)
	if err != nil {
		t.Fatal(err)
	}
	web := httptest.NewServer(gateway)
	d.httpAddr, d.client = web.Listener.Addr().String(), web.Client()

	server := grpc.NewServer(grpc.UnaryInterceptor(unary), grpc.StreamInterceptor(stream), grpc.UnknownServiceHandler(refuseUnknown))
	server.RegisterService(desc, fails{how: how})
	server.RegisterService(&grpc.ServiceDesc{ServiceName: "test.Streams", Streams: []grpc.StreamDesc{{
		StreamName: "Fail", ServerStreams: true, ClientStreams: true,
		Handler: func(_ any, s grpc.ServerStream) error { return how(s.Context()) },
	}}}, nil)
	listener := listen(t)
	d.grpcAddr = listener.Addr().String()
	served := make(chan error, 1)
	go func() { served <- server.Serve(listener) }()
	client, err := grpc.NewClient(d.grpcAddr, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	d.conn = client
	t.Cleanup(func() {
		web.Close()
		server.Stop()
		if err := errors.Join(client.Close(), <-served); err != nil && !errors.Is(err, net.ErrClosed) {
			t.Error(err)
		}
	})
	return d
}

const askToday = `{"asOfDate":"2026-05-11"}`

// viaBoth makes the same failing call through both doors and as a stream, each
// with a request id of its own, and returns the errors as JSON.
func (d *doors) viaBoth(t *testing.T) map[string]map[string]any {
	t.Helper()
	answers := map[string]map[string]any{}
	answer := d.sendRaw(t, "POST", "/v1/dueFeedings:compute", [][2]string{{"X-Request-Id", "over-http"}}, []byte(askToday))
	checkErrorOf(t, answer.body)
	answers["over-http"], _ = parseJSON(t, answer.body).(map[string]any)["error"].(map[string]any)

	with := func(id string) context.Context {
		return metadata.AppendToOutgoingContext(context.Background(), requestIDHeader, id)
	}
	_, err := pb.NewDueServiceClient(d.conn).ComputeDue(with("over-grpc"), &pb.ComputeDueRequest{AsOfDate: "2026-05-11"})
	answers["over-grpc"], _ = statusJSON(t, err)["error"].(map[string]any)
	return answers
}

func (d *doors) viaStream(t *testing.T, id string) error {
	t.Helper()
	ctx, cancel := context.WithCancel(metadata.AppendToOutgoingContext(context.Background(), requestIDHeader, id))
	defer cancel()
	s, err := d.conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true, ClientStreams: true}, "/test.Streams/Fail")
	if err != nil {
		t.Fatal(err)
	}
	return s.RecvMsg(&emptypb.Empty{})
}

// errorReason returns the reason of an error as JSON.
func errorReason(e map[string]any) string {
	details, _ := e["details"].([]any)
	for _, d := range details {
		if info, ok := d.(map[string]any); ok && info["domain"] == errorDomain {
			reason, _ := info["reason"].(string)
			return reason
		}
	}
	return ""
}

func TestDefectsShowInTheLogOnly(t *testing.T) {
	for name, how := range map[string]func(context.Context) error{
		"panic":            panics,
		"panic of runtime": func(context.Context) error { var m map[string]int; m[secret] = 1; return nil }, //nolint:staticcheck // the panic is meant
		"unknown error":    func(context.Context) error { return errors.New(secret) },
	} {
		t.Run(name, func(t *testing.T) {
			d := failing(t, time.Minute, how)
			answers := d.viaBoth(t)
			streamed := d.viaStream(t, "as-stream")
			answers["as-stream"], _ = statusJSON(t, streamed)["error"].(map[string]any)
			for id, e := range answers {
				message, _ := e["message"].(string)
				if e["status"] != "INTERNAL" || errorReason(e) != "INTERNAL" || !strings.Contains(message, id) {
					t.Errorf("%s: %v", id, e)
				}
				if all := fmt.Sprint(e); strings.Contains(all, "hunter2") || innerWords.MatchString(all) {
					t.Errorf("%s tells what is for the log: %v", id, e)
				}
				cause, finished := false, false
				for _, record := range d.log.of(t, id) {
					text := fmt.Sprint(record["cause"], record["stack"])
					if record["level"] == "ERROR" && record["msg"] == "call failed" {
						cause = strings.Contains(text, "hunter2") || strings.Contains(text, "nil map")
						if isPanic := strings.HasPrefix(name, "panic"); isPanic && !strings.Contains(text, "chain_test.go") {
							t.Errorf("%s: no stack in %v", id, record)
						}
					}
					finished = finished || record["msg"] == "finished call" && record["level"] == "ERROR"
				}
				if !cause || !finished {
					t.Errorf("%s: cause logged %v, end logged %v:\n%s", id, cause, finished, d.log)
				}
			}
		})
	}
}

func TestLongCallsEnd(t *testing.T) {
	d := failing(t, time.Nanosecond, stopsAtDeadline)
	for id, e := range d.viaBoth(t) {
		if e["status"] != "DEADLINE_EXCEEDED" || errorReason(e) != "DEADLINE_EXCEEDED" || strings.Contains(fmt.Sprint(e), "hunter2") {
			t.Errorf("%s: %v", id, e)
		}
		if records := d.log.of(t, id); len(records) != 1 || records[0]["level"] != "WARN" {
			t.Errorf("%s: log %v", id, records)
		}
	}
}

// The caller's own deadline ends a call too, whichever door it came by.
func TestCallersDeadline(t *testing.T) {
	d := failing(t, time.Minute, stopsAtDeadline)
	answer := d.sendRaw(t, "POST", "/v1/dueFeedings:compute", [][2]string{{"Grpc-Timeout", "1m"}}, []byte(askToday))
	if e := parseJSON(t, answer.body).(map[string]any)["error"].(map[string]any); answer.status != 504 || errorReason(e) != "DEADLINE_EXCEEDED" {
		t.Errorf("%d %v", answer.status, e)
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Millisecond)
	defer cancel()
	_, err := pb.NewDueServiceClient(d.conn).ComputeDue(ctx, &pb.ComputeDueRequest{AsOfDate: "2026-05-11"})
	if status.Code(err) != codes.DeadlineExceeded {
		t.Errorf("%v", err)
	}
}

// A caller that gives up ends its call. The server's side of it is a CANCELLED
// that is no defect.
func TestCallersCancel(t *testing.T) {
	began, ended := make(chan struct{}), make(chan struct{})
	d := failing(t, time.Minute, func(ctx context.Context) error {
		defer close(ended)
		close(began)
		return stopsAtDeadline(ctx)
	})
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() {
		_, err := pb.NewDueServiceClient(d.conn).ComputeDue(ctx, &pb.ComputeDueRequest{AsOfDate: "2026-05-11"})
		done <- err
	}()
	select {
	case <-began:
	case err := <-done:
		t.Fatalf("it did not begin: %v", err)
	}
	cancel()
	if err := <-done; status.Code(err) != codes.Canceled {
		t.Errorf("%v", err)
	}
	<-ended

	log := &logBook{}
	s := toStatus(context.Background(), slog.New(slog.NewJSONHandler(log, nil)), fmt.Errorf("%s: %w", secret, context.Canceled))
	if s.Code() != codes.Canceled || reasonOf(s) != cancelled || strings.Contains(s.String(), "hunter2") || log.String() != "" {
		t.Errorf("%v, log %q", s, log)
	}
	if got := httpStatus(s, func(codes.Code) int { return 499 }); got != 499 {
		t.Errorf("HTTP status %d", got)
	}
}

// A call that arises from an error of ours keeps its reason, its words and its
// violations, wrapped or not.
func TestKnownErrorsPass(t *testing.T) {
	known := service.Invalid(service.InvalidFilter, []service.Violation{{Field: "filter", Rule: "is odd"}})
	for _, err := range []error{known, fmt.Errorf("%s: %w", secret, known)} {
		log := &logBook{}
		s := toStatus(context.WithValue(context.Background(), requestIDKey{}, "id-1"), slog.New(slog.NewJSONHandler(log, nil)), err)
		text := fmt.Sprint(statusJSON(t, s.Err()))
		if s.Code() != codes.InvalidArgument || s.Message() != "filter: is odd" || reasonOf(s) != service.InvalidFilter || log.String() != "" ||
			!strings.Contains(text, "id-1") || !strings.Contains(text, "is odd") {
			t.Errorf("%v, log %q", text, log)
		}
	}
}

// A reason that the table lacks is a defect, not a crash.
func TestReasonOutsideTable(t *testing.T) {
	if s := newStatus("id", "NO_SUCH_REASON", "x", nil); s.Code() != codes.Internal {
		t.Errorf("%v", s)
	}
}

// What stands in the way of a call is told as google.rpc.PreconditionFailure has it, for
// each reason of that code and no other.
func TestPreconditionFailure(t *testing.T) {
	for reason, k := range table {
		for message, subject := range map[string]string{
			"collections/c/plants/p stood on collections/c/benches/b, which is deleted": "collections/c/plants/p",
			"feeding.name: collections/c/plants/p/feedings/f is voided":                 "collections/c/plants/p/feedings/f",
			"growers/g has too many": "growers/g",
			"too many for one call":  "",
		} {
			var found []*errdetails.PreconditionFailure
			for _, d := range newStatus("id", reason, message, nil).Details() {
				if failure, ok := d.(*errdetails.PreconditionFailure); ok {
					found = append(found, failure)
				}
			}
			var want []*errdetails.PreconditionFailure
			if k.code == codes.FailedPrecondition {
				want = []*errdetails.PreconditionFailure{{Violations: []*errdetails.PreconditionFailure_Violation{
					{Type: string(reason), Subject: subject, Description: message},
				}}}
			}
			if diff := cmp.Diff(want, found, protocmp.Transform()); diff != "" {
				t.Errorf("%s: %s", reason, diff)
			}
		}
	}
}

func TestRequestIDs(t *testing.T) {
	d := open(t)
	for asked, good := range map[string]bool{
		"abc-DEF_1.2": true, strings.Repeat("a", 64): true, strings.Repeat("a", 65): false, "": false, "a b": false, "a\tb": false, "ü": false,
		`"; drop`: false,
	} {
		answer := d.sendRaw(t, "GET", "/healthz", [][2]string{{"X-Request-Id", asked}}, nil)
		got := answer.header.Values("X-Request-Id")
		if len(got) != 1 || !goodRequestID.MatchString(got[0]) || (got[0] == asked) != good {
			t.Errorf("asked for %q, got %q", asked, got)
			continue
		}
		if records := d.log.of(t, got[0]); len(records) != 1 || records[0]["msg"] != "finished call" {
			t.Errorf("log of %q: %v", got[0], records)
		}
	}
	// Two of them: the first counts, and the log cannot be confused.
	answer := d.sendRaw(t, "GET", "/healthz", [][2]string{{"X-Request-Id", "first"}, {"X-Request-Id", "second"}}, nil)
	if got := answer.header.Values("X-Request-Id"); len(got) != 1 || got[0] != "first" {
		t.Errorf("%q", got)
	}
	// What a gateway before this server would call metadata stays outside.
	answer = d.sendRaw(t, "GET", "/healthz", [][2]string{{"Grpc-Metadata-X-Request-Id", "smuggled"}}, nil)
	if got := answer.header.Get("X-Request-Id"); got == "smuggled" {
		t.Error("a header made metadata")
	}
	var header metadata.MD
	ctx := metadata.AppendToOutgoingContext(context.Background(), requestIDHeader, "bad id")
	if _, err := pb.NewServerServiceClient(d.conn).GetHealth(ctx, &pb.GetHealthRequest{}, grpc.Header(&header)); err != nil {
		t.Fatal(err)
	}
	if got := header.Get(requestIDHeader); len(got) != 1 || got[0] == "bad id" || !goodRequestID.MatchString(got[0]) {
		t.Errorf("%q", got)
	}
}

// One call more than the server takes at once is refused, with when to try again;
// a call that ends makes room.
func TestBusyServer(t *testing.T) {
	began, release := make(chan struct{}, mostCalls), make(chan struct{})
	d := failing(t, time.Minute, func(context.Context) error {
		began <- struct{}{}
		<-release
		return &service.Error{Reason: service.TaxonNotFound, Message: "done"}
	})
	client := pb.NewDueServiceClient(d.conn)
	ask := func() error {
		_, err := client.ComputeDue(context.Background(), &pb.ComputeDueRequest{AsOfDate: "2026-05-11"})
		return err
	}
	ended := make(chan error, mostCalls)
	for range mostCalls {
		go func() { ended <- ask() }()
	}
	for range mostCalls {
		<-began
	}
	if err := ask(); reasonOf(status.Convert(err)) != tooBusy || status.Code(err) != codes.Unavailable {
		t.Errorf("one call too many: %v", err)
	}
	answer := d.sendRaw(t, "POST", "/v1/dueFeedings:compute", nil, []byte(askToday))
	if answer.status != 503 || answer.header.Get("Retry-After") == "" || !strings.Contains(string(answer.body), "RetryInfo") {
		t.Errorf("%d %v %s", answer.status, answer.header, answer.body)
	}
	if !asksOfServer(pb.ServerService_GetHealth_FullMethodName) || asksOfServer(pb.DueService_ComputeDue_FullMethodName) {
		t.Error("a busy server must still tell that it is healthy")
	}
	close(release)
	for range mostCalls {
		if err := <-ended; status.Code(err) != codes.NotFound {
			t.Error(err)
		}
	}
	if err := ask(); status.Code(err) != codes.NotFound {
		t.Errorf("after the calls ended: %v", err)
	}
}
