-- +goose Up

-- Who changed what, when, and by which token, after the changed is gone too. Ids only.
-- audit_number counts the entries of a collection or society, without gaps. names is a
-- JSON list of what changed.
CREATE TABLE collection_audits (
  collection_id TEXT NOT NULL,
  audit_number INTEGER NOT NULL,
  create_us INTEGER NOT NULL,
  grower_id TEXT NOT NULL,
  token_id TEXT NOT NULL,
  request_id TEXT,
  action INTEGER NOT NULL,
  names TEXT NOT NULL,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (collection_id, audit_number),
  FOREIGN KEY (collection_id) REFERENCES collections (collection_id)
);
CREATE INDEX collection_audits_grower ON collection_audits (grower_id, collection_id);

CREATE TABLE society_audits (
  society_id TEXT NOT NULL,
  audit_number INTEGER NOT NULL,
  create_us INTEGER NOT NULL,
  grower_id TEXT NOT NULL,
  token_id TEXT NOT NULL,
  request_id TEXT,
  action INTEGER NOT NULL,
  names TEXT NOT NULL,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (society_id, audit_number),
  FOREIGN KEY (society_id) REFERENCES societies (society_id)
);
CREATE INDEX society_audits_grower ON society_audits (grower_id, society_id);

-- Entries are never changed, but for who was erased: they become a code.
-- +goose StatementBegin
CREATE TRIGGER collection_audits_kept BEFORE UPDATE ON collection_audits
WHEN NEW.collection_id <> OLD.collection_id OR NEW.audit_number <> OLD.audit_number OR NEW.create_us <> OLD.create_us
  OR NEW.action <> OLD.action OR NEW.request_id IS NOT OLD.request_id OR NEW.stamp <> OLD.stamp
  OR (NEW.names <> OLD.names AND NEW.names NOT LIKE '%/erased-%') OR NEW.token_id NOT IN (OLD.token_id, '')
  OR (NEW.grower_id <> OLD.grower_id AND NEW.grower_id NOT LIKE 'erased-%')
BEGIN SELECT RAISE(ABORT, 'audit entries are not changed'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER society_audits_kept BEFORE UPDATE ON society_audits
WHEN NEW.society_id <> OLD.society_id OR NEW.audit_number <> OLD.audit_number OR NEW.create_us <> OLD.create_us
  OR NEW.action <> OLD.action OR NEW.request_id IS NOT OLD.request_id OR NEW.stamp <> OLD.stamp
  OR (NEW.names <> OLD.names AND NEW.names NOT LIKE '%/erased-%') OR NEW.token_id NOT IN (OLD.token_id, '')
  OR (NEW.grower_id <> OLD.grower_id AND NEW.grower_id NOT LIKE 'erased-%')
BEGIN SELECT RAISE(ABORT, 'audit entries are not changed'); END;
-- +goose StatementEnd

-- Growers who are being erased, and the code that stands for them after that. A row goes
-- when nothing of the grower is left.
CREATE TABLE erasures (
  grower_id TEXT NOT NULL,
  code TEXT NOT NULL,
  create_us INTEGER NOT NULL,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (grower_id)
);
