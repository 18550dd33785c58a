package main

import (
	"bytes"
	"context"
	"errors"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/emptypb"

	pb "dewbench/proto/dewbench/v1"
)

func TestChoose(t *testing.T) {
	all := []named{
		{"collections/c/benches/south", "south", "South window"},
		{"collections/c/benches/rack-1", "rack-1", "Rack"},
		{"collections/c/benches/rack-2", "rack-2", "Rack upstairs"},
		{"collections/c/benches/b-4", "b-4", "Bog"},
		{"collections/c/benches/b-5", "b-5", "bog"},
		{"collections/c/benches/bog-6", "bog-6", "\x1b[2JSty"},
	}
	list := "The benches:\n  South window  (id south)\n  Rack  (id rack-1)\n  Rack upstairs  (id rack-2)\n  Bog  (id b-4)\n  bog  (id b-5)\n" +
		"  \"\\x1b[2JSty\"  (id bog-6)"
	for text, want := range map[string]string{
		"South window": "south", " SOUTH  window ": "south", "south": "south", "Collections/c/benches/south": "south",
		"sou": "south", "RACK": "rack-1", "rack-2": "rack-2", "rack u": "rack-2", "B-4": "b-4", "bog-6": "bog-6",

		"":            "say which bench. " + list,
		"north":       `there is no bench "north"; did you mean "South window"? ` + list,
		"souht":       `there is no bench "souht"; did you mean "South window"? ` + list,
		"South widow": `there is no bench "South widow"; did you mean "South window"? ` + list,
		"greenhouse":  `there is no bench "greenhouse". ` + list,
		"bog":         "\"bog\" may be 2 benches: give the id. The benches:\n  Bog  (id b-4)\n  bog  (id b-5)",
		"rack-":       "\"rack-\" may be 2 benches: give the id. The benches:\n  Rack  (id rack-1)\n  Rack upstairs  (id rack-2)",
	} {
		i, err := choose("bench", text, "say which bench", all)
		got := all[i].id
		if err != nil {
			got = err.Error()
		}
		if got != want {
			t.Errorf("%q chooses %s, want %s", text, got, want)
		}
	}
	many := make([]named, mostShown+3)
	if _, err := choose("collection", "x", "", many); err == nil || !strings.HasSuffix(err.Error(), "\n  and 3 more") {
		t.Errorf("of many: %v", err)
	}
	if _, err := choose("bench", "x", "", nil); err == nil || err.Error() != `there is no bench "x"` {
		t.Errorf("of none: %v", err)
	}
}

// TestCheckSecret checks what is called with, and that no error repeats it.
func TestCheckSecret(t *testing.T) {
	for text, good := range map[string]bool{
		" dwb_hush\n": true, "eyJhbGciOiJSUzI1NiJ9.eyJhIjoxfQ.c2ln-_": true,
		"": false, "hush": false, "dwb_hush dwb_hush": false, "eyJhbGciOiJSUzI1NiJ9.hush": false, "Bearer eyJh.hush.hush": false,
	} {
		got, err := checkSecret(text, "--token-file t")
		if good != (err == nil) || good && got != strings.TrimSpace(text) {
			t.Errorf("%q: %q, %v", text, got, err)
		}
		if err != nil && strings.Contains(err.Error(), "hush") {
			t.Errorf("%q: the error repeats it: %v", text, err)
		}
	}
}

// TestTransport checks that a token travels in clear only where it was asked for.
func TestTransport(t *testing.T) {
	for _, c := range []struct {
		server    string
		plaintext bool
		want      string // its protocol, or the error
		noted     bool
	}{
		{"127.0.0.1:8490", false, "insecure", false},
		{"[::1]:8490", false, "insecure", false},
		{"localhost:8490", false, "insecure", false},
		{"192.0.2.7:8490", false, "tls", false}, // an address for documentation, RFC 5737
		{"plants.example:443", false, "tls", false},
		{"localhost.example:443", false, "tls", false},
		{"192.0.2.7:8490", true, "insecure", true},
		{"127.0.0.1:8490", true, "insecure", false},
		{"127.0.0.1", false, "--server 127.0.0.1: give host and port of the gRPC door, such as 127.0.0.1:8490", false},
		{":8490", false, "--server :8490: give host and port of the gRPC door, such as 127.0.0.1:8490", false},
		{"http://127.0.0.1:8480", false, "--server http://127.0.0.1:8480: give host and port of the gRPC door, such as 127.0.0.1:8490", false},
	} {
		var notes bytes.Buffer
		got, err := (&remote{server: c.server, plaintext: c.plaintext}).transport(inOut{notes: &notes})
		is := ""
		if err != nil {
			is = err.Error()
		} else {
			is = got.Info().SecurityProtocol
		}
		if is != c.want || (notes.Len() > 0) != c.noted {
			t.Errorf("%s (plaintext %v): %s, noted %q; want %s", c.server, c.plaintext, is, notes.String(), c.want)
		}
	}
}

// TestWrongDoor calls a server of the standard library that speaks HTTP only.
func TestWrongDoor(t *testing.T) {
	server := httptest.NewServer(http.NotFoundHandler())
	t.Cleanup(server.Close)
	address := server.Listener.Addr().String()
	for _, c := range []struct {
		transport credentials.TransportCredentials
		want      string
	}{
		{insecure.NewCredentials(), "gRPC: it may be the HTTP door; give the gRPC door, such as 127.0.0.1:8490"},
		{credentials.NewTLS(nil), "TLS: it may be the HTTP door; give the gRPC door, such as 127.0.0.1:8490, or say --plaintext"},
	} {
		conn, err := grpc.NewClient(address, grpc.WithTransportCredentials(c.transport))
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = conn.Close() })
		_, err = (&client{conn, &remote{server: address}}).home(t.Context())
		if want := "--server " + address + ": what answers there does not speak " + c.want; err == nil || err.Error() != want {
			t.Errorf("the error is %v, want %s", err, want)
		}
	}
}

func TestNewRequestID(t *testing.T) {
	a, b := newRequestID(), newRequestID()
	if form := regexp.MustCompile(`^[a-z2-7]{10}$`); !form.MatchString(a) || a == b {
		t.Errorf("the ids are %s and %s", a, b)
	}
}

// relay passes calls on to a server, and breaks connections.
type relay struct {
	net.Listener
	mu    sync.Mutex
	conns []net.Conn
	cut   string            // the method whose answer never arrives, the first time
	seen  map[string][]byte // the last request of each method
	calls map[string]int
}

func (r *relay) Accept() (net.Conn, error) {
	c, err := r.Listener.Accept()
	if err == nil {
		r.mu.Lock()
		r.conns = append(r.conns, c)
		r.mu.Unlock()
	}
	return c, err
}

// pass is the handler of all calls. Messages go through it as they are: an empty message
// keeps fields that it does not know.
func (r *relay) pass(to *grpc.ClientConn) grpc.StreamHandler {
	return func(_ any, stream grpc.ServerStream) error {
		method, _ := grpc.MethodFromServerStream(stream)
		request, answer := &emptypb.Empty{}, &emptypb.Empty{}
		if err := stream.RecvMsg(request); err != nil {
			return err
		}
		meta, _ := metadata.FromIncomingContext(stream.Context())
		ctx := metadata.NewOutgoingContext(context.WithoutCancel(stream.Context()), metadata.MD{"authorization": meta["authorization"]})
		if err := to.Invoke(ctx, method, request, answer); err != nil {
			return err
		}
		r.mu.Lock()
		defer r.mu.Unlock()
		body := request.ProtoReflect().GetUnknown()
		if before := r.seen[method]; before != nil && method == r.cut && !bytes.Equal(before, body) {
			return status.Error(codes.InvalidArgument, "the second request is another one")
		}
		r.seen[method] = body
		if r.calls[method]++; method == r.cut && r.calls[method] == 1 {
			var err error
			for _, c := range r.conns {
				err = errors.Join(err, c.Close())
			}
			r.conns = nil
			return err
		}
		return stream.SendMsg(answer)
	}
}

// TestBrokenConnection loses the connection when the server has written, but its
// answer has not arrived. The call is made again, and acts once.
func TestBrokenConnection(t *testing.T) {
	folder := t.TempDir()
	operate(t, folder, "grower", "add", "Fern Hollow", "--token-file", "token")
	s := start(t, folder, "serve")
	operate(t, folder, "new", "Home", "--time-zone", "UTC", "--server", s.grpc)

	var config net.ListenConfig
	l, err := config.Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	r := &relay{Listener: l, cut: pb.BenchService_CreateBench_FullMethodName, seen: map[string][]byte{}, calls: map[string]int{}}
	server := grpc.NewServer(grpc.UnknownServiceHandler(r.pass(dial(t, s.grpc))))
	served := make(chan error, 1)
	go func() { served <- server.Serve(r) }()

	made := operate(t, folder, "bench", "Bog", "--exposure", "outdoors", "--server", l.Addr().String())
	if !strings.Contains(made, "Bog ") {
		t.Errorf("it prints %s", made)
	}
	server.Stop()
	if err := <-served; err != nil {
		t.Error(err)
	}
	if n := r.calls[r.cut]; n != 2 {
		t.Errorf("the call was made %d times, want 2", n)
	}
	var request pb.CreateBenchRequest
	if err := proto.Unmarshal(r.seen[r.cut], &request); err != nil || request.GetRequestId() == "" {
		t.Errorf("the request is %v (%v), want a requestId", &request, err)
	}
	if list := operate(t, folder, "bench", "--server", s.grpc); strings.Count(list, "Bog") != 1 {
		t.Errorf("the benches are\n%s\nwant Bog once", list)
	}
	s.end(t, os.Interrupt)
}

// TestCalendarOfADeletedCollection lists and revokes an address of a collection that is
// deleted: it may come back.
func TestCalendarOfADeletedCollection(t *testing.T) {
	folder := t.TempDir()
	operate(t, folder, "grower", "add", "Fern Hollow", "--token-file", "token")
	s := start(t, folder, "serve")
	operate(t, folder, "new", "Home", "--time-zone", "UTC", "--server", s.grpc)
	made := operate(t, folder, "calendar", "new", "leaked", "--http", s.http, "--server", s.grpc)
	name, _, _ := strings.Cut(made, "/calendars/")
	token, err := os.ReadFile(filepath.Join(folder, "token"))
	if err != nil {
		t.Fatal(err)
	}
	s.send(t, http.MethodDelete, "/v1/"+name, strings.TrimSpace(string(token)), "", http.StatusOK)
	if list := operate(t, folder, "calendar", "list", "--server", s.grpc); !strings.Contains(list, "leaked") || !strings.Contains(list, "Home, deleted") {
		t.Errorf("the list is\n%s", list)
	}
	if said := operate(t, folder, "calendar", "revoke", "leaked", "--server", s.grpc); !strings.HasSuffix(said, "is revoked\n") {
		t.Errorf("it says %s", said)
	}
	if list := operate(t, folder, "calendar", "list", "--server", s.grpc); strings.Contains(list, "leaked") {
		t.Errorf("after that the list is\n%s", list)
	}
	s.end(t, os.Interrupt)
}

// weekCommands is how many commands a grower's week may take.
const weekCommands = 10

// TestReadmeWeek checks that the script week.txtar plays the README: its tables, and its
// commands in their order, but for the days.
func TestReadmeWeek(t *testing.T) {
	read := func(file ...string) string {
		text, err := os.ReadFile(filepath.Join(file...))
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	readme, script := read("..", "..", "README.md"), read("testdata", "script", "week.txtar")
	for _, name := range []string{"plants.csv", "feedings.csv"} {
		_, rest, _ := strings.Cut(readme, "`"+name+"`:\n\n```csv\n")
		block, _, found := strings.Cut(rest, "```")
		if !found || !strings.Contains(script, "-- "+name+" --\n"+block) {
			t.Errorf("the script has not the README's %s:\n%s", name, block)
		}
	}
	if counts := playsReadme(t, readme, "A day at the bench", script); len(counts) != 2 || counts[1] > weekCommands {
		t.Errorf("blocks of %d commands, want the preparation and the week, which may have %d", counts, weekCommands)
	}
}

// TestReadmeOnPaper checks that the script sheet.txtar plays what the README shows.
func TestReadmeOnPaper(t *testing.T) {
	t.Parallel()
	var texts []string
	for _, path := range []string{filepath.Join("..", "..", "README.md"), filepath.Join("testdata", "script", "sheet.txtar")} {
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		texts = append(texts, string(text))
	}
	if counts := playsReadme(t, texts[0], "On paper", texts[1]); len(counts) != 1 {
		t.Errorf("blocks of %d commands, want one block", counts)
	}
	// Nothing else makes a sheet or records by one before, or the numbers were others.
	_, section, _ := strings.Cut(texts[0], "\n## On paper\n")
	section, _, _ = strings.Cut(section, "\n## ")
	want := regexp.MustCompile(`(?m)^\./dewbench ((?:sheet|session|outcomes) .*)$`).FindAllStringSubmatch(section, -1)
	played := regexp.MustCompile(`(?m)^exec dewbench ((?:sheet|session|outcomes) .*)$`).FindAllStringSubmatch(texts[1], -1)
	again := regexp.MustCompile(`^sheet \d| --dry-run`)
	for _, line := range played {
		if again.MatchString(line[1]) {
			continue
		}
		if got := regexp.MustCompile(` --date \S+`).ReplaceAllString(line[1], ""); got != want[0][1] {
			t.Fatalf("the script plays %q, where the README has %q", got, want[0][1])
		}
		if want = want[1:]; len(want) == 0 {
			return
		}
	}
	t.Errorf("the script does not play %v", want)
}

// TestReadmeSharing checks that the script sharing.txtar plays what the README shows.
func TestReadmeSharing(t *testing.T) {
	t.Parallel()
	readme, err := os.ReadFile(filepath.Join("..", "..", "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	script, err := os.ReadFile(filepath.Join("testdata", "script", "sharing.txtar"))
	if err != nil {
		t.Fatal(err)
	}
	playsReadme(t, string(readme), "Sharing", string(script))
}

// TestReadmePhotos checks that the script photo.txtar plays what the README shows.
func TestReadmePhotos(t *testing.T) {
	t.Parallel()
	readme, err := os.ReadFile(filepath.Join("..", "..", "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	script, err := os.ReadFile(filepath.Join("testdata", "script", "photo.txtar"))
	if err != nil {
		t.Fatal(err)
	}
	playsReadme(t, string(readme), "Photos", string(script))
}

// playsReadme checks that a script plays the commands of a section of the README in their
// order, on whatever days. It returns how many each of the blocks has.
func playsReadme(t *testing.T, readme, heading, script string) (counts []int) {
	t.Helper()
	_, section, _ := strings.Cut(readme, "\n## "+heading+"\n")
	section, _, _ = strings.Cut(section, "\n## ")
	played := regexp.MustCompile(`(?m)^exec (dewbench .*)$`).FindAllStringSubmatch(regexp.MustCompile(` --date \S+`).ReplaceAllString(script, ""), -1)
	for _, block := range regexp.MustCompile("(?s)```sh\n(.*?)```").FindAllStringSubmatch(section, -1) {
		n := 0
		for line := range strings.Lines(block[1]) {
			n++
			want := strings.ReplaceAll(strings.TrimPrefix(strings.TrimSpace(line), "./"), `"`, "'")
			at := slices.IndexFunc(played, func(m []string) bool { return m[1] == want })
			if at < 0 {
				t.Fatalf("the script does not play %q, or too early", want)
			}
			played = played[at+1:]
		}
		counts = append(counts, n)
	}
	if len(counts) == 0 || slices.Contains(counts, 0) {
		t.Errorf("the section %q has blocks of %d commands", heading, counts)
	}
	return counts
}

// TestInvitationThatNobodyGetsToKnow invites where the reader has gone: an invitation that
// could not be shown is taken back.
func TestInvitationThatNobodyGetsToKnow(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	operate(t, folder, "grower", "add", "Fern Hollow", "--token-file", "token")
	s := start(t, folder, "serve")
	defer s.end(t, os.Interrupt)
	operate(t, folder, "society", "add", "Sundew circle", "--server", s.grpc)
	reader, writer, err := os.Pipe()
	if err == nil {
		err = reader.Close()
	}
	if err != nil {
		t.Fatal(err)
	}
	var errs strings.Builder
	c := inFolder(t.Context(), folder, "invite", "--society", "sundew", "--server", s.grpc)
	c.Stdout, c.Stderr = writer, &errs
	if err := c.Run(); err == nil || c.ProcessState.ExitCode() != 1 {
		t.Errorf("%v, want the exit code 1", err)
	}
	if err := writer.Close(); err != nil {
		t.Error(err)
	}
	if !regexp.MustCompile(`^dewbench: the invitation cannot be shown: .*\nsocieties/.*/invitations/.* is taken back: make another one\n$`).MatchString(errs.String()) {
		t.Errorf("it says %q", errs.String())
	}
	if list := operate(t, folder, "invite", "list", "--society", "sundew", "--ended", "--server", s.grpc); !strings.Contains(list, " taken back 20") {
		t.Errorf("the list: %s", list)
	}
}
