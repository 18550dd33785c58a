package store

import (
	"context"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strings"
	"time"

	"gocloud.dev/gcerrors"
)

// keyInfo tells of what is under a key.
type keyInfo struct {
	Key string
	// Of a blob both are set. A file that is being written, or was when its writer was
	// killed, is Temporary and has no name. What has neither is not ours.
	Collection, Name string
	Temporary        bool
	Size             int64     // bytes
	Modified         time.Time // when it was last put, by the clock of who put it
}

// temporary is what the driver calls a file that is being written, by the name of the
// blob and a number.
var temporary = regexp.MustCompile(`^(.*)\.[0-9a-f]+\.tmp$`)

func blobInfo(key string, size int64, modified time.Time) keyInfo {
	i := keyInfo{Key: key, Size: size, Modified: modified}
	if strings.HasPrefix(key, probeName) {
		i.Temporary = true
		return i
	}
	rest, found := strings.CutPrefix(key, collectionsFolder)
	collection, name, _ := strings.Cut(rest, "/")
	if !found || !isSegment(collection) {
		return i
	}
	if of := temporary.FindStringSubmatch(name); of != nil && isSegment(of[1]) {
		i.Collection, i.Temporary = collection, true
	} else if isSegment(name) {
		i.Collection, i.Name = collection, name
	}
	return i
}

// list calls each for all that is in the bucket, those of one collection together, in no
// order else, and empty for folders of collections that have nothing. What is put or removed
// meanwhile may be told of or not. It holds a few thousand keys at most.
func (b *Blobs) list(ctx context.Context, each func(keyInfo) error, empty func(prefix string) error) error {
	// An error of each is the caller's own.
	var own error
	note := func(i keyInfo) error {
		own = each(i)
		return own
	}
	var err error
	if b.folder == "" {
		err = b.page(ctx, note)
	} else if err = b.here(); err == nil {
		err = b.walk(ctx, "", note, empty)
	}
	if err != nil && own == nil {
		return b.trouble(err)
	}
	return err
}

// page lists as the driver does, by pages.
func (b *Blobs) page(ctx context.Context, each func(keyInfo) error) error {
	keys := b.bucket.List(nil)
	for {
		of, err := keys.Next(ctx)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		if err := ctx.Err(); err != nil {
			return err // the driver asks only for a new page
		}
		if of.Key == ownerKey {
			continue
		}
		if err := each(blobInfo(of.Key, of.Size, of.ModTime)); err != nil {
			return err
		}
	}
}

// Swept tells what a sweep did.
type Swept struct {
	Removed   int   // blobs that nothing named
	Bytes     int64 // that these had
	Temporary int   // files that writers left when they were killed
	Unknown   int   // keys that are not ours, and were left alone
}

// namesAtOnce is how many blobs a sweep asks about at once.
const namesAtOnce = 500

// Sweep removes the blobs that were last put before olderThan and that nothing names, and
// files that writers left before then. named is asked about up to 500 names of one
// collection at a time, and tells which of them a row names. Where something cannot be
// removed, or named fails, it goes on with the rest and tells of it in the end. It removes
// nothing once the bucket is not that of the database any more that has claimed it.
//
// A blob is put before its row is written, and another may put it again, which keeps what
// is there, at the very moment at which it is found to be without a row. That a blob is
// there once its row is committed rests on this:
//
//   - Put makes the blob young: it writes it anew, or sets its time to now, before it
//     returns. The row must be committed before the blob is older than olderThan is: so
//     olderThan must be longer ago than any call may take. A day is plenty.
//   - Whoever writes a row that names a blob has put it within that time, or has another
//     row that names it and goes only in the same transaction or later. Rows that can be
//     restored still name their blob.
//   - named is asked after the blob was seen to be old. If a row is committed after that,
//     its Put has been running or has made the blob young since, or will.
//   - To look again whether the blob is old and to remove it are one step under the lock,
//     which Put takes to look and make young, and again to show what it wrote. So each such
//     step of a Put is before the removal, which then finds a young blob and leaves it, or
//     after it, and finds none and writes it, or shows the new one where the old was.
//
// Only a folder has such a lock. In other buckets Put always writes, and the last look is
// right before the removal; a Put that ends between these two is lost.
//
// Times are those of the machines that put and, in other buckets, of the bucket: their
// clocks must not be wrong by as much as olderThan is ago.
func (b *Blobs) Sweep(ctx context.Context, olderThan time.Time, named func(ctx context.Context, collection string, names []string) (map[string]bool, error)) (Swept, error) {
	if err := b.checkOwner(ctx); err != nil {
		return Swept{}, err
	}
	s := &sweeping{Blobs: b, olderThan: olderThan, named: named}
	err := b.list(ctx, func(i keyInfo) error { return s.see(ctx, i) }, func(prefix string) error {
		return s.failed(ctx, b.trouble(b.removeEmpty(prefix)))
	})
	if err == nil {
		err = s.ask(ctx)
	}
	if err == nil && s.failures > 0 {
		err = fmt.Errorf("sweep photos: %d times something was left that should go, first: %w", s.failures, s.first)
	}
	return s.swept, err
}

// sweeping is a sweep that is under way.
type sweeping struct {
	*Blobs
	olderThan  time.Time
	named      func(ctx context.Context, collection string, names []string) (map[string]bool, error)
	collection string
	names      []string // old ones of the collection, to ask about
	swept      Swept
	first      error
	failures   int
}

// see takes note of a key, and asks about those before it when there are enough.
func (s *sweeping) see(ctx context.Context, i keyInfo) error {
	switch old := i.Modified.Before(s.olderThan); {
	case i.Temporary && old:
		return s.removeOld(ctx, i.Key, func(int64) { s.swept.Temporary++ })
	case i.Temporary, i.Name != "" && !old:
		return nil
	case i.Name == "":
		s.swept.Unknown++
		return nil
	}
	if i.Collection != s.collection || len(s.names) == namesAtOnce {
		if err := s.ask(ctx); err != nil {
			return err
		}
		s.collection = i.Collection
	}
	s.names = append(s.names, i.Name)
	return nil
}

// ask removes what is not named of the names that were noted.
func (s *sweeping) ask(ctx context.Context) error {
	if len(s.names) == 0 {
		return nil
	}
	names := s.names
	s.names = nil // named may keep them
	known, err := s.named(ctx, s.collection, names)
	if err != nil {
		return s.failed(ctx, err)
	}
	if err := s.checkOwner(ctx); err != nil {
		return err
	}
	for _, name := range names {
		if known[name] {
			continue
		}
		err := s.removeOld(ctx, collectionsFolder+s.collection+"/"+name, func(size int64) {
			s.swept.Removed++
			s.swept.Bytes += size
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// removeOld removes what is under a key unless it was put meanwhile.
func (s *sweeping) removeOld(ctx context.Context, key string, count func(size int64)) error {
	s.at(beforeJudge)
	unlock, err := s.lock(toRemove)
	if err != nil {
		return err
	}
	of, err := s.bucket.Attributes(ctx, key)
	remove := err == nil && of.ModTime.Before(s.olderThan)
	if remove {
		s.at(foundOld)
		err = s.bucket.Delete(ctx, key)
	}
	if gcerrors.Code(err) == gcerrors.NotFound {
		remove, err = false, nil // another server sweeps too
	}
	if remove && err == nil {
		count(of.Size)
	}
	return s.failed(ctx, s.trouble(errors.Join(err, unlock())))
}

// failed takes note of an error, and returns it if it makes no sense to go on.
func (s *sweeping) failed(ctx context.Context, err error) error {
	if err == nil || ctx.Err() != nil || errors.Is(err, ErrUnavailable) {
		return err
	}
	if s.failures++; s.first == nil {
		s.first = err
	}
	return nil
}
