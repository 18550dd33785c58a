package storetest

import "testing"

func BenchmarkNew(b *testing.B) {
	for _, engine := range Engines() {
		b.Run(string(engine), func(b *testing.B) {
			for b.Loop() {
				n := &ending{TB: b}
				New(n, engine)
				n.end()
			}
		})
	}
}

// ending runs cleanups when told.
type ending struct {
	testing.TB
	cleanups []func()
}

func (e *ending) Cleanup(f func()) { e.cleanups = append(e.cleanups, f) }

func (e *ending) end() {
	for i := len(e.cleanups) - 1; i >= 0; i-- {
		e.cleanups[i]()
	}
}
