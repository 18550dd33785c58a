package store_test

import (
	"context"
	"slices"
	"strconv"
	"testing"
	"time"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
	"dewbench/store/storetest"
)

// BenchmarkWork measures what jobs cost those who write: the time of a write (p50) while
// Work has nothing to do (idle), and while River runs (busy), beside that of a write
// without Work in the same run. And how long it takes from the commit of a job until it
// begins, when Work is idle and when it is busy.
func BenchmarkWork(b *testing.B) {
	for _, engine := range storetest.Engines() {
		b.Run(string(engine), func(b *testing.B) {
			s := storetest.New(b, engine, func(o *store.Options) { o.RelaxedSync = false })
			add := func() {
				err := s.Write(b.Context(), func(tx *store.Tx) error {
					_, err := tx.Grower("a").Create("Ada", 1)
					return err
				})
				if err != nil {
					b.Fatal(err)
				}
			}
			add()
			write := func() time.Duration {
				begun := time.Now()
				err := s.Write(b.Context(), func(tx *store.Tx) error {
					_, err := tx.Grower("a").Update(2, func(m *pb.Grower) error {
						m.DisplayName = strconv.FormatInt(begun.UnixNano(), 10)
						return nil
					})
					return err
				})
				if err != nil {
					b.Fatal(err)
				}
				return time.Since(begun)
			}
			begins, finish := make(chan time.Time, 1), make(chan struct{})
			do := doing{
				"wash": func(context.Context, store.Job) error {
					begins <- time.Now()
					return nil
				},
				"hold": func(context.Context, store.Job) error {
					begins <- time.Now()
					<-finish
					return nil
				},
			}
			pickUp := func() time.Duration {
				enqueue(b, s, store.Job{Kind: "wash"})
				committed := time.Now()
				return got(b, "a job", begins).Sub(committed)
			}
			var alone, idle, busy, firstPickUps, pickUps []time.Duration
			for b.Loop() {
				for range 200 {
					alone = append(alone, write())
				}
				// Between looks: what is rare shows in no p50.
				end := work(b, s, do, store.WorkOptions{})
				for range 200 {
					idle = append(idle, write())
				}
				firstPickUps = append(firstPickUps, pickUp())
				enqueue(b, s, store.Job{Kind: "hold"})
				got(b, "a job", begins)
				for range 200 {
					busy = append(busy, write())
				}
				for range 20 {
					pickUps = append(pickUps, pickUp())
				}
				finish <- struct{}{}
				if err := end(); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(0, "ns/op")
			b.ReportMetric(float64(middle(idle))/float64(middle(alone)), "idle/alone")
			b.ReportMetric(float64(middle(busy))/float64(middle(alone)), "busy/alone")
			b.ReportMetric(middle(firstPickUps).Seconds()*1e3, "ms-to-begin-idle")
			b.ReportMetric(middle(pickUps).Seconds()*1e3, "ms-to-begin-busy")
			b.ReportMetric(slices.Max(pickUps).Seconds()*1e3, "ms-to-begin-most")
			b.ReportMetric(middle(alone).Seconds()*1e3, "ms/write")
		})
	}
}

func middle(all []time.Duration) time.Duration {
	slices.Sort(all)
	return all[len(all)/2]
}
