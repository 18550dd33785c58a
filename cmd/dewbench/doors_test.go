package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	reflectionpb "google.golang.org/grpc/reflection/grpc_reflection_v1"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protodesc"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/descriptorpb"
	"google.golang.org/protobuf/types/dynamicpb"

	pb "dewbench/proto/dewbench/v1"
)

// patience is how long a started command may take for what is a matter of a
// second on an idle machine.
const patience = 60 * time.Second

// started is a command that answers calls.
type started struct {
	command    *exec.Cmd
	stop       context.CancelFunc
	errors     lockedBuffer
	lines      []string // of its output, up to where the doors are
	http, grpc string   // the doors, as printed
	ended      chan error
}

// lockedBuffer keeps what is written, and wakes who waits for it. Its zero value is
// empty.
type lockedBuffer struct {
	mu    sync.Mutex
	b     bytes.Buffer
	wrote chan struct{} // closed at the next write; nil if nobody waits
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.wrote != nil {
		close(l.wrote)
		l.wrote = nil
	}
	return l.b.Write(p)
}

// await waits until a text was written.
func (l *lockedBuffer) await(t *testing.T, text string) {
	t.Helper()
	deadline := time.After(patience)
	for {
		l.mu.Lock()
		if strings.Contains(l.b.String(), text) {
			l.mu.Unlock()
			return
		}
		if l.wrote == nil {
			l.wrote = make(chan struct{})
		}
		wrote := l.wrote
		l.mu.Unlock()
		select {
		case <-wrote:
		case <-deadline:
			t.Fatalf("%q was not written, but %s", text, l.String())
		}
	}
}

func (l *lockedBuffer) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// inFolder prepares a command that runs in a folder. What the environment of the
// tests says of addresses and databases does not count.
func inFolder(ctx context.Context, folder string, args ...string) *exec.Cmd {
	c := exec.CommandContext(ctx, "dewbench", args...)
	c.Dir = folder
	c.Env = slices.DeleteFunc(os.Environ(), func(v string) bool { return strings.HasPrefix(v, "DEWBENCH_") || strings.HasPrefix(v, "PG") })
	return c
}

// start starts the command line in a folder, on free ports, and reads where its doors
// are.
func start(t testing.TB, folder string, args ...string) *started {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 5*patience) // scripts call it often
	t.Cleanup(cancel)
	s := &started{stop: cancel, ended: make(chan error, 1)}
	s.command = inFolder(ctx, folder, append(args, "--http-addr", "127.0.0.1:0", "--grpc-addr", "127.0.0.1:0")...)
	s.command.Stderr = &s.errors
	out, err := s.command.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := s.command.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(out)
	for s.grpc == "" && lines.Scan() {
		line := lines.Text()
		s.lines = append(s.lines, line)
		if v, ok := strings.CutPrefix(line, "http: "); ok {
			s.http = v
		}
		if v, ok := strings.CutPrefix(line, "grpc: "); ok {
			s.grpc = v
		}
	}
	go func() {
		_, copied := io.Copy(io.Discard, out) // to the end, before Wait closes it
		s.ended <- errors.Join(copied, s.command.Wait())
	}()
	if s.http == "" || s.grpc == "" {
		cancel()
		t.Fatalf("no doors in the output (%v, %v): %q, %s", lines.Err(), <-s.ended, s.lines, s.errors.String())
	}
	return s
}

// end stops the command with a signal; it must end well and say nothing wrong.
func (s *started) end(t testing.TB, signal os.Signal) {
	t.Helper()
	if err := s.command.Process.Signal(signal); err != nil {
		t.Fatal(err)
	}
	if err := <-s.ended; err != nil {
		t.Errorf("%v: %v, %s", signal, err, s.errors.String())
	}
	for line := range strings.Lines(s.errors.String()) {
		// Whether a picture is made before it is asked for is a matter of time.
		early := strings.Contains(line, " reason=RENDITION_NOT_READY ")
		if strings.Contains(line, "level=ERROR") || strings.Contains(line, "level=WARN") && !early {
			t.Errorf("it says on its way: %s", line)
		}
	}
}

// dial connects to a gRPC door.
func dial(t *testing.T, address string) *grpc.ClientConn {
	t.Helper()
	conn, err := grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := conn.Close(); err != nil {
			t.Error(err)
		}
	})
	return conn
}

// TestServe starts the server, calls both doors and stops it by each signal.
func TestServe(t *testing.T) {
	for _, signal := range []os.Signal{os.Interrupt, syscall.SIGTERM} {
		t.Run(signal.String(), func(t *testing.T) {
			t.Parallel()
			folder := t.TempDir()
			s := start(t, folder, "serve")
			file := filepath.Join(folder, "dewbench.db")
			want := []string{
				"database: sqlite:" + file,
				"photos: " + filepath.Join(folder, "dewbench-photos"),
				"There is no grower yet. Make the first in another window:",
				"",
				`  dewbench grower add "YOUR NAME" --database-url sqlite:` + file,
				"",
				"http: " + s.http, "grpc: " + s.grpc,
			}
			if diff := cmp.Diff(want, s.lines); diff != "" {
				t.Errorf("it prints (-want +got):\n%s", diff)
			}
			var info pb.ServerInfo
			if err := protojson.Unmarshal(s.get(t, "/v1/serverInfo", "", http.StatusOK), &info); err != nil {
				t.Error(err)
			}
			conn := dial(t, s.grpc)
			health, err := healthpb.NewHealthClient(conn).Check(t.Context(), &healthpb.HealthCheckRequest{})
			if err != nil || health.GetStatus() != healthpb.HealthCheckResponse_SERVING {
				t.Errorf("gRPC health: %v, %v", health, err)
			}
			s.end(t, signal)
			if c, err := new(net.Dialer).DialContext(t.Context(), "tcp", s.grpc); err == nil {
				t.Errorf("%s still takes connections", s.grpc)
				_ = c.Close()
			}
			files, err := os.ReadDir(folder)
			if err != nil || len(files) != 2 {
				t.Errorf("it leaves %v (%v), want the database, which was closed, and the folder of photos", files, err)
			}
		})
	}
}

// get gets a path with a token over HTTP, and wants a status.
func (s *started) get(t *testing.T, path, token string, status int) []byte {
	t.Helper()
	return s.send(t, http.MethodGet, path, token, "", status)
}

// send sends a request over HTTP, and wants a status.
func (s *started) send(t *testing.T, method, path, token, body string, status int) []byte {
	t.Helper()
	request, err := http.NewRequestWithContext(t.Context(), method, s.http+path, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	if token != "" {
		request.Header.Set("Authorization", "Bearer "+token)
	}
	answer, err := http.DefaultClient.Do(request)
	if err != nil {
		t.Fatal(err)
	}
	text, err := io.ReadAll(answer.Body)
	if err := errors.Join(err, answer.Body.Close()); err != nil {
		t.Fatal(err)
	}
	if answer.StatusCode != status {
		t.Fatalf("%s %s answers %s, %s; want %d", method, path, answer.Status, text, status)
	}
	return text
}

// TestPortInUse starts a second server on the doors of another program.
func TestPortInUse(t *testing.T) {
	var config net.ListenConfig
	taken, err := config.Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	address := taken.Addr().String()
	for _, args := range [][]string{
		{"serve", "--grpc-addr", address, "--http-addr", "127.0.0.1:0"},
		{"serve", "--http-addr", address, "--grpc-addr", "127.0.0.1:0"},
		{"demo", "--http-addr", address, "--grpc-addr", "127.0.0.1:0"},
	} {
		var out, errs bytes.Buffer
		folder := t.TempDir()
		c := inFolder(t.Context(), folder, args...)
		c.Stdout, c.Stderr = &out, &errs
		err := c.Run()
		var exit *exec.ExitError
		if !errors.As(err, &exit) || exit.ExitCode() != 1 {
			t.Errorf("%q: %v, want exit code 1", args, err)
		}
		flag := args[1]
		want := "dewbench: " + flag + " " + address + ": another program listens there; stop it, or take a free port with " + flag + " 127.0.0.1:0\n"
		if errs.String() != want {
			t.Errorf("%q says %q, want %q", args, errs.String(), want)
		}
		if out.Len() > 0 {
			t.Errorf("%q prints %q", args, out.String())
		}
		if files, err := os.ReadDir(folder); err != nil || len(files) > 0 {
			t.Errorf("%q leaves %v (%v): the database is not to be touched", args, files, err)
		}
	}
}

// TestReachable checks that doors on all addresses are printed as one to call.
func TestReachable(t *testing.T) {
	for printed, a := range map[string]*net.TCPAddr{
		"127.0.0.1:80": {IP: net.IPv4zero, Port: 80},
		"127.0.0.1:81": {IP: net.IPv6unspecified, Port: 81},
		"127.0.0.2:82": {IP: net.IPv4(127, 0, 0, 2), Port: 82},
		"[::1]:83":     {IP: net.IPv6loopback, Port: 83},
	} {
		if got := reachable(a); got != printed {
			t.Errorf("%s is printed as %s, want %s", a, got, printed)
		}
	}
}

var (
	curlLine    = regexp.MustCompile(`^  (curl .*)$`)
	grpcurlCall = regexp.MustCompile(`^  grpcurl -plaintext -H '([\w-]+): (.*)' -d '(.*)' (\S+) ([\w.]+)/(\w+)$`)
	grpcurlList = regexp.MustCompile(`^  grpcurl -plaintext (\S+) list$`)
)

// TestDemoLinesWork makes the calls that the demo prints, as they are printed. It
// reads the lines as a shell, curl and grpcurl would: a machine with only Go has
// neither.
func TestDemoLinesWork(t *testing.T) {
	temporary := t.TempDir()
	t.Setenv("TMPDIR", temporary)
	s := start(t, t.TempDir(), "demo")
	curls, calls, lists, said := 0, 0, 0, false
	for _, line := range s.lines {
		switch {
		case curlLine.MatchString(line):
			curls++
			runCurl(t, curlLine.FindStringSubmatch(line)[1])
		case grpcurlCall.MatchString(line):
			calls++
			m := grpcurlCall.FindStringSubmatch(line)
			if m[4] != s.grpc {
				t.Errorf("%s calls another door than %s", line, s.grpc)
			}
			callByReflection(metadata.AppendToOutgoingContext(t.Context(), m[1], m[2]), t, m[4], m[5], m[6], m[3])
		case grpcurlList.MatchString(line):
			lists++
			services := listServices(t, grpcurlList.FindStringSubmatch(line)[1])
			if !strings.Contains(services, pb.DueService_ServiceDesc.ServiceName) {
				t.Errorf("the list has no DueService: %s", services)
			}
		case line == "These need grpcurl, a program of its own:":
			if calls+lists > 0 {
				t.Errorf("what grpcurl lines need is said after them: %q", s.lines)
			}
			said = true
		case strings.Contains(line, "curl"):
			t.Errorf("a line that no test runs: %s", line)
		}
	}
	if curls != 12 || calls != 1 || lists != 1 || !said {
		t.Errorf("%d curl lines, %d grpcurl calls, %d grpcurl lists in %q", curls, calls, lists, s.lines)
	}
	last := s.lines[len(s.lines)-2:]
	if last[0] != "http: "+s.http || last[1] != "grpc: "+s.grpc {
		t.Errorf("the output ends %q, want the two doors", last)
	}
	s.end(t, os.Interrupt)
	if files, err := os.ReadDir(temporary); err != nil || len(files) > 0 {
		t.Errorf("it leaves %v (%v) among the temporary files", files, err)
	}
}

// words splits a line as a shell does that knows single quotes only.
func words(line string) []string {
	var all []string
	for i, part := range strings.Split(line, "'") {
		switch {
		case i%2 == 1:
			all = append(all, part)
		default:
			all = append(all, strings.Fields(part)...)
		}
	}
	return all
}

// runCurl makes the call of a curl line. An option that it does not know fails.
func runCurl(t *testing.T, line string) {
	t.Helper()
	var target, body string
	header, query, method := http.Header{}, url.Values{}, http.MethodGet
	args := words(line)[1:]
	for i := 0; i < len(args); i++ {
		switch arg := args[i]; arg {
		case "-s", "--get":
		case "-d":
			i++
			body, method = args[i], http.MethodPost
		case "-H":
			i++
			name, value, _ := strings.Cut(args[i], ": ")
			header.Set(name, value)
		case "--data-urlencode":
			i++
			name, value, _ := strings.Cut(args[i], "=")
			query.Set(name, value)
		default:
			if target != "" || strings.HasPrefix(arg, "-") {
				t.Fatalf("%s: what is %q?", line, arg)
			}
			target = arg
		}
	}
	if len(query) > 0 {
		target += "?" + query.Encode()
	}
	request, err := http.NewRequestWithContext(t.Context(), method, target, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	request.Header = header
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		t.Fatalf("%s: %v", line, err)
	}
	var out bytes.Buffer
	_, err = out.ReadFrom(response.Body)
	if err = errors.Join(err, response.Body.Close()); err != nil {
		t.Fatalf("%s: %v", line, err)
	}
	if response.StatusCode != http.StatusOK {
		t.Fatalf("%s: %s: %s", line, response.Status, out.String())
	}
	var answer proto.Message
	want := ""
	switch {
	case strings.Contains(line, "/v1/serverInfo"):
		answer = &pb.ServerInfo{}
	case strings.Contains(line, "/v1/societies"):
		answer, want = &pb.ListSocietiesResponse{}, circle
	case strings.Contains(line, "visibility = PUBLIC"):
		answer, want = &pb.ListCollectionsResponse{}, "Sand and gravel"
	case strings.Contains(line, "/v1/collections'"):
		answer, want = &pb.ListCollectionsResponse{}, `"Windows"`
	case strings.Contains(line, "/v1/taxa"):
		answer, want = &pb.ListTaxaResponse{}, `"SNAP"`
	case strings.Contains(line, "/dueFeedings?"):
		answer, want = &pb.ListDueFeedingsResponse{}, `"OVERDUE"`
	case strings.Contains(line, ":explainDue"):
		answer, want = &pb.ExplainDueResponse{}, `"`+demoTag+`"`
	case strings.Contains(line, "/dayPlan?"):
		answer, want = &pb.DayPlan{}, `"tasks"`
	case strings.Contains(line, "/watchList?"):
		answer, want = &pb.WatchList{}, `"advice"`
	case strings.Contains(line, "/sheets'"):
		answer, want = &pb.Sheet{}, `"rows"`
	case strings.Contains(line, "/calendars'"):
		answer, want = &pb.Calendar{}, `/due.ics"`
	case strings.Contains(line, ":recordSession"):
		answer, want = &pb.RecordSessionResponse{}, `"trapsFed"`
	default:
		t.Fatalf("a line that no test knows: %s", line)
	}
	if err := protojson.Unmarshal(out.Bytes(), answer); err != nil {
		t.Errorf("%s answers %s: %v", line, out.String(), err)
	}
	if !strings.Contains(out.String(), want) {
		t.Errorf("%s answers without %s: %s", line, want, out.String())
	}
}

// ask sends one request of gRPC reflection.
func ask(t *testing.T, address string, request *reflectionpb.ServerReflectionRequest) *reflectionpb.ServerReflectionResponse {
	t.Helper()
	stream, err := reflectionpb.NewServerReflectionClient(dial(t, address)).ServerReflectionInfo(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if err := stream.Send(request); err != nil {
		t.Fatal(err)
	}
	answer, err := stream.Recv()
	if err != nil {
		t.Fatal(err)
	}
	if err := stream.CloseSend(); err != nil {
		t.Fatal(err)
	}
	if e := answer.GetErrorResponse(); e != nil {
		t.Fatalf("reflection: %s", e.GetErrorMessage())
	}
	return answer
}

func listServices(t *testing.T, address string) string {
	t.Helper()
	answer := ask(t, address, &reflectionpb.ServerReflectionRequest{
		MessageRequest: &reflectionpb.ServerReflectionRequest_ListServices{},
	})
	var all []string
	for _, s := range answer.GetListServicesResponse().GetService() {
		all = append(all, s.GetName())
	}
	return strings.Join(all, " ")
}

// callByReflection does what grpcurl does: it learns the method from the server
// and calls it with a request of JSON.
func callByReflection(ctx context.Context, t *testing.T, address, service, method, request string) {
	t.Helper()
	answer := ask(t, address, &reflectionpb.ServerReflectionRequest{
		MessageRequest: &reflectionpb.ServerReflectionRequest_FileContainingSymbol{FileContainingSymbol: service},
	})
	set := &descriptorpb.FileDescriptorSet{}
	for _, raw := range answer.GetFileDescriptorResponse().GetFileDescriptorProto() {
		file := &descriptorpb.FileDescriptorProto{}
		if err := proto.Unmarshal(raw, file); err != nil {
			t.Fatal(err)
		}
		set.File = append(set.File, file)
	}
	files, err := protodesc.NewFiles(set)
	if err != nil {
		t.Fatal(err)
	}
	found, err := files.FindDescriptorByName(protoreflect.FullName(service))
	if err != nil {
		t.Fatal(err)
	}
	described, ok := found.(protoreflect.ServiceDescriptor)
	if !ok || described.Methods().ByName(protoreflect.Name(method)) == nil {
		t.Fatalf("the server describes no %s/%s", service, method)
	}
	m := described.Methods().ByName(protoreflect.Name(method))
	in, out := dynamicpb.NewMessage(m.Input()), dynamicpb.NewMessage(m.Output())
	if err := protojson.Unmarshal([]byte(request), in); err != nil {
		t.Fatalf("%s: %v", request, err)
	}
	if err := dial(t, address).Invoke(ctx, "/"+service+"/"+method, in, out); err != nil {
		t.Fatalf("%s/%s: %v", service, method, err)
	}
	text, err := protojson.Marshal(out)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(text), `"UPCOMING"`) {
		t.Errorf("%s/%s answers %s", service, method, text)
	}
}
