package store_test

import (
	"testing"

	"dewbench/store"
	"dewbench/store/storetest"
)

func TestMain(m *testing.M) { storetest.Main(m) }

func TestEach(t *testing.T) {
	storetest.Each(t, func(t *testing.T, s *store.Store) {
		if err := s.CheckSchema(t.Context()); err != nil {
			t.Error(err)
		}
	})
}
