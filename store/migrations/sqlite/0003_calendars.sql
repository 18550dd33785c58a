-- +goose Up

-- Addresses from which a grower's calendar is read. Of the secret only the hash is kept.
CREATE TABLE calendars (
  grower_id TEXT NOT NULL,
  calendar_id TEXT NOT NULL,
  collection_id TEXT, -- NULL: all of the grower's
  hash BLOB NOT NULL,
  display_name TEXT NOT NULL,
  last_use_us INTEGER,
  create_us INTEGER NOT NULL,
  revoke_us INTEGER,
  version INTEGER NOT NULL,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (grower_id, calendar_id),
  FOREIGN KEY (grower_id) REFERENCES growers (grower_id),
  FOREIGN KEY (collection_id) REFERENCES collections (collection_id)
);
CREATE UNIQUE INDEX calendars_hash ON calendars (hash);
CREATE INDEX calendars_collection ON calendars (collection_id);
