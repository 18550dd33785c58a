package store_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"dewbench/store"
)

// write makes a file of the folder by hand, with another time.
func (b bucket) write(name string, age time.Duration) {
	b.Helper()
	name = filepath.Join(b.folder, filepath.FromSlash(name))
	at := time.Now().Add(-age)
	err := os.MkdirAll(filepath.Dir(name), 0o700)
	if err == nil {
		err = os.WriteFile(name, []byte("by hand"), 0o600)
	}
	if err == nil {
		err = os.Chtimes(name, at, at)
	}
	if err != nil {
		b.Fatal(err)
	}
}

func TestSweepBlobs(t *testing.T) {
	eachBucket(t, func(b bucket) {
		const young, old = time.Hour, 25 * time.Hour
		b.write("collections/c1/named", old)
		b.write("collections/c1/unnamed", old)
		b.write("collections/c1/unnamed-320.jpg", old)
		b.write("collections/c1/young", young)
		b.write("collections/c1/broken.18b2c3d4e5f60718.tmp", old)
		b.write("collections/c1/being-written.18b2c3d4e5f60719.tmp", young)
		b.write("collections/c2/unnamed", old)
		b.write("collections/c3/young", young)
		b.write(".probe-123", old)
		b.write(".probe-124", young)
		strange := []string{
			"letter.txt", "collections/letter.txt", "collections/c1/Letter", "collections/c1/deep/letter", "collections/C1/letter", "c1/unnamed",
			"collections/c1/Broken.18b2c3d4e5f60718.tmp", "collections/c1/broken.tmp",
		}
		for _, name := range strange {
			b.write(name, old)
		}
		if n := len(b.list()); n != 18 {
			b.Errorf("%d keys are listed, want 18", n)
		}
		asked := map[string][]string{}
		swept, err := b.Sweep(b.Context(), yesterday(), func(_ context.Context, collection string, names []string) (map[string]bool, error) {
			asked[collection] = append(asked[collection], names...)
			return map[string]bool{"named": true}, nil
		})
		if err != nil {
			b.Fatal(err)
		}
		for _, names := range asked {
			slices.Sort(names)
		}
		if want := map[string][]string{"c1": {"named", "unnamed", "unnamed-320.jpg"}, "c2": {"unnamed"}}; !maps.EqualFunc(asked, want, slices.Equal) {
			b.Errorf("it asked about %v, want %v", asked, want)
		}
		if want := (store.Swept{Removed: 3, Bytes: 21, Temporary: 2, Unknown: len(strange)}); swept != want {
			b.Errorf("it swept %+v, want %+v", swept, want)
		}
		want := append(strange, "collections/c1/named", "collections/c1/young", "collections/c1/being-written.18b2c3d4e5f60719.tmp", "collections/c3/young", ".probe-124")
		got := b.files()
		slices.Sort(want)
		slices.Sort(got)
		if !slices.Equal(got, want) {
			b.Errorf("left are %q, want %q", got, want)
		}
	})
}

// Folders of collections do not pile up when their blobs are gone.
func TestSweepEmptyFolders(t *testing.T) {
	b := newBucket(t)
	name := b.put("c1", []byte("a"))
	b.put("c2", []byte("b"))
	b.age(48 * time.Hour)
	if err := os.MkdirAll(filepath.Join(b.folder, "collections", "c3"), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(filepath.Join(b.folder, "collections", "Not ours"), 0o700); err != nil {
		t.Fatal(err)
	}
	folders := func() (names []string) {
		all, err := os.ReadDir(filepath.Join(b.folder, "collections"))
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range all {
			names = append(names, f.Name())
		}
		return names
	}
	for n, want := range [][]string{{"Not ours", "c1", "c2"}, {"Not ours", "c1"}} {
		b.sweep(name)
		if got := folders(); !slices.Equal(got, want) {
			t.Errorf("after sweep %d there are %q, want %q", n, got, want)
		}
	}
	// One that is filled at the last moment.
	b.sweep()
	b.OnMoment(func(moment string) {
		if moment == store.BeforeEmpty {
			b.OnMoment(nil)
			b.put("c1", []byte("a"))
		}
	})
	b.sweep()
	b.holds("c1", name, []byte("a"))
}

// A sweep asks about some names at a time, of one collection.
func TestSweepAsksInParts(t *testing.T) {
	eachBucket(t, func(b bucket) {
		for n := range 1201 {
			b.write(fmt.Sprintf("collections/c1/n%d", n), 48*time.Hour)
		}
		b.write("collections/c2/n1", 48*time.Hour)
		var parts []int
		seen := map[string]bool{}
		swept, err := b.Sweep(b.Context(), yesterday(), func(_ context.Context, collection string, names []string) (map[string]bool, error) {
			known := map[string]bool{}
			for _, name := range names {
				if seen[collection+name] {
					b.Errorf("it asks again about %s", name)
				}
				seen[collection+name] = true
				known[name] = strings.HasSuffix(name, "7") || collection == "c2"
			}
			parts = append(parts, len(names))
			return known, nil
		})
		if err != nil {
			b.Fatal(err)
		}
		slices.Sort(parts)
		// Of 0 to 1,200 there are 120 that end with 7.
		if want := []int{1, 201, 500, 500}; !slices.Equal(parts, want) || swept.Removed != 1201-120 || len(b.files()) != 121 {
			b.Errorf("it asked about %d, removed %d and left %d", parts, swept.Removed, len(b.files()))
		}
	})
}

// What fails keeps nothing else from being swept.
func TestSweepGoesOn(t *testing.T) {
	b := newBucket(t)
	for _, c := range []string{"c1", "c2", "c3"} {
		b.write("collections/"+c+"/a", 48*time.Hour)
	}
	fails := func(_ context.Context, collection string, _ []string) (map[string]bool, error) {
		if collection != "c2" {
			return map[string]bool{}, errMine
		}
		return nil, nil
	}
	swept, err := b.Sweep(t.Context(), yesterday(), fails)
	if !errors.Is(err, errMine) || err.Error() != "sweep photos: 2 times something was left that should go, first: "+errMine.Error() || swept.Removed != 1 {
		t.Errorf("Sweep = %+v, %v", swept, err)
	}
	b.write("collections/c2/a", 48*time.Hour)
	asked := 0
	for _, stop := range []error{store.ErrUnavailable, context.Canceled} {
		ctx, cancel := context.WithCancel(t.Context())
		_, err = b.Sweep(ctx, yesterday(), func(context.Context, string, []string) (map[string]bool, error) {
			asked++
			cancel()
			return nil, stop
		})
		cancel()
		if !errors.Is(err, stop) {
			t.Errorf("Sweep = %v, want %v", err, stop)
		}
	}
	if files := b.files(); asked != 2 || len(files) != 3 {
		t.Errorf("it asked %d times and left %q", asked, files)
	}
}

func TestListOfBlobs(t *testing.T) {
	eachBucket(t, func(b bucket) {
		if all := b.list(); len(all) != 0 {
			b.Errorf("an empty bucket has %v", all)
		}
		for n := range 1500 {
			b.write(fmt.Sprintf("collections/c%d/n%d", n%3, n), time.Hour)
		}
		last, done := "", map[string]bool{}
		seen := 0
		err := b.List(b.Context(), func(i store.BlobInfo) error {
			if i.Collection != last {
				if done[i.Collection] {
					b.Errorf("%s comes twice", i.Collection)
				}
				last, done[i.Collection] = i.Collection, true
			}
			if i.Key != "collections/"+i.Collection+"/"+i.Name || i.Size != 7 || time.Since(i.Modified) < time.Hour || time.Since(i.Modified) > 2*time.Hour || i.Temporary {
				b.Errorf("listed is %+v", i)
			}
			seen++
			return nil
		})
		if err != nil || seen != 1500 {
			b.Errorf("%d keys were listed (%v), want 1500", seen, err)
		}
		err = b.List(b.Context(), func(store.BlobInfo) error { return errMine })
		if !errors.Is(err, errMine) || err.Error() != errMine.Error() {
			b.Errorf("List = %v, want the error of the caller", err)
		}
		if err := b.List(canceled(b.Context()), func(store.BlobInfo) error { return nil }); !errors.Is(err, context.Canceled) {
			b.Errorf("List = %v, want that it was stopped", err)
		}
	})
}

// Files come and go while they are listed.
func TestListMeanwhile(t *testing.T) {
	b := newBucket(t)
	for n := range 3000 {
		b.write(fmt.Sprintf("collections/c1/n%d", n), 48*time.Hour)
	}
	kept := map[string]bool{}
	seen := map[string]bool{}
	err := b.List(t.Context(), func(i store.BlobInfo) error {
		if len(seen) == 0 {
			// The driver has read 1,000 entries of the folder by now, half of which go.
			for n := range 3000 {
				if name := fmt.Sprint("n", n); n%2 == 0 && name != i.Name {
					if err := os.Remove(filepath.Join(b.folder, "collections", "c1", name)); err != nil {
						return err
					}
				} else {
					kept[name] = true
				}
			}
			b.put("c1", []byte("new"))
		}
		seen[i.Name] = true
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for name := range kept {
		if !seen[name] {
			t.Fatalf("%s, which was there all the time, is not listed", name)
		}
	}
}

// stepper runs a call of the blobs until it is told to wait, which is before each step that
// others may come between.
type stepper struct {
	resume chan struct{}
	paused chan bool // false: it is over
}

// begin starts a call, which waits at once. It has a bucket of its own, as on another server.
func (b bucket) begin(call func(b bucket, wait func())) *stepper {
	own := bucket{b.T, openBucket(b.T, b.folder), b.folder}
	s := &stepper{make(chan struct{}), make(chan bool)}
	wait := func() {
		s.paused <- true
		<-s.resume
	}
	own.OnMoment(func(moment string) {
		switch moment {
		case store.BeforePlace, store.BeforeJudge, store.BeforeEmpty:
			wait()
		}
	})
	go func() {
		<-s.resume
		call(own, wait)
		s.paused <- false
	}()
	return s
}

// step lets it run to the next moment, and tells whether it is over.
func (s *stepper) step() (over bool) {
	s.resume <- struct{}{}
	return !<-s.paused
}

// TestPutsAndSweepInAnyOrder plays two uploads of the same photo and a sweep, in all orders
// of their steps, each on a server of its own. When an upload is over its row is there; then
// the blob must be, whatever comes later.
func TestPutsAndSweepInAnyOrder(t *testing.T) {
	for _, before := range []string{"nothing", "an old one", "an old one of another size", "an empty folder"} {
		t.Run(before, func(t *testing.T) {
			t.Parallel()
			// Each order is the beginning of one that was played, with another step then.
			orders := []string{""}
			for n := 0; n < len(orders); n++ {
				orders = append(orders, playInOrder(t, before, orders[n])...)
			}
			t.Logf("%d orders", len(orders))
			if len(orders) < 10 {
				t.Error("these are not all")
			}
		})
	}
}

// playInOrder plays the calls in an order, and then one after the other. It returns the
// orders that go another way after that.
func playInOrder(t *testing.T, before, order string) (others []string) {
	t.Helper()
	content := []byte("the same photo")
	name := nameOf(content)
	b := newBucket(t)
	switch before {
	case "an old one":
		b.put("c1", content)
	case "an old one of another size":
		b.write("collections/c1/"+name, 0)
	case "an empty folder":
		b.put("c1", content)
		if err := b.Of("c1").Delete(t.Context(), name); err != nil {
			t.Fatal(err)
		}
	}
	b.age(48 * time.Hour)
	committed := false
	upload := func(own bucket, _ func()) {
		if err := own.Of("c1").Put(t.Context(), name, bytes.NewReader(content), int64(len(content))); err != nil {
			t.Errorf("%s: %v", order, err)
			return
		}
		committed = true
	}
	sweep := func(own bucket, wait func()) {
		_, err := own.Sweep(t.Context(), yesterday(), func(context.Context, string, []string) (map[string]bool, error) {
			wait()
			return map[string]bool{name: committed}, nil
		})
		if err != nil {
			t.Errorf("%s: %v", order, err)
		}
	}
	calls := map[string]*stepper{"a": b.begin(upload), "b": b.begin(upload), "s": b.begin(sweep)}
	for n := 0; len(calls) > 0; n++ {
		left := slices.Sorted(maps.Keys(calls))
		if n == len(order) {
			for _, who := range left[1:] {
				others = append(others, order+who)
			}
			order += left[0]
		}
		who := order[n : n+1]
		if calls[who].step() {
			delete(calls, who)
		}
		if committed {
			if got, err := os.ReadFile(filepath.Join(b.folder, "collections", "c1", name)); err != nil || !bytes.Equal(got, content) {
				t.Errorf("%s: there is a row, and the blob has %q (%v)", order[:n+1], got, err)
			}
		}
	}
	b.holds("c1", name, content)
	if files := b.files(); len(files) != 1 {
		t.Errorf("%s: left are %q", order, files)
	}
	return others
}
