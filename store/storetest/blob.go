package storetest

import (
	"testing"

	"dewbench/store"
)

// Blobs opens a bucket without blobs, in a folder that goes with the test.
func Blobs(tb testing.TB) *store.Blobs {
	tb.Helper()
	b, err := store.OpenBlobs(tb.Context(), tb.TempDir())
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() {
		if err := b.Close(); err != nil {
			tb.Error(err)
		}
	})
	return b
}
