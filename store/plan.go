package store

import (
	"gorm.io/gorm"

	pb "dewbench/proto/dewbench/v1"
)

// Session is what a plan of a day looks at of a feeding. Instants are microseconds
// since 1970 UTC.
type Session struct {
	Plant, ID string // ids
	FedUs     int64
	Outcome   pb.Feeding_Outcome
	OutcomeUs int64 // when the outcome was seen: if that is not told, when the plant was fed
}

// between is the condition that something was not voided and is dated from from to
// before until.
func between(db *gorm.DB, column string, from, until int64) *gorm.DB {
	return db.Where(column+" >= ? AND "+column+" < ? AND delete_us IS NULL", from, until)
}

// Sessions returns the sessions of plants that are dated from from to before until and
// not voided, of each plant in the order of time and id; nil ids are all plants of the
// collection.
func (c *Collection) Sessions(plantIDs []string, from, until int64) ([]Session, error) {
	var out []Session
	read := func(some []string) error {
		db := between(c.own(), "fed_us", from, until).Select("plant_id, feeding_id, fed_us, outcome, outcome_us")
		order := "fed_us, plant_id, feeding_id"
		if some != nil {
			db, order = c.tx.among(db, "plant_id", some), "plant_id, fed_us, feeding_id"
		}
		var rows []feedingRow
		if err := db.Order(order).Find(&rows).Error; err != nil {
			return err
		}
		for i := range rows {
			r := &rows[i]
			one := Session{r.PlantID, r.FeedingID, r.FedUs, pb.Feeding_Outcome(r.Outcome), r.FedUs}
			if r.OutcomeUs != nil {
				one.OutcomeUs = *r.OutcomeUs
			}
			out = append(out, one)
		}
		return nil
	}
	if plantIDs == nil {
		err := read(nil)
		return out, err
	}
	for some := range chunks(plantIDs) {
		if err := read(some); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// Seen returns the observations of plants that are dated from from to before until and
// not voided, of the given kinds, by plant in the order of time and id; nil kinds are
// all.
func (c *Collection) Seen(plantIDs []string, kinds []FactKind, from, until int64) (map[string][]*pb.Observation, error) {
	out := map[string][]*pb.Observation{}
	for some := range chunks(plantIDs) {
		db := between(c.tx.among(c.own(), "plant_id", some), "observe_us", from, until)
		if kinds != nil {
			db = db.Where("kind IN ?", kinds)
		}
		var rows []observationRow
		if err := db.Order("plant_id, observe_us, observation_id").Find(&rows).Error; err != nil {
			return nil, err
		}
		for i := range rows {
			m, err := rows[i].message()
			if err != nil {
				return nil, err
			}
			out[rows[i].PlantID] = append(out[rows[i].PlantID], m)
		}
	}
	return out, nil
}

// Treatments returns the treatments of all plants whose untilDate is a day, that are
// dated from from to before until and not voided, in the order of time, plant and id.
func (c *Collection) Treatments(untilDate string, from, until int64) ([]*pb.Observation, error) {
	var rows []observationRow
	err := between(c.own(), "observe_us", from, until).Where("kind = ? AND until_date = ?", Treatment, untilDate).
		Order("observe_us, plant_id, observation_id").Find(&rows).Error
	if err != nil {
		return nil, err
	}
	return observations(rows)
}
