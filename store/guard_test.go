package store_test

import (
	"errors"
	"testing"

	"dewbench/store"
	"dewbench/store/storetest"
)

func TestGuardLetsScopedStatementsPass(t *testing.T) {
	for _, statement := range []string{
		`SELECT 1`,
		"SELECT `plants`.`plant_id` FROM `plants` WHERE collection_id = ? AND plant_id = ? LIMIT 1",
		`SELECT * FROM "plants" WHERE "collection_id" = $1 AND (tag = $2 OR tag_key = $3) ORDER BY tag LIMIT 5 FOR UPDATE`,
		`SELECT * FROM plants WHERE ? = collection_id;`,
		`SELECT * FROM plants WHERE collection_id IN (?, ?)`,
		`SELECT * FROM plants WHERE (collection_id, plant_id) = (?, ?)`,
		`SELECT * FROM plants WHERE (collection_id, plant_id) IN ((?, ?), (?, ?))`,
		`SELECT * FROM plants WHERE collection_id = ANY($1) -- no more`,
		`SELECT * FROM plants WHERE (collection_id = ? AND living = 1) OR (collection_id = ? AND living = 0)`,
		`SELECT * FROM plants AS p JOIN benches b ON b.collection_id = p.collection_id AND b.bench_id = p.bench_id WHERE p.collection_id = ?`,
		`SELECT * FROM plants p LEFT OUTER JOIN benches b ON b.collection_id = p.collection_id WHERE p.collection_id = ?`,
		`SELECT * FROM plants p JOIN benches b USING (collection_id, bench_id) WHERE b.collection_id = ?`,
		`SELECT * FROM plants p, benches b WHERE p.collection_id = b.collection_id AND b.collection_id = ?`,
		`SELECT * FROM plants p JOIN benches b ON (p.collection_id, p.bench_id) = (b.collection_id, b.bench_id) WHERE p.collection_id = ?`,
		`SELECT count(*) FROM plants WHERE collection_id = ? AND tag IS DISTINCT FROM ? AND note = 'it''s (not'`,
		`SELECT (SELECT count(*) FROM feedings f WHERE f.collection_id = p.collection_id) FROM plants p WHERE p.collection_id = ?`,
		`SELECT * FROM plants WHERE collection_id = ? AND EXISTS (SELECT 1 FROM feedings f WHERE f.collection_id = plants.collection_id)`,
		`WITH some AS (SELECT collection_id, plant_id FROM plants WHERE collection_id = ?) SELECT * FROM some JOIN feedings f ON f.collection_id = some.collection_id`,
		`SELECT * FROM (SELECT * FROM plants WHERE collection_id = ?) AS p WHERE p.living = 1`,
		`SELECT plant_id FROM plants WHERE collection_id = ? UNION ALL SELECT plant_id FROM feedings WHERE collection_id = ?`,
		`SELECT value FROM json_each(?)`,
		`SELECT * FROM collections WHERE owner_id = ?`,
		`SELECT * FROM collections WHERE owner_society_id = ?`,
		`SELECT * FROM collections WHERE visibility = 3 AND delete_us IS NULL`,
		`SELECT * FROM collections c JOIN plants p ON p.collection_id = c.collection_id WHERE 3 = c.visibility`,
		`SELECT * FROM tokens WHERE hash = ?`,
		`SELECT * FROM calendars WHERE hash = ?`,
		`SELECT * FROM server_keys WHERE key_name = ?`,
		"SELECT `growers`.`grower_id` FROM `growers` WHERE grower_id > ? ORDER BY grower_id LIMIT ?",
		`UPDATE "plants" SET "tag" = $1 WHERE collection_id = $2 AND plant_id = $3`,
		`UPDATE plants SET tag = b.display_name FROM benches b WHERE plants.collection_id = ? AND b.collection_id = plants.collection_id`,
		`DELETE FROM plants WHERE collection_id = ? RETURNING plant_id`,
		`DELETE FROM plants USING benches b WHERE plants.collection_id = ? AND b.collection_id = plants.collection_id`,
		"INSERT INTO `plants` (`collection_id`,`plant_id`) VALUES (?,?),(?,?)",
		`INSERT INTO plants (collection_id, plant_id) VALUES (?, ?) ON CONFLICT DO NOTHING`,
		`INSERT INTO plants (collection_id, plant_id) VALUES (?, ?) ON CONFLICT (collection_id, plant_id) DO UPDATE SET tag = excluded.tag`,
		`INSERT INTO plants (collection_id, plant_id) SELECT collection_id, plant_id FROM feedings WHERE collection_id = ? ON CONFLICT DO NOTHING`,
		`SAVEPOINT a`,
	} {
		if err := store.Guard(statement); err != nil {
			t.Error(err)
		}
	}
}

func TestGuardCatchesUnscopedStatements(t *testing.T) {
	for _, statement := range []string{
		`SELECT * FROM plants`,
		`SELECT collection_id FROM plants WHERE plant_id = ?`,
		`SELECT * FROM plants WHERE collection_id > ?`,
		`SELECT * FROM plants WHERE collection_id <> ?`,
		`SELECT * FROM plants WHERE NOT collection_id = ?`,
		`SELECT * FROM plants WHERE NOT (collection_id = ?)`,
		`SELECT * FROM plants WHERE collection_id NOT IN (?)`,
		`SELECT * FROM plants WHERE collection_id = ? OR living = 1`,
		`SELECT * FROM plants WHERE (collection_id, plant_id) > (?, ?)`,
		`SELECT * FROM plants WHERE collection_id = collection_id`,
		`SELECT * FROM plants WHERE collection_id = source`,
		`SELECT * FROM plants WHERE CASE WHEN living = 1 AND collection_id = ? THEN 1 ELSE 1 END = 1`,
		`SELECT * FROM plants WHERE note = 'collection_id = 1'`,
		`SELECT * FROM plants /* WHERE collection_id = ? */`,
		`SELECT * FROM plants ORDER BY collection_id = ?`,
		`SELECT collection_id = ? FROM plants`,
		`SELECT * FROM plants p JOIN benches b ON b.collection_id = p.collection_id`,
		`SELECT * FROM plants p JOIN benches b ON b.bench_id = p.bench_id WHERE p.collection_id = ?`,
		`SELECT * FROM plants p, benches b WHERE p.collection_id = ?`,
		`SELECT * FROM plants p LEFT JOIN benches b ON b.collection_id = p.collection_id AND p.collection_id = ?`,
		`SELECT * FROM plants p LEFT JOIN benches b ON b.collection_id = p.collection_id AND b.collection_id = ?`,
		`SELECT * FROM plants p FULL JOIN benches b USING (collection_id) WHERE p.collection_id = ?`,
		`SELECT * FROM plants p JOIN benches b ON b.bench_id = p.bench_id WHERE collection_id = ?`, // whose?
		`SELECT (SELECT count(*) FROM feedings) FROM plants WHERE collection_id = ?`,
		`SELECT * FROM plants WHERE collection_id = ? AND EXISTS (SELECT 1 FROM feedings f WHERE f.plant_id = plants.plant_id)`,
		`SELECT * FROM plants WHERE collection_id = ? AND plant_id IN (SELECT plant_id FROM feedings)`,
		`WITH some AS (SELECT * FROM plants) SELECT * FROM some`,
		`SELECT * FROM (SELECT * FROM plants) AS p WHERE p.collection_id = ?`,
		`SELECT plant_id FROM plants WHERE collection_id = ? UNION SELECT plant_id FROM feedings`,
		`SELECT * FROM plants WHERE owner_id = ?`,
		`SELECT * FROM collections WHERE visibility = 2`,
		`SELECT * FROM collections WHERE visibility = ?`,
		`SELECT * FROM collections WHERE visibility = 3 OR delete_us IS NULL`,
		`SELECT * FROM collections WHERE NOT visibility = 3`,
		`SELECT * FROM plants WHERE visibility = 3`,
		`SELECT * FROM tokens WHERE token_id = ?`,
		`SELECT * FROM calendars WHERE calendar_id = ?`,
		`SELECT * FROM growers ORDER BY grower_id LIMIT ?`,
		`UPDATE plants SET collection_id = ?`,
		`UPDATE plants SET tag = ? WHERE plant_id = ?`,
		`UPDATE plants SET tag = b.display_name FROM benches b WHERE plants.collection_id = ?`,
		`DELETE FROM plants`,
		`DELETE FROM plants WHERE plant_id = ?`,
		`DELETE FROM plants USING benches b WHERE plants.collection_id = ?`,
		`INSERT INTO plants (plant_id) VALUES (?)`,
		`INSERT INTO plants VALUES (?, ?)`,
		`INSERT OR REPLACE INTO plants (collection_id, plant_id) VALUES (?, ?)`,
		`INSERT INTO plants (collection_id, plant_id) VALUES (?, ?) ON CONFLICT (plant_id) DO UPDATE SET tag = excluded.tag`,
		`INSERT INTO plants (collection_id, plant_id) SELECT collection_id, plant_id FROM feedings`,
		`TRUNCATE plants`,
		`SELECT * FROM plants WHERE (collection_id = ?`,
		`SELECT * FROM plants WHERE collection_id = 'open`,
	} {
		if err := store.Guard(statement); !errors.Is(err, store.ErrUnscoped) {
			t.Errorf("passed: %s", statement)
		}
	}
}

func TestGuardStopsStatements(t *testing.T) {
	type row struct{ GrowerID string }
	for name, do := range map[string]func(tx *store.Tx) error{
		"query":  func(tx *store.Tx) error { return tx.Q().Table("growers").Find(&[]row{}).Error },
		"raw":    func(tx *store.Tx) error { return tx.Q().Exec("DELETE FROM growers").Error },
		"update": func(tx *store.Tx) error { return tx.Q().Table("growers").Where("1 = 1").Update("contact", "").Error },
		"delete": func(tx *store.Tx) error { return tx.Q().Table("growers").Where("1 = 1").Delete(&row{}).Error },
		"rows": func(tx *store.Tx) error {
			rows, err := tx.Q().Table("growers").Rows()
			if err == nil {
				return rows.Close()
			}
			return err
		},
		"create": func(tx *store.Tx) error {
			return tx.Q().Table("growers").Create(map[string]any{"contact": ""}).Error
		},
		"row": func(tx *store.Tx) error {
			return tx.Q().Table("growers").Select("grower_id").Row().Scan(new(string))
		},
	} {
		t.Run(name, func(t *testing.T) {
			storetest.Each(t, func(t *testing.T, s *store.Store) {
				add(t, s, "a")
				var inside error
				err := s.Write(t.Context(), func(tx *store.Tx) error {
					inside = do(tx)
					return nil // even if nobody looks at it
				})
				if inside == nil || !errors.Is(err, store.ErrUnscoped) {
					t.Errorf("the statement returned %v, the transaction %v", inside, err)
				}
				if !has(t, s, "a") {
					t.Error("the statement was run")
				}
			})
		})
	}
}
