-- +goose Up

-- Who changed what, when, and by which token, after the changed is gone too. Ids only.
-- audit_number counts the entries of a collection or society, without gaps. names is a
-- JSON list of what changed.
CREATE TABLE collection_audits (
  collection_id TEXT COLLATE "C" NOT NULL,
  audit_number BIGINT NOT NULL,
  create_us BIGINT NOT NULL,
  grower_id TEXT COLLATE "C" NOT NULL,
  token_id TEXT COLLATE "C" NOT NULL,
  request_id TEXT COLLATE "C",
  action INTEGER NOT NULL,
  names TEXT COLLATE "C" NOT NULL,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (collection_id, audit_number),
  FOREIGN KEY (collection_id) REFERENCES collections (collection_id)
);
CREATE INDEX collection_audits_grower ON collection_audits (grower_id, collection_id);

CREATE TABLE society_audits (
  society_id TEXT COLLATE "C" NOT NULL,
  audit_number BIGINT NOT NULL,
  create_us BIGINT NOT NULL,
  grower_id TEXT COLLATE "C" NOT NULL,
  token_id TEXT COLLATE "C" NOT NULL,
  request_id TEXT COLLATE "C",
  action INTEGER NOT NULL,
  names TEXT COLLATE "C" NOT NULL,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (society_id, audit_number),
  FOREIGN KEY (society_id) REFERENCES societies (society_id)
);
CREATE INDEX society_audits_grower ON society_audits (grower_id, society_id);

-- Entries are never changed, but for who was erased: they become a code.
-- +goose StatementBegin
CREATE FUNCTION audits_kept() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
  IF (to_jsonb(NEW) - 'grower_id' - 'token_id' - 'names') IS DISTINCT FROM (to_jsonb(OLD) - 'grower_id' - 'token_id' - 'names')
    OR (NEW.names <> OLD.names AND NEW.names NOT LIKE '%/erased-%') OR NEW.token_id NOT IN (OLD.token_id, '')
    OR (NEW.grower_id <> OLD.grower_id AND NEW.grower_id NOT LIKE 'erased-%')
  THEN
    RAISE EXCEPTION 'audit entries are not changed';
  END IF;
  RETURN NEW;
END $$;
-- +goose StatementEnd
CREATE TRIGGER collection_audits_kept BEFORE UPDATE ON collection_audits FOR EACH ROW EXECUTE FUNCTION audits_kept();
CREATE TRIGGER society_audits_kept BEFORE UPDATE ON society_audits FOR EACH ROW EXECUTE FUNCTION audits_kept();

-- Growers who are being erased, and the code that stands for them after that. A row goes
-- when nothing of the grower is left.
CREATE TABLE erasures (
  grower_id TEXT COLLATE "C" NOT NULL,
  code TEXT COLLATE "C" NOT NULL,
  create_us BIGINT NOT NULL,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (grower_id)
);
