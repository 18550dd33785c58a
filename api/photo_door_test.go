package api

import (
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"
)

// A stream is let in as the call that it becomes: else it would be a way around its rule.
func TestStreamHasTheRuleOfItsCall(t *testing.T) {
	create, upload := service.Rules[pb.PhotoService_CreatePhoto_FullMethodName], service.Rules[pb.PhotoService_UploadPhoto_FullMethodName]
	if diff := cmp.Diff(create, upload); diff != "" {
		t.Errorf("the rules differ (-CreatePhoto +UploadPhoto):\n%s", diff)
	}
	if upload.Scope == "" || upload.Open || upload.Secret {
		t.Errorf("anybody may upload: %+v", upload)
	}
	// A stream that comes later needs its own way in.
	for name, info := range newServer(t).grpc.GetServiceInfo() {
		for _, m := range info.Methods {
			if stream := m.IsClientStream || m.IsServerStream; stream && strings.HasPrefix(name, "dewbench.") && m.Name != "UploadPhoto" {
				t.Errorf("%s/%s is a stream, and nothing tells how it is let in", name, m.Name)
			}
		}
	}
}

// Who may not upload is told so before anything is sent: the server keeps nothing of it.
func TestUploadIsRefusedBeforeItComes(t *testing.T) {
	now := time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)
	s := storetest.New(t, store.SQLite)
	d := openMatrix(t, openStore(t, s, service.Config{Now: func() time.Time { return now }}))
	tried := 0
	for _, c := range matrixCallers(t, s, now) {
		want := c.refused
		if want == "" && !slices.Contains(c.scopes, "record") && !slices.Contains(c.scopes, "manage") {
			want = "SCOPE_MISSING"
		}
		if want == "" {
			continue
		}
		tried++
		md := metadata.MD{}
		md.Append("authorization", c.authorization...)
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute) // if it waits for a message, it fails then
		stream, err := d.plain.NewStream(metadata.NewOutgoingContext(ctx, md), &grpc.StreamDesc{ClientStreams: true}, pb.PhotoService_UploadPhoto_FullMethodName)
		if err != nil {
			t.Fatal(err)
		}
		err = stream.RecvMsg(&pb.UploadPhotoResponse{}) // nothing was sent, nor that it is all
		cancel()
		if got := status.Convert(err); reasonOf(got) != want || got.Code() != matrixCodes[want] {
			t.Errorf("%s: %v, want %s", c.name, err, want)
		}
	}
	if tried < 7 {
		t.Errorf("%d callers were tried", tried)
	}
}

// The first message alone says what is sent, and each is judged when it comes.
func TestUploadMessages(t *testing.T) {
	d, plant := openGallery(t, store.SQLite)
	create := &pb.CreatePhotoRequest{Parent: plant}
	data := pictureOf("messages")
	part := func(m *pb.CreatePhotoRequest, data []byte) *pb.UploadPhotoRequest {
		return &pb.UploadPhotoRequest{Create: m, Data: data}
	}
	for name, c := range map[string]struct {
		send   []*pb.UploadPhotoRequest
		reason service.Reason
		field  string
	}{
		"none":                      {nil, "INVALID_FIELDS", "create"},
		"data first":                {[]*pb.UploadPhotoRequest{part(nil, data), part(create, nil)}, "INVALID_FIELDS", "create"},
		"create twice":              {[]*pb.UploadPhotoRequest{part(create, data[:9]), part(create, data[9:])}, "INVALID_FIELDS", "create"},
		"data of create":            {[]*pb.UploadPhotoRequest{part(&pb.CreatePhotoRequest{Parent: plant, Data: data}, nil)}, "INVALID_FIELDS", "create.data"},
		"a message that is too big": {[]*pb.UploadPhotoRequest{part(create, make([]byte, 4<<20+1))}, "INVALID_FIELDS", "data"},
		"no data":                   {[]*pb.UploadPhotoRequest{part(create, nil)}, "INVALID_PHOTO", "data"},
		"a bad name":                {[]*pb.UploadPhotoRequest{part(&pb.CreatePhotoRequest{Parent: "plants/1"}, data)}, "INVALID_FIELDS", "create.parent"},
		"half":                      {[]*pb.UploadPhotoRequest{part(create, data[:len(data)/2])}, "INVALID_PHOTO", "data"},
	} {
		stream, err := pb.NewPhotoServiceClient(d.conn).UploadPhoto(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range c.send {
			if err := stream.Send(m); err != nil {
				break // the server has answered already
			}
		}
		_, err = stream.CloseAndRecv()
		got := status.Convert(err)
		var fields []string
		for _, detail := range got.Details() {
			if bad, ok := detail.(*errdetails.BadRequest); ok {
				for _, v := range bad.GetFieldViolations() {
					fields = append(fields, v.GetField())
				}
			}
		}
		if reasonOf(got) != c.reason || !slices.Contains(fields, c.field) {
			t.Errorf("%s: %v at %q, want %s at %s", name, err, fields, c.reason, c.field)
		}
	}
	if list, err := pb.NewPhotoServiceClient(d.conn).ListPhotos(t.Context(), &pb.ListPhotosRequest{Parent: plant, ShowDeleted: true}); err != nil || len(list.GetPhotos()) != 0 {
		t.Errorf("something was kept: %v, %v", list, err)
	}
	// Empty pieces are no end.
	pieces := []*pb.UploadPhotoRequest{part(create, nil), part(nil, nil), part(nil, data[:1]), part(nil, nil), part(nil, data[1:]), part(nil, nil)}
	stream, err := pb.NewPhotoServiceClient(d.conn).UploadPhoto(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range pieces {
		if err := stream.Send(m); err != nil {
			t.Fatal(err)
		}
	}
	if answer, err := stream.CloseAndRecv(); err != nil || answer.GetPhoto().GetSizeBytes() != int32(len(data)) {
		t.Errorf("with empty pieces: %v, %v", answer, err)
	}
}

// A photo is one request by its request id, whichever way it comes: as JSON, as a body, as a
// message or as a stream. Another file, or other words, are another request.
func TestUploadTwice(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		d, plant := openGallery(t, engine)
		calls := pb.NewPhotoServiceClient(d.conn)
		type way func(note string, data []byte) (*pb.Photo, error)
		overHTTP := func(status int, m *pb.Photo, body string) (*pb.Photo, error) {
			if status != http.StatusOK {
				return nil, errors.New(body)
			}
			return m, nil
		}
		request := func(note string) *pb.CreatePhotoRequest {
			return &pb.CreatePhotoRequest{Parent: plant, RequestId: "once", Note: note}
		}
		ways := map[string]way{
			"message": func(note string, data []byte) (*pb.Photo, error) {
				req := request(note)
				req.Data = data
				return calls.CreatePhoto(t.Context(), req)
			},
			"stream": func(note string, data []byte) (*pb.Photo, error) {
				return d.upload(t.Context(), request(note), data, 100)
			},
			"body": func(note string, data []byte) (*pb.Photo, error) {
				return overHTTP(d.sendPhoto(t, plant, "requestId=once&note="+note, "image/png", data))
			},
			"JSON": func(note string, data []byte) (*pb.Photo, error) {
				body := fmt.Sprintf(`{"requestId": "once", "note": %q, "data": %q}`, note, base64.StdEncoding.EncodeToString(data))
				return overHTTP(d.sendPhoto(t, plant, "", "application/json", []byte(body)))
			},
		}
		data := pictureOf("twice")
		first, err := ways["body"]("first", data)
		if err != nil {
			t.Fatal(err)
		}
		for name, send := range ways {
			again, err := send("first", data)
			if diff := cmp.Diff(first, again, protocmp.Transform()); err != nil || diff != "" {
				t.Errorf("again as %s: %v (-first +again):\n%s", name, err, diff)
			}
			if _, err := send("second", data); !reused(err) {
				t.Errorf("other words as %s: %v", name, err)
			}
			if _, err := send("first", pictureOf("another")); !reused(err) {
				t.Errorf("another picture as %s: %v", name, err)
			}
		}
		list, err := calls.ListPhotos(t.Context(), &pb.ListPhotosRequest{Parent: plant, ShowDeleted: true})
		if err != nil || len(list.GetPhotos()) != 1 || !proto.Equal(list.GetPhotos()[0], first) {
			t.Errorf("what stands: %v, %v", list, err)
		}
		history, err := pb.NewRevisionServiceClient(d.conn).ListRevisions(t.Context(), &pb.ListRevisionsRequest{Parent: first.GetName()})
		if err != nil || len(history.GetRevisions()) != 1 {
			t.Errorf("its history: %v, %v", history, err)
		}
	})
}

// reused tells whether an error is that of a request id that was used for another request.
func reused(err error) bool {
	return err != nil && (reasonOf(status.Convert(err)) == "REQUEST_ID_REUSED" && status.Code(err) == codes.AlreadyExists || strings.Contains(err.Error(), `"REQUEST_ID_REUSED"`))
}
