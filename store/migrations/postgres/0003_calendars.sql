-- +goose Up

-- Addresses from which a grower's calendar is read. Of the secret only the hash is kept.
CREATE TABLE calendars (
  grower_id TEXT COLLATE "C" NOT NULL,
  calendar_id TEXT COLLATE "C" NOT NULL,
  collection_id TEXT COLLATE "C", -- NULL: all of the grower's
  hash BYTEA NOT NULL,
  display_name TEXT COLLATE "C" NOT NULL,
  last_use_us BIGINT,
  create_us BIGINT NOT NULL,
  revoke_us BIGINT,
  version BIGINT NOT NULL,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (grower_id, calendar_id),
  FOREIGN KEY (grower_id) REFERENCES growers (grower_id),
  FOREIGN KEY (collection_id) REFERENCES collections (collection_id)
);
CREATE UNIQUE INDEX calendars_hash ON calendars (hash);
CREATE INDEX calendars_collection ON calendars (collection_id);
