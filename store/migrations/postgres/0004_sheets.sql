-- +goose Up

-- Bench sheets as they were printed. plan is the JSON of what they tell; sheet_number
-- counts those of a collection.
CREATE TABLE sheets (
  collection_id TEXT COLLATE "C" NOT NULL,
  sheet_number BIGINT NOT NULL,
  as_of_date TEXT COLLATE "C" NOT NULL,
  row_count INTEGER NOT NULL,
  plan TEXT COLLATE "C" NOT NULL,
  create_us BIGINT NOT NULL,
  expire_us BIGINT NOT NULL,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (collection_id, sheet_number),
  FOREIGN KEY (collection_id) REFERENCES collections (collection_id)
);
