package api

import (
	"errors"
	"log/slog"
	"net/http"
	"os"
	"slices"
	"testing"
	"time"

	"google.golang.org/grpc/codes"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"
)

// TestBucketOfAnotherDatabase gives a server the bucket of another database, whose photos it
// would take for what no record names.
func TestBucketOfAnotherDatabase(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		a := openAlbum(t, engine, service.Config{})
		m, err := a.upload(t.Context(), &pb.CreatePhotoRequest{Parent: a.plant}, jpegOf(t, grained(60, 40)), 1<<16)
		if err != nil {
			t.Fatal(err)
		}
		later := func() time.Time { return time.Now().AddDate(0, 0, 2) }
		open := func(rows *store.Store) (*Server, error) {
			blobs, err := store.OpenBlobs(t.Context(), a.bucket)
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() {
				if err := blobs.Close(); err != nil {
					t.Error(err)
				}
			})
			return New(t.Context(), service.Config{Store: rows, Blobs: blobs, Log: slog.New(slog.DiscardHandler), Version: "1.2.3", Now: later})
		}
		before := filesIn(t, a.bucket)
		if _, err := open(storetest.New(t, engine)); !errors.Is(err, store.ErrOtherDatabase) {
			t.Errorf("a server of another database: %v", err)
		}
		again, err := open(a.store)
		if err != nil {
			t.Fatalf("another server of the same database: %v", err)
		}
		if err := again.SweepPhotos(t.Context()); err != nil {
			t.Error(err)
		}
		if after := filesIn(t, a.bucket); !slices.Equal(before, after) {
			t.Errorf("of %q are left %q", before, after)
		}
		a.checkWhole(t, m)
	})
}

// TestBucketIsAway takes the folder of the photos away for a while: it is said so, and
// nothing of the database.
func TestBucketIsAway(t *testing.T) {
	a := openAlbum(t, store.SQLite, service.Config{})
	file := jpegOf(t, grained(60, 40))
	m, err := a.upload(t.Context(), &pb.CreatePhotoRequest{Parent: a.plant}, file, 1<<16)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(a.bucket, a.bucket+"-away"); err != nil {
		t.Fatal(err)
	}
	want := refusedPhoto{int(codes.Unavailable), string(service.StorageUnavailable), "the photos cannot be reached: call again in a moment"}
	_, err = a.upload(t.Context(), &pb.CreatePhotoRequest{Parent: a.plant}, jpegOf(t, grained(80, 40)), 1<<16)
	if got := photoRefusal(err); got != want {
		t.Errorf("to send a photo: %+v, want %+v", got, want)
	}
	_, err = pb.NewPhotoServiceClient(a.conn).GetPhotoContent(t.Context(), &pb.GetPhotoContentRequest{Name: m.GetName(), Rendition: pb.Photo_ORIGINAL})
	if got := photoRefusal(err); got != want {
		t.Errorf("to get one: %+v, want %+v", got, want)
	}
	if answer, body := a.content(t, m.GetName(), "rendition=ORIGINAL"); answer.StatusCode != http.StatusServiceUnavailable || errorReason(errorOf(t, body)) != want.reason {
		t.Errorf("over HTTP: %d: %s", answer.StatusCode, body)
	}
	if err := os.Rename(a.bucket+"-away", a.bucket); err != nil {
		t.Fatal(err)
	}
	a.checkWhole(t, m)
}
