package store

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"syscall"

	"github.com/rogpeppe/go-internal/lockedfile"
)

// lockName is the file in the folder of a bucket that everybody locks who makes a blob
// be there or not. It is made when the bucket is opened, and never later: a folder
// without it is not the one that was opened, such as where a disk was unmounted.
const lockName = ".lock"

// prepareFolder makes the folder, for its owner only, unless it is there, and looks
// whether it can be written.
func prepareFolder(path string) error {
	err := os.Mkdir(path, 0o700)
	switch {
	case err == nil:
		// The entry of the folder must not be lost with a power cut, or all in it is.
		if err := syncFolder(filepath.Dir(path)); err != nil {
			return err
		}
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("there is no folder %s", filepath.Dir(path))
	case errors.Is(err, fs.ErrExist):
		info, err := os.Stat(path)
		if err != nil {
			return err // names the path
		}
		if !info.IsDir() {
			return fmt.Errorf("%s is not a folder", path)
		}
	default:
		return err
	}
	// Under another name than the lock's, which may be there already.
	probe, err := os.CreateTemp(path, ".probe-*")
	if err != nil {
		return fmt.Errorf("%s cannot be written: %w", path, cause(err))
	}
	if err := errors.Join(probe.Close(), os.Remove(probe.Name())); err != nil {
		return err
	}
	lock, err := lockedfile.OpenFile(filepath.Join(path, lockName), os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return fmt.Errorf("%s cannot be locked: %w", filepath.Join(path, lockName), cause(err))
	}
	return errors.Join(lock.Close(), syncFolder(path))
}

// cause is what the system says, without the path.
func cause(err error) error {
	var of *fs.PathError
	if errors.As(err, &of) {
		return of.Err
	}
	return err
}

// syncFolder returns when the entries of the folder are on the disk.
func syncFolder(path string) error {
	if runtime.GOOS == "windows" {
		return nil // it writes entries by itself, and has no call for it
	}
	folder, err := os.Open(path)
	if err != nil {
		return err
	}
	err = folder.Sync()
	if errors.Is(err, syscall.EINVAL) {
		err = nil // fsync(2): this kind of file system has nothing to sync there
	}
	return errors.Join(err, folder.Close())
}
