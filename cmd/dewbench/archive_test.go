package main

import (
	"archive/zip"
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"
	"google.golang.org/protobuf/types/known/durationpb"

	pb "dewbench/proto/dewbench/v1"
)

// TestArchiveOfPhotos saves an archive with a photo, where the server takes no more calls at
// first: it waits as it is told, and the file is whole. Without photos there are none.
func TestArchiveOfPhotos(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	operate(t, folder, "grower", "add", "Fern Hollow", "--token-file", "token")
	s := start(t, folder, "serve")
	operate(t, folder, "new", "Home", "--time-zone", "UTC", "--server", s.grpc)
	operate(t, folder, "plant", "D12", "Drosera", "capensis", "--server", s.grpc)
	token, err := os.ReadFile(filepath.Join(folder, "token"))
	if err != nil {
		t.Fatal(err)
	}
	secret := strings.TrimSpace(string(token))
	var list struct{ Collections []struct{ Name string } }
	if err := json.Unmarshal(s.send(t, "GET", "/v1/collections", secret, "", 200), &list); err != nil || len(list.Collections) != 1 {
		t.Fatalf("%v, %v", list, err)
	}
	picture := noise(t, 1500, 1000) // which does not fit into one page
	s.send(t, "POST", "/v1/"+list.Collections[0].Name+"/plants/-/photos:upload?tag=D12", secret, string(picture), 200)

	// A collection is changed once while the second page comes: it begins anew.
	refusals := []error{
		tooMany(t, time.Millisecond), tooMany(t, time.Millisecond),
		nil, withReason(t, codes.Aborted, "WRITE_CONFLICT", 0),
	}
	door := refusing(t, s.grpc, pb.ArchiveService_ExportArchive_FullMethodName, refusals...)
	said := operate(t, folder, "archive", "save", "all.zip", "--server", door.address)
	if n := door.stop(); n < len(refusals)+2 || !strings.Contains(said, "all.zip: ") {
		t.Errorf("%d calls, it says %s", n, said)
	}
	// On standard output there is nothing of what was given up.
	door = refusing(t, s.grpc, pb.ArchiveService_ExportArchive_FullMethodName, nil, withReason(t, codes.Aborted, "WRITE_CONFLICT", 0))
	piped := operate(t, folder, "archive", "save", "-", "--server", door.address)
	if n := door.stop(); n < 4 {
		t.Errorf("%d calls", n)
	}
	if err := os.WriteFile(filepath.Join(folder, "piped.zip"), []byte(piped), 0o600); err != nil || !strings.HasPrefix(piped, "PK\x03\x04") {
		t.Errorf("standard output does not begin as a ZIP file: %v", err)
	}
	operate(t, folder, "archive", "save", "rest.zip", "--without-photos", "--server", s.grpc)
	for file, want := range map[string]int{"all.zip": 1, "piped.zip": 1, "rest.zip": 0} {
		z, err := zip.OpenReader(filepath.Join(folder, file))
		if err != nil {
			t.Fatal(err)
		}
		found := 0
		for _, f := range z.File {
			if !strings.Contains(f.Name, "/photos/") {
				continue
			}
			in, err := f.Open()
			if err != nil {
				t.Fatal(err)
			}
			if data, err := io.ReadAll(in); err != nil || !bytes.Equal(data, picture) {
				t.Errorf("%s of %s is not what was sent: %v", f.Name, file, err)
			}
			found++
		}
		if err := z.Close(); err != nil || found != want {
			t.Errorf("%s has %d photos, want %d: %v", file, found, want, err)
		}
	}
	if said := operate(t, folder, "archive", "restore", "all.zip", "--server", s.grpc); !strings.HasSuffix(said, ": Home, 1 plants, 0 feedings, 0 observations, 1 photos\n") {
		t.Errorf("it says %s", said)
	}
	s.end(t, os.Interrupt)
}

// An archive is begun 5 times at most, and nothing is left of it.
func TestArchiveBegunAnew(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	operate(t, folder, "grower", "add", "Fern Hollow", "--token-file", "token")
	s := start(t, folder, "serve")
	operate(t, folder, "new", "Home", "--time-zone", "UTC", "--server", s.grpc)
	conflict := withReason(t, codes.Aborted, "WRITE_CONFLICT", 0)
	door := refusing(t, s.grpc, pb.ArchiveService_ExportArchive_FullMethodName, conflict, conflict, conflict, conflict, conflict)
	out, err := inFolder(t.Context(), folder, "archive", "save", "all.zip", "--server", door.address).CombinedOutput()
	if n := door.stop(); n != 5 || err == nil || !strings.Contains(string(out), "It was begun 5 times") {
		t.Errorf("%d calls, it says %s: %v", n, out, err)
	}
	if _, err := os.Lstat(filepath.Join(folder, "all.zip")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a file is left: %v", err)
	}
	s.end(t, os.Interrupt)
}

// Calls that are too many are waited for however often, others while tries are left, and
// none for more than a minute.
func TestToWait(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		err         error
		tries, left int
		wait        time.Duration
		again       bool
	}{
		{tooMany(t, 3*time.Second), 0, 0, 3 * time.Second, true},
		{tooMany(t, time.Minute), 2, 2, time.Minute, true},
		{tooMany(t, 61*time.Second), 2, 2, 0, false},
		{status.Error(codes.ResourceExhausted, "too large"), 2, 2, 0, false},
		{status.Error(codes.Unavailable, "the connection broke"), 2, 1, time.Second, true},
		{withReason(t, codes.Unavailable, "TOO_BUSY", 2*time.Second), 1, 0, 2 * time.Second, true},
		{withReason(t, codes.Unavailable, "TOO_BUSY", 2*time.Second), 0, 0, 0, false},
		{withReason(t, codes.Unavailable, "TOO_BUSY", time.Hour), 1, 1, 0, false},
		{withReason(t, codes.Aborted, "WRITE_CONFLICT", time.Second), 1, 1, 0, false},
		{io.EOF, 1, 1, 0, false},
		{nil, 1, 1, 0, false},
	} {
		tries := c.tries
		if wait, again := toWait(c.err, &tries); again != c.again || again && wait != c.wait || tries != c.left {
			t.Errorf("%v: %v, %v, %d tries left", c.err, wait, again, tries)
		}
	}
}

// withReason is an error as the server gives it (google/rpc/error_details.proto); a delay of
// 0 is not told.
func withReason(t *testing.T, code codes.Code, reason string, delay time.Duration) error {
	t.Helper()
	details := []protoadapt.MessageV1{&errdetails.ErrorInfo{Reason: reason, Domain: "dewbench"}}
	if delay > 0 {
		details = append(details, &errdetails.RetryInfo{RetryDelay: durationpb.New(delay)})
	}
	s, err := status.New(code, reason).WithDetails(details...)
	if err != nil {
		t.Fatal(err)
	}
	return s.Err()
}

func tooMany(t *testing.T, delay time.Duration) error {
	t.Helper()
	return withReason(t, codes.ResourceExhausted, "TOO_MANY_CALLS", delay)
}

// refusingDoor passes calls on to a server, but for some of one method.
type refusingDoor struct {
	address string
	stop    func() (calls int) // of the method
}

// refusing refuses the first calls of a method, each with its error; nil passes one on.
func refusing(t *testing.T, to, method string, with ...error) refusingDoor {
	t.Helper()
	var config net.ListenConfig
	l, err := config.Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	r := &relay{Listener: l, seen: map[string][]byte{}, calls: map[string]int{}}
	pass := r.pass(dial(t, to))
	var calls atomic.Int32
	server := grpc.NewServer(grpc.UnknownServiceHandler(func(srv any, stream grpc.ServerStream) error {
		if called, _ := grpc.MethodFromServerStream(stream); called == method {
			if n := int(calls.Add(1)); n <= len(with) && with[n-1] != nil {
				return with[n-1]
			}
		}
		return pass(srv, stream)
	}))
	served := make(chan error, 1)
	go func() { served <- server.Serve(r) }()
	return refusingDoor{l.Addr().String(), func() int {
		server.Stop()
		if err := <-served; err != nil {
			t.Error(err)
		}
		return int(calls.Load())
	}}
}
