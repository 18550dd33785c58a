-- What is due is kept with the days for which it is true, in the order of a list.
-- +goose Up

-- class is 1 with a window or none in sight, 2 held, 3 not fed by hand, 0 not there. Days count from 1970-01-01; 2147483647 is none. Only the program reads record and decision.
ALTER TABLE plant_due DROP COLUMN as_of_date;
ALTER TABLE plant_due DROP COLUMN catalogue_version;
ALTER TABLE plant_due DROP COLUMN decision;
ALTER TABLE plant_due ADD COLUMN from_day INTEGER NOT NULL DEFAULT 0;
ALTER TABLE plant_due ADD COLUMN until_day INTEGER NOT NULL DEFAULT 0;
ALTER TABLE plant_due ADD COLUMN class INTEGER NOT NULL DEFAULT 0;
ALTER TABLE plant_due ADD COLUMN due_from_day INTEGER NOT NULL DEFAULT 0;
ALTER TABLE plant_due ADD COLUMN due_last_day INTEGER NOT NULL DEFAULT 0;
ALTER TABLE plant_due ADD COLUMN bench_walk INTEGER NOT NULL DEFAULT 0;
ALTER TABLE plant_due ADD COLUMN plant_walk INTEGER NOT NULL DEFAULT 0;
ALTER TABLE plant_due ADD COLUMN tag_key TEXT NOT NULL DEFAULT '';
ALTER TABLE plant_due ADD COLUMN traps INTEGER NOT NULL DEFAULT 0;
ALTER TABLE plant_due ADD COLUMN decision BLOB;
ALTER TABLE plant_due ADD COLUMN record BLOB;
CREATE INDEX plant_due_order ON plant_due (collection_id, class, due_last_day, bench_walk, plant_walk, tag_key, plant_id, due_from_day, from_day, until_day, traps);

-- All rows of plant_due are of the settings due_rev, or later ones, and of the program due_version; they are true from due_day on, until due_until.
ALTER TABLE collections ADD COLUMN due_rev INTEGER NOT NULL DEFAULT 0;
ALTER TABLE collections ADD COLUMN due_version TEXT NOT NULL DEFAULT '';
ALTER TABLE collections ADD COLUMN due_day INTEGER NOT NULL DEFAULT 0;
ALTER TABLE collections ADD COLUMN due_until INTEGER NOT NULL DEFAULT 0;
