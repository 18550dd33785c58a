package store_test

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"testing"
	"time"

	"dewbench/store"
)

// largestPhoto is the most bytes that a photo may have.
const largestPhoto = 25 << 20

// TestBlobsAreStreamed puts and reads a large blob and looks how much memory that took.
func TestBlobsAreStreamed(t *testing.T) {
	b := newBucket(t)
	file := filepath.Join(t.TempDir(), "large")
	if err := os.WriteFile(file, bytesOf(largestPhoto, 30), 0o600); err != nil {
		t.Fatal(err)
	}
	allocated := func(f func() error) uint64 {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		if err := f(); err != nil {
			t.Error(err)
		}
		runtime.ReadMemStats(&after)
		return after.TotalAlloc - before.TotalAlloc
	}
	put := allocated(func() error { return putFile(t, b.Blobs, "large", file) })
	read := allocated(func() error { return readBlob(t, b.Blobs, "large") })
	t.Logf("allocated to put %d bytes, to read %d", put, read)
	// The buffers have 256 KiB.
	if most := uint64(1 << 20); put > most || read > most {
		t.Errorf("of a blob of %d bytes: to put it took %d bytes of memory, to read it %d, want at most %d", largestPhoto, put, read, most)
	}
}

func putFile(t testing.TB, b *store.Blobs, name, file string) error {
	f, err := os.Open(file)
	if err != nil {
		return err
	}
	info, err := f.Stat()
	if err == nil {
		err = b.Of("c1").Put(t.Context(), name, f, info.Size())
	}
	return errors.Join(err, f.Close())
}

func readBlob(t testing.TB, b *store.Blobs, name string) error {
	r, _, err := b.Of("c1").Open(t.Context(), name, 0, -1)
	if err != nil {
		return err
	}
	return errors.Join(drain(r), r.Close())
}

func readFile(file string) error {
	f, err := os.Open(file)
	if err != nil {
		return err
	}
	return errors.Join(drain(f), f.Close())
}

// drain reads all, as a handler does that sends it on.
func drain(r io.Reader) error {
	_, err := io.CopyBuffer(struct{ io.Writer }{io.Discard}, struct{ io.Reader }{r}, make([]byte, 256<<10))
	return err
}

// copyFile copies a file as io.Copy does, and returns when all of it is on the disk.
func copyFile(to, from string) error {
	f, err := os.Open(from)
	if err != nil {
		return err
	}
	g, err := os.Create(to)
	if err != nil {
		return errors.Join(err, f.Close())
	}
	_, err = io.Copy(g, f)
	if err := errors.Join(err, g.Sync(), g.Close(), f.Close()); err != nil {
		return err
	}
	folder, err := os.Open(filepath.Dir(to))
	if err != nil {
		return err
	}
	return errors.Join(folder.Sync(), folder.Close())
}

// BenchmarkBlobs puts and reads blobs, and beside it copies and reads the same file on the
// same disk, in turns. x-file is how many times as long ours takes: the median of the turns.
func BenchmarkBlobs(b *testing.B) {
	for _, size := range []int{100 << 10, largestPhoto} {
		folder := b.TempDir()
		blobs, err := store.OpenBlobs(b.Context(), filepath.Join(folder, "photos"))
		if err != nil {
			b.Fatal(err)
		}
		from, to := filepath.Join(folder, "from"), filepath.Join(folder, "to")
		if err := os.WriteFile(from, bytesOf(size, 31), 0o600); err != nil {
			b.Fatal(err)
		}
		if err := errors.Join(copyFile(to, from), putFile(b, blobs, "kept", from)); err != nil {
			b.Fatal(err)
		}
		compare := func(name string, ours, theirs, after func() error) {
			b.Run(fmt.Sprintf("%s/%dKiB", name, size>>10), func(b *testing.B) {
				var ratios []float64
				b.SetBytes(int64(size))
				for b.Loop() {
					begun := time.Now()
					if err := ours(); err != nil {
						b.Fatal(err)
					}
					took := time.Since(begun)
					b.StopTimer()
					begun = time.Now()
					if err := theirs(); err != nil {
						b.Fatal(err)
					}
					ratios = append(ratios, float64(took)/float64(time.Since(begun)))
					if err := after(); err != nil {
						b.Fatal(err)
					}
					b.StartTimer()
				}
				slices.Sort(ratios)
				b.ReportMetric(ratios[len(ratios)/2], "x-file")
			})
		}
		compare("read", func() error { return readBlob(b, blobs, "kept") }, func() error { return readFile(to) }, func() error { return nil })
		compare("put", func() error { return putFile(b, blobs, "new", from) }, func() error { return copyFile(to, from) }, func() error {
			return errors.Join(blobs.Of("c1").Delete(b.Context(), "new"), os.Remove(to))
		})
		if err := blobs.Close(); err != nil {
			b.Fatal(err)
		}
	}
}
