package service

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"syscall"
)

// SentFile is a file that came beside its request, as it is too large for one.
type SentFile struct {
	io.ReaderAt
	Size   int64
	Digest []byte // SHA-256
}

// reader reads the file from its start.
func (f *SentFile) reader() *io.SectionReader { return io.NewSectionReader(f, 0, f.Size) }

type fileKey struct{}

// WithFile returns a context with a file that came beside the request.
func WithFile(ctx context.Context, sent *SentFile) context.Context {
	return context.WithValue(ctx, fileKey{}, sent)
}

// sentWith returns the file of a request: the one that came beside it, or what a field of
// it holds. what says what it is.
func sentWith(ctx context.Context, field, what string, inside []byte) (*SentFile, error) {
	sent, beside := ctx.Value(fileKey{}).(*SentFile)
	switch {
	case beside && len(inside) > 0:
		return nil, fmt.Errorf("the file of %s came twice", field)
	case beside:
		return sent, nil
	case len(inside) == 0:
		return nil, Invalid(InvalidFields, []Violation{{field, "must be given: " + what}})
	}
	sum := sha256.Sum256(inside)
	return &SentFile{bytes.NewReader(inside), int64(len(inside)), sum[:]}, nil
}

// FileError is the error for a file that the server cannot keep until its call has read it.
// what says which.
func FileError(what string, err error) error {
	// A quota, or a limit to what a process may write, is a full disk to who sends.
	if errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) || errors.Is(err, syscall.EFBIG) {
		return &Error{Reason: StorageFull, Message: "the disk of the server is full: nothing was written", cause: err}
	}
	return fmt.Errorf("%s: %w", what, err)
}
