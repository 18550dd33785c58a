package store

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"path/filepath"
	"runtime"
	"strings"

	"gocloud.dev/blob"
	_ "gocloud.dev/blob/fileblob" // the scheme file
)

// Blobs is an open bucket that keeps the bytes of photos. It is safe for use by many
// goroutines, and by many servers at once.
//
// The key of a blob is collections/{collection}/{name}. The name is made of what the
// blob holds (its SHA-256), so what is there under a key never changes, and who writes
// it twice writes the same.
type Blobs struct {
	bucket *blob.Bucket
	shown  string // where it is, as one may read it
	folder string // where the bucket is a folder, its absolute path; else ""
}

// OpenBlobs opens the bucket at url: file:///FOLDER, or a bare path. The folder is made,
// for its owner only, if it is not there; what it lies in must be. Other kinds of buckets
// are known by their scheme once their driver is linked.
//
// The caller closes it.
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
