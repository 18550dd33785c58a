-- +goose Up

-- Photos of plants. Their files lie in the bucket, under their digest. camera_us is what
-- the camera told of when it was taken, if it did; scale and spans are JSON.
CREATE TABLE photos (
  collection_id TEXT COLLATE "C" NOT NULL,
  plant_id TEXT COLLATE "C" NOT NULL,
  photo_id TEXT COLLATE "C" NOT NULL,
  sha256 TEXT COLLATE "C" NOT NULL,
  format INTEGER NOT NULL,
  size_bytes BIGINT NOT NULL,
  width_px INTEGER NOT NULL,
  height_px INTEGER NOT NULL,
  orientation INTEGER NOT NULL,
  camera_us BIGINT,
  camera_source INTEGER NOT NULL,
  taken_us BIGINT NOT NULL,
  taken_source INTEGER NOT NULL,
  credit TEXT COLLATE "C" NOT NULL,
  license TEXT COLLATE "C" NOT NULL,
  note TEXT COLLATE "C" NOT NULL,
  scale TEXT COLLATE "C",
  spans TEXT COLLATE "C" NOT NULL,
  render_us BIGINT,
  recorder_id TEXT COLLATE "C" NOT NULL,
  create_us BIGINT NOT NULL,
  update_us BIGINT NOT NULL,
  delete_us BIGINT,
  purge_us BIGINT,
  version BIGINT NOT NULL,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (collection_id, plant_id, photo_id),
  FOREIGN KEY (collection_id, plant_id) REFERENCES plants (collection_id, plant_id)
);
CREATE UNIQUE INDEX photos_same ON photos (collection_id, plant_id, sha256);
CREATE INDEX photos_file ON photos (collection_id, sha256);
CREATE INDEX photos_taken ON photos (collection_id, plant_id, taken_us, photo_id);
CREATE INDEX photos_all_taken ON photos (collection_id, taken_us, plant_id, photo_id);
CREATE INDEX photos_purge ON photos (collection_id, purge_us, plant_id, photo_id) WHERE purge_us IS NOT NULL;

-- The photo on which it was measured: {plant}/{photo}.
ALTER TABLE observations ADD COLUMN photo TEXT COLLATE "C";
