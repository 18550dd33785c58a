package api

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
)

// TestUploadsOutOfOrder sends streams that are none of what the contract says, and requests
// over HTTP that are neither a picture nor JSON.
func TestUploadsOutOfOrder(t *testing.T) {
	a := openAlbum(t, store.SQLite, service.Config{})
	file := jpegOf(t, grained(60, 40))
	create := &pb.CreatePhotoRequest{Parent: a.plant}
	for _, c := range []struct {
		name     string
		messages []*pb.UploadPhotoRequest
		reason   service.Reason
		want     string
	}{
		{"nothing", nil, service.InvalidFields, "create"},
		{"an empty message", []*pb.UploadPhotoRequest{{}}, service.InvalidFields, "create: must be given in the first message"},
		{"data before create", []*pb.UploadPhotoRequest{{Data: file}, {Create: create}}, service.InvalidFields, "create: must be given in the first message"},
		{"create twice", []*pb.UploadPhotoRequest{{Create: create, Data: file[:10]}, {Create: create, Data: file[10:]}}, service.InvalidFields, "create: must be in the first message alone"},
		{"data within create", []*pb.UploadPhotoRequest{{Create: &pb.CreatePhotoRequest{Parent: a.plant, Data: file}}}, service.InvalidFields, "create.data"},
		{"create alone", []*pb.UploadPhotoRequest{{Create: create}}, service.InvalidPhoto, "the file is empty"},
		{"empty pieces", []*pb.UploadPhotoRequest{{Create: create}, {}, {}, {}}, service.InvalidPhoto, "the file is empty"},
		{"a piece of 4 MiB and a byte", []*pb.UploadPhotoRequest{{Create: create, Data: make([]byte, 4<<20+1)}}, service.InvalidFields, "data"},
		{"a later piece of 4 MiB and a byte", []*pb.UploadPhotoRequest{{Create: create}, {Data: make([]byte, 4<<20+1)}}, service.InvalidFields, "data"},
		{"a message of more than 16 MiB", []*pb.UploadPhotoRequest{{Create: create, Data: make([]byte, 17<<20)}}, requestTooLarge, "larger than"},
		{"a bad parent", []*pb.UploadPhotoRequest{{Create: &pb.CreatePhotoRequest{Parent: "plants/x"}, Data: file}}, service.InvalidFields, "parent"},
		{"no such plant", []*pb.UploadPhotoRequest{{Create: &pb.CreatePhotoRequest{Parent: a.collection + "/plants/none"}, Data: file}}, service.PlantNotFound, "none"},
		{"no such collection", []*pb.UploadPhotoRequest{{Create: &pb.CreatePhotoRequest{Parent: "collections/none/plants/none"}, Data: file}}, service.CollectionNotFound, "none"},
		{"any collection", []*pb.UploadPhotoRequest{{Create: &pb.CreatePhotoRequest{Parent: "collections/-/plants/-", Tag: "D1"}, Data: file}}, "", ""},
		{"a bad licence", []*pb.UploadPhotoRequest{{Create: &pb.CreatePhotoRequest{Parent: a.plant, License: proto.String("MIT")}, Data: file}}, service.InvalidFields, "license"},
	} {
		stream, err := pb.NewPhotoServiceClient(a.conn).UploadPhoto(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range c.messages {
			if err := stream.Send(m); err != nil && !errors.Is(err, io.EOF) {
				t.Fatalf("%s: %v", c.name, err)
			}
		}
		answer, err := stream.CloseAndRecv()
		r := photoRefusal(err)
		if err == nil || c.reason != "" && r.reason != string(c.reason) || !strings.Contains(r.message, c.want) || r.status == int(codes.Internal) || r.status == int(codes.Unknown) {
			t.Errorf("%s: %v, %v", c.name, answer, err)
		}
	}
	path := "/v1/" + a.plant + "/photos:upload"
	inJSON := func(data []byte, more string) []byte {
		return []byte(`{"data":"` + base64.StdEncoding.EncodeToString(data) + `"` + more + `}`)
	}
	asJSON := [2]string{"Content-Type", "application/json"}
	for _, c := range []struct {
		name, query string
		header      [2]string
		body        []byte
		status      int
		reason      service.Reason
	}{
		{"JSON of more than 16 MiB", "", asJSON, inJSON(make([]byte, 13<<20), ""), http.StatusRequestEntityTooLarge, requestTooLarge},
		{"JSON without data", "", asJSON, []byte(`{"note":"x"}`), http.StatusBadRequest, service.InvalidFields},
		{"JSON of no base64", "", asJSON, []byte(`{"data":"<>"}`), http.StatusBadRequest, malformedRequest},
		{"JSON of no picture", "", asJSON, inJSON([]byte("GIF89a"), ""), http.StatusBadRequest, service.InvalidPhoto},
		{"a picture called JSON", "", asJSON, file, http.StatusBadRequest, malformedRequest},
		{"JSON called a picture", "", [2]string{"Content-Type", "image/jpeg"}, inJSON(file, ""), http.StatusBadRequest, service.InvalidPhoto},
		{"data twice", "?data=AAAA", [2]string{}, file, http.StatusBadRequest, ""},
		{"an unknown key", "?colour=red", [2]string{}, file, http.StatusBadRequest, unknownQueryKey},
		{"parent as a key", "?parent=collections/other/plants/other", [2]string{}, file, http.StatusBadRequest, ""},
		{"a bad value", "?validateOnly=perhaps", [2]string{}, file, http.StatusBadRequest, ""},
		{"a picture that is packed", "", [2]string{"Content-Encoding", "gzip"}, file, http.StatusBadRequest, malformedRequest},
		{"a licence of others", "?license=MIT", [2]string{}, file, http.StatusBadRequest, service.InvalidFields},
		{"two lines of credit", "?credit=a%0Ab", [2]string{}, file, http.StatusBadRequest, service.InvalidFields},
		{"no UTF-8", "?note=%ff", [2]string{}, file, http.StatusBadRequest, ""},
		{"no token", "", [2]string{"Authorization", "Bearer nonsense"}, file, http.StatusUnauthorized, service.TokenInvalid},
	} {
		var header [][2]string
		if c.header[0] != "" {
			header = append(header, c.header)
		}
		answer := a.sendRaw(t, http.MethodPost, path+c.query, header, c.body)
		if reason := errorReason(errorOf(t, answer.body)); answer.status != c.status || c.reason != "" && reason != string(c.reason) {
			t.Errorf("%s: status %d, %s: %.500s", c.name, answer.status, reason, answer.body)
		}
	}
	if _, err := pb.NewPhotoServiceClient(a.conn).CreatePhoto(t.Context(), create); photoRefusal(err).reason != string(service.InvalidFields) {
		t.Errorf("no data: %v", err)
	}
	a.checkNothing(t, "what is out of order")

	// As JSON, in one message, and in pieces of any size it is the same photo.
	answer := a.sendRaw(t, http.MethodPost, path, [][2]string{asJSON}, inJSON(file, `,"note":"first"`))
	var made struct{ Name string }
	if err := json.Unmarshal(answer.body, &made); err != nil || answer.status != http.StatusOK {
		t.Fatalf("status %d: %s", answer.status, answer.body)
	}
	whole, err := pb.NewPhotoServiceClient(a.conn).CreatePhoto(t.Context(), &pb.CreatePhotoRequest{Parent: a.plant, Data: file})
	if err != nil || whole.GetName() != made.Name || whole.GetNote() != "first" {
		t.Errorf("%v, %v", whole, err)
	}
	for _, piece := range []int{101, 1000, 4 << 20} {
		if m, err := a.upload(t.Context(), create, file, piece); err != nil || !proto.Equal(m, whole) {
			t.Errorf("in pieces of %d: %v, %v", piece, m, err)
		}
	}
}

// slowUpload is an upload of which the rest is held back.
type slowUpload struct {
	rest   func() error // sends it
	result chan refusedPhoto
}

// slowOverHTTP begins an upload with its first half.
func (d *doors) slowOverHTTP(t *testing.T, plant, secret string, file []byte) *slowUpload {
	t.Helper()
	conn, err := net.Dial("tcp", d.httpAddr)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	_, err = fmt.Fprintf(conn, "POST /v1/%s/photos:upload HTTP/1.1\r\nHost: x\r\nConnection: close\r\nAuthorization: Bearer %s\r\nContent-Length: %d\r\n\r\n%s",
		plant, secret, len(file), file[:len(file)/2])
	if err != nil {
		t.Fatal(err)
	}
	u := &slowUpload{result: make(chan refusedPhoto, 1)}
	u.rest = func() error {
		_, err := conn.Write(file[len(file)/2:])
		return err
	}
	go func() {
		answer, err := io.ReadAll(conn)
		status := 0
		if _, scan := fmt.Sscanf(string(answer), "HTTP/1.1 %d", &status); scan != nil {
			u.result <- refusedPhoto{0, "", fmt.Sprint(err, scan)}
			return
		}
		_, body, _ := strings.Cut(string(answer), "\r\n\r\n")
		r := refusedPhoto{status, "", body}
		if status != http.StatusOK {
			r.reason = errorReason(errorOf(t, []byte(body)))
		}
		u.result <- r
	}()
	return u
}

// slowOverGRPC begins an upload with its first half.
func (d *doors) slowOverGRPC(ctx context.Context, t *testing.T, plant, secret string, file []byte) *slowUpload {
	t.Helper()
	conn := d.conn.(*bearing).ClientConnInterface
	stream, err := pb.NewPhotoServiceClient(WithToken(conn, secret)).UploadPhoto(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if err := stream.Send(&pb.UploadPhotoRequest{Create: &pb.CreatePhotoRequest{Parent: plant}, Data: file[:len(file)/2]}); err != nil {
		t.Fatal(err)
	}
	u := &slowUpload{result: make(chan refusedPhoto, 1)}
	u.rest = func() error {
		err := stream.Send(&pb.UploadPhotoRequest{Data: file[len(file)/2:]})
		if err == nil || errors.Is(err, io.EOF) {
			err = stream.CloseSend()
		}
		return err
	}
	go func() {
		err := stream.RecvMsg(&pb.UploadPhotoResponse{})
		u.result <- photoRefusal(err)
	}()
	return u
}

// awaitUploads waits until so many photos come, or go.
func (d *doors) awaitUploads(t *testing.T, n int) {
	t.Helper()
	u := d.server.gateway.underWay[photoFiles]
	await(t, fmt.Sprint(n, " uploads under way"), func() bool {
		u.mu.Lock()
		defer u.mu.Unlock()
		return u.all == n
	})
}

// TestTooManyUploads holds as many uploads of a grower as are taken, by both doors: one more
// is refused, those of another grower are not, and once one is done there is a place again.
func TestTooManyUploads(t *testing.T) {
	a := openAlbum(t, store.SQLite, service.Config{})
	a.share(t, "keeper", pb.Grant_KEEPER)
	var held []*slowUpload
	for i := range photoFiles.atOnceOfOne {
		file := jpegOf(t, grained(60+i, 40))
		if i%2 == 0 {
			held = append(held, a.slowOverHTTP(t, a.plant, testSecret, file))
		} else {
			held = append(held, a.slowOverGRPC(t.Context(), t, a.plant, testSecret, file))
		}
		a.awaitUploads(t, i+1)
	}
	one := jpegOf(t, grained(50, 40))
	byHTTP, byGRPC := a.refusals(t, "image/jpeg", one)
	if byHTTP.status != http.StatusServiceUnavailable || byHTTP.reason != string(tooBusy) || byGRPC.status != int(codes.Unavailable) || byGRPC.reason != string(tooBusy) {
		t.Errorf("one more: %v, %v", byHTTP, byGRPC)
	}
	answer := a.sendRaw(t, http.MethodPost, "/v1/"+a.plant+"/photos:upload", [][2]string{{"Authorization", "Bearer " + secretOf("keeper")}}, one)
	if answer.status != http.StatusOK {
		t.Errorf("another grower's: status %d: %s", answer.status, answer.body)
	}
	if err := held[0].rest(); err != nil {
		t.Fatal(err)
	}
	if r := <-held[0].result; r.status != http.StatusOK {
		t.Errorf("the first: %v", r)
	}
	a.awaitUploads(t, len(held)-1)
	if byHTTP, byGRPC := a.refusals(t, "image/jpeg", one); byHTTP.reason != "" || byGRPC.reason != "" {
		t.Errorf("with a place again: %v, %v", byHTTP, byGRPC)
	}
	for _, u := range held[1:] {
		if err := u.rest(); err != nil {
			t.Error(err)
		}
		if r := <-u.result; r.reason != "" {
			t.Errorf("%v", r)
		}
	}
	a.awaitUploads(t, 0)
}

// TestUploadsBrokenOff gives up uploads in their middle: nothing is kept of them, and their
// places are free again.
func TestUploadsBrokenOff(t *testing.T) {
	a := openAlbum(t, store.SQLite, service.Config{})
	file := jpegOf(t, grained(60, 40))
	for range 3 {
		ctx, giveUp := context.WithCancel(t.Context())
		overGRPC := a.slowOverGRPC(ctx, t, a.plant, testSecret, file)
		a.awaitUploads(t, 1)
		giveUp()
		if r := <-overGRPC.result; r.status != int(codes.Canceled) {
			t.Errorf("%v", r)
		}
		a.awaitUploads(t, 0)
		// Its half is all that comes.
		conn, err := net.Dial("tcp", a.httpAddr)
		if err != nil {
			t.Fatal(err)
		}
		if _, err = fmt.Fprintf(conn, "POST /v1/%s/photos:upload HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer %s\r\nContent-Length: %d\r\n\r\n%s", a.plant, testSecret, len(file), file[:len(file)/2]); err != nil {
			t.Fatal(err)
		}
		a.awaitUploads(t, 1)
		if err := conn.(*net.TCPConn).CloseWrite(); err != nil {
			t.Fatal(err)
		}
		answer, err := io.ReadAll(conn)
		if conn.Close() != nil || err != nil || !strings.HasPrefix(string(answer), "HTTP/1.1 400") || !strings.Contains(string(answer), "the photo broke off") {
			t.Errorf("%v: %s", err, answer)
		}
		a.awaitUploads(t, 0)
	}
	a.checkNothing(t, "what broke off")
}

// TestStalledUploads begins uploads that never go on, by both doors: they end when a file
// must have come.
func TestStalledUploads(t *testing.T) {
	waits := usualWaits
	waits.stream, waits.file = 50*time.Millisecond, 100*time.Millisecond
	grpcAddr, httpAddr := hasty(t, waits)
	conn, err := grpc.NewClient(grpcAddr, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	d := &doors{grpcAddr: grpcAddr, httpAddr: httpAddr, token: testSecret, conn: WithToken(conn, testSecret)}
	made := func(path, body string) (name string) { // over HTTP, whose calls have more time here
		answer := d.sendRaw(t, http.MethodPost, "/v1/"+path, [][2]string{{"Content-Type", "application/json"}}, []byte(body))
		m, _ := parseJSON(t, answer.body).(map[string]any)
		if name, _ = m["name"].(string); name == "" {
			t.Fatalf("status %d: %s", answer.status, answer.body)
		}
		return name
	}
	plant := made(made("collections", `{"displayName":"Windowsill","timeZone":"Europe/Berlin"}`)+"/plants", `{"tag":"D1","taxon":"taxa/drosera-spatulata"}`)
	file := jpegOf(t, grained(60, 40))
	if r := <-d.slowOverHTTP(t, plant, testSecret, file).result; r.status != http.StatusBadRequest || r.reason != string(malformedRequest) || !strings.Contains(r.message, "the photo broke off") {
		t.Errorf("over HTTP: %v", r)
	}
	if r := <-d.slowOverGRPC(t.Context(), t, plant, testSecret, file).result; r.status != int(codes.DeadlineExceeded) {
		t.Errorf("over gRPC: %v", r)
	}
	if list := d.sendRaw(t, http.MethodGet, "/v1/"+plant+"/photos", nil, nil); list.status != http.StatusOK || strings.Contains(string(list.body), "sha256") {
		t.Errorf("status %d: %s", list.status, list.body)
	}
}

// TestRevokedAmidUpload revokes a token while its upload comes, by both doors.
func TestRevokedAmidUpload(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		a := openAlbum(t, engine, service.Config{})
		a.server.gateway.slow.Store(0) // whatever comes takes longer than that
		file := jpegOf(t, grained(60, 40))
		for i, begin := range []func(secret string) *slowUpload{
			func(secret string) *slowUpload { return a.slowOverHTTP(t, a.plant, secret, file) },
			func(secret string) *slowUpload { return a.slowOverGRPC(t.Context(), t, a.plant, secret, file) },
		} {
			made, err := pb.NewTokenServiceClient(a.conn).CreateToken(t.Context(), &pb.CreateTokenRequest{Parent: "growers/me", Token: &pb.Token{DisplayName: "phone", Scopes: service.Scopes}})
			if err != nil {
				t.Fatal(err)
			}
			u := begin(made.GetSecret())
			a.awaitUploads(t, 1)
			if _, err := pb.NewTokenServiceClient(a.conn).DeleteToken(t.Context(), &pb.DeleteTokenRequest{Name: made.GetName()}); err != nil {
				t.Fatal(err)
			}
			if err := u.rest(); err != nil {
				t.Fatal(err)
			}
			if r := <-u.result; r.reason != string(service.TokenInvalid) || r.status != []int{http.StatusUnauthorized, int(codes.Unauthenticated)}[i] {
				t.Errorf("door %d: %v", i, r)
			}
		}
		a.awaitUploads(t, 0)
		a.checkNothing(t, "what came by a revoked token")
	})
}

// TestUploadsAtOnce sends the same bytes 32 times at once, and others beside, of two growers:
// each file is one photo, and nothing fails.
func TestUploadsAtOnce(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		a := openAlbum(t, engine, service.Config{})
		a.share(t, "keeper", pb.Grant_KEEPER)
		conn := a.conn.(*bearing).ClientConnInterface
		calls := []pb.PhotoServiceClient{pb.NewPhotoServiceClient(a.conn), pb.NewPhotoServiceClient(WithToken(conn, secretOf("keeper")))}
		same := jpegOf(t, grained(300, 200))
		var mu sync.Mutex
		names := map[string]int{}
		// So many of one grower may come at once, and a place is free a little after its answer.
		places := [2]chan struct{}{make(chan struct{}, photoFiles.atOnceOfOne/2), make(chan struct{}, photoFiles.atOnceOfOne/2)}
		var all errgroup.Group
		for i := range 48 {
			file := same
			if i >= 32 {
				file = withSegments(same, segmentOf(0xfe, fmt.Append(nil, i/2))) // each from both growers
			}
			all.Go(func() error {
				var (
					m   *pb.Photo
					err error
				)
				create := &pb.CreatePhotoRequest{Parent: a.plant}
				places[i%2] <- struct{}{}
				defer func() { <-places[i%2] }()
				if i%3 == 0 {
					create.Data = file
					m, err = calls[i%2].CreatePhoto(t.Context(), create)
				} else {
					var stream grpc.ClientStreamingClient[pb.UploadPhotoRequest, pb.UploadPhotoResponse]
					if stream, err = calls[i%2].UploadPhoto(t.Context()); err == nil {
						if err = stream.Send(&pb.UploadPhotoRequest{Create: create, Data: file}); err == nil || errors.Is(err, io.EOF) {
							var answer *pb.UploadPhotoResponse
							answer, err = stream.CloseAndRecv()
							m = answer.GetPhoto()
						}
					}
				}
				if err != nil {
					return fmt.Errorf("%d: %w", i, err)
				}
				mu.Lock()
				defer mu.Unlock()
				names[m.GetName()+" "+m.GetSha256()]++
				return nil
			})
		}
		if err := all.Wait(); err != nil {
			t.Fatal(err)
		}
		if len(names) != 9 {
			t.Errorf("%d photos of 9 files: %v", len(names), names)
		}
		if files := filesIn(t, a.bucket); len(files) != 9 {
			t.Errorf("%d files: %v", len(files), files)
		}
		if rows := allRows(t, a.raw, "SELECT photo_id FROM photos"); len(rows) != 9 {
			t.Errorf("%d rows", len(rows))
		}
		if log := a.log.String(); strings.Contains(log, `"level":"ERROR"`) {
			t.Errorf("the log has errors: %.2000s", log)
		}
		for name := range names {
			name, digest, _ := strings.Cut(name, " ")
			a.checkWhole(t, &pb.Photo{Name: name, Sha256: digest})
		}
	})
}
