-- +goose Up

-- Who growers are elsewhere: the subjects of issuers of access tokens.
CREATE TABLE identities (
  grower_id TEXT COLLATE "C" NOT NULL,
  identity_id TEXT COLLATE "C" NOT NULL,
  issuer TEXT COLLATE "C" NOT NULL,
  subject TEXT COLLATE "C" NOT NULL,
  last_use_us BIGINT,
  create_us BIGINT NOT NULL,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (grower_id, identity_id),
  FOREIGN KEY (grower_id) REFERENCES growers (grower_id)
);
CREATE UNIQUE INDEX identities_subject ON identities (issuer, subject);

-- When a token got another secret, and until when the one before is good.
ALTER TABLE tokens ADD COLUMN rotate_us BIGINT;
ALTER TABLE tokens ADD COLUMN old_hash BYTEA;
ALTER TABLE tokens ADD COLUMN old_until_us BIGINT;
CREATE UNIQUE INDEX tokens_old_hash ON tokens (old_hash);
