//go:build linux || darwin

package api

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"runtime"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sync/errgroup"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service"
	"dewbench/service/photo"
	"dewbench/store"
	"dewbench/store/storetest"
)

// openStudio serves a database on SQLite as it is served for real, with a plant.
func openStudio(b *testing.B) (d *doors, plant string) {
	b.Helper()
	d = openStore(b, storetest.New(b, store.SQLite, func(o *store.Options) { o.RelaxedSync, o.Guard = false, false }), service.Config{}, slog.DiscardHandler)
	_, plant = d.addPlant(b, "Studio", "D1")
	return d, plant
}

// BenchmarkPhotoUpload sends a file of 25 MiB by both doors, once to be kept and once with
// validateOnly, in turns with a bare copy of it from file to file, written to the disk
// (fsync). The file has few pixels, and comments in front of them: so nearly all is taking it
// in, its digest, and keeping it, not decoding. Ratios are of throughput; beside them stands
// how long a processor was busy with each, server and client together.
func BenchmarkPhotoUpload(b *testing.B) {
	d, plant := openStudio(b)
	small := jpegOf(b, grained(60, 40))
	file := paddedPhoto(b, small, service.MaxPhotoBytes)
	folder := b.TempDir()
	from := filepath.Join(folder, "from")
	took, busy := map[string]time.Duration{}, map[string]time.Duration{}
	measure := func(what string, f func() error) {
		begin, before := time.Now(), processorTime(b)
		if err := f(); err != nil {
			b.Fatalf("%s: %v", what, err)
		}
		took[what] += time.Since(begin)
		busy[what] += processorTime(b) - before
	}
	n := 0
	another := func() { // the same bytes again would not be kept
		n++
		copy(file[100:], fmt.Sprintf("%020d", n))
	}
	post := func(query string) error {
		status, _, body := d.sendPhoto(b, plant, query, "image/jpeg", file)
		if status != http.StatusOK {
			return fmt.Errorf("status %d: %s", status, body)
		}
		return nil
	}
	stream := func(create *pb.CreatePhotoRequest) error {
		_, err := d.upload(context.WithoutCancel(b.Context()), create, file, 1<<18)
		return err
	}
	for b.Loop() {
		if err := os.WriteFile(from, file, 0o600); err != nil {
			b.Fatal(err)
		}
		measure("copy", func() error { return copyFile(from, filepath.Join(folder, "to")) })
		another()
		measure("http", func() error { return post("") })
		another()
		measure("grpc", func() error { return stream(&pb.CreatePhotoRequest{Parent: plant}) })
		another()
		measure("http-validate-only", func() error { return post("validateOnly=true") })
		measure("grpc-validate-only", func() error { return stream(&pb.CreatePhotoRequest{Parent: plant, ValidateOnly: true}) })
	}
	speed := func(what string) float64 { return float64(b.N) * float64(len(file)) / 1e6 / took[what].Seconds() }
	b.ReportMetric(speed("copy"), "copy-MB/s")
	for _, what := range []string{"http", "grpc", "http-validate-only", "grpc-validate-only"} {
		b.ReportMetric(speed(what), what+"-MB/s")
		b.ReportMetric(speed(what)/speed("copy"), what+"-of-copy")
	}
	for what, of := range busy {
		b.ReportMetric(float64(of.Milliseconds())/float64(b.N), what+"-cpu-ms")
	}
}

// processorTime is how long processors were busy with this process (getrusage(2)).
func processorTime(b *testing.B) time.Duration {
	b.Helper()
	var of syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &of); err != nil {
		b.Fatal(err)
	}
	return time.Duration(of.Utime.Nano() + of.Stime.Nano())
}

// copyFile copies a file, and returns when the copy is on the disk.
func copyFile(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.Create(to)
	if err != nil {
		return err
	}
	// Without the system's own way of copying, which may only note that the two are the same.
	_, err = io.Copy(struct{ io.Writer }{out}, struct{ io.Reader }{in})
	if err == nil {
		err = out.Sync()
	}
	if err != nil {
		_ = out.Close() // the first error counts
		return err
	}
	return out.Close()
}

// BenchmarkPhotoRenditions makes the renditions of 16 photos of 12 megapixels by the queue
// of jobs, from when it begins to work until all are there to be given out, and beside it,
// in the same run, the same pictures by two goroutines that decode, scale and encode them,
// and keep nothing.
func BenchmarkPhotoRenditions(b *testing.B) {
	const photos = 16
	plain := jpegOf(b, grained(4000, 3000))
	var queued, bare time.Duration
	for round := 0; b.Loop(); round++ {
		b.StopTimer()
		d, plant := openStudio(b)
		for i := range photos {
			if _, err := d.upload(b.Context(), &pb.CreatePhotoRequest{Parent: plant}, withSegments(plain, segmentOf(0xfe, fmt.Append(nil, round, i))), 1<<20); err != nil {
				b.Fatal(err)
			}
		}
		ctx, stop := context.WithCancel(b.Context())
		worked := make(chan error, 1)
		b.StartTimer()
		begin := time.Now()
		go func() { worked <- d.server.Work(ctx) }()
		await(b, "all renditions", func() bool {
			list, err := pb.NewPhotoServiceClient(d.conn).ListPhotos(b.Context(), &pb.ListPhotosRequest{Parent: plant, PageSize: photos})
			if err != nil {
				b.Fatal(err)
			}
			ready := 0
			for _, m := range list.GetPhotos() {
				if m.GetRenditionsReady() {
					ready++
				}
			}
			return ready == photos
		})
		queued += time.Since(begin)
		b.StopTimer()
		stop()
		if err := <-worked; err != nil {
			b.Fatal(err)
		}
		begin = time.Now()
		var two errgroup.Group
		two.SetLimit(2)
		for range photos {
			two.Go(func() error { return renderBare(plain) })
		}
		if err := two.Wait(); err != nil {
			b.Fatal(err)
		}
		bare += time.Since(begin)
		b.StartTimer()
	}
	made := float64(b.N) * photos * 2 // of two forms each
	cores := float64(min(2, runtime.GOMAXPROCS(0)))
	b.ReportMetric(made/queued.Seconds()/cores, "renditions/s/core")
	b.ReportMetric(made/bare.Seconds()/cores, "bare-renditions/s/core")
	b.ReportMetric(bare.Seconds()/queued.Seconds(), "of-bare")
}

// renderBare makes both renditions of a picture.
func renderBare(file []byte) error {
	head, err := photo.Judge(bytes.NewReader(file))
	if err != nil {
		return err
	}
	img, err := photo.Decode(bytes.NewReader(file), head)
	if err != nil {
		return err
	}
	for _, longest := range []int{1600, 320} {
		img = photo.Fit(img, longest)
		if err := photo.Rendition(io.Discard, img); err != nil {
			return err
		}
	}
	return nil
}
