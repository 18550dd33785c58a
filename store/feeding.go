package store

import (
	"cmp"
	"slices"

	"google.golang.org/protobuf/proto"
	"gorm.io/gorm"

	pb "dewbench/proto/dewbench/v1"
)

type feedingRow struct {
	CollectionID string `gorm:"primaryKey"`
	PlantID      string `gorm:"primaryKey"`
	FeedingID    string `gorm:"primaryKey"`
	Ref          *string
	FedUs        int64
	TrapsFed     int32
	TrapsTarget  *int32
	Food         string
	Thaw         string
	ItemLengthMm *float64
	Stimulated   *int32 // 0 or 1
	Outcome      int32
	OutcomeUs    *int64
	Note         string
	Feeder       string
	Traps        string // JSON of a feeding that has them alone
	RecorderID   string
	CreateUs     int64
	UpdateUs     int64
	DeleteUs     *int64
	Version      int64
	Stamp        int32
}

func (feedingRow) TableName() string { return "feedings" }

// set takes what users set, and the target. Days are not kept: the caller has made
// instants of them.
func (r *feedingRow) set(m *pb.Feeding) error {
	r.FedUs, r.TrapsFed, r.TrapsTarget = Micros(m.GetFedTime()), m.GetTrapsFed(), m.TrapsTarget
	r.Food, r.Thaw, r.ItemLengthMm = m.GetFood(), m.GetThaw(), m.ItemLengthMm
	r.Stimulated = nil
	if m.Stimulated != nil {
		r.Stimulated = proto.Int32(0)
		if m.GetStimulated() {
			*r.Stimulated = 1
		}
	}
	r.Outcome, r.OutcomeUs = int32(m.GetOutcome()), maybeMicros(m.GetOutcomeTime())
	r.Note, r.Feeder = m.GetNote(), m.GetFeeder()
	var err error
	r.Traps, err = text(&pb.Feeding{Traps: m.GetTraps()})
	return err
}

// message returns the feeding without its civil days, which the zone tells.
func (r *feedingRow) message() (*pb.Feeding, error) {
	m := &pb.Feeding{}
	if r.Traps != "{}" {
		if err := readText(r.Traps, m); err != nil {
			return nil, err
		}
	}
	m.Name, m.Plant = FeedingName(r.CollectionID, r.PlantID, r.FeedingID), PlantName(r.CollectionID, r.PlantID)
	m.FedTime, m.TrapsFed, m.TrapsTarget = instant(r.FedUs), proto.Int32(r.TrapsFed), r.TrapsTarget
	m.Food, m.Thaw, m.ItemLengthMm = r.Food, r.Thaw, r.ItemLengthMm
	if r.Stimulated != nil {
		m.Stimulated = proto.Bool(*r.Stimulated == 1)
	}
	m.Outcome, m.OutcomeTime = pb.Feeding_Outcome(r.Outcome), maybe(r.OutcomeUs)
	m.Note, m.Feeder, m.Recorder = r.Note, r.Feeder, GrowerName(r.RecorderID)
	m.CreateTime, m.UpdateTime, m.DeleteTime = instant(r.CreateUs), instant(r.UpdateUs), maybe(r.DeleteUs)
	m.Etag = etag(r.CreateUs, r.Version)
	return m, nil
}

func feedings(rows []feedingRow) ([]*pb.Feeding, error) {
	out := make([]*pb.Feeding, len(rows))
	var err error
	for i := range rows {
		if out[i], err = rows[i].message(); err != nil {
			return nil, err
		}
	}
	return out, nil
}

var (
	feedingFields = map[string]column{
		"fedTime":  {name: "fed_us"},
		"trapsFed": {name: "traps_fed"},
		"outcome":  {name: "outcome"},
		"food":     {name: "food"},
	}
	// feedingList is of one plant, feedingListAll of all plants of a collection.
	feedingList = listing{
		fields: feedingFields,
		orders: map[string][]string{"fedTime": {"fed_us", "feeding_id"}, "name": {"feeding_id"}},
		usual:  "fedTime", deletable: true,
	}
	feedingListAll = listing{
		fields: feedingFields,
		orders: map[string][]string{"fedTime": {"fed_us", "plant_id", "feeding_id"}, "name": {"plant_id", "feeding_id"}},
		usual:  "fedTime", deletable: true,
	}
)

func (c *Collection) feeding(plant, id string) *gorm.DB {
	return c.plant(plant).Where("feeding_id = ?", id)
}

// CreateFeedings adds feedings with the plants and ids of their names. Errors:
// ErrExists if an id is taken, ErrReference if a plant is not there.
func (c *Collection) CreateFeedings(all []*pb.Feeding, by By) ([]*pb.Feeding, error) {
	return c.createFeedings(all, nil, by)
}

func (c *Collection) createFeedings(all []*pb.Feeding, refs []string, by By) ([]*pb.Feeding, error) {
	rows, history := make([]feedingRow, len(all)), make([]revisionRow, len(all))
	for i, m := range all {
		r := &rows[i]
		*r = feedingRow{
			CollectionID: c.id, PlantID: Segment(m.GetName(), "plants"), FeedingID: Segment(m.GetName(), "feedings"), Ref: refOf(refs, i),
			RecorderID: by.Grower, CreateUs: by.Us, UpdateUs: by.Us, Version: 1, Stamp: stamp(),
		}
		err := r.set(m)
		if err != nil {
			return nil, err
		}
		if history[i], err = c.revise(FeedingKind, r.PlantID, r.FeedingID, 1, pb.Revision_CREATED, by, nil); err != nil {
			return nil, err
		}
	}
	if err := insert(c.tx, rows); err != nil {
		return nil, err
	}
	if err := insert(c.tx, history); err != nil {
		return nil, err
	}
	return feedings(rows)
}

// Feeding returns a feeding, voided or not, or ErrNotFound.
func (c *Collection) Feeding(plant, id string) (*pb.Feeding, error) {
	var r feedingRow
	if err := c.feeding(plant, id).Take(&r).Error; err != nil {
		return nil, err
	}
	return r.message()
}

// Feedings lists the feedings of a plant, or with "" of all plants that are not
// deleted.
func (c *Collection) Feedings(plant string, q List) ([]*pb.Feeding, []any, error) {
	base, l := c.own(), &feedingListAll
	if plant != "" {
		base, l = c.plant(plant), &feedingList
	} else {
		base = base.Where(plantThere("feedings"))
	}
	rows, next, err := list[feedingRow](c.tx, l, base, q)
	if err != nil {
		return nil, nil, err
	}
	out, err := feedings(rows)
	return out, next, err
}

// plantThere is the condition that the plant of a row is not deleted.
func plantThere(table string) string {
	return "EXISTS (SELECT 1 FROM plants p WHERE p.collection_id = " + table + ".collection_id" +
		" AND p.plant_id = " + table + ".plant_id AND p.delete_us IS NULL)"
}

// UpdateFeeding changes a feeding by f, which gets the present one.
func (c *Collection) UpdateFeeding(plant, id string, by By, f func(*pb.Feeding) error) (*pb.Feeding, error) {
	return c.changeFeeding(plant, id, by, pb.Revision_UPDATED, func(r *feedingRow, m *pb.Feeding) error {
		if err := f(m); err != nil {
			return err
		}
		return r.set(m)
	})
}

// DeleteFeeding voids a feeding. f may refuse it.
func (c *Collection) DeleteFeeding(plant, id string, by By, f func(*pb.Feeding) error) (*pb.Feeding, error) {
	return c.changeFeeding(plant, id, by, pb.Revision_DELETED, func(r *feedingRow, m *pb.Feeding) error {
		r.DeleteUs = &by.Us
		return f(m)
	})
}

// UndeleteFeeding lets a feeding count again. f may refuse it.
func (c *Collection) UndeleteFeeding(plant, id string, by By, f func(*pb.Feeding) error) (*pb.Feeding, error) {
	return c.changeFeeding(plant, id, by, pb.Revision_UNDELETED, func(r *feedingRow, m *pb.Feeding) error {
		r.DeleteUs = nil
		return f(m)
	})
}

// ReassignFeeding moves a feeding, with its history, to another plant, where f may
// change it. Errors: ErrNotFound, ErrReference if the plant is not there, ErrExists
// if it has one of the same id.
func (c *Collection) ReassignFeeding(plant, id, to string, by By, f func(*pb.Feeding) error) (*pb.Feeding, error) {
	if _, err := c.changeFeeding(plant, id, by, pb.Revision_REASSIGNED, func(r *feedingRow, m *pb.Feeding) error {
		if err := f(m); err != nil {
			return err
		}
		return r.set(m)
	}); err != nil {
		return nil, err
	}
	if err := c.freeRef(&feedingRow{}, c.feeding(plant, id), to); err != nil {
		return nil, err
	}
	if err := c.feeding(plant, id).Model(&feedingRow{}).UpdateColumn("plant_id", to).Error; err != nil {
		return nil, err
	}
	if err := c.reassignHistory(FeedingKind, plant, id, to); err != nil {
		return nil, err
	}
	return c.Feeding(to, id)
}

// Reassigned returns the plant to which a feeding or observation that was recorded
// of a plant belongs by now, or ErrNotFound if it was not reassigned from there.
func (c *Collection) Reassigned(kind Kind, plant, id string) (string, error) {
	var rows []revisionRow
	err := c.own().Where("kind = ? AND resource_id = ? AND action = 5", kind, id).Find(&rows).Error
	if err != nil {
		return "", err
	}
	slices.SortFunc(rows, func(a, b revisionRow) int { // the latest first; few are ever reassigned
		return cmp.Or(cmp.Compare(b.CreateUs, a.CreateUs), cmp.Compare(b.Number, a.Number), cmp.Compare(a.PlantID, b.PlantID))
	})
	for _, r := range rows {
		before, err := r.message()
		if err != nil {
			return "", err
		}
		if cmp.Or(before.GetFeeding().GetPlant(), before.GetObservation().GetPlant()) == PlantName(c.id, plant) {
			return r.PlantID, nil // the history went along
		}
	}
	return "", ErrNotFound
}

func (c *Collection) reassignHistory(kind Kind, plant, id, to string) error {
	return c.plant(plant).Where("kind = ? AND resource_id = ?", kind, id).Model(&revisionRow{}).UpdateColumn("plant_id", to).Error
}

func (c *Collection) changeFeeding(plant, id string, by By, action pb.Revision_Action, f func(*feedingRow, *pb.Feeding) error) (*pb.Feeding, error) {
	var r feedingRow
	if err := c.feeding(plant, id).Take(&r).Error; err != nil {
		return nil, err
	}
	before, err := r.message()
	if err != nil {
		return nil, err
	}
	m := proto.CloneOf(before) // the row's optional values must not be changed in place
	read := versioned{r.Version, r.Stamp}
	if err := f(&r, m); err != nil {
		return nil, err
	}
	if after, err := r.message(); err != nil || same(action, read.Stamp, before, after) {
		return after, err
	}
	r.UpdateUs, r.Version, r.Stamp = by.Us, read.Version+1, stamp()
	if err := c.tx.update(&r, read, c.feeding(plant, id)); err != nil {
		return nil, err
	}
	if err := c.revised(FeedingKind, plant, id, r.Version, action, by, before); err != nil {
		return nil, err
	}
	return r.message()
}
