package store

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"time"

	"github.com/rogpeppe/go-internal/lockedfile"
)

// What is done by hand where the bucket is a folder, as drivers have no calls for it.

// lockName is the file in the folder that everybody locks who makes a blob be there or
// not. It is made when the bucket is opened, and never later: a folder without it is not
// the one that was opened, such as the place where a disk was unmounted.
const lockName = ".lock"

// probeName begins the names of files that show whether a folder can be written.
const probeName = ".probe-"

// prepareFolder makes the folder, for its owner only, unless it is there, and looks
// whether it can be written.
func prepareFolder(folder string) error {
	err := os.Mkdir(folder, 0o700)
	switch {
	case err == nil:
		// With the entry of the folder all that is in it would be lost.
		if err := syncFolder(filepath.Dir(folder)); err != nil {
			return err
		}
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("there is no folder %s", filepath.Dir(folder))
	case errors.Is(err, fs.ErrExist):
		info, err := os.Stat(folder)
		if err != nil {
			return err // names the path
		}
		if !info.IsDir() {
			return fmt.Errorf("%s is not a folder", folder)
		}
	default:
		return err
	}
	// The lock's file may be there already, so that it shows nothing.
	probe, err := os.CreateTemp(folder, probeName+"*")
	if err != nil {
		return fmt.Errorf("%s cannot be written: %w", folder, cause(err))
	}
	if err := errors.Join(probe.Close(), os.Remove(probe.Name())); err != nil {
		return err
	}
	lock, err := lockedfile.OpenFile(filepath.Join(folder, lockName), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return fmt.Errorf("%s cannot be locked: %w", filepath.Join(folder, lockName), cause(err))
	}
	return errors.Join(lock.Close(), syncFolder(folder))
}

// cause is what the system says, without the path.
func cause(err error) error {
	var of *fs.PathError
	if errors.As(err, &of) {
		return of.Err
	}
	return err
}

// path is where a blob is.
func (b *Blobs) path(key string) string { return filepath.Join(b.folder, filepath.FromSlash(key)) }

// How the lock is held.
const (
	toKeep   = os.O_RDONLY // to make blobs be there, or young
	toRemove = os.O_RDWR   // to remove some
)

// lock holds the lock of the folder, among goroutines and servers, for as long as it takes
// to look at a file and rename or remove it. The system takes the lock from who is killed.
func (b *Blobs) lock(how int) (unlock func() error, err error) {
	if b.folder == "" {
		return func() error { return nil }, nil
	}
	f, err := lockedfile.OpenFile(b.path(lockName), how, 0)
	if err != nil {
		// Not an error that a blob is missing.
		return nil, &blobError{ErrUnavailable, "the photos cannot be reached", err}
	}
	return f.Close, nil
}

// here tells whether the folder is the one that was opened.
func (b *Blobs) here() error {
	if b.folder == "" {
		return nil
	}
	_, err := os.Stat(b.path(lockName))
	return err
}

// refresh makes a file of that size as young as a new one, if it is there. The lock must
// be held.
func (b *Blobs) refresh(key string, size int64) (there bool, err error) {
	info, err := os.Stat(b.path(key))
	b.at(looked)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return false, nil
	case err != nil:
		return false, err
	case !info.Mode().IsRegular() || info.Size() != size:
		return false, nil
	}
	return true, touch(b.path(key), info.ModTime())
}

// touch sets the time of a file to now, or leaves it at a later one that it has: the clock
// may have been set back.
func touch(file string, has time.Time) error {
	now := time.Now()
	if has.After(now) {
		return nil
	}
	return os.Chtimes(file, time.Time{}, now)
}

// syncEntries returns when the disk knows that the blob is there, or not. That includes
// the folders in which it lies, as another who made them may not have got so far yet.
func (b *Blobs) syncEntries(key string) error {
	if b.folder == "" {
		return nil
	}
	for key != "." {
		key = path.Dir(key)
		if err := syncFolder(b.path(key)); err != nil {
			return err
		}
	}
	return nil
}

// syncFolder returns when the entries of the folder are on the disk.
func syncFolder(folder string) error {
	if runtime.GOOS == "windows" {
		return nil // it has no call for it
	}
	f, err := os.Open(folder)
	if err != nil {
		return err
	}
	err = f.Sync()
	if errors.Is(err, syscall.EINVAL) {
		err = nil // fsync(2): a file system that does not do this
	}
	return errors.Join(err, f.Close())
}

// walk calls each for all files of a folder of the bucket, and empty for those of
// collections that have none. Not the driver: it walks through all of the folder for each
// page, and fails if a file goes meanwhile.
func (b *Blobs) walk(ctx context.Context, prefix string, each func(keyInfo) error, empty func(prefix string) error) error {
	f, err := os.Open(b.path(prefix))
	if prefix != "" && errors.Is(err, fs.ErrNotExist) {
		return nil // gone meanwhile
	}
	if err != nil {
		return err
	}
	defer f.Close()
	for seen := 0; ; {
		entries, err := f.ReadDir(1000)
		for _, entry := range entries {
			seen++
			if err := ctx.Err(); err != nil {
				return err
			}
			if err := b.step(ctx, prefix+entry.Name(), entry, each, empty); err != nil {
				return err
			}
		}
		switch {
		case err == io.EOF && seen == 0 && empty != nil && isCollection(prefix):
			return empty(prefix)
		case err == io.EOF:
			return nil
		case err != nil:
			return err
		}
	}
}

func (b *Blobs) step(ctx context.Context, key string, entry fs.DirEntry, each func(keyInfo) error, empty func(prefix string) error) error {
	if entry.IsDir() {
		return b.walk(ctx, key+"/", each, empty)
	}
	if key == lockName || key == ownerKey {
		return nil
	}
	info, err := entry.Info()
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil // gone meanwhile
	case err != nil:
		return err
	case !info.Mode().IsRegular():
		return each(keyInfo{Key: key, Size: info.Size(), Modified: info.ModTime()})
	}
	return each(blobInfo(key, info.Size(), info.ModTime()))
}

// isCollection tells whether a prefix is that of the blobs of one collection.
func isCollection(prefix string) bool {
	rest, found := strings.CutPrefix(prefix, collectionsFolder)
	return found && isSegment(strings.TrimSuffix(rest, "/"))
}

// removeEmpty removes the folder of a collection, unless there is something in it by now.
func (b *Blobs) removeEmpty(prefix string) error {
	b.at(beforeEmpty)
	unlock, err := b.lock(toRemove)
	if err != nil {
		return err
	}
	err = os.Remove(b.path(prefix))
	if errors.Is(err, fs.ErrExist) || errors.Is(err, fs.ErrNotExist) { // the former: it is not empty
		err = nil
	}
	return errors.Join(err, unlock())
}
