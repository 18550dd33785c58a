package api

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"runtime"
	"slices"
	"sync"
	"testing"
	"time"
)

// lap is what a contender did in one of its turns.
type lap struct {
	done  int
	took  time.Duration
	calls []time.Duration // how long each took; empty if only the mean is known
	mean  time.Duration
}

func (l *lap) perSecond() float64 { return float64(l.done) / l.took.Seconds() }

// contender is one of several things that are measured side by side.
type contender struct {
	name string
	run  func(clients int, d time.Duration) (lap, error)
}

// calling is a contender whose clients make one call after another. Each client has its
// own source of random numbers, which goes on from turn to turn.
func calling(name string, call func(client int, r *rand.Rand) error) contender {
	var sources []*rand.Rand
	return contender{name, func(clients int, d time.Duration) (lap, error) {
		for len(sources) < clients {
			sources = append(sources, rand.New(rand.NewPCG(uint64(len(sources)), 1)))
		}
		took, errs := make([][]time.Duration, clients), make([]error, clients)
		var group sync.WaitGroup
		began := time.Now()
		for i := range clients {
			group.Go(func() {
				for at := time.Now(); at.Sub(began) < d; {
					if errs[i] = call(i, sources[i]); errs[i] != nil {
						return
					}
					now := time.Now()
					took[i] = append(took[i], now.Sub(at))
					at = now
				}
			})
		}
		group.Wait()
		l := lap{took: time.Since(began), calls: slices.Concat(took...)}
		l.done = len(l.calls)
		if err := errors.Join(errs...); err != nil {
			return l, fmt.Errorf("%s: %w", name, err)
		}
		return l, nil
	}}
}

// result is what a contender did in all of its turns.
type result struct {
	name  string
	laps  []lap
	calls []time.Duration
}

// perSecond is the median of the turns.
func (r *result) perSecond() float64 {
	var all []float64
	for _, l := range r.laps {
		all = append(all, l.perSecond())
	}
	return median(all)
}

// p50 is half of the calls' time or, if that is not known, the median of the turns' means.
func (r *result) p50() time.Duration {
	if len(r.calls) > 0 {
		return r.quantile(0.5)
	}
	var means []time.Duration
	for _, l := range r.laps {
		means = append(means, l.mean)
	}
	return median(means)
}

func (r *result) quantile(q float64) time.Duration {
	all := slices.Sorted(slices.Values(r.calls))
	return all[min(int(q*float64(len(all))), len(all)-1)]
}

// of is the throughput as a share of another's: the median of the shares of the turns,
// which come one after the other.
func (r *result) of(other *result) float64 {
	var all []float64
	for i := range r.laps {
		all = append(all, r.laps[i].perSecond()/other.laps[i].perSecond())
	}
	return median(all)
}

func median[N float64 | time.Duration](all []N) N {
	all = slices.Sorted(slices.Values(all))
	n := len(all)
	return (all[(n-1)/2] + all[n/2]) / 2
}

// pace is how long contenders run: turns for each, and how long one is.
type pace struct {
	turns int
	turn  time.Duration
}

// race runs the contenders in turns, A B C B C A C A B and so on, after a short one of
// each that does not count.
func (p pace) race(b *testing.B, clients int, all ...contender) []*result {
	b.Helper()
	results := make([]*result, len(all))
	for i, c := range all {
		results[i] = &result{name: c.name}
		if _, err := c.run(clients, p.turn/2); err != nil {
			b.Fatal(err)
		}
	}
	for turn := range p.turns {
		for i := range all {
			i = (turn + i) % len(all)
			runtime.GC() // nobody clears up after others
			l, err := all[i].run(clients, p.turn)
			if err != nil {
				b.Fatal(err)
			}
			if l.done == 0 {
				b.Fatalf("%s did nothing in %s", all[i].name, p.turn)
			}
			results[i].laps = append(results[i].laps, l)
			results[i].calls = append(results[i].calls, l.calls...)
		}
	}
	return results
}

// paceOf is a minute or so in all below 100,000 plants, some minutes for each engine above.
func paceOf(size int) pace {
	switch {
	case size < 10_000:
		return pace{3, 40 * time.Millisecond}
	case size < 100_000:
		return pace{5, 100 * time.Millisecond}
	}
	return pace{7, 500 * time.Millisecond}
}

// scaleRow is a row of the table that is printed at the end.
type scaleRow struct{ what, beside, text string }

// scaleRows has one of each kind: the last that was measured.
var scaleRows []scaleRow

// scaleNote prints what is not a row of the table, as it happens.
func scaleNote(format string, args ...any) { fmt.Fprintf(os.Stderr, format+"\n", args...) }

// tell adds a row to the table.
func tell(engine, what string, clients any, ours string, ratio, beside, theirs, goal string) {
	row := scaleRow{fmt.Sprintf("| %s | %s | %v |", engine, what, clients), beside, fmt.Sprintf(" %s | %s | %s | %s | %s |", ours, ratio, beside, theirs, goal)}
	scaleNote("%s%s", row.what, row.text)
	i := slices.IndexFunc(scaleRows, func(r scaleRow) bool { return r.what == row.what && r.beside == row.beside })
	if i < 0 {
		scaleRows = append(scaleRows, row)
	} else {
		scaleRows[i] = row
	}
}

// versus reports a ratio of throughputs, and adds it to the table. goal is "-" for none.
func versus(b *testing.B, engine, what string, clients int, ours, other *result, goal string) {
	b.Helper()
	ratio := ours.of(other)
	b.ReportMetric(ratio, "of-"+other.name)
	tell(engine, what, clients, rates(ours), fmt.Sprintf("%.2f", ratio), other.name, rates(other), goal)
}

func rates(r *result) string { return fmt.Sprintf("%.0f/s, %s", r.perSecond(), briefly(r.p50())) }

func briefly(d time.Duration) string {
	switch {
	case d >= time.Second:
		return fmt.Sprintf("%.1f s", d.Seconds())
	case d >= 10*time.Millisecond:
		return fmt.Sprintf("%.0f ms", d.Seconds()*1e3)
	}
	return fmt.Sprintf("%.2f ms", d.Seconds()*1e3)
}

// printTable prints the rows as they stand in DEVELOPERS.md.
func printTable(size int) {
	fmt.Printf("\n%d plants, %s\n\n| engine | what | clients | ours: a second, p50 | ratio | beside | theirs | goal |\n|---|---|---|---|---|---|---|---|\n", size, runtime.Version())
	for _, row := range scaleRows {
		fmt.Println(row.what + row.text)
	}
	fmt.Println()
	scaleRows = nil
}
