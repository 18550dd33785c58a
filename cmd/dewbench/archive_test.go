package main

import (
	"archive/zip"
	"bytes"
	"encoding/json"
	"image"
	"image/png"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
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
	var picture bytes.Buffer
	if err := png.Encode(&picture, image.NewGray(image.Rect(0, 0, 40, 30))); err != nil {
		t.Fatal(err)
	}
	s.send(t, "POST", "/v1/"+list.Collections[0].Name+"/plants/-/photos:upload?tag=D12", secret, picture.String(), 200)

	var config net.ListenConfig
	l, err := config.Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	r := &relay{Listener: l, seen: map[string][]byte{}, calls: map[string]int{}}
	pass, refused := r.pass(dial(t, s.grpc)), 0
	server := grpc.NewServer(grpc.UnknownServiceHandler(func(srv any, stream grpc.ServerStream) error {
		if method, _ := grpc.MethodFromServerStream(stream); method == pb.ArchiveService_ExportArchive_FullMethodName && refused < 2 {
			refused++
			// As the server answers it (google/rpc/error_details.proto).
			busy, err := status.New(codes.ResourceExhausted, "too many calls").WithDetails(&errdetails.RetryInfo{RetryDelay: durationpb.New(time.Millisecond)})
			if err != nil {
				return err
			}
			return busy.Err()
		}
		return pass(srv, stream)
	}))
	served := make(chan error, 1)
	go func() { served <- server.Serve(r) }()
	said := operate(t, folder, "archive", "save", "all.zip", "--server", l.Addr().String())
	server.Stop()
	if err := <-served; err != nil {
		t.Error(err)
	}
	if refused != 2 || !strings.HasPrefix(said, "all.zip: ") {
		t.Errorf("refused %d times, it says %s", refused, said)
	}
	operate(t, folder, "archive", "save", "rest.zip", "--without-photos", "--server", s.grpc)
	for file, want := range map[string]int{"all.zip": 1, "rest.zip": 0} {
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
			if data, err := io.ReadAll(in); err != nil || !bytes.Equal(data, picture.Bytes()) {
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

// Other errors are not waited for.
func TestToWait(t *testing.T) {
	info := func(code codes.Code, delay time.Duration) error {
		s, err := status.New(code, "x").WithDetails(&errdetails.RetryInfo{RetryDelay: durationpb.New(delay)})
		if err != nil {
			t.Fatal(err)
		}
		return s.Err()
	}
	for _, c := range []struct {
		err   error
		wait  time.Duration
		asked bool
	}{
		{info(codes.ResourceExhausted, 3*time.Second), 3 * time.Second, true},
		{info(codes.Aborted, time.Second), 0, false},
		{status.Error(codes.ResourceExhausted, "too large"), 0, false},
		{io.EOF, 0, false},
	} {
		if wait, asked := toWait(c.err); wait != c.wait || asked != c.asked {
			t.Errorf("%v: %v, %v", c.err, wait, asked)
		}
	}
}
