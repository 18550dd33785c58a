package store

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"gocloud.dev/blob"
	_ "gocloud.dev/blob/fileblob" // the scheme file
	"gocloud.dev/gcerrors"
)

// Blobs is an open bucket that keeps the bytes of photos. It is safe for use by many
// goroutines, and by many servers at once.
//
// The key of a blob is collections/{collection}/{name}. The name is made of the SHA-256
// of what the blob holds or is made from, so what a key stands for never changes.
//
// A blob is put before the row that names it is written, and nothing removes it when the
// last such row goes: Sweep finds it. So a crash in between leaves a blob that nothing
// names, never a row without its blob. See Sweep for how long there is for the row.
type Blobs struct {
	bucket  *blob.Bucket
	shown   string // where it is, as one may read it
	folder  string // where the bucket is a folder, its absolute path; else ""
	moment  func(what string)
	claimed atomic.Pointer[string] // the id of the database that it belongs to
}

// Moments of the calls that make blobs be there or not. Tests are told of them.
const (
	beforeLook  = "look"         // Put is about to look whether the blob is there
	looked      = "looked"       // and has looked: the lock is held
	fileSynced  = "file synced"  // all bytes are on the disk
	beforePlace = "place"        // Put is about to show what it wrote
	placing     = "placing"      // the lock is held
	placed      = "placed"       // the entries are on the disk too
	beforeJudge = "judge"        // Sweep is about to look again at what nobody named
	foundOld    = "found old"    // and has found it so: the lock is held
	beforeEmpty = "empty folder" // Sweep is about to remove the folder of a collection
)

func (b *Blobs) at(moment string) {
	if b.moment != nil {
		b.moment(moment)
	}
}

// OpenBlobs opens the bucket at url: file:///FOLDER, or a bare path. The folder is made,
// for its owner only, if it is not there; what it lies in must be. Other kinds of buckets
// are known by their scheme once their driver is linked.
//
// Who sweeps it claims it first. The caller closes it.
func OpenBlobs(ctx context.Context, url string) (*Blobs, error) {
	b := &Blobs{}
	if err := b.open(ctx, url); err != nil {
		return nil, fmt.Errorf("open photos: %w", err)
	}
	return b, nil
}

func (b *Blobs) open(ctx context.Context, raw string) error {
	scheme, _, found := strings.Cut(raw, ":")
	if found && scheme != "file" && strings.Contains(raw, "://") {
		if !blob.DefaultURLMux().ValidBucketScheme(scheme) {
			return fmt.Errorf("%q is not a kind of bucket: give the path of a folder, or file:///FOLDER", scheme)
		}
		u, err := url.Parse(raw)
		if err != nil {
			return errors.New("the URL of the bucket cannot be read") // it may hold a key
		}
		b.shown = u.Scheme + "://" + u.Host + u.Path
		return b.openBucket(ctx, raw)
	}
	folder := raw
	if found && scheme == "file" {
		u, err := url.Parse(raw)
		if err != nil || u.Opaque != "" || u.Host != "" && u.Host != "localhost" || u.RawQuery != "" || u.Fragment != "" {
			return errors.New("the URL cannot be read: give file:///FOLDER, with an absolute path, or the path alone")
		}
		folder = filepath.FromSlash(u.Path)
	}
	if folder == "" {
		return errors.New("the path of the folder is missing: give the path, or file:///FOLDER")
	}
	absolute, err := filepath.Abs(folder)
	if err != nil {
		return fmt.Errorf("find %s: %w", folder, err)
	}
	if err := prepareFolder(absolute); err != nil {
		return err
	}
	slashed := filepath.ToSlash(absolute)
	if runtime.GOOS == "windows" {
		slashed = "/" + slashed
	}
	b.shown, b.folder = absolute, absolute
	// Files that are being written stand beside those that they become: only on the same
	// file system a rename shows all of a file at once.
	options := url.Values{"metadata": {"skip"}, "no_tmp_dir": {"1"}, "dir_file_mode": {"0700"}}
	return b.openBucket(ctx, (&url.URL{Scheme: "file", Path: slashed, RawQuery: options.Encode()}).String())
}

// openBucket opens what a driver knows. The driver's words are not passed on: they may
// hold what stands in the URL.
func (b *Blobs) openBucket(ctx context.Context, url string) error {
	bucket, err := blob.OpenBucket(ctx, url)
	if err != nil {
		return fmt.Errorf("%s cannot be opened", b.shown)
	}
	if there, err := bucket.IsAccessible(ctx); err != nil || !there {
		return errors.Join(fmt.Errorf("%s cannot be reached", b.shown), bucket.Close())
	}
	b.bucket = bucket
	return nil
}

// String says where the blobs are, without what nobody should read.
func (b *Blobs) String() string { return b.shown }

// Close closes the bucket. What is open for reading must be closed before.
func (b *Blobs) Close() error { return b.bucket.Close() }

// CollectionBlobs are the blobs of one collection.
type CollectionBlobs struct {
	all        *Blobs
	collection string
}

// Of returns the blobs of a collection. Nothing is looked up.
func (b *Blobs) Of(collection string) *CollectionBlobs {
	return &CollectionBlobs{all: b, collection: collection}
}

// collectionsFolder is what all keys begin with.
const collectionsFolder = "collections/"

// segment is what names, and ids of collections, look like in a key. With the ending that
// the driver gives a file while it is written, 200 bytes fit into the 255 of a file name.
var segment = regexp.MustCompile(`^[a-z0-9]([a-z0-9.-]{0,198}[a-z0-9])?$`)

func isSegment(s string) bool {
	// Files with these endings are the driver's own.
	return segment.MatchString(s) && !strings.HasSuffix(s, ".tmp") && !strings.HasSuffix(s, ".attrs")
}

func (c *CollectionBlobs) key(name string) (string, error) {
	for _, part := range []string{c.collection, name} {
		if !isSegment(part) {
			return "", fmt.Errorf("%q cannot be in the key of a blob: it must have 1 to 200 of a-z, 0-9, '.' and '-', begin and end with a letter or digit, and not end with .tmp or .attrs", part)
		}
	}
	return collectionsFolder + c.collection + "/" + name, nil
}

// Put keeps what r has, size bytes, under a name. If that many are there already r is not
// read. When it returns without an error, no crash and no power cut loses the blob, and no
// sweep whose age has not passed since removes it.
//
// An error of r is returned as it is. After an error nothing half-written is to be seen.
func (c *CollectionBlobs) Put(ctx context.Context, name string, r io.Reader, size int64) error {
	key, err := c.key(name)
	if err != nil {
		return err
	}
	if size < 0 {
		return fmt.Errorf("blob %s: a size of %d: must not be negative", key, size)
	}
	writing, giveUp := context.WithCancel(ctx)
	defer giveUp()
	w, f, err := c.all.begin(writing, key, size)
	if err == nil && w != nil {
		err = c.all.write(w, f, &content{ctx: ctx, r: r, key: key, size: size}, giveUp)
	}
	if err == nil {
		err = c.all.syncEntries(key)
	}
	if err != nil {
		var of *contentError
		if errors.As(err, &of) {
			return of.error
		}
		return c.all.trouble(err)
	}
	c.all.at(placed)
	return nil
}

// begin looks whether the blob is there. If it is, it becomes as young as a new one, and
// no writer is returned. f is the file that is written, where the bucket is a folder.
//
// Other buckets have no way to make a blob young but to write it again.
func (b *Blobs) begin(ctx context.Context, key string, size int64) (w *blob.Writer, f *os.File, err error) {
	if err := ctx.Err(); err != nil {
		return nil, nil, err
	}
	b.at(beforeLook)
	unlock, err := b.lock(toKeep)
	if err != nil {
		return nil, nil, err
	}
	defer func() { err = errors.Join(err, unlock()) }()
	if b.folder != "" {
		there, err := b.refresh(key, size)
		if err != nil || there {
			return nil, nil, err
		}
	}
	w, err = b.bucket.NewWriter(ctx, key, &blob.WriterOptions{
		DisableContentTypeDetection: true,
		BeforeWrite: func(as func(any) bool) error {
			if b.folder == "" {
				return nil
			}
			if !as(&f) {
				return errors.New("the driver does not tell its file")
			}
			return f.Chmod(0o600)
		},
	})
	return w, f, err
}

// buffers are what content goes through on its way to the bucket, 256 KiB each.
var buffers = sync.Pool{New: func() any { return new([256 << 10]byte) }}

// write writes all of s and shows it. Else it leaves nothing, and w is closed either way.
func (b *Blobs) write(w *blob.Writer, f *os.File, s *content, giveUp func()) (err error) {
	shown := false
	defer func() {
		if !shown {
			giveUp()
			_ = w.Close() // removes what was written, and says that it was given up
		}
	}()
	buffer := buffers.Get().(*[256 << 10]byte)
	defer buffers.Put(buffer)
	// Without its other methods, so that the driver does not bring a buffer of its own.
	if _, err := io.CopyBuffer(struct{ io.Writer }{w}, s, buffer[:]); err != nil {
		return err
	}
	if f != nil {
		if err := f.Sync(); err != nil {
			return err
		}
		b.at(fileSynced)
	}
	b.at(beforePlace)
	unlock, err := b.lock(toKeep)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, unlock()) }()
	b.at(placing)
	if f != nil {
		// The last write may be long ago.
		if err := touch(f.Name(), time.Time{}); err != nil {
			return err
		}
	}
	shown = true
	return w.Close()
}

// content is what is written, with what may be wrong with it.
type content struct {
	ctx       context.Context
	r         io.Reader
	key       string
	size, had int64
}

// contentError is an error of what is written, not of the bucket.
type contentError struct{ error }

func (s *content) Read(p []byte) (n int, err error) {
	if err := s.ctx.Err(); err != nil {
		return 0, &contentError{err}
	}
	n, err = s.r.Read(p)
	s.had += int64(n)
	switch {
	case s.had > s.size:
		return n, &contentError{fmt.Errorf("blob %s: has more than the %d bytes that were told", s.key, s.size)}
	case err == io.EOF && s.had < s.size:
		return n, &contentError{fmt.Errorf("blob %s: ends after %d of the %d bytes that were told: %w", s.key, s.had, s.size, io.ErrUnexpectedEOF)}
	case err != nil && err != io.EOF:
		return n, &contentError{err}
	}
	return n, err
}

// Open opens a blob to be read from offset on, length bytes of it or, if that is
// negative, all that follow. size is that of the whole blob. The caller closes r.
func (c *CollectionBlobs) Open(ctx context.Context, name string, offset, length int64) (r io.ReadCloser, size int64, err error) {
	key, err := c.key(name)
	if err != nil {
		return nil, 0, err
	}
	if offset < 0 {
		return nil, 0, fmt.Errorf("blob %s: an offset of %d: must not be negative", key, offset)
	}
	reader, err := c.all.bucket.NewRangeReader(ctx, key, offset, length, nil)
	if err != nil {
		return nil, 0, c.all.trouble(err)
	}
	return &blobReader{reader, c.all}, reader.Size(), nil
}

// blobReader gives errors their kinds.
type blobReader struct {
	r *blob.Reader
	b *Blobs
}

func (r *blobReader) Read(p []byte) (int, error) {
	n, err := r.r.Read(p)
	if errors.Is(err, io.EOF) {
		return n, err
	}
	return n, r.b.trouble(err)
}

func (r *blobReader) Close() error { return r.b.trouble(r.r.Close()) }

// Delete removes a blob at once, whatever names it. It is for what nobody can be putting,
// such as the blobs of a collection that is purged: who puts a blob that is there already
// counts on it from then on. All other blobs are for Sweep to remove.
func (c *CollectionBlobs) Delete(ctx context.Context, name string) (err error) {
	key, err := c.key(name)
	if err != nil {
		return err
	}
	unlock, err := c.all.lock(toRemove)
	if err == nil {
		err = errors.Join(c.all.bucket.Delete(ctx, key), unlock())
	}
	if err == nil {
		err = c.all.syncEntries(key)
	}
	return c.all.trouble(err)
}

// blobError is an error of a kind in words that fit a bucket: those of the kinds
// themselves speak of the database.
type blobError struct {
	kind  error
	words string
	cause error
}

func (e *blobError) Error() string   { return e.words + ": " + e.cause.Error() }
func (e *blobError) Unwrap() []error { return []error{ErrPhotos, e.kind, e.cause} }

// trouble gives an error of the bucket the kind that callers look for, as translate does
// for those of the database. What a driver says of its use, not of the bucket, stays as
// it is: that is a defect.
func (b *Blobs) trouble(err error) error {
	var of *blobError
	switch {
	case err == nil, errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded), errors.As(err, &of):
		return err
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT), errors.Is(err, syscall.EFBIG):
		return &blobError{ErrFull, "the disk of the photos is full", err}
	}
	switch gcerrors.Code(err) {
	case gcerrors.NotFound:
		if err := b.here(); err != nil {
			return &blobError{ErrUnavailable, "the photos cannot be reached", err}
		}
		return &blobError{ErrNotFound, "there is no such blob", err}
	case gcerrors.InvalidArgument, gcerrors.FailedPrecondition, gcerrors.Unimplemented:
		return err
	}
	return &blobError{ErrUnavailable, "the photos cannot be reached", err}
}
