//go:build linux || darwin

package store_test

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"dewbench/store"
)

// blobsURL names the variable with the bucket that a process of its own writes to.
const blobsURL = "DEWBENCH_TEST_BLOBS_URL"

// halfBlob is what TestBlobWriter is killed in the midst of.
var halfBlob = bytesOf(1_000_000, 20)

// TestBlobWriter is the process that TestKilledWriter starts and kills. By itself it tests
// nothing. It puts one blob, says so, and says when it has got half of another.
func TestBlobWriter(t *testing.T) {
	url := os.Getenv(blobsURL)
	if url == "" {
		return
	}
	b := bucket{t, openBucket(t, url), url}
	b.put("c1", []byte("whole"))
	fmt.Println("put")
	half := io.MultiReader(bytes.NewReader(halfBlob[:500_000]), readerFunc(func([]byte) (int, error) {
		fmt.Println("half")
		_, err := io.Copy(io.Discard, os.Stdin) // until it is killed
		return 0, errors.Join(err, errMine)
	}))
	t.Error(b.Of("c1").Put(t.Context(), nameOf(halfBlob), half, int64(len(halfBlob))))
}

// A writer that is killed leaves what it had put, of the rest nothing that is to be seen,
// and its temporary file until that is old.
func TestKilledWriter(t *testing.T) {
	b := newBucket(t)
	child := exec.Command(os.Args[0], "-test.run=^TestBlobWriter$", "-test.timeout=9m")
	child.Env = append(os.Environ(), blobsURL+"="+b.folder)
	stdout, err := child.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	stdin, err := child.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	defer stdin.Close()
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	late := time.AfterFunc(time.Minute, func() { _ = child.Process.Kill() }) // then what it says ends
	defer late.Stop()
	lines := bufio.NewScanner(stdout)
	for _, want := range []string{"put", "half"} {
		if !lines.Scan() || lines.Text() != want {
			t.Errorf("it says %q (%v), want %q", lines.Text(), lines.Err(), want)
		}
	}
	if err := child.Process.Kill(); err != nil {
		t.Error(err)
	}
	var exit *exec.ExitError
	if err := child.Wait(); !errors.As(err, &exit) || exit.Sys().(syscall.WaitStatus).Signal() != syscall.SIGKILL {
		t.Fatalf("it ended with %v, want that it was killed", err)
	}
	whole := nameOf([]byte("whole"))
	b.holds("c1", whole, []byte("whole"))
	b.holds("c1", nameOf(halfBlob), nil)
	files := b.files()
	if len(files) != 2 {
		t.Fatalf("left are %q, want the blob and a temporary file", files)
	}
	left := files[slices.IndexFunc(files, func(name string) bool { return name != "collections/c1/"+whole })]
	var temporary []store.BlobInfo
	err = b.List(t.Context(), func(i store.BlobInfo) error {
		if i.Temporary {
			temporary = append(temporary, i)
		}
		return nil
	})
	if err != nil || len(temporary) != 1 || temporary[0].Key != left || temporary[0].Collection != "c1" || temporary[0].Name != "" {
		t.Errorf("temporary are %+v (%v), want %s", temporary, err, left)
	}
	if swept := b.sweep(whole); swept != (store.Swept{}) {
		t.Errorf("at once it swept %+v", swept)
	}
	b.age(25 * time.Hour)
	if swept := b.sweep(whole); swept != (store.Swept{Temporary: 1}) {
		t.Errorf("a day later it swept %+v", swept)
	}
	if files := b.files(); len(files) != 1 {
		t.Errorf("left are %q", files)
	}
	// The lock went with the process.
	b.put("c1", halfBlob)
	b.holds("c1", nameOf(halfBlob), halfBlob)
}

// TestLockOfBlobs looks whether the lock is held where others must not come between.
func TestLockOfBlobs(t *testing.T) {
	b := newBucket(t)
	f, err := os.Open(filepath.Join(b.folder, ".lock"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	free := func(how int) bool {
		t.Helper()
		err := syscall.Flock(int(f.Fd()), how|syscall.LOCK_NB)
		if errors.Is(err, syscall.EWOULDBLOCK) {
			return false
		}
		if err := errors.Join(err, syscall.Flock(int(f.Fd()), syscall.LOCK_UN)); err != nil {
			t.Fatal(err)
		}
		return true
	}
	type held struct{ toKeep, toRemove bool }
	seen := map[string]held{}
	b.OnMoment(func(moment string) {
		seen[moment] = held{toKeep: !free(syscall.LOCK_EX), toRemove: !free(syscall.LOCK_SH)}
	})
	name := b.put("c1", []byte("a"))
	b.age(48 * time.Hour)
	b.sweep()
	b.holds("c1", name, nil)
	b.sweep()
	no, keeps, removes := held{}, held{toKeep: true}, held{true, true}
	for moment, want := range map[string]held{
		store.BeforeLook: no, store.Looked: keeps, store.FileSynced: no, store.BeforePlace: no, store.Placing: keeps, store.Placed: no,
		store.BeforeJudge: no, store.FoundOld: removes, store.BeforeEmpty: no,
	} {
		if got, was := seen[moment]; !was || got != want {
			t.Errorf("at %q the lock is held %+v (%v), want %+v", moment, got, was, want)
		}
	}
	if !free(syscall.LOCK_EX) {
		t.Error("the lock is held when all is over")
	}
}

// A folder that cannot be written is told when it is opened.
func TestOpenBlobsReadOnly(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "photos")
	if os.Getuid() != 0 { // root may write whatever the mode
		if err := os.Mkdir(folder, 0o500); err != nil {
			t.Fatal(err)
		}
	} else {
		mountSmall(t, folder, "ro")
	}
	b, err := store.OpenBlobs(t.Context(), folder)
	if err == nil {
		t.Fatalf("it was opened (%v)", b.Close())
	}
	if !strings.HasPrefix(err.Error(), "open photos: "+folder+" cannot be written: ") || strings.Count(err.Error(), folder) != 1 {
		t.Error(err)
	}
}

// mountSmall mounts a file system of 3 MB in memory, or skips the test where that is not
// allowed.
func mountSmall(t *testing.T, folder, options string) {
	t.Helper()
	if err := os.Mkdir(folder, 0o700); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("mount", "-t", "tmpfs", "-o", "size=3m,mode=0700,"+options, "tmpfs", folder).CombinedOutput(); err != nil {
		t.Skipf("a small file system cannot be mounted here (it needs root on Linux): %v %s", err, bytes.TrimSpace(out))
	}
	t.Cleanup(func() {
		if out, err := exec.Command("umount", folder).CombinedOutput(); err != nil {
			t.Errorf("umount: %v %s", err, out)
		}
	})
}

// What does not fit leaves nothing, and keeps nothing else from being read, put again or
// swept.
func TestFullBucket(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "photos")
	mountSmall(t, folder, "rw")
	b := bucket{t, openBucket(t, folder), folder}
	fits, more := bytesOf(2_000_000, 21), bytesOf(2_000_000, 22)
	name := b.put("c1", fits)
	for range 3 {
		err := b.Of("c1").Put(t.Context(), nameOf(more), bytes.NewReader(more), int64(len(more)))
		if !errors.Is(err, store.ErrFull) || !errors.Is(err, syscall.ENOSPC) || !strings.HasPrefix(err.Error(), "the disk of the photos is full: ") {
			t.Errorf("Put = %v, want that the disk is full", err)
		}
		b.holds("c1", nameOf(more), nil)
		if files := b.files(); len(files) != 1 {
			t.Errorf("left are %q", files)
		}
		b.holds("c1", name, fits)
		b.put("c1", fits)
	}
	b.age(48 * time.Hour)
	if swept := b.sweep(); swept.Removed != 1 || swept.Bytes != 2_000_000 {
		t.Errorf("it swept %+v", swept)
	}
	b.put("c1", more)
	b.holds("c1", nameOf(more), more)
}

// Other trouble of the disk is no fault of the content, and is not taken for a blob that is
// not there.
func TestTroubleOfTheDisk(t *testing.T) {
	b := newBucket(t)
	// Where the blob should be is a folder, and where a folder should be a file.
	if err := os.MkdirAll(filepath.Join(b.folder, "collections", "c1", "a"), 0o700); err != nil {
		t.Fatal(err)
	}
	b.write("collections/c2", 0)
	for _, c := range []string{"c1", "c2"} {
		err := b.Of(c).Put(context.Background(), "a", strings.NewReader("a"), 1)
		if !errors.Is(err, store.ErrUnavailable) || errors.Is(err, store.ErrNotFound) {
			t.Errorf("Put in %s: %v", c, err)
		}
	}
	if files := b.files(); !slices.Equal(files, []string{"collections/c2"}) {
		t.Errorf("left are %q", files)
	}
}
