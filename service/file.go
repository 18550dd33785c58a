package service

import (
	"bytes"
	"context"
	"crypto/sha256"
	"fmt"
	"io"
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
