package store

import (
	"gorm.io/gorm/clause"

	pb "dewbench/proto/dewbench/v1"
)

// dueRow is what follows from a plant's record and from the engine. It changes
// without a change of the plant.
type dueRow struct {
	CollectionID      string `gorm:"primaryKey"`
	PlantID           string `gorm:"primaryKey"`
	LastFeedUs        *int64
	PendingUs         *int64 // of the earliest record after AsOfDate
	RosetteDiameterMm *float64
	HeightMm          *float64
	TrapWidthMm       *float64
	WorkingTraps      *int32
	LeafCount         *int32
	MeasureUs         *int64
	AsOfDate          string
	SettingsRev       int64
	CatalogueVersion  string
	Decision          string // JSON of a DueFeeding; "" for a plant that is not there
}

func (dueRow) TableName() string { return "plant_due" }

// Due is what follows from a plant's record, and what the engine decided for a day.
type Due struct {
	Sizes      *pb.Plant_Sizes // nil if it was never measured
	LastFeedUs *int64
	PendingUs  *int64 // of the earliest record dated ahead, which is not in the rest; nil if there is none

	AsOfDate  string
	Settings  int64  // of the collection, when it was decided
	Catalogue string // version of the catalogue, when it was decided
	Decision  *pb.DueFeeding
}

func (r *dueRow) due() (*Due, error) {
	d := &Due{LastFeedUs: r.LastFeedUs, PendingUs: r.PendingUs, AsOfDate: r.AsOfDate, Settings: r.SettingsRev, Catalogue: r.CatalogueVersion}
	if r.MeasureUs != nil {
		d.Sizes = &pb.Plant_Sizes{
			RosetteDiameterMm: r.RosetteDiameterMm, HeightMm: r.HeightMm, TrapWidthMm: r.TrapWidthMm,
			WorkingTraps: r.WorkingTraps, LeafCount: r.LeafCount, MeasureTime: instant(*r.MeasureUs),
		}
	}
	if r.Decision == "" {
		return d, nil
	}
	d.Decision = &pb.DueFeeding{}
	return d, readText(r.Decision, d.Decision)
}

// KeepDue keeps what follows from the records of plants, by id.
func (c *Collection) KeepDue(all map[string]*Due) error {
	rows := make([]dueRow, 0, len(all))
	for id, d := range all {
		r := dueRow{
			CollectionID: c.id, PlantID: id, LastFeedUs: d.LastFeedUs, PendingUs: d.PendingUs,
			AsOfDate: d.AsOfDate, SettingsRev: d.Settings, CatalogueVersion: d.Catalogue,
		}
		if s := d.Sizes; s != nil {
			r.RosetteDiameterMm, r.HeightMm, r.TrapWidthMm = s.RosetteDiameterMm, s.HeightMm, s.TrapWidthMm
			r.WorkingTraps, r.LeafCount, r.MeasureUs = s.WorkingTraps, s.LeafCount, maybeMicros(s.MeasureTime)
		}
		if d.Decision != nil {
			var err error
			if r.Decision, err = text(d.Decision); err != nil {
				return err
			}
		}
		rows = append(rows, r)
	}
	if len(rows) == 0 {
		return nil
	}
	return c.tx.q().Clauses(clause.OnConflict{
		Columns:   []clause.Column{{Name: "collection_id"}, {Name: "plant_id"}},
		UpdateAll: true,
	}).Create(&rows).Error
}

// KeptDue returns what is kept of plants, by id. A plant without a record has none.
func (c *Collection) KeptDue(plantIDs []string) (map[string]*Due, error) {
	out := map[string]*Due{}
	for some := range chunks(plantIDs) {
		var rows []dueRow
		if err := c.own().Where("plant_id IN ?", some).Find(&rows).Error; err != nil {
			return nil, err
		}
		for i := range rows {
			d, err := rows[i].due()
			if err != nil {
				return nil, err
			}
			out[rows[i].PlantID] = d
		}
	}
	return out, nil
}

// History is what is on record of a plant, without what was voided, in order of
// time and id.
type History struct {
	Feedings     []*pb.Feeding
	Observations []*pb.Observation
}

// Len returns how many events there are. h may be nil.
func (h *History) Len() int {
	if h == nil {
		return 0
	}
	return len(h.Feedings) + len(h.Observations)
}

// Histories returns the histories of plants, by id; nil ids are all plants of the
// collection. A plant without a record has none.
func (c *Collection) Histories(plantIDs []string) (map[string]*History, error) {
	return c.histories(plantIDs, "delete_us IS NULL")
}

// Voided returns what was voided of plants, by id, likewise.
func (c *Collection) Voided(plantIDs []string) (map[string]*History, error) {
	return c.histories(plantIDs, "delete_us IS NOT NULL")
}

func (c *Collection) histories(plantIDs []string, which string) (map[string]*History, error) {
	out := map[string]*History{}
	of := func(id string) *History {
		h := out[id]
		if h == nil {
			h = &History{}
			out[id] = h
		}
		return h
	}
	read := func(some []string) error {
		var fed []feedingRow
		var seen []observationRow
		f, o := c.own().Where(which), c.own().Where(which)
		if some != nil {
			f, o = f.Where("plant_id IN ?", some), o.Where("plant_id IN ?", some)
		}
		if err := f.Order("plant_id, fed_us, feeding_id").Find(&fed).Error; err != nil {
			return err
		}
		if err := o.Order("plant_id, observe_us, observation_id").Find(&seen).Error; err != nil {
			return err
		}
		for i := range fed {
			m, err := fed[i].message()
			if err != nil {
				return err
			}
			h := of(fed[i].PlantID)
			h.Feedings = append(h.Feedings, m)
		}
		for i := range seen {
			m, err := seen[i].message()
			if err != nil {
				return err
			}
			h := of(seen[i].PlantID)
			h.Observations = append(h.Observations, m)
		}
		return nil
	}
	if plantIDs == nil {
		return out, read(nil)
	}
	for some := range chunks(plantIDs) {
		if err := read(some); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// Pending returns plants, at most limit, of which a record dated before us was ahead
// when they were last brought up to date.
func (c *Collection) Pending(us int64, limit int) ([]string, error) {
	var ids []string
	err := c.own().Where("pending_us < ?", us).Order("pending_us").Limit(limit).Model(&dueRow{}).Pluck("plant_id", &ids).Error
	return ids, err
}

// KeepPending notes the earliest record of the collection that is dated ahead, by
// what its plants have. Nobody's etag changes.
func (c *Collection) KeepPending() error {
	var first []*int64
	err := c.own().Where("pending_us IS NOT NULL").Order("pending_us").Limit(1).Model(&dueRow{}).Pluck("pending_us", &first).Error
	if err != nil {
		return err
	}
	first = append(first, nil)
	if now := c.row.PendingUs; now == first[0] || now != nil && first[0] != nil && *now == *first[0] {
		return nil
	}
	c.row.PendingUs = first[0]
	return hit(c.own().Model(&collectionRow{}).UpdateColumn("pending_us", first[0]))
}

// Recorded returns the times of feedings and observations that are dated from from to
// before until, by plant.
func (c *Collection) Recorded(from, until int64) (map[string][]int64, error) {
	out := map[string][]int64{}
	for _, table := range []struct {
		row  any
		time string
	}{{&feedingRow{}, "fed_us"}, {&observationRow{}, "observe_us"}} {
		var rows []struct {
			PlantID string
			Us      int64
		}
		err := c.own().Where(table.time+" >= ? AND "+table.time+" < ? AND delete_us IS NULL", from, until).
			Model(table.row).Select("plant_id, " + table.time + " AS us").Find(&rows).Error
		if err != nil {
			return nil, err
		}
		for _, r := range rows {
			out[r.PlantID] = append(out[r.PlantID], r.Us)
		}
	}
	return out, nil
}
