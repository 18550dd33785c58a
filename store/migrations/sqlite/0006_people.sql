-- +goose Up

-- Clubs of growers.
CREATE TABLE societies (
  society_id TEXT NOT NULL,
  display_name TEXT NOT NULL,
  create_us INTEGER NOT NULL,
  update_us INTEGER NOT NULL,
  version INTEGER NOT NULL,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (society_id)
);

CREATE TABLE members (
  society_id TEXT NOT NULL,
  grower_id TEXT NOT NULL,
  role INTEGER NOT NULL,
  create_us INTEGER NOT NULL,
  update_us INTEGER NOT NULL,
  version INTEGER NOT NULL,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (society_id, grower_id),
  FOREIGN KEY (society_id) REFERENCES societies (society_id),
  FOREIGN KEY (grower_id) REFERENCES growers (grower_id)
);
CREATE UNIQUE INDEX members_grower ON members (grower_id, society_id);

-- A collection is a grower's or a society's. SQLite has no statement that takes NOT NULL
-- away, but says how it is done where no stored row changes:
-- https://www.sqlite.org/lang_altertable.html, "making other kinds of table schema changes".
ALTER TABLE collections ADD COLUMN owner_society_id TEXT REFERENCES societies (society_id);
ALTER TABLE collections ADD COLUMN visibility INTEGER NOT NULL DEFAULT 1; -- PRIVATE
PRAGMA writable_schema = ON;
UPDATE sqlite_schema SET sql = replace(sql, 'owner_id TEXT NOT NULL', 'owner_id TEXT') WHERE type = 'table' AND name = 'collections';
PRAGMA writable_schema = RESET;
CREATE UNIQUE INDEX collections_owner_society ON collections (owner_society_id, collection_id);
CREATE UNIQUE INDEX collections_public ON collections (visibility, collection_id) WHERE visibility = 3;
CREATE INDEX collections_public_display_name ON collections (visibility, display_name_key, collection_id) WHERE visibility = 3;

-- With whom a collection is shared: a grower or a society.
CREATE TABLE grants (
  collection_id TEXT NOT NULL,
  grant_id TEXT NOT NULL,
  grower_id TEXT,
  society_id TEXT,
  role INTEGER NOT NULL,
  create_us INTEGER NOT NULL,
  update_us INTEGER NOT NULL,
  version INTEGER NOT NULL,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (collection_id, grant_id),
  FOREIGN KEY (collection_id) REFERENCES collections (collection_id),
  FOREIGN KEY (grower_id) REFERENCES growers (grower_id),
  FOREIGN KEY (society_id) REFERENCES societies (society_id)
);
CREATE UNIQUE INDEX grants_grower ON grants (grower_id, collection_id);
CREATE UNIQUE INDEX grants_society ON grants (society_id, collection_id);

-- Ways in, of which only the hash of the secret is kept.
CREATE TABLE society_invitations (
  society_id TEXT NOT NULL,
  invitation_id TEXT NOT NULL,
  hash BLOB NOT NULL,
  display_name TEXT NOT NULL,
  role INTEGER NOT NULL,
  inviter_id TEXT NOT NULL,
  expire_us INTEGER NOT NULL,
  create_us INTEGER NOT NULL,
  accept_us INTEGER,
  accepter_id TEXT,
  revoke_us INTEGER,
  version INTEGER NOT NULL,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (society_id, invitation_id),
  FOREIGN KEY (society_id) REFERENCES societies (society_id)
);
CREATE UNIQUE INDEX society_invitations_hash ON society_invitations (hash);

CREATE TABLE collection_invitations (
  collection_id TEXT NOT NULL,
  invitation_id TEXT NOT NULL,
  hash BLOB NOT NULL,
  display_name TEXT NOT NULL,
  role INTEGER NOT NULL,
  inviter_id TEXT NOT NULL,
  expire_us INTEGER NOT NULL,
  create_us INTEGER NOT NULL,
  accept_us INTEGER,
  accepter_id TEXT,
  revoke_us INTEGER,
  version INTEGER NOT NULL,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (collection_id, invitation_id),
  FOREIGN KEY (collection_id) REFERENCES collections (collection_id)
);
CREATE UNIQUE INDEX collection_invitations_hash ON collection_invitations (hash);
