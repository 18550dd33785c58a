package service

import (
	"sync"
	"sync/atomic"
)

// recent keeps what was read lately, by a key, for who can tell whether it is still so.
// It forgets all of it once there is much. The zero value is ready, and safe for use by
// many goroutines.
type recent struct {
	m sync.Map
	n atomic.Int64
}

// recentSize is how much one of them keeps.
const recentSize = 50_000

// Load returns what was stored under a key.
func (r *recent) Load(key string) (any, bool) { return r.m.Load(key) }

// Store keeps something under a key.
func (r *recent) Store(key string, value any) {
	if _, had := r.m.Swap(key, value); !had && r.n.Add(1) > recentSize {
		r.n.Store(0)
		r.m.Clear()
	}
}

// Delete forgets what was stored under a key.
func (r *recent) Delete(key string) {
	if _, had := r.m.LoadAndDelete(key); had {
		r.n.Add(-1)
	}
}
