package store

import "fmt"

// Purge removes for good what was deleted in the collection and whose time is up:
// plants with their records, benches that nothing refers to any more, and last the
// collection itself. It tells how many rows went.
func (c *Collection) Purge(us int64) (int64, error) {
	var gone int64
	remove := func(sql string, args ...any) error {
		result := c.tx.q().Exec(sql, args...)
		gone += result.RowsAffected
		if result.Error != nil {
			return fmt.Errorf("purge: %w", result.Error)
		}
		return nil
	}
	if c.row.PurgeUs != nil && *c.row.PurgeUs <= us {
		for _, table := range []string{"revisions", "plant_due", "plant_tags", "feedings", "observations", "plants", "benches", "collections"} {
			if err := remove("DELETE FROM "+table+" WHERE collection_id = ?", c.id); err != nil {
				return gone, err
			}
		}
		return gone, nil
	}
	const over = "plant_id IN (SELECT plant_id FROM plants WHERE collection_id = ? AND purge_us <= ?)"
	for _, table := range []string{"plant_due", "plant_tags", "feedings", "observations"} {
		if err := remove("DELETE FROM "+table+" WHERE collection_id = ? AND "+over, c.id, c.id, us); err != nil {
			return gone, err
		}
	}
	if err := remove("DELETE FROM revisions WHERE collection_id = ? AND (kind IN (4, 5) AND "+over+
		" OR kind = 3 AND resource_id IN (SELECT plant_id FROM plants WHERE collection_id = ? AND purge_us <= ?))",
		c.id, c.id, us, c.id, us); err != nil {
		return gone, err
	}
	if err := remove("DELETE FROM plants WHERE collection_id = ? AND purge_us <= ?", c.id, us); err != nil {
		return gone, err
	}
	// A bench on which plants once stood stays, hidden: their history needs it.
	const unused = "purge_us <= ? AND NOT EXISTS (SELECT 1 FROM plants p WHERE p.collection_id = benches.collection_id" +
		" AND (p.bench_id = benches.bench_id OR p.first_bench_id = benches.bench_id))" +
		" AND NOT EXISTS (SELECT 1 FROM observations o WHERE o.collection_id = benches.collection_id AND o.bench_id = benches.bench_id)"
	if err := remove("DELETE FROM revisions WHERE collection_id = ? AND kind = 2 AND resource_id IN"+
		" (SELECT bench_id FROM benches WHERE collection_id = ? AND "+unused+")", c.id, c.id, us); err != nil {
		return gone, err
	}
	return gone, remove("DELETE FROM benches WHERE collection_id = ? AND "+unused, c.id, us)
}
