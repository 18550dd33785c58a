package api

import (
	"bytes"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
)

// agingAlbum is an album whose clock is put forward, and which does what a server does by
// itself meanwhile.
type agingAlbum struct {
	*album
	at *clock
}

func openAgingAlbum(t *testing.T, engine store.Engine) *agingAlbum {
	t.Helper()
	at := newClock(time.Now()) // files have the time of the machine
	return &agingAlbum{openAlbum(t, engine, service.Config{Now: at.now}), at}
}

// pass lets days pass.
func (a *agingAlbum) pass(t *testing.T, days int) {
	t.Helper()
	a.at.set(a.at.now().Add(time.Duration(days) * 24 * time.Hour))
	for _, erase := range []func() error{
		func() error { _, err := service.Sweep(t.Context(), a.store, a.at.now()); return err },
		func() error { return service.FinishErasures(t.Context(), a.store, a.at.now()) },
		func() error { return a.server.SweepPhotos(t.Context()) },
	} {
		if err := erase(); err != nil {
			t.Fatal(err)
		}
	}
}

// send sends a photo and makes its renditions.
func (a *agingAlbum) send(t *testing.T, plant string, file []byte) *pb.Photo {
	t.Helper()
	m, err := a.upload(t.Context(), &pb.CreatePhotoRequest{Parent: plant}, file, 1<<16)
	if err != nil {
		t.Fatal(err)
	}
	a.makeRenditions(t, m)
	return m
}

// checkThere looks whether a photo can be got in all forms.
func (a *agingAlbum) checkThere(t *testing.T, m *pb.Photo) {
	t.Helper()
	a.checkWhole(t, m)
	for _, form := range []string{"SMALL", "LARGE"} {
		if answer, body := a.content(t, m.GetName(), "rendition="+form); answer.StatusCode != http.StatusOK {
			t.Errorf("%s of %s: status %d: %.300s", form, m.GetName(), answer.StatusCode, body)
		}
	}
}

// originals are the files of the bucket that are none of renditions.
func (a *agingAlbum) originals(t *testing.T) []string {
	t.Helper()
	return slices.DeleteFunc(filesIn(t, a.bucket), func(name string) bool { return filepath.Ext(name) == ".jpg" })
}

// TestSharedFiles lets plants and collections have photos of the same bytes, and lets them
// go one by one: the file stays as long as one of its collection needs it.
func TestSharedFiles(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		a := openAgingAlbum(t, engine)
		calls := pb.NewPhotoServiceClient(a.conn)
		file := jpegOf(t, grained(400, 300))
		second := a.addPlantTo(t, a.collection, "D2")
		_, elsewhere := a.addPlant(t, "Elsewhere", "D1")
		one, two, other := a.send(t, a.plant, file), a.send(t, second, file), a.send(t, elsewhere, file)
		if one.GetName() == two.GetName() || one.GetSha256() != two.GetSha256() || len(a.originals(t)) != 2 || len(filesIn(t, a.bucket)) != 6 {
			t.Fatalf("files: %v", filesIn(t, a.bucket))
		}
		a.pass(t, 2)
		for _, m := range []*pb.Photo{one, two, other} {
			a.checkThere(t, m)
		}
		remove := func(m *pb.Photo) {
			t.Helper()
			if _, err := calls.DeletePhoto(t.Context(), &pb.DeletePhotoRequest{Name: m.GetName()}); err != nil {
				t.Fatal(err)
			}
		}
		remove(one)
		a.pass(t, 29) // it can still be undeleted
		a.checkThere(t, one)
		a.pass(t, 2)
		if answer, _ := a.content(t, one.GetName(), ""); answer.StatusCode != http.StatusNotFound {
			t.Errorf("purged: status %d", answer.StatusCode)
		}
		a.checkThere(t, two)
		a.checkThere(t, other)
		if len(a.originals(t)) != 2 {
			t.Errorf("files: %v", filesIn(t, a.bucket))
		}
		remove(two)
		a.pass(t, 31)
		if files := a.originals(t); len(files) != 1 || len(filesIn(t, a.bucket)) != 3 {
			t.Errorf("files: %v", filesIn(t, a.bucket))
		}
		a.checkThere(t, other)
		// It is sent again, and is another photo.
		again := a.send(t, a.plant, file)
		if again.GetName() == one.GetName() {
			t.Error("a purged photo came back")
		}
		a.pass(t, 2)
		a.checkThere(t, again)
		remove(again)
		remove(other)
		a.pass(t, 31)
		if files := filesIn(t, a.bucket); len(files) > 0 {
			t.Errorf("files of no photo: %v", files)
		}
	})
}

// TestFilesOfWhatIsDeleted deletes what photos belong to, and brings it back: no file goes
// before what names it is gone for good. At last the grower is erased.
func TestFilesOfWhatIsDeleted(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		a := openAgingAlbum(t, engine)
		c := clientsOf(a.conn)
		m := a.send(t, a.plant, jpegOf(t, grained(400, 300)))
		if _, err := c.DeletePlant(t.Context(), &pb.DeletePlantRequest{Name: a.plant}); err != nil {
			t.Fatal(err)
		}
		a.pass(t, 29)
		if _, err := c.UndeletePlant(t.Context(), &pb.UndeletePlantRequest{Name: a.plant}); err != nil {
			t.Fatal(err)
		}
		a.checkThere(t, m)
		if _, err := c.DeleteCollection(t.Context(), &pb.DeleteCollectionRequest{Name: a.collection}); err != nil {
			t.Fatal(err)
		}
		a.pass(t, 29)
		if _, err := c.UndeleteCollection(t.Context(), &pb.UndeleteCollectionRequest{Name: a.collection}); err != nil {
			t.Fatal(err)
		}
		a.checkThere(t, m)
		// A plant that is purged takes its photos along.
		second := a.addPlantTo(t, a.collection, "D2")
		gone := a.send(t, second, jpegOf(t, grained(300, 300)))
		if _, err := c.DeletePlant(t.Context(), &pb.DeletePlantRequest{Name: second}); err != nil {
			t.Fatal(err)
		}
		a.pass(t, 31)
		if files := filesIn(t, a.bucket); len(files) != 3 || slices.ContainsFunc(files, func(name string) bool { return bytes.Contains([]byte(name), []byte(gone.GetSha256())) }) {
			t.Errorf("files: %v", files)
		}
		a.checkThere(t, m)
		if _, err := c.EraseGrower(t.Context(), &pb.EraseGrowerRequest{Name: "growers/me", Confirm: "Test grower"}); err != nil {
			t.Fatal(err)
		}
		a.pass(t, 2)
		if files := filesIn(t, a.bucket); len(files) > 0 {
			t.Errorf("files of a grower who was erased: %v", files)
		}
		if rows := allRows(t, a.raw, "SELECT * FROM photos"); len(rows) > 0 {
			t.Errorf("rows: %v", rows)
		}
	})
}

// TestSentAgainHeals loses the file of a photo, and the job of its renditions was given up:
// who sends the same bytes again has all of it back.
func TestSentAgainHeals(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		a := openAgingAlbum(t, engine)
		file := jpegOf(t, grained(400, 300))
		m, err := a.upload(t.Context(), &pb.CreatePhotoRequest{Parent: a.plant}, file, 1<<16)
		if err != nil {
			t.Fatal(err)
		}
		jobs := func(state string) int {
			return len(allRows(t, a.raw, "SELECT kind FROM river_job WHERE state = '"+state+"'"))
		}
		if jobs("available") != 1 {
			t.Fatal("no job")
		}
		if _, err := a.upload(t.Context(), &pb.CreatePhotoRequest{Parent: a.plant}, file, 1<<16); err != nil || jobs("available") != 1 {
			t.Errorf("sent twice: %d jobs, %v", jobs("available"), err)
		}
		if _, err := a.raw.ExecContext(t.Context(), "UPDATE river_job SET state = 'discarded', finalized_at = CURRENT_TIMESTAMP"); err != nil {
			t.Fatal(err)
		}
		if err := os.Remove(filepath.Join(a.bucket, a.originals(t)[0])); err != nil {
			t.Fatal(err)
		}
		again, err := a.upload(t.Context(), &pb.CreatePhotoRequest{Parent: a.plant}, file, 1<<16)
		if err != nil || again.GetName() != m.GetName() || jobs("available") != 1 {
			t.Fatalf("%v, %v, %d jobs", again, err, jobs("available"))
		}
		a.makeRenditions(t, m)
		a.checkThere(t, m)
		if _, err := a.upload(t.Context(), &pb.CreatePhotoRequest{Parent: a.plant}, file, 1<<16); err != nil || jobs("available") != 1 {
			t.Errorf("with renditions: %d jobs, %v", jobs("available"), err)
		}
	})
}
