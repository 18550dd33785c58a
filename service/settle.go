package service

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"

	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
	"dewbench/store"
)

// checkComesBack refuses to bring back a plant whose tag or bench is no longer
// free.
func (v *visit) checkComesBack(c *collection, p *store.Plant) error {
	if p.GetState() != pb.Plant_GROWING {
		return nil
	}
	borne, err := c.Tagged([]string{p.GetTag()})
	if err != nil {
		return err
	}
	if other := livingBearer(borne[store.Fold(p.GetTag())]); other != "" && other != p.ID {
		return &Error{Reason: TagInUse, Message: fmt.Sprintf("%q is the tag of %s now: give that plant another one first",
			p.GetTag(), store.PlantName(c.ID(), other))}
	}
	return v.checkStands(c, p.GetName(), p.GetBench())
}

// checkStands refuses to put a plant back on a bench that is deleted.
func (v *visit) checkStands(c *collection, plant, bench string) error {
	benches, err := v.allBenches(c)
	if err != nil {
		return err
	}
	switch b := benches[store.Segment(bench, "benches")]; {
	case b.GetDeleteTime() == nil:
	case v.purged(b):
		return &Error{Reason: BenchDeleted, Message: fmt.Sprintf("%s stood on %s, which is gone for good: record a move to another bench first", plant, bench)}
	default:
		return &Error{Reason: BenchDeleted, Message: fmt.Sprintf("%s stood on %s, which is deleted: undelete the bench first", plant, bench)}
	}
	return nil
}

// checkAheadOf refuses moves that are dated ahead to a bench that is deleted, of a plant
// that is there.
func (v *visit) checkAheadOf(c *collection, p *store.Plant, h *store.History) error {
	if h == nil || p.GetDeleteTime() != nil {
		return nil
	}
	for _, o := range h.Observations {
		if move := o.GetMove(); move != nil && !c.came(store.Micros(o.GetObserveTime()), v.at) {
			if err := v.checkStands(c, p.GetName(), move.GetBench()); err != nil {
				return err
			}
		}
	}
	return nil
}

// settle brings up to date what follows from the records of plants, and returns
// them in the order of their ids.
func (v *visit) settle(c *collection, ids []string) ([]*pb.Plant, error) {
	return v.settleBy(c, ids, nil)
}

// settlePending brings up to date the plants of which records that were dated ahead
// have come true.
func (v *visit) settlePending(c *collection) error {
	for more := true; more; {
		var err error
		if more, err = v.settleSome(c, MaxPageSize); err != nil {
			return err
		}
	}
	return nil
}

// settleSome is settlePending for some of the plants, and tells whether there are more.
func (v *visit) settleSome(c *collection, most int) (more bool, err error) {
	ids, err := c.Pending((c.today(v.at) + 1).Noon(c.zone).UnixMicro(), most)
	if err != nil {
		return false, err
	}
	kept, err := c.KeptDue(ids)
	if err != nil {
		return false, err
	}
	ids = slices.DeleteFunc(ids, func(id string) bool { return !c.came(*kept[id].PendingUs, v.at) })
	if len(ids) == 0 {
		return false, c.KeepPending()
	}
	_, err = v.settleBy(c, ids, v.recorder(c))
	return true, err
}

// SettlePending brings up to date the plants of which records that were dated ahead
// have come true, of all collections, a few in a transaction, so that no caller waits
// long.
func (c *Core) SettlePending(ctx context.Context) error {
	return c.eachCollection(ctx, func(tx *store.Tx, after string, limit int) ([]string, error) {
		return tx.PendingCollections(after, limit)
	}, func(id string) error { return c.settleCollection(ctx, id) })
}

// eachCollection does something with each of the collections that list finds. Where one
// fails it goes on with the next, unless ctx has ended or too many failed.
func (c *Core) eachCollection(ctx context.Context, list func(tx *store.Tx, after string, limit int) ([]string, error), do func(id string) error) error {
	var errs []error
	for after := ""; ; {
		var ids []string
		err := c.store.Read(ctx, func(tx *store.Tx) (err error) {
			ids, err = list(tx, after, sweepBatch)
			return err
		})
		if err != nil {
			return errors.Join(append(errs, fmt.Errorf("list collections: %w", err))...)
		}
		for _, id := range ids {
			if err := do(id); err != nil {
				errs = append(errs, fmt.Errorf("%s: %w", store.CollectionName(id), err))
			}
			if ctx.Err() != nil || len(errs) > sweepErrors {
				return errors.Join(errs...)
			}
		}
		if len(ids) < sweepBatch {
			return errors.Join(errs...)
		}
		after = ids[len(ids)-1]
	}
}

// settlePlants is how many plants are brought up to date in one transaction.
const settlePlants = 100

func (c *Core) settleCollection(ctx context.Context, id string) error {
	for more := true; more; {
		err := c.store.Write(ctx, func(tx *store.Tx) error {
			more = false
			return c.alone(ctx, tx, id, func(v *visit, one *collection) (err error) {
				if us := one.PendingUs(); us == nil || !one.came(*us, v.at) {
					return nil
				}
				more, err = v.settleSome(one, settlePlants)
				return err
			})
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// recorder tells that a change that came true by itself is that of who recorded it.
func (v *visit) recorder(c *collection) func(recorder string) store.By {
	return func(recorder string) store.By {
		return store.By{Us: v.at.UnixMicro(), Grower: cmp.Or(store.Segment(recorder, "growers"), c.Owner())}
	}
}

// settleBy is settle for what came true by itself: by tells who makes the change that
// a grower recorded. nil is for what a caller changes.
func (v *visit) settleBy(c *collection, ids []string, by func(recorder string) store.By) ([]*pb.Plant, error) {
	plants, kept, err := v.settleKnown(c, ids, nil, by)
	if err != nil {
		return nil, err
	}
	return v.plantMessagesWith(c, plants, kept)
}

// knownPlants are plants, by id, with their records.
type knownPlants struct {
	plants    map[string]*store.Plant
	histories map[string]*store.History
	kept      map[string]*keptRecord // of plants whose histories are not read
}

// settleKnown is settleBy where the plants are known, and their records as they are by
// now; nil: they are not. It returns them, and what is kept of them.
func (v *visit) settleKnown(c *collection, ids []string, now *knownPlants, by func(recorder string) store.By) ([]*store.Plant, map[string]*store.Due, error) {
	if now == nil {
		now = &knownPlants{}
		var err error
		if now.histories, err = c.Histories(ids); err != nil {
			return nil, nil, err
		}
		if now.plants, err = c.PlantsByID(ids); err != nil {
			return nil, nil, err
		}
	}
	today := c.today(v.at)
	d, err := v.decider(c, today)
	if err != nil {
		return nil, nil, err
	}
	keep, plants := map[string]*store.Due{}, make([]*store.Plant, len(ids))
	for i, id := range ids {
		if err := v.ctx.Err(); err != nil {
			return nil, nil, err
		}
		if keep[id] != nil {
			plants[i] = now.plants[id]
			continue
		}
		p := now.plants[id]
		if p == nil {
			return nil, nil, notFound(PlantNotFound, store.PlantName(c.ID(), id))
		}
		if r := now.kept[id]; r != nil { // where it stands has not changed
			d.keep(p, d.withPot(p, &r.facts), r.due)
			plants[i], keep[id] = p, r.due
			continue
		}
		standing, kept, recorder := v.stand(c, p, now.histories[id])
		if by == nil {
			if err := v.checkAheadOf(c, p, now.histories[id]); err != nil {
				return nil, nil, err
			}
		}
		if by != nil {
			// It was judged when it was recorded.
		} else if standing.State == pb.Plant_GROWING && p.GetState() != pb.Plant_GROWING && p.GetDeleteTime() == nil {
			revived := &store.Plant{Plant: proto.CloneOf(p.Plant), ID: p.ID}
			revived.State, revived.Bench = pb.Plant_GROWING, store.BenchName(c.ID(), standing.Bench)
			if err := v.checkComesBack(c, revived); err != nil {
				return nil, nil, err
			}
		} else if moved := store.BenchName(c.ID(), standing.Bench); moved != p.GetBench() && standing.State == pb.Plant_GROWING {
			if err := v.checkStands(c, p.GetName(), moved); err != nil {
				return nil, nil, err
			}
		}
		if standing != (store.Standing{Bench: store.Segment(p.GetBench(), "benches"), Quantity: p.GetQuantity(), State: p.GetState()}) {
			who := v.by
			if by != nil {
				who = func() store.By { return by(recorder) }
			}
			if p, err = c.Settle(id, standing, who()); err != nil {
				return nil, nil, err
			}
		}
		d.keep(p, d.facts(p, now.histories[id]), kept)
		now.plants[id], plants[i], keep[id] = p, p, kept
	}
	if err := c.KeepDue(v.version, keep); err != nil {
		return nil, nil, err
	}
	for _, kept := range keep {
		if us := kept.PendingUs; us != nil && (c.PendingUs() == nil || *us < *c.PendingUs()) {
			if err := c.KeepPending(); err != nil {
				return nil, nil, err
			}
			break
		}
	}
	return plants, keep, nil
}

func (v *visit) settleOne(c *collection, id string) (*pb.Plant, error) {
	out, err := v.settle(c, []string{id})
	if err != nil {
		return nil, err
	}
	return out[0], nil
}

// stand returns what the record of a plant says of it today, and who recorded the
// last fact that it stands on. What is dated ahead is left out: it comes true on its
// day.
func (v *visit) stand(c *collection, p *store.Plant, h *store.History) (s store.Standing, kept *store.Due, recorder string) {
	s, kept = store.Standing{Bench: p.FirstBench, Quantity: 1, State: pb.Plant_GROWING}, &store.Due{}
	if h == nil {
		return s, kept, ""
	}
	ahead := func(us int64) bool {
		if c.came(us, v.at) {
			return false
		}
		if kept.PendingUs == nil || us < *kept.PendingUs {
			kept.PendingUs = &us
		}
		return true
	}
	for _, o := range h.Observations {
		if ahead(store.Micros(o.GetObserveTime())) {
			break
		}
		switch o.GetFact().(type) {
		case *pb.Observation_Move_, *pb.Observation_Count_, *pb.Observation_End_:
			recorder = o.GetRecorder()
		}
		switch fact := o.GetFact().(type) {
		case *pb.Observation_Move_:
			s.Bench = store.Segment(fact.Move.GetBench(), "benches")
		case *pb.Observation_Count_:
			s.Quantity = fact.Count.GetQuantity()
		case *pb.Observation_End_:
			s.State = endState(fact.End.GetState())
		case *pb.Observation_Measurement_:
			if kept.Sizes == nil {
				kept.Sizes = &pb.Plant_Sizes{}
			}
			last, m := kept.Sizes, fact.Measurement
			last.MeasureTime = o.GetObserveTime()
			last.RosetteDiameterMm = lastOf(m.RosetteDiameterMm, last.RosetteDiameterMm)
			last.HeightMm = lastOf(m.HeightMm, last.HeightMm)
			last.TrapWidthMm = lastOf(m.TrapWidthMm, last.TrapWidthMm)
			last.WorkingTraps = lastOf(m.WorkingTraps, last.WorkingTraps)
			last.LeafCount = lastOf(m.LeafCount, last.LeafCount)
		}
	}
	for _, f := range h.Feedings {
		us := store.Micros(f.GetFedTime())
		if ahead(us) {
			break
		}
		kept.LastFeedUs = &us
	}
	return s, kept, recorder
}

func lastOf[V any](now, before *V) *V {
	if now != nil {
		return now
	}
	return before
}

func endState(s pb.Observation_End_State) pb.Plant_State {
	switch s {
	case pb.Observation_End_SOLD:
		return pb.Plant_SOLD
	case pb.Observation_End_GIVEN_AWAY:
		return pb.Plant_GIVEN_AWAY
	}
	return pb.Plant_DEAD
}

// overlay gives a plant what its record says of it today, where its row does not yet.
func (v *visit) overlay(c *collection, p *store.Plant, h *store.History) *store.Due {
	standing, kept, _ := v.stand(c, p, h)
	if c.behind {
		p.Bench, p.Quantity, p.State = store.BenchName(c.ID(), standing.Bench), standing.Quantity, standing.State
	}
	return kept
}
