package store_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sync/errgroup"

	"dewbench/store"
)

// another is the id of a database to which the buckets do not belong.
const another = "00000000000000db"

// handle opens the bucket as a further server does, without a claim.
func (b bucket) handle() *store.Blobs {
	b.Helper()
	url := b.folder
	if b.Blobs != nil {
		url = b.String()
	}
	other, err := store.OpenBlobs(b.Context(), url)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() {
		if err := other.Close(); err != nil {
			b.Error(err)
		}
	})
	return other
}

// disown removes the id of the database, as an operator does.
func (b bucket) disown() {
	b.Helper()
	if err := os.Remove(filepath.Join(b.folder, "database")); err != nil {
		b.Fatal(err)
	}
}

// A bucket stays with its database: no other gets it, nor sweeps it.
func TestClaimBlobs(t *testing.T) {
	eachBucket(t, func(b bucket) {
		b.write("collections/c1/unnamed", 48*time.Hour)
		for range 2 {
			other := b.handle()
			if _, err := other.Sweep(b.Context(), yesterday(), naming()); err == nil {
				b.Error("it is swept for no database")
			}
			err := other.Claim(b.Context(), another)
			if want := b.String() + ": the photos are of another database"; !errors.Is(err, store.ErrOtherDatabase) || err.Error() != want {
				b.Errorf("Claim = %v, want %s", err, want)
			}
			if _, err := other.Sweep(b.Context(), yesterday(), naming()); err == nil {
				b.Error("it is swept for a database that was refused")
			}
			if err := other.Claim(b.Context(), testDatabase); err != nil {
				b.Errorf("its own database is refused: %v", err)
			}
		}
		if err := b.Claim(b.Context(), "../x"); err == nil || errors.Is(err, store.ErrOtherDatabase) {
			b.Errorf("a strange id: %v", err)
		}
		if files := b.files(); len(files) != 1 {
			b.Errorf("left are %q", files)
		}
		if swept := b.sweep(); swept.Removed != 1 || swept.Unknown != 0 {
			b.Errorf("its own database swept %+v", swept)
		}
	})
}

// A bucket without an owner, such as one of a program that kept none, is taken over with
// what it has. Whose it was sweeps it no more.
func TestClaimBlobsTakesOver(t *testing.T) {
	eachBucket(t, func(b bucket) {
		b.write("collections/c1/unnamed", 48*time.Hour)
		b.disown()
		if swept, err := b.Sweep(b.Context(), yesterday(), naming()); err == nil || !strings.Contains(err.Error(), "start the server again") || swept != (store.Swept{}) {
			b.Errorf("without the id of a database: Sweep = %+v, %v", swept, err)
		}
		other := b.handle()
		if err := other.Claim(b.Context(), another); err != nil {
			b.Fatal(err)
		}
		if swept, err := b.Sweep(b.Context(), yesterday(), naming()); !errors.Is(err, store.ErrOtherDatabase) || swept != (store.Swept{}) {
			b.Errorf("after it is that of another: Sweep = %+v, %v", swept, err)
		}
		if err := b.Claim(b.Context(), testDatabase); !errors.Is(err, store.ErrOtherDatabase) {
			b.Errorf("after it is that of another: Claim = %v", err)
		}
		if files := b.files(); len(files) != 1 {
			b.Errorf("left are %q", files)
		}
		// And while the other sweeps it is taken back.
		swept, err := other.Sweep(b.Context(), yesterday(), func(context.Context, string, []string) (map[string]bool, error) {
			b.disown()
			return nil, b.Claim(b.Context(), testDatabase)
		})
		if !errors.Is(err, store.ErrOtherDatabase) || swept.Removed != 0 || len(b.files()) != 1 {
			b.Errorf("taken back meanwhile: Sweep = %+v, %v, left are %q", swept, err, b.files())
		}
	})
}

// Of several databases that claim a new bucket at once one gets it. Each has it open for
// itself, as servers have.
func TestClaimBlobsAtOnce(t *testing.T) {
	for range 20 {
		folder := filepath.Join(t.TempDir(), "photos")
		b := bucket{t, nil, folder}
		const servers = 8
		var (
			all   errgroup.Group
			start = make(chan struct{})
			got   [servers]error
		)
		for n := range servers {
			own := b.handle()
			all.Go(func() error {
				<-start
				got[n] = own.Claim(t.Context(), fmt.Sprint("server-", n/2))
				return nil
			})
		}
		close(start)
		if err := all.Wait(); err != nil {
			t.Fatal(err)
		}
		text, err := os.ReadFile(filepath.Join(folder, "database"))
		if err != nil {
			t.Fatal(err)
		}
		for n, err := range got {
			if wins := string(text) == fmt.Sprintf("server-%d\n", n/2); wins && err != nil || !wins && !errors.Is(err, store.ErrOtherDatabase) {
				t.Errorf("it is that of %q; server %d of database %d: %v", text, n, n/2, err)
			}
		}
		if files := b.files(); len(files) != 0 {
			t.Errorf("left are %q", files)
		}
	}
}
