package store

import (
	"fmt"

	pb "dewbench/proto/dewbench/v1"
)

// Purge removes for good what was deleted in the collection and whose time is up:
// plants with their records, photos (their files the sweep of the bucket removes), benches
// that nothing refers to any more, bench sheets but the latest, so that no number comes
// twice, and last the collection itself. It takes at most some plants or photos at once, so
// that no caller waits long; more tells that there are more. gone is how many rows went.
func (c *Collection) Purge(us int64, most int) (gone int64, more bool, err error) {
	remove := func(sql string, args ...any) {
		if err != nil {
			return
		}
		result := c.tx.q().Exec(sql, args...)
		gone += result.RowsAffected
		if result.Error != nil {
			err = fmt.Errorf("purge: %w", result.Error)
		}
	}
	whole := c.row.PurgeUs != nil && *c.row.PurgeUs <= us
	if !whole && c.row.OwnerID == nil && c.row.OwnerSocietyID == nil {
		return 0, false, nil // it is being restored: benches may still wait for their plants
	}
	purged := func(kind Kind, id string) {
		if !whole { // else the audit goes too
			c.tx.note(ofCollection(c.id), By{Us: us}, pb.AuditEntry_PURGED, kind.relative("", id))
		}
	}
	old := c.own()
	if !whole {
		old = old.Where("purge_us <= ?", us)
	}
	var plants []string
	if err := old.Model(&plantRow{}).Order("plant_id").Limit(most).Pluck("plant_id", &plants).Error; err != nil {
		return 0, false, fmt.Errorf("purge: %w", err)
	}
	for some := range chunks(plants) {
		for _, table := range []string{"plant_due", "plant_tags", "feedings", "observations", "photos"} {
			remove("DELETE FROM "+table+" WHERE collection_id = ? AND plant_id IN ?", c.id, some)
		}
		remove("DELETE FROM revisions WHERE collection_id = ? AND kind IN (4, 5, 7) AND plant_id IN ?", c.id, some)
		remove("DELETE FROM revisions WHERE collection_id = ? AND kind = 3 AND plant_id = '' AND resource_id IN ?", c.id, some)
		remove("DELETE FROM plants WHERE collection_id = ? AND plant_id IN ?", c.id, some)
		for _, plant := range some {
			purged(PlantKind, plant)
		}
	}
	if err != nil || len(plants) == most {
		return gone, true, err
	}
	if whole {
		for _, table := range []string{"calendars", "grants", "collection_invitations", "revisions", "collection_audits", "sheets", "benches", "collections"} {
			remove("DELETE FROM "+table+" WHERE collection_id = ?", c.id)
		}
		return gone, false, err
	}
	var photos []photoRow
	if e := c.own().Where("purge_us <= ?", us).Select("plant_id", "photo_id").Order("purge_us, plant_id, photo_id").Limit(most).Find(&photos).Error; err == nil && e != nil {
		err = fmt.Errorf("purge: %w", e)
	}
	for _, p := range photos {
		rows, e := c.PurgePhoto(p.PlantID, p.PhotoID, us)
		if gone += rows; err == nil {
			err = e
		}
	}
	if err != nil || len(photos) == most {
		return gone, err == nil, err
	}
	remove("DELETE FROM sheets WHERE collection_id = ? AND expire_us <= ?"+
		" AND sheet_number < (SELECT max(s.sheet_number) FROM sheets s WHERE s.collection_id = ?)", c.id, us, c.id)
	// A bench on which plants once stood stays, hidden: their history needs it.
	const unused = "purge_us <= ? AND NOT EXISTS (SELECT 1 FROM plants p WHERE p.collection_id = benches.collection_id" +
		" AND (p.bench_id = benches.bench_id OR p.first_bench_id = benches.bench_id))" +
		" AND NOT EXISTS (SELECT 1 FROM observations o WHERE o.collection_id = benches.collection_id AND o.bench_id = benches.bench_id)"
	var benches []string
	if e := c.own().Where(unused, us).Model(&benchRow{}).Order("bench_id").Pluck("bench_id", &benches).Error; err == nil && e != nil {
		err = fmt.Errorf("purge: %w", e)
	}
	for some := range chunks(benches) {
		remove("DELETE FROM revisions WHERE collection_id = ? AND kind = 2 AND plant_id = '' AND resource_id IN ?", c.id, some)
		remove("DELETE FROM benches WHERE collection_id = ? AND bench_id IN ?", c.id, some)
		for _, bench := range some {
			purged(BenchKind, bench)
		}
	}
	return gone, false, err
}

// PurgePhoto removes a photo for good, with its history. gone is how many rows went; 0: it
// was not there.
func (c *Collection) PurgePhoto(plant, id string, us int64) (gone int64, err error) {
	for _, sql := range []string{
		"DELETE FROM photos WHERE collection_id = ? AND plant_id = ? AND photo_id = ?",
		"DELETE FROM revisions WHERE collection_id = ? AND kind = 7 AND plant_id = ? AND resource_id = ?",
	} {
		result := c.tx.q().Exec(sql, c.id, plant, id)
		if gone += result.RowsAffected; result.Error != nil {
			return gone, fmt.Errorf("purge: %w", result.Error)
		}
		if gone == 0 {
			return 0, nil // it is not there
		}
	}
	c.tx.note(ofCollection(c.id), By{Us: us}, pb.AuditEntry_PURGED, PhotoKind.relative(plant, id))
	return gone, nil
}
