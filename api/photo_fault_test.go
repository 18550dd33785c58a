//go:build linux || darwin

package api

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"image"
	"io"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/store"
	"dewbench/store/storetest"
)

// photoProcess is a server of its own that takes photos.
type photoProcess struct {
	*process
	doors    *doors // its doors, with the token; it has no more
	database string
	bucket   string
	more     []string
}

// openPhotoProcess starts a server of a fresh database with a plant. Its photos are in a
// folder that is there, or in one of its own if that is "".
func openPhotoProcess(t testing.TB, engine store.Engine, bucket string, more ...string) (p *photoProcess, plant string) {
	t.Helper()
	if bucket == "" {
		bucket = t.TempDir()
	}
	p = &photoProcess{database: storetest.URL(t, engine), bucket: bucket, more: more}
	addFaultGrower(t, p.database)
	faultFolders.Store(p.database, bucket)
	p.start(t)
	_, plant = p.doors.addPlant(t, "Shed", "D1")
	return p, plant
}

// start starts the server, again after a kill.
func (p *photoProcess) start(t testing.TB) {
	t.Helper()
	p.process = startProcess(t, p.database, p.more...)
	conn, err := grpc.NewClient(p.grpcAddr, grpc.WithTransportCredentials(insecure.NewCredentials()), grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(64<<20)))
	if err != nil {
		t.Fatal(err)
	}
	d := &doors{httpAddr: p.httpAddr, grpcAddr: p.grpcAddr, token: testSecret, conn: WithToken(conn, testSecret)}
	d.client = &http.Client{Transport: &tokenSender{http.Transport{}, testSecret}}
	p.doors = d
	t.Cleanup(func() {
		d.client.CloseIdleConnections()
		if err := conn.Close(); err != nil {
			t.Error(err)
		}
	})
}

// photos lists all photos.
func (p *photoProcess) photos(t *testing.T, plant string) (all []*pb.Photo) {
	t.Helper()
	req := &pb.ListPhotosRequest{Parent: plant, PageSize: 1000}
	for {
		answer, err := pb.NewPhotoServiceClient(p.doors.conn).ListPhotos(t.Context(), req)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, answer.GetPhotos()...)
		if req.PageToken = answer.GetNextPageToken(); req.GetPageToken() == "" {
			return all
		}
	}
}

// sweepLater removes from a bucket what no photo has named for a day, by a server whose clock
// is so much later.
func sweepLater(t *testing.T, database, bucket string, later time.Duration) {
	t.Helper()
	blobs, err := store.OpenBlobs(t.Context(), bucket)
	if err != nil {
		t.Fatal(err)
	}
	rows := storetest.Open(t, database)
	now := func() time.Time { return time.Now().Add(later) }
	server, err := New(t.Context(), service.Config{Store: rows, Blobs: blobs, Log: slog.New(slog.DiscardHandler), Version: "1.2.3", Now: now})
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(server.SweepPhotos(t.Context()), blobs.Close()); err != nil {
		t.Fatal(err)
	}
}

// checkBucket looks whether a bucket holds the originals of some photos and what was made of
// them, and nothing else.
func checkBucket(t *testing.T, bucket string, all []*pb.Photo) {
	t.Helper()
	want := map[string]bool{}
	for _, m := range all {
		want[filepath.Join("collections", store.Segment(m.GetName(), "collections"), m.GetSha256())] = false
	}
	for _, file := range filesIn(t, bucket) {
		original, _, rendition := strings.Cut(file, "-1600")
		if !rendition {
			original, _, rendition = strings.Cut(file, "-320")
		}
		if _, known := want[original]; !known {
			t.Errorf("a file of no photo: %s", file)
		} else if !rendition {
			want[file] = true
		}
	}
	for file, there := range want {
		if !there {
			t.Errorf("%s is not there", file)
		}
	}
}

// sentPhotos are pictures that clients send, by their digests, and whether each was answered.
type sentPhotos struct {
	mu       sync.Mutex
	of       map[string]bool
	files    map[string][]byte
	answered int
}

func (s *sentPhotos) note(file []byte, answered bool) (answers int) {
	sum := sha256.Sum256(file)
	digest := hex.EncodeToString(sum[:])
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.of == nil {
		s.of, s.files = map[string]bool{}, map[string][]byte{}
	}
	s.of[digest] = s.of[digest] || answered
	s.files[digest] = file
	if answered {
		s.answered++
	}
	return s.answered
}

// TestKilledUploads kills a server amid uploads by both doors, several times: what it
// answered is there whole, what it did not answer is wholly there or wholly not, and what is
// sent again is one photo. What is left in the bucket goes a day later, and nothing else.
func TestKilledUploads(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		seed := rand.Uint64()
		t.Logf("seed %d", seed)
		random := rand.New(rand.NewPCG(seed, 0))
		p, plant := openPhotoProcess(t, engine, "")
		sent := &sentPhotos{}
		small := jpegOf(t, grained(60, 40))
		// picture is another one each time, of up to 1 MB.
		picture := func(round, client, i, size int) []byte {
			return withSegments(paddedPhoto(t, small, len(small)+10+size), segmentOf(0xfe, fmt.Append(nil, round, client, i)))
		}
		for round := range 3 {
			killAt, moment := sent.note(picture(round, 9, 0, 0), false)+1+random.IntN(8), time.Duration(random.IntN(8000))*time.Microsecond
			killed := sync.OnceFunc(func() {
				<-time.After(moment)
				p.kill()
			})
			var all errgroup.Group
			for client := range faultClients {
				sizes := rand.New(rand.NewPCG(seed, uint64(10*round+client)))
				all.Go(func() error {
					for i := 0; i < 1000; i++ {
						file := picture(round, client, i, sizes.IntN(1_000_000))
						sent.note(file, false)
						var err error
						if client%2 == 0 {
							_, err = p.doors.upload(t.Context(), &pb.CreatePhotoRequest{Parent: plant}, file, 1<<16)
							if err != nil && status.Code(err) != codes.Unavailable {
								return err
							}
						} else {
							err = p.post(plant, file)
						}
						if err != nil {
							return nil // there is no server any more
						}
						if sent.note(file, true) >= killAt {
							killed()
						}
					}
					return errors.New("the server lives on")
				})
			}
			if err := all.Wait(); err != nil {
				t.Fatal(err)
			}
			p.start(t)
			stand := map[string]bool{}
			for _, m := range p.photos(t, plant) {
				if _, known := sent.of[m.GetSha256()]; !known || stand[m.GetSha256()] {
					t.Errorf("nobody sent %s, or it is there twice", m.GetName())
				}
				stand[m.GetSha256()] = true
				p.doors.checkWhole(t, m)
			}
			for digest, answered := range sent.of {
				if answered && !stand[digest] {
					t.Errorf("%s was answered and is not there", digest)
				}
			}
			t.Logf("%d photos sent, %d answered, %d stand", len(sent.of), sent.answered, len(stand))
			for digest, file := range sent.files {
				if stand[digest] || random.IntN(2) == 0 { // some are never sent again
					continue
				}
				m, err := p.doors.upload(t.Context(), &pb.CreatePhotoRequest{Parent: plant}, file, 1<<16)
				if err != nil || m.GetSha256() != digest {
					t.Errorf("sent again: %v, %v", m, err)
				}
				sent.note(file, true)
			}
		}
		all := p.photos(t, plant)
		p.stop(t)
		before := filesIn(t, p.bucket)
		sweepLater(t, p.database, p.bucket, 23*time.Hour)
		if after := filesIn(t, p.bucket); !slices.Equal(before, after) {
			t.Errorf("before a day has passed %d of %d files are left", len(after), len(before))
		}
		sweepLater(t, p.database, p.bucket, 25*time.Hour)
		checkBucket(t, p.bucket, all)
		t.Logf("%d files in the bucket, of %d photos", len(before), len(all))
	})
}

// post sends a photo over HTTP. An error means that there was no answer.
func (p *photoProcess) post(plant string, file []byte) error {
	answer, err := p.doors.client.Post(p.doors.url("/v1/"+plant+"/photos:upload"), "image/jpeg", bytes.NewReader(file))
	if err != nil {
		return err
	}
	body, err := io.ReadAll(answer.Body)
	if err = errors.Join(err, answer.Body.Close()); err != nil {
		return err
	}
	if answer.StatusCode != http.StatusOK {
		return fmt.Errorf("status %d: %s", answer.StatusCode, body)
	}
	return protojson.Unmarshal(body, &pb.Photo{})
}

// holdWriters keeps everybody from writing photos until the returned function is called.
// They can be read.
func holdWriters(t *testing.T, engine store.Engine, database string) (letGo func()) {
	t.Helper()
	db := openRaw(t, engine, database)
	conn, err := db.Conn(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	run := func(statements ...string) {
		for _, s := range statements {
			if _, err := conn.ExecContext(context.WithoutCancel(t.Context()), s); err != nil {
				t.Fatalf("%s: %v", s, err)
			}
		}
	}
	if engine == store.SQLite {
		run("BEGIN IMMEDIATE")
	} else {
		run("BEGIN", "LOCK TABLE photos IN EXCLUSIVE MODE")
	}
	letGo = sync.OnceFunc(func() {
		run("ROLLBACK")
		if err := conn.Close(); err != nil && !errors.Is(err, sql.ErrConnDone) {
			t.Error(err)
		}
	})
	t.Cleanup(letGo)
	return letGo
}

// TestKilledBetweenFileAndRow kills a server whose upload has its file in the bucket and no
// row yet.
func TestKilledBetweenFileAndRow(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		p, plant := openPhotoProcess(t, engine, "")
		first, err := p.doors.upload(t.Context(), &pb.CreatePhotoRequest{Parent: plant}, jpegOf(t, grained(60, 40)), 1<<16)
		if err != nil {
			t.Fatal(err)
		}
		file := jpegOf(t, grained(80, 40))
		letGo := holdWriters(t, engine, p.database)
		answered := make(chan error, 1)
		go func() {
			_, err := p.doors.upload(context.WithoutCancel(t.Context()), &pb.CreatePhotoRequest{Parent: plant}, file, 1<<16)
			answered <- err
		}()
		await(t, "the file of the second photo", func() bool {
			return len(slices.DeleteFunc(filesIn(t, p.bucket), func(name string) bool { return strings.HasSuffix(name, ".tmp") })) == 2
		})
		p.kill()
		if err := <-answered; status.Code(err) != codes.Unavailable {
			t.Errorf("answered: %v", err)
		}
		letGo()
		p.start(t)
		if all := p.photos(t, plant); len(all) != 1 || all[0].GetName() != first.GetName() {
			t.Errorf("%v", all)
		}
		p.doors.checkWhole(t, first)
		p.stop(t)
		sweepLater(t, p.database, p.bucket, 25*time.Hour)
		checkBucket(t, p.bucket, []*pb.Photo{first})
		p.start(t)
		again, err := p.doors.upload(t.Context(), &pb.CreatePhotoRequest{Parent: plant}, file, 1<<16)
		if err != nil {
			t.Fatal(err)
		}
		p.doors.checkWhole(t, again)
		p.stop(t)
	})
}

// TestKilledRenditions kills a server that is making renditions. The next one makes those
// that are missing, of every photo.
func TestKilledRenditions(t *testing.T) {
	onEngines(t, func(t *testing.T, engine store.Engine) {
		p, plant := openPhotoProcess(t, engine, "", faultWorks+"=1")
		large := jpegOf(t, grained(1800, 1200))
		for i := range 6 {
			if _, err := p.doors.upload(t.Context(), &pb.CreatePhotoRequest{Parent: plant}, withSegments(large, segmentOf(0xfe, []byte{byte(i)})), 1<<18); err != nil {
				t.Fatal(err)
			}
		}
		await(t, "the first rendition", func() bool {
			return slices.ContainsFunc(filesIn(t, p.bucket), func(name string) bool { return strings.HasSuffix(name, "-1600.jpg") })
		})
		p.kill()
		// Jobs of servers that were killed are begun again three minutes after they were begun: as
		// if that had passed.
		db := openRaw(t, engine, p.database)
		past := map[store.Engine]string{store.SQLite: "datetime('now', '-1 hour')", store.Postgres: "now() - interval '1 hour'"}[engine]
		if _, err := db.ExecContext(t.Context(), "UPDATE river_job SET attempted_at = "+past+" WHERE state = 'running'"); err != nil {
			t.Fatal(err)
		}
		t.Logf("killed when %d of 6 were ready", len(allRows(t, db, "SELECT sha256 FROM photos WHERE render_us IS NOT NULL")))
		p.start(t)
		var all []*pb.Photo
		await(t, "all renditions", func() bool {
			all = p.photos(t, plant)
			return !slices.ContainsFunc(all, func(m *pb.Photo) bool { return !m.GetRenditionsReady() })
		})
		if len(all) != 6 {
			t.Fatalf("%d photos", len(all))
		}
		for _, m := range all {
			p.doors.checkWhole(t, m)
			for form, longest := range map[string]int{"SMALL": 320, "LARGE": 1600} {
				answer, file := p.doors.content(t, m.GetName(), "rendition="+form)
				img, _, err := image.Decode(bytes.NewReader(file))
				if err != nil || answer.StatusCode != http.StatusOK || img.Bounds().Dx() != longest {
					t.Errorf("%s of %s: %d, %v", form, m.GetName(), answer.StatusCode, err)
				}
			}
		}
		p.stop(t)
		sweepLater(t, p.database, p.bucket, 25*time.Hour)
		checkBucket(t, p.bucket, all)
	})
}

// TestFullDiskOfPhotos fills the disk of the bucket, that of temporary files, and what a
// process may write: it is said so, nothing is half-written, and with room it goes on.
func TestFullDiskOfPhotos(t *testing.T) {
	small := jpegOf(t, grained(60, 40))
	test := func(t *testing.T, p *photoProcess, plant, told string, makeRoom func()) {
		t.Helper()
		var stand []*pb.Photo
		full := 0
		for i := 0; full < 4; i++ {
			if i == 100 {
				t.Fatal("the disk does not get full")
			}
			file := withSegments(paddedPhoto(t, small, 2<<20), segmentOf(0xfe, fmt.Append(nil, i)))
			status, m, body := p.doors.sendPhoto(t, plant, "", "image/jpeg", file)
			if status == http.StatusOK {
				stand = append(stand, m)
				continue
			}
			full++
			if status != http.StatusInsufficientStorage || errorReason(errorOf(t, []byte(body))) != string(service.StorageFull) || !strings.Contains(body, told) || strings.Contains(body, "no space") {
				t.Fatalf("status %d: %s", status, body)
			}
			_, err := p.doors.upload(t.Context(), &pb.CreatePhotoRequest{Parent: plant}, file, 1<<18)
			if r := photoRefusal(err); r.status != int(codes.ResourceExhausted) || r.reason != string(service.StorageFull) {
				t.Fatalf("over gRPC: %v", err)
			}
		}
		t.Logf("full after %d photos", len(stand))
		if all := p.photos(t, plant); len(all) != len(stand) {
			t.Errorf("%d photos are there, %d were answered", len(all), len(stand))
		}
		for _, m := range stand {
			p.doors.checkWhole(t, m)
		}
		checkBucket(t, p.bucket, stand)
		makeRoom()
		for i := range 3 {
			status, m, body := p.doors.sendPhoto(t, plant, "", "image/jpeg", withSegments(paddedPhoto(t, small, 2<<20), segmentOf(0xfe, fmt.Append(nil, "later", i))))
			if status != http.StatusOK {
				t.Fatalf("with room again: %d %s", status, body)
			}
			p.doors.checkWhole(t, m)
		}
		p.stop(t)
	}
	t.Run("a small bucket", func(t *testing.T) {
		t.Parallel()
		folder := filepath.Join(t.TempDir(), "small")
		grow := mountSmall(t, folder, nil, 7)
		p, plant := openPhotoProcess(t, store.SQLite, folder)
		test(t, p, plant, "the disk of the photos is full", grow)
	})
	t.Run("a small temporary folder", func(t *testing.T) {
		t.Parallel()
		folder := filepath.Join(t.TempDir(), "small")
		grow := mountSmall(t, folder, nil, 1)
		p, plant := openPhotoProcess(t, store.SQLite, "", "TMPDIR="+folder)
		test(t, p, plant, "the disk of the server is full", grow)
	})
	t.Run("files that may not grow", func(t *testing.T) {
		t.Parallel()
		p, plant := openPhotoProcess(t, store.Postgres, "")
		p.limit(t, 1<<20)
		test(t, p, plant, "is full", func() { p.limit(t, 1<<40) })
	})
}

// peak is how much memory the process had at most, in KiB (proc(5)).
func (p *process) peak(t testing.TB) (kib int) {
	t.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", p.cmd.Process.Pid))
	if err != nil {
		t.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(text), "VmHWM:")
	if n, err := fmt.Sscan(rest, &kib); n != 1 {
		t.Fatal(err)
	}
	return kib
}

// TestMemoryOfHostilePhotos sends hostile files to a server of its own, many at once: what it
// takes of memory does not depend on what they say of themselves.
func TestMemoryOfHostilePhotos(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("how much memory a process took at most is read from /proc, which only Linux has")
	}
	p, plant := openPhotoProcess(t, store.SQLite, "")
	before := p.peak(t)
	var all errgroup.Group
	all.SetLimit(8)
	for _, f := range hostilePhotos(t) {
		all.Go(func() error {
			_, err := p.doors.upload(t.Context(), &pb.CreatePhotoRequest{Parent: plant}, f.data, 1<<16)
			if reason := photoRefusal(err).reason; reason != string(service.InvalidPhoto) && reason != string(tooBusy) {
				return fmt.Errorf("%s: %w", f.name, err)
			}
			return nil
		})
	}
	if err := all.Wait(); err != nil {
		t.Error(err)
	}
	// 65,000 x 65,000 pixels of 4 bytes are 16 GB. A bomb inflates to 64 MiB.
	took := p.peak(t) - before
	t.Logf("%d MiB before, %d MiB more at most", before>>10, took>>10)
	if took > 200<<10 {
		t.Errorf("%d MiB were taken", took>>10)
	}
	p.stop(t)
}

// BenchmarkPhotoMemory lets eight clients send photos of 1, 5 and 25 MiB by both doors, each
// size to a server of its own, and tells how much memory that had at most, and by how much
// the largest differ from the smallest. The pictures have few pixels, so that decoding takes
// no part in it.
func BenchmarkPhotoMemory(b *testing.B) {
	if runtime.GOOS != "linux" {
		b.Skip("how much memory a process took at most is read from /proc, which only Linux has")
	}
	small := jpegOf(b, grained(60, 40))
	for b.Loop() {
		peaks := map[int]int{}
		for _, mib := range []int{1, 5, 25} {
			p, plant := openPhotoProcess(b, store.SQLite, "")
			var all errgroup.Group
			for client := range 8 {
				all.Go(func() error {
					for i := range 4 {
						file := withSegments(paddedPhoto(b, small, mib<<20-100), segmentOf(0xfe, fmt.Append(nil, client, i)))
						if client%2 == 0 {
							if err := p.post(plant, file); err != nil {
								return err
							}
						} else if _, err := p.doors.upload(b.Context(), &pb.CreatePhotoRequest{Parent: plant}, file, 1<<18); err != nil {
							return err
						}
					}
					return nil
				})
			}
			if err := all.Wait(); err != nil {
				b.Fatal(err)
			}
			peaks[mib] = p.peak(b)
			p.stop(b)
			b.ReportMetric(float64(peaks[mib])/1024, fmt.Sprintf("MiB-at-%d-MiB", mib))
		}
		b.ReportMetric(float64(peaks[25])/float64(peaks[1]), "25-by-1")
	}
}
