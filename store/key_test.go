package store_test

import (
	"sync"
	"testing"

	"dewbench/store"
	"dewbench/store/storetest"
)

func key(t *testing.T, s *store.Store, name string) (key [32]byte) {
	t.Helper()
	err := s.Write(t.Context(), func(tx *store.Tx) (err error) {
		key, err = tx.Key(name, noon)
		return err
	})
	if err != nil {
		t.Error(err)
	}
	return key
}

// All servers of a database have the same keys, whoever asks first.
func TestKey(t *testing.T) {
	t.Parallel()
	for _, engine := range storetest.Engines() {
		t.Run(string(engine), func(t *testing.T) {
			t.Parallel()
			url := storetest.URL(t, engine)
			stores := []*store.Store{storetest.Open(t, url), storetest.Open(t, url)}
			var keys [8][32]byte
			var all sync.WaitGroup
			for n := range keys {
				all.Go(func() { keys[n] = key(t, stores[n%2], "pages") })
			}
			all.Wait()
			if keys[0] == ([32]byte{}) {
				t.Error("the key is empty")
			}
			for _, k := range keys {
				if k != keys[0] {
					t.Error("servers have different keys")
				}
			}
			if key(t, stores[1], "other") == keys[0] {
				t.Error("two names have one key")
			}
			if key(t, stores[0], "pages") != keys[0] {
				t.Error("the key changed")
			}
		})
	}
}
