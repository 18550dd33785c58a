-- +goose Up

-- Photos of plants. Their files lie in the bucket, under their digest. camera_us is what
-- the camera told of when it was taken, if it did; scale and spans are JSON.
CREATE TABLE photos (
  collection_id TEXT NOT NULL,
  plant_id TEXT NOT NULL,
  photo_id TEXT NOT NULL,
  sha256 TEXT NOT NULL,
  format INTEGER NOT NULL,
  size_bytes INTEGER NOT NULL,
  width_px INTEGER NOT NULL,
  height_px INTEGER NOT NULL,
  orientation INTEGER NOT NULL,
  camera_us INTEGER,
  camera_source INTEGER NOT NULL,
  taken_us INTEGER NOT NULL,
  taken_source INTEGER NOT NULL,
  credit TEXT NOT NULL,
  license TEXT NOT NULL,
  note TEXT NOT NULL,
  scale TEXT,
  spans TEXT NOT NULL,
  render_us INTEGER,
  recorder_id TEXT NOT NULL,
  create_us INTEGER NOT NULL,
  update_us INTEGER NOT NULL,
  delete_us INTEGER,
  purge_us INTEGER,
  version INTEGER NOT NULL,
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
ALTER TABLE observations ADD COLUMN photo TEXT;
