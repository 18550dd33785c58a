package service

import (
	"cmp"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/fnv"
	"maps"
	"slices"
	"time"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/service/civil"
	"dewbench/service/due"
	"dewbench/store"
)

// What is due is kept with the days for which it is true, and written with whatever
// changed it. A change of what many plants share (a regimen, a bench, an absence, the
// zone, the catalogue) only counts up a revision: what was kept under an older one is
// not true any more. Neither is what has come to the end of its days. Readers decide
// anew about such plants, from their records, which are kept beside; and RefreshDue
// keeps the answers, a few plants at a time.

const (
	// keptDays is for how many days ahead decisions are kept, if they last so long.
	keptDays = 40
	// keptSpread is over how many days the ends of what was decided on one day are spread.
	keptSpread = 10
)

// keptUntil is the day up to which a decision about a plant is looked at.
func keptUntil(day civil.Day, plant string) civil.Day {
	h := fnv.New32a()
	h.Write([]byte(plant)) // it never fails
	return day + keptDays + civil.Day(h.Sum32()%keptSpread)
}

// keep decides about a plant, for the day and as long as that is true, and puts it into
// kept with the plant's record.
func (d *decider) keep(p *store.Plant, f *facts, kept *store.Due) {
	day := d.reader.asOf
	l := due.Lasting{Decision: due.Decision{Status: due.Absent}, From: day, Until: civil.Never}
	if !d.gone(p) {
		l = d.engine.Lasting(&f.facts, day, keptUntil(day, p.ID))
		if p.GetDeleteTime() != nil { // the clock of who deleted it is ahead of ours
			l.Until = min(l.Until, d.c.dayOf(store.Micros(p.GetDeleteTime())))
		}
	}
	kept.From, kept.Until = int32(l.From), int32(l.Until)
	kept.Class, kept.Traps, kept.Decision = store.DueNotThere, int32(l.Traps), nil
	kept.DueFrom, kept.DueLast = store.NoDay, store.NoDay
	if l.DueFrom.Given() {
		kept.DueFrom, kept.DueLast = int32(l.DueFrom), int32(l.DueLast)
	}
	switch l.Status {
	case due.Absent:
	case due.HeldBack:
		kept.Class = store.DueHeld
	case due.NotHandFed:
		kept.Class = store.DueNotHandFed
	default:
		kept.Class = store.DueOpen
	}
	if l.Status != due.Absent {
		kept.Decision = due.AppendDecision(nil, &l.Decision)
	}
	kept.Place(p.Plant, d.benches[store.Segment(p.GetBench(), "benches")])
	kept.Record = appendRecord(nil, f)
}

// shown returns a decision that is kept, and true from a day on, as a row for a day; but
// for what names the plant.
func (s *Due) shown(decision []byte, from, day civil.Day, horizon int) (*pb.DueFeeding, error) {
	l := due.Lasting{From: from}
	if err := due.ReadDecision(decision, &l.Decision); err != nil {
		return nil, err
	}
	for _, food := range l.Foods {
		if food >= len(s.foods) {
			return nil, due.ErrForm
		}
	}
	d := l.On(day, horizon)
	return s.message(&d, day), nil
}

// shownOf is shown with what names the plant.
func (s *Due) shownOf(p *store.Plant, k *store.Due, day civil.Day, horizon int) (*pb.DueFeeding, error) {
	m, err := s.shown(k.Decision, civil.Day(k.From), day, horizon)
	if err != nil {
		return nil, fmt.Errorf("what is kept of %s: %w", p.GetName(), err)
	}
	return named(m, p), nil
}

// named puts what names a plant into its row.
func named(m *pb.DueFeeding, p *store.Plant) *pb.DueFeeding {
	m.Plant, m.Tag, m.ScientificName, m.Cultivar, m.Bench = p.GetName(), p.GetTag(), p.GetScientificName(), p.GetCultivar(), p.GetBench()
	return m
}

// row returns a decision about a plant as a row.
func (s *Due) row(p *store.Plant, d *due.Decision, day civil.Day) *pb.DueFeeding {
	return named(s.message(d, day), p)
}

// appendRecord writes the benches to which a plant moved, and its events.
func appendRecord(b []byte, f *facts) []byte {
	b = binary.AppendUvarint(b, uint64(len(f.benches)))
	for _, bench := range f.benches {
		b = append(append(b, byte(len(bench))), bench...) // an id has 63 bytes at most
	}
	return due.AppendRecord(b, &f.facts)
}

// record puts what appendRecord wrote into f. Exposures are those that the benches have
// now, and days those of the instants where the collection is now, by the rules of its
// zone as they are known now.
func (d *decider) record(b []byte, f *facts) error {
	n, size := binary.Uvarint(b)
	if size <= 0 || n > uint64(len(b)) {
		return due.ErrForm
	}
	b, f.benches = b[size:], f.benches[:0]
	for range n {
		if len(b) == 0 || len(b) < 1+int(b[0]) {
			return due.ErrForm
		}
		f.benches, b = append(f.benches, string(b[1:1+b[0]])), b[1+b[0]:]
	}
	if err := due.ReadRecord(b, &f.facts, d.c.dayOf); err != nil {
		return err
	}
	if len(f.benches) != len(f.facts.Moves) {
		return due.ErrForm
	}
	for i, bench := range f.benches {
		f.facts.Moves[i].Exposure = due.Exposure(d.exposure(bench))
	}
	return nil
}

// factsKept returns what the engine takes of a plant, from its kept record. ok is false
// if there is none that can be read. What it returns is good until the next call.
func (d *decider) factsKept(p *store.Plant, k *store.Due) (f *facts, ok bool) {
	if k == nil || d.record(k.Record, &d.scratch) != nil {
		return nil, false
	}
	return d.withPot(p, &d.scratch), true
}

// withPot returns what f has of a plant's record, with all else that the engine takes of it.
func (d *decider) withPot(p *store.Plant, f *facts) *facts {
	was := f.facts
	clear(d.reader.keys)
	f.computedPlant = d.reader.pot(at{plant: 0}, d.pot(p), d.layersOf(p)...)
	f.facts.Moves, f.facts.Feedings, f.facts.Observations = was.Moves, was.Feedings, was.Observations
	return f
}

// keptRecord is what is kept of a plant, for a call that only adds to its record: its
// history need not be read.
type keptRecord struct {
	due   *store.Due
	facts facts
	added []string // beside the feedings: names of those that the call adds; "" for others
}

// readKept reads what is kept of plants and, where that does not do, their histories.
func (k *keeping) readKept(plants map[string]*store.Plant) error {
	ids := slices.Sorted(maps.Keys(plants))
	kept, err := k.c.KeptDue(ids)
	if err != nil {
		return err
	}
	d, err := k.decider(k.c.today(k.visit.at))
	if err != nil {
		return err
	}
	k.kept = map[string]*keptRecord{}
	without := make([]string, 0)
	for _, id := range ids {
		r := &keptRecord{due: kept[id]}
		if r.due == nil || r.due.PendingUs != nil || d.record(r.due.Record, &r.facts) != nil || !r.facts.facts.Sorted() || !k.allCame(&r.facts.facts) {
			without = append(without, id)
			continue
		}
		r.added = make([]string, len(r.facts.facts.Feedings))
		k.kept[id] = r
	}
	if len(without) > 0 {
		k.histories, err = k.c.Histories(without)
	}
	return err
}

// allCame tells whether the days of all events have come.
func (k *keeping) allCame(f *due.Facts) bool {
	var last []int64
	if n := len(f.Moves); n > 0 {
		last = append(last, f.Moves[n-1].Time)
	}
	if n := len(f.Feedings); n > 0 {
		last = append(last, f.Feedings[n-1].Time)
	}
	if n := len(f.Observations); n > 0 {
		last = append(last, f.Observations[n-1].Time)
	}
	return len(last) == 0 || k.c.came(slices.Max(last), k.visit.at)
}

// events is how many feedings and observations are on record of the plant.
func (k *keeping) events() int {
	if r := k.kept[k.plant.ID]; r != nil {
		return len(r.facts.facts.Moves) + len(r.facts.facts.Feedings) + len(r.facts.facts.Observations)
	}
	return k.histories[k.plant.ID].Len()
}

// addFeeding adds a feeding to what is kept of a plant's record. It returns false if one
// of the same moment is there: only the history tells which of them comes first.
func (k *keeping) addFeeding(r *keptRecord, m *pb.Feeding) bool {
	f := &r.facts.facts
	fed := k.reader.feeding(at{}, m)
	// By the day first: where clocks are put back from after midnight to before it, a later
	// instant may be of the day before.
	i, _ := slices.BinarySearchFunc(f.Feedings, fed, func(a, b due.Feeding) int { return cmp.Or(cmp.Compare(a.Day, b.Day), cmp.Compare(a.Time, b.Time)) })
	for ; i < len(f.Feedings) && f.Feedings[i].Time == fed.Time; i++ {
		if r.added[i] == "" {
			return false
		}
		if r.added[i] > m.GetName() {
			break
		}
	}
	f.Feedings, r.added = slices.Insert(f.Feedings, i, fed), slices.Insert(r.added, i, m.GetName())
	if us := fed.Time; !k.c.came(us, k.visit.at) {
		if r.due.PendingUs == nil || us < *r.due.PendingUs {
			r.due.PendingUs = &us
		}
	} else if r.due.LastFeedUs == nil || us > *r.due.LastFeedUs {
		r.due.LastFeedUs = &us
	}
	return true
}

// decideAnew calls f with the index of each of the plants, as they stand where the
// collection is, with what the engine takes of it, and with what else is to be kept of
// it; not in their order. kept is what is kept of them, nil for nothing.
func (v *visit) decideAnew(c *collection, d *decider, plants []*store.Plant, kept []*store.Due, f func(i int, f *facts, next *store.Due) error) error {
	var without []int // those whose history is needed
	for i, p := range plants {
		if err := v.ctx.Err(); err != nil {
			return err
		}
		if k := kept[i]; c.behind && (k == nil || k.PendingUs != nil && c.came(*k.PendingUs, v.at)) {
			without = append(without, i)
			continue
		}
		facts, ok := d.factsKept(p, kept[i])
		if !ok {
			without = append(without, i)
			continue
		}
		next := *kept[i]
		if err := f(i, facts, &next); err != nil {
			return err
		}
	}
	for some := range slices.Chunk(without, MaxPageSize) {
		ids := make([]string, len(some))
		for j, i := range some {
			ids[j] = plants[i].ID
		}
		histories, err := c.Histories(ids)
		if err != nil {
			return err
		}
		for _, i := range some {
			if err := v.ctx.Err(); err != nil {
				return err
			}
			p := plants[i]
			next := v.overlay(c, p, histories[p.ID])
			if err := f(i, d.facts(p, histories[p.ID]), next); err != nil {
				return err
			}
		}
	}
	return nil
}

// refreshPlants is about how many plants is decided in one transaction.
const refreshPlants = 200

// RefreshDue decides anew about the plants of all collections of which what is kept is
// no longer true, a few in a transaction, so that no caller waits long.
//
// The first time it takes over the collections of which another version of the program
// keeps what is due; later no more, so that two versions beside each other do not take
// them from each other for ever. What the other one keeps is decided anew in each call.
func (c *Core) RefreshDue(ctx context.Context) error {
	takeOver := !c.tookOver.Load()
	// Where it is earliest it may not be tomorrow yet, but soon.
	day := int32(civil.Of(c.now(), time.UTC)) + 1
	err := c.eachCollection(ctx, func(tx *store.Tx, after string, limit int) ([]string, error) {
		return tx.UntrueCollections(c.version, day, takeOver, after, limit)
	}, func(id string) error { return c.refreshCollection(ctx, id, takeOver) })
	if err == nil {
		c.tookOver.Store(true)
	}
	return err
}

// anybody is for the server itself.
func anybody(store.Ties) bool { return true }

// alone visits a collection in which nobody calls.
func (c *Core) alone(ctx context.Context, tx *store.Tx, id string, f func(*visit, *collection) error) error {
	v := &visit{Core: c, ctx: ctx, tx: tx, at: c.now(), open: map[string]*collection{}}
	one, err := v.load(id, "", anybody)
	if errors.Is(err, store.ErrNotFound) { // it was purged
		return nil
	}
	if err != nil {
		return err
	}
	v.at = c.now() // not before other writers of the collection have ended
	return f(v, one)
}

func (c *Core) refreshCollection(ctx context.Context, id string, takeOver bool) error {
	wanted := false
	err := c.store.Read(ctx, func(tx *store.Tx) error {
		return c.alone(ctx, tx, id, func(v *visit, one *collection) error {
			wanted = !one.AllTrue(v.version, int32(one.today(v.at))) && (takeOver || one.Keeps(v.version))
			return nil
		})
	})
	after := ""
	for more := wanted; more && err == nil; {
		next := after
		err = c.store.Write(ctx, func(tx *store.Tx) error {
			more = false
			return c.alone(ctx, tx, id, func(v *visit, one *collection) (err error) {
				if us := one.PendingUs(); us != nil && one.came(*us, v.at) {
					more, err = v.settleSome(one, settlePlants)
					if more || err != nil {
						return err
					}
				}
				if takeOver {
					if err := one.TakeOver(v.version); err != nil {
						return err
					}
				}
				next, more, err = v.refresh(one, after, refreshPlants)
				return err
			})
		})
		after = next
	}
	return err
}

// refresh decides anew about some of the plants of which what is kept is not true
// today, in the order of their ids after one. It tells after which it is to go on, and
// whether there may be more.
func (v *visit) refresh(c *collection, from string, most int) (next string, more bool, err error) {
	day := c.today(v.at)
	if c.AllTrue(v.version, int32(day)) || !c.Keeps(v.version) {
		return "", false, nil
	}
	ids, err := c.Untrue(int32(day), from, most)
	if err != nil {
		return "", false, err
	}
	if len(ids) == 0 && from != "" {
		return "", true, nil // something may have come before it meanwhile
	}
	if len(ids) == 0 {
		return "", false, c.NowTrue()
	}
	known, err := c.PlantsByID(ids)
	if err != nil {
		return "", false, err
	}
	kept, err := c.KeptDue(ids)
	if err != nil {
		return "", false, err
	}
	plants, before := make([]*store.Plant, len(ids)), make([]*store.Due, len(ids))
	for i, id := range ids {
		plants[i], before[i] = known[id], kept[id]
	}
	d, err := v.decider(c, day)
	if err != nil {
		return "", false, err
	}
	after := map[string]*store.Due{}
	err = v.decideAnew(c, d, plants, before, func(i int, facts *facts, next *store.Due) error {
		d.keep(plants[i], facts, next)
		after[plants[i].ID] = next
		return nil
	})
	if err != nil {
		return "", false, err
	}
	return ids[len(ids)-1], true, c.KeepDue(v.version, after)
}
