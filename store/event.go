package store

import (
	"fmt"

	"google.golang.org/protobuf/proto"

	pb "dewbench/proto/dewbench/v1"
)

// eventRow is the row of a feeding or an observation, each of which has a message M.
type eventRow[R, M any] interface {
	*R
	set(M) error
	message() (M, error)
	mark() mark
}

// mark is what the rows of events have in common.
type mark struct {
	plant, id string
	updateUs  *int64
	deleteUs  **int64
	version   *int64
	stamp     *int32
}

func (r *feedingRow) mark() mark {
	return mark{r.PlantID, r.FeedingID, &r.UpdateUs, &r.DeleteUs, &r.Version, &r.Stamp}
}

func (r *observationRow) mark() mark {
	return mark{r.PlantID, r.ObservationID, &r.UpdateUs, &r.DeleteUs, &r.Version, &r.Stamp}
}

// many are the events of one kind, for what is done to many of them at once.
type many[R any, M proto.Message, P eventRow[R, M]] struct {
	kind            Kind
	segment, column string // of the id: in names, and in the table
}

var (
	manyFeedings     = many[feedingRow, *pb.Feeding, *feedingRow]{FeedingKind, "feedings", "feeding_id"}
	manyObservations = many[observationRow, *pb.Observation, *observationRow]{ObservationKind, "observations", "observation_id"}
)

// key is a plant and what it has.
type key struct{ plant, id string }

func (m many[R, M, P]) key(name string) key {
	return key{Segment(name, "plants"), Segment(name, m.segment)}
}

// find returns those of the rows with the names that are there.
func (m many[R, M, P]) find(c *Collection, names []string) (map[key]P, error) {
	out := map[key]P{}
	wanted := map[key]bool{}
	for some := range chunks(names) {
		plants, ids := make([]string, len(some)), make([]string, len(some))
		for i, name := range some {
			k := m.key(name)
			plants[i], ids[i], wanted[k] = k.plant, k.id, true
		}
		var rows []R
		db := c.own()
		if c.tx.engine == Postgres {
			db = db.Where("(plant_id, "+m.column+") IN (SELECT * FROM unnest(?::text[], ?::text[]))", textArray(plants), textArray(ids))
		} else {
			// Of each plant what it has is read once: an index would be asked for each plant
			// with each of the ids.
			db = db.Where("plant_id IN ? AND "+m.column+" || '' IN ?", plants, ids)
		}
		if err := db.Find(&rows).Error; err != nil {
			return nil, err
		}
		for i := range rows {
			at := P(&rows[i]).mark()
			if k := (key{at.plant, at.id}); wanted[k] {
				out[k] = &rows[i]
			}
		}
	}
	return out, nil
}

func (m many[R, M, P]) byName(c *Collection, names []string) (map[string]M, error) {
	rows, err := m.find(c, names)
	if err != nil {
		return nil, err
	}
	out := map[string]M{}
	for _, name := range names {
		if r := rows[m.key(name)]; r != nil {
			if out[name], err = r.message(); err != nil {
				return nil, err
			}
		}
	}
	return out, nil
}

// change changes rows as the calls for one row do. The collection is locked, so they
// stand as they were read.
func (m many[R, M, P]) change(c *Collection, names []string, by By, action pb.Revision_Action, f func(M) error) ([]M, error) {
	rows, err := m.find(c, names)
	if err != nil {
		return nil, err
	}
	out := make([]M, len(names))
	var changed []R
	var history []revisionRow
	for i, name := range names {
		r := rows[m.key(name)]
		if r == nil {
			return nil, ErrNotFound
		}
		before, err := r.message()
		if err != nil {
			return nil, err
		}
		at, to := r.mark(), proto.CloneOf(before)
		if err := f(to); err != nil {
			return nil, err
		}
		switch action {
		case pb.Revision_DELETED:
			*at.deleteUs = &by.Us
		case pb.Revision_UNDELETED:
			*at.deleteUs = nil
		case pb.Revision_UPDATED:
			err = r.set(to)
		default:
			err = fmt.Errorf("many at once cannot be %v", action)
		}
		if err != nil {
			return nil, err
		}
		if out[i], err = r.message(); err != nil {
			return nil, err
		}
		if same(action, *at.stamp, before, out[i]) {
			continue
		}
		if *at.stamp > stamp() {
			return nil, newerRow(*at.stamp)
		}
		*at.updateUs, *at.version, *at.stamp = by.Us, *at.version+1, stamp()
		h, err := c.revise(m.kind, at.plant, at.id, *at.version, action, by, before)
		if err != nil {
			return nil, err
		}
		if out[i], err = r.message(); err != nil {
			return nil, err
		}
		changed, history = append(changed, *r), append(history, h)
	}
	if len(changed) == 0 {
		return out, nil
	}
	if err := insert(c.tx, changed, "collection_id", "plant_id", m.column); err != nil {
		return nil, err
	}
	return out, insert(c.tx, history)
}

// FeedingsByName returns those of the feedings that are there, voided or not, by name.
func (c *Collection) FeedingsByName(names []string) (map[string]*pb.Feeding, error) {
	return manyFeedings.byName(c, names)
}

// ObservationsByName returns those of the observations that are there, voided or not,
// by name.
func (c *Collection) ObservationsByName(names []string) (map[string]*pb.Observation, error) {
	return manyObservations.byName(c, names)
}

// ChangeFeedings changes feedings, each named once, by f, or with DELETED or UNDELETED
// voids them or lets them count again, where f may refuse it. Errors: ErrNotFound.
func (c *Collection) ChangeFeedings(names []string, by By, action pb.Revision_Action, f func(*pb.Feeding) error) ([]*pb.Feeding, error) {
	return manyFeedings.change(c, names, by, action, f)
}

// ChangeObservations is ChangeFeedings for observations.
func (c *Collection) ChangeObservations(names []string, by By, action pb.Revision_Action, f func(*pb.Observation) error) ([]*pb.Observation, error) {
	return manyObservations.change(c, names, by, action, f)
}
