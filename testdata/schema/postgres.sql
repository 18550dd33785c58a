-- What the migrations make, as the database tells it. Written by go test ./store -run TestSchema -update.

CREATE TABLE benches (
  collection_id TEXT COLLATE "C" NOT NULL,
  bench_id TEXT COLLATE "C" NOT NULL,
  display_name TEXT COLLATE "C" NOT NULL,
  display_name_key TEXT COLLATE "C" NOT NULL,
  exposure INTEGER NOT NULL,
  lamp_hours DOUBLE PRECISION,
  walk_order INTEGER NOT NULL,
  regimen TEXT COLLATE "C",
  create_us BIGINT NOT NULL,
  update_us BIGINT NOT NULL,
  delete_us BIGINT,
  purge_us BIGINT,
  version BIGINT NOT NULL,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (collection_id, bench_id),
  FOREIGN KEY (collection_id) REFERENCES collections (collection_id)
);
CREATE INDEX benches_display_name ON benches (collection_id, display_name_key, bench_id);
CREATE INDEX benches_walk_order ON benches (collection_id, walk_order, bench_id);

CREATE TABLE calendars (
  grower_id TEXT COLLATE "C" NOT NULL,
  calendar_id TEXT COLLATE "C" NOT NULL,
  collection_id TEXT COLLATE "C",
  hash BYTEA NOT NULL,
  display_name TEXT COLLATE "C" NOT NULL,
  last_use_us BIGINT,
  create_us BIGINT NOT NULL,
  revoke_us BIGINT,
  version BIGINT NOT NULL,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (grower_id, calendar_id),
  FOREIGN KEY (collection_id) REFERENCES collections (collection_id),
  FOREIGN KEY (grower_id) REFERENCES growers (grower_id)
);
CREATE INDEX calendars_collection ON calendars (collection_id);
CREATE UNIQUE INDEX calendars_hash ON calendars (hash);

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

CREATE TABLE collection_invitations (
  collection_id TEXT COLLATE "C" NOT NULL,
  invitation_id TEXT COLLATE "C" NOT NULL,
  hash BYTEA NOT NULL,
  display_name TEXT COLLATE "C" NOT NULL,
  role INTEGER NOT NULL,
  inviter_id TEXT COLLATE "C" NOT NULL,
  expire_us BIGINT NOT NULL,
  create_us BIGINT NOT NULL,
  accept_us BIGINT,
  accepter_id TEXT COLLATE "C",
  revoke_us BIGINT,
  version BIGINT NOT NULL,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (collection_id, invitation_id),
  FOREIGN KEY (collection_id) REFERENCES collections (collection_id)
);
CREATE UNIQUE INDEX collection_invitations_hash ON collection_invitations (hash);

CREATE TABLE collections (
  collection_id TEXT COLLATE "C" NOT NULL,
  owner_id TEXT COLLATE "C",
  display_name TEXT COLLATE "C" NOT NULL,
  display_name_key TEXT COLLATE "C" NOT NULL,
  time_zone TEXT COLLATE "C" NOT NULL,
  latitude_deg INTEGER,
  hemisphere INTEGER NOT NULL,
  feeding_weekdays INTEGER NOT NULL,
  absences TEXT COLLATE "C" NOT NULL,
  regimens TEXT COLLATE "C" NOT NULL,
  create_us BIGINT NOT NULL,
  update_us BIGINT NOT NULL,
  delete_us BIGINT,
  purge_us BIGINT,
  settings_rev BIGINT NOT NULL,
  pending_us BIGINT,
  version BIGINT NOT NULL,
  stamp INTEGER NOT NULL,
  due_rev BIGINT NOT NULL DEFAULT 0,
  due_version TEXT COLLATE "C" NOT NULL DEFAULT ''::text,
  due_day INTEGER NOT NULL DEFAULT 0,
  due_until INTEGER NOT NULL DEFAULT 0,
  owner_society_id TEXT COLLATE "C",
  visibility INTEGER NOT NULL DEFAULT 1,
  PRIMARY KEY (collection_id),
  FOREIGN KEY (owner_id) REFERENCES growers (grower_id),
  FOREIGN KEY (owner_society_id) REFERENCES societies (society_id)
);
CREATE INDEX collections_display_name ON collections (owner_id, display_name_key, collection_id);
CREATE INDEX collections_pending ON collections (collection_id) WHERE pending_us IS NOT NULL;
CREATE INDEX collections_public_display_name ON collections (visibility, display_name_key, collection_id) WHERE visibility = 3;
CREATE UNIQUE INDEX collections_owner ON collections (owner_id, collection_id);
CREATE UNIQUE INDEX collections_owner_society ON collections (owner_society_id, collection_id);
CREATE UNIQUE INDEX collections_public ON collections (visibility, collection_id) WHERE visibility = 3;

CREATE TABLE erasures (
  grower_id TEXT COLLATE "C" NOT NULL,
  code TEXT COLLATE "C" NOT NULL,
  create_us BIGINT NOT NULL,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (grower_id)
);

CREATE TABLE feedings (
  collection_id TEXT COLLATE "C" NOT NULL,
  plant_id TEXT COLLATE "C" NOT NULL,
  feeding_id TEXT COLLATE "C" NOT NULL,
  ref TEXT COLLATE "C",
  fed_us BIGINT NOT NULL,
  traps_fed INTEGER NOT NULL,
  traps_target INTEGER,
  food TEXT COLLATE "C" NOT NULL,
  thaw TEXT COLLATE "C" NOT NULL,
  item_length_mm DOUBLE PRECISION,
  stimulated INTEGER,
  outcome INTEGER NOT NULL,
  outcome_us BIGINT,
  note TEXT COLLATE "C" NOT NULL,
  feeder TEXT COLLATE "C" NOT NULL,
  traps TEXT COLLATE "C" NOT NULL,
  recorder_id TEXT COLLATE "C" NOT NULL,
  create_us BIGINT NOT NULL,
  update_us BIGINT NOT NULL,
  delete_us BIGINT,
  version BIGINT NOT NULL,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (collection_id, plant_id, feeding_id),
  FOREIGN KEY (collection_id, plant_id) REFERENCES plants (collection_id, plant_id)
);
CREATE INDEX feedings_plant_time ON feedings (collection_id, plant_id, fed_us, feeding_id);
CREATE INDEX feedings_time ON feedings (collection_id, fed_us, plant_id, feeding_id);
CREATE UNIQUE INDEX feedings_ref ON feedings (collection_id, ref, plant_id) WHERE ref IS NOT NULL;

CREATE TABLE grants (
  collection_id TEXT COLLATE "C" NOT NULL,
  grant_id TEXT COLLATE "C" NOT NULL,
  grower_id TEXT COLLATE "C",
  society_id TEXT COLLATE "C",
  role INTEGER NOT NULL,
  create_us BIGINT NOT NULL,
  update_us BIGINT NOT NULL,
  version BIGINT NOT NULL,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (collection_id, grant_id),
  FOREIGN KEY (collection_id) REFERENCES collections (collection_id),
  FOREIGN KEY (grower_id) REFERENCES growers (grower_id),
  FOREIGN KEY (society_id) REFERENCES societies (society_id)
);
CREATE UNIQUE INDEX grants_grower ON grants (grower_id, collection_id);
CREATE UNIQUE INDEX grants_society ON grants (society_id, collection_id);

CREATE TABLE growers (
  grower_id TEXT COLLATE "C" NOT NULL,
  display_name TEXT COLLATE "C" NOT NULL,
  contact TEXT COLLATE "C" NOT NULL,
  suspend_us BIGINT,
  create_us BIGINT NOT NULL,
  update_us BIGINT NOT NULL,
  version BIGINT NOT NULL,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (grower_id)
);

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

CREATE TABLE members (
  society_id TEXT COLLATE "C" NOT NULL,
  grower_id TEXT COLLATE "C" NOT NULL,
  role INTEGER NOT NULL,
  create_us BIGINT NOT NULL,
  update_us BIGINT NOT NULL,
  version BIGINT NOT NULL,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (society_id, grower_id),
  FOREIGN KEY (grower_id) REFERENCES growers (grower_id),
  FOREIGN KEY (society_id) REFERENCES societies (society_id)
);
CREATE UNIQUE INDEX members_grower ON members (grower_id, society_id);

CREATE TABLE observations (
  collection_id TEXT COLLATE "C" NOT NULL,
  plant_id TEXT COLLATE "C" NOT NULL,
  observation_id TEXT COLLATE "C" NOT NULL,
  ref TEXT COLLATE "C",
  observe_us BIGINT NOT NULL,
  kind INTEGER NOT NULL,
  note TEXT COLLATE "C" NOT NULL,
  rosette_diameter_mm DOUBLE PRECISION,
  height_mm DOUBLE PRECISION,
  trap_width_mm DOUBLE PRECISION,
  working_traps INTEGER,
  leaf_count INTEGER,
  stalk INTEGER NOT NULL,
  traps_examined INTEGER NOT NULL,
  prey_found INTEGER NOT NULL,
  quantity INTEGER NOT NULL,
  end_state INTEGER NOT NULL,
  cause TEXT COLLATE "C" NOT NULL,
  recipient TEXT COLLATE "C" NOT NULL,
  bench_id TEXT COLLATE "C",
  reason TEXT COLLATE "C" NOT NULL,
  until_date TEXT COLLATE "C",
  what TEXT COLLATE "C" NOT NULL,
  product TEXT COLLATE "C" NOT NULL,
  health TEXT COLLATE "C" NOT NULL,
  recorder_id TEXT COLLATE "C" NOT NULL,
  create_us BIGINT NOT NULL,
  update_us BIGINT NOT NULL,
  delete_us BIGINT,
  version BIGINT NOT NULL,
  stamp INTEGER NOT NULL,
  photo TEXT COLLATE "C",
  PRIMARY KEY (collection_id, plant_id, observation_id),
  FOREIGN KEY (collection_id, bench_id) REFERENCES benches (collection_id, bench_id),
  FOREIGN KEY (collection_id, plant_id) REFERENCES plants (collection_id, plant_id)
);
CREATE INDEX observations_bench ON observations (collection_id, bench_id);
CREATE INDEX observations_plant_time ON observations (collection_id, plant_id, observe_us, observation_id);
CREATE INDEX observations_time ON observations (collection_id, observe_us, plant_id, observation_id);
CREATE INDEX observations_until ON observations (collection_id, until_date, observe_us, plant_id, observation_id) WHERE until_date IS NOT NULL;
CREATE UNIQUE INDEX observations_ref ON observations (collection_id, ref, plant_id, kind) WHERE ref IS NOT NULL;

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
CREATE INDEX photos_all_taken ON photos (collection_id, taken_us, plant_id, photo_id);
CREATE INDEX photos_file ON photos (collection_id, sha256);
CREATE INDEX photos_purge ON photos (collection_id, purge_us, plant_id, photo_id) WHERE purge_us IS NOT NULL;
CREATE INDEX photos_taken ON photos (collection_id, plant_id, taken_us, photo_id);
CREATE UNIQUE INDEX photos_same ON photos (collection_id, plant_id, sha256);

CREATE TABLE plant_due (
  collection_id TEXT COLLATE "C" NOT NULL,
  plant_id TEXT COLLATE "C" NOT NULL,
  last_feed_us BIGINT,
  pending_us BIGINT,
  rosette_diameter_mm DOUBLE PRECISION,
  height_mm DOUBLE PRECISION,
  trap_width_mm DOUBLE PRECISION,
  working_traps INTEGER,
  leaf_count INTEGER,
  measure_us BIGINT,
  settings_rev BIGINT NOT NULL,
  from_day INTEGER NOT NULL DEFAULT 0,
  until_day INTEGER NOT NULL DEFAULT 0,
  class INTEGER NOT NULL DEFAULT 0,
  due_from_day INTEGER NOT NULL DEFAULT 0,
  due_last_day INTEGER NOT NULL DEFAULT 0,
  bench_walk INTEGER NOT NULL DEFAULT 0,
  plant_walk INTEGER NOT NULL DEFAULT 0,
  tag_key TEXT COLLATE "C" NOT NULL DEFAULT ''::text,
  traps INTEGER NOT NULL DEFAULT 0,
  decision BYTEA,
  record BYTEA,
  PRIMARY KEY (collection_id, plant_id),
  FOREIGN KEY (collection_id, plant_id) REFERENCES plants (collection_id, plant_id)
);
CREATE INDEX plant_due_order ON plant_due (collection_id, class, due_last_day, bench_walk, plant_walk, tag_key, plant_id, due_from_day, from_day, until_day, traps);
CREATE INDEX plant_due_pending ON plant_due (collection_id, pending_us) WHERE pending_us IS NOT NULL;

CREATE TABLE plant_tags (
  collection_id TEXT COLLATE "C" NOT NULL,
  tag_key TEXT COLLATE "C" NOT NULL,
  plant_id TEXT COLLATE "C" NOT NULL,
  tag TEXT COLLATE "C" NOT NULL,
  until_us BIGINT NOT NULL,
  PRIMARY KEY (collection_id, tag_key, plant_id),
  FOREIGN KEY (collection_id, plant_id) REFERENCES plants (collection_id, plant_id)
);
CREATE INDEX plant_tags_plant ON plant_tags (collection_id, plant_id, until_us);

CREATE TABLE plants (
  collection_id TEXT COLLATE "C" NOT NULL,
  plant_id TEXT COLLATE "C" NOT NULL,
  ref TEXT COLLATE "C",
  told TEXT COLLATE "C",
  tag TEXT COLLATE "C" NOT NULL,
  tag_key TEXT COLLATE "C" NOT NULL,
  taxon TEXT COLLATE "C" NOT NULL,
  scientific_name TEXT COLLATE "C" NOT NULL,
  scientific_name_key TEXT COLLATE "C" NOT NULL,
  genus TEXT COLLATE "C" NOT NULL,
  trap_type INTEGER NOT NULL,
  trap INTEGER NOT NULL,
  habit INTEGER NOT NULL,
  cultivar TEXT COLLATE "C" NOT NULL,
  cultivar_key TEXT COLLATE "C" NOT NULL,
  clone TEXT COLLATE "C" NOT NULL,
  clone_key TEXT COLLATE "C" NOT NULL,
  first_bench_id TEXT COLLATE "C",
  bench_id TEXT COLLATE "C",
  walk_order INTEGER NOT NULL,
  acquire_date TEXT COLLATE "C",
  source TEXT COLLATE "C" NOT NULL,
  source_key TEXT COLLATE "C" NOT NULL,
  locality TEXT COLLATE "C" NOT NULL,
  parents TEXT COLLATE "C" NOT NULL,
  propagation INTEGER NOT NULL,
  regimen TEXT COLLATE "C",
  quantity INTEGER NOT NULL,
  state INTEGER NOT NULL,
  living INTEGER NOT NULL,
  create_us BIGINT NOT NULL,
  update_us BIGINT NOT NULL,
  delete_us BIGINT,
  purge_us BIGINT,
  version BIGINT NOT NULL,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (collection_id, plant_id),
  FOREIGN KEY (collection_id) REFERENCES collections (collection_id),
  FOREIGN KEY (collection_id, bench_id) REFERENCES benches (collection_id, bench_id),
  FOREIGN KEY (collection_id, first_bench_id) REFERENCES benches (collection_id, bench_id)
);
CREATE INDEX plants_bench ON plants (collection_id, bench_id);
CREATE INDEX plants_create ON plants (collection_id, create_us, plant_id);
CREATE INDEX plants_first_bench ON plants (collection_id, first_bench_id);
CREATE INDEX plants_scientific_name ON plants (collection_id, scientific_name_key, plant_id);
CREATE INDEX plants_tag ON plants (collection_id, tag_key, plant_id);
CREATE INDEX plants_walk_order ON plants (collection_id, walk_order, plant_id);
CREATE UNIQUE INDEX plants_living_tag ON plants (collection_id, tag_key) WHERE living = 1;
CREATE UNIQUE INDEX plants_ref ON plants (collection_id, ref) WHERE ref IS NOT NULL;

CREATE TABLE requests (
  grower_id TEXT COLLATE "C" NOT NULL,
  method TEXT COLLATE "C" NOT NULL,
  request_id TEXT COLLATE "C" NOT NULL,
  digest BYTEA NOT NULL,
  names TEXT COLLATE "C" NOT NULL,
  create_us BIGINT NOT NULL,
  PRIMARY KEY (grower_id, method, request_id),
  FOREIGN KEY (grower_id) REFERENCES growers (grower_id)
);
CREATE INDEX requests_age ON requests (grower_id, create_us);

CREATE TABLE revisions (
  collection_id TEXT COLLATE "C" NOT NULL,
  kind INTEGER NOT NULL,
  plant_id TEXT COLLATE "C" NOT NULL,
  resource_id TEXT COLLATE "C" NOT NULL,
  number BIGINT NOT NULL,
  action INTEGER NOT NULL,
  create_us BIGINT NOT NULL,
  grower_id TEXT COLLATE "C" NOT NULL,
  token_id TEXT COLLATE "C" NOT NULL,
  request_id TEXT COLLATE "C",
  before TEXT COLLATE "C",
  stamp INTEGER NOT NULL,
  PRIMARY KEY (collection_id, kind, plant_id, resource_id, number),
  FOREIGN KEY (collection_id) REFERENCES collections (collection_id)
);
CREATE INDEX revisions_reassigned ON revisions (collection_id, kind, resource_id) WHERE action = 5;
CREATE INDEX revisions_request ON revisions (collection_id, request_id, grower_id) WHERE request_id IS NOT NULL;
CREATE INDEX revisions_time ON revisions (collection_id, create_us);

CREATE TABLE river_job (
  id BIGINT NOT NULL DEFAULT nextval('river_job_id_seq'::regclass),
  state RIVER_JOB_STATE NOT NULL DEFAULT 'available'::river_job_state,
  attempt SMALLINT NOT NULL DEFAULT 0,
  max_attempts SMALLINT NOT NULL DEFAULT 25,
  attempted_at TIMESTAMP WITH TIME ZONE,
  created_at TIMESTAMP WITH TIME ZONE NOT NULL DEFAULT now(),
  finalized_at TIMESTAMP WITH TIME ZONE,
  scheduled_at TIMESTAMP WITH TIME ZONE NOT NULL DEFAULT now(),
  priority SMALLINT NOT NULL DEFAULT 1,
  args JSONB NOT NULL,
  attempted_by TEXT[] COLLATE "default",
  errors JSONB[],
  kind TEXT COLLATE "default" NOT NULL,
  metadata JSONB NOT NULL DEFAULT '{}'::jsonb,
  queue TEXT COLLATE "default" NOT NULL DEFAULT 'default'::text,
  tags CHARACTER VARYING(255)[] COLLATE "default" NOT NULL DEFAULT '{}'::character varying[],
  unique_key BYTEA,
  unique_states BIT(8),
  PRIMARY KEY (id),
  FOREIGN KEY CHECK ((((finalized_at IS NULL) AND (state <> ALL (ARRAY['cancelled'::river_job_state, 'completed'::river_job_state, 'discarded'::river_job_state]))) OR ((finalized_at IS NOT NULL) AND (state = ANY (ARRAY['cancelled'::river_job_state, 'completed'::river_job_state, 'discarded'::river_job_state]))))),
  FOREIGN KEY CHECK (((char_length(kind) > 0) AND (char_length(kind) < 128))),
  FOREIGN KEY CHECK (((char_length(queue) > 0) AND (char_length(queue) < 128))),
  FOREIGN KEY CHECK (((priority >= 1) AND (priority <= 4))),
  FOREIGN KEY CHECK ((max_attempts > 0))
);
CREATE INDEX river_job_args_index ON river_job (args);
CREATE INDEX river_job_kind ON river_job (kind);
CREATE INDEX river_job_metadata_index ON river_job (metadata);
CREATE INDEX river_job_prioritized_fetching_index ON river_job (state, queue, priority, scheduled_at, id);
CREATE INDEX river_job_state_and_finalized_at_index ON river_job (state, finalized_at) WHERE finalized_at IS NOT NULL;
CREATE UNIQUE INDEX river_job_unique_idx ON river_job (unique_key) WHERE (unique_key IS NOT NULL) AND (unique_states IS NOT NULL) AND river_job_state_in_bitmask(unique_states, state);

CREATE TABLE river_leader (
  elected_at TIMESTAMP WITH TIME ZONE NOT NULL,
  expires_at TIMESTAMP WITH TIME ZONE NOT NULL,
  leader_id TEXT COLLATE "default" NOT NULL,
  name TEXT COLLATE "default" NOT NULL DEFAULT 'default'::text,
  PRIMARY KEY (name),
  FOREIGN KEY CHECK (((char_length(leader_id) > 0) AND (char_length(leader_id) < 128))),
  FOREIGN KEY CHECK ((name = 'default'::text))
);

CREATE TABLE river_migration (
  line TEXT COLLATE "default" NOT NULL,
  version BIGINT NOT NULL,
  created_at TIMESTAMP WITH TIME ZONE NOT NULL DEFAULT now(),
  PRIMARY KEY (line, version),
  FOREIGN KEY CHECK (((char_length(line) > 0) AND (char_length(line) < 128))),
  FOREIGN KEY CHECK ((version >= 1))
);

CREATE TABLE river_notification (
  id BIGINT NOT NULL DEFAULT nextval('river_notification_id_seq'::regclass),
  created_at TIMESTAMP WITH TIME ZONE NOT NULL DEFAULT now(),
  payload TEXT COLLATE "default" NOT NULL,
  topic TEXT COLLATE "default" NOT NULL,
  PRIMARY KEY (id),
  FOREIGN KEY CHECK (((length(topic) > 0) AND (length(topic) < 128)))
);
CREATE INDEX river_notification_created_at_idx ON river_notification (created_at);
CREATE INDEX river_notification_topic_id_idx ON river_notification (topic, id);

CREATE TABLE river_queue (
  name TEXT COLLATE "default" NOT NULL,
  created_at TIMESTAMP WITH TIME ZONE NOT NULL DEFAULT now(),
  metadata JSONB NOT NULL DEFAULT '{}'::jsonb,
  paused_at TIMESTAMP WITH TIME ZONE,
  updated_at TIMESTAMP WITH TIME ZONE NOT NULL DEFAULT CURRENT_TIMESTAMP,
  PRIMARY KEY (name)
);

CREATE TABLE schema_versions (
  id INTEGER NOT NULL DEFAULT d,
  version_id BIGINT NOT NULL,
  is_applied BOOLEAN NOT NULL,
  tstamp TIMESTAMP WITHOUT TIME ZONE NOT NULL DEFAULT now(),
  PRIMARY KEY (id)
);

CREATE TABLE server_keys (
  key_name TEXT COLLATE "C" NOT NULL,
  secret BYTEA NOT NULL,
  create_us BIGINT NOT NULL,
  PRIMARY KEY (key_name)
);

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

CREATE TABLE societies (
  society_id TEXT COLLATE "C" NOT NULL,
  display_name TEXT COLLATE "C" NOT NULL,
  create_us BIGINT NOT NULL,
  update_us BIGINT NOT NULL,
  version BIGINT NOT NULL,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (society_id)
);

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

CREATE TABLE society_invitations (
  society_id TEXT COLLATE "C" NOT NULL,
  invitation_id TEXT COLLATE "C" NOT NULL,
  hash BYTEA NOT NULL,
  display_name TEXT COLLATE "C" NOT NULL,
  role INTEGER NOT NULL,
  inviter_id TEXT COLLATE "C" NOT NULL,
  expire_us BIGINT NOT NULL,
  create_us BIGINT NOT NULL,
  accept_us BIGINT,
  accepter_id TEXT COLLATE "C",
  revoke_us BIGINT,
  version BIGINT NOT NULL,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (society_id, invitation_id),
  FOREIGN KEY (society_id) REFERENCES societies (society_id)
);
CREATE UNIQUE INDEX society_invitations_hash ON society_invitations (hash);

CREATE TABLE tokens (
  grower_id TEXT COLLATE "C" NOT NULL,
  token_id TEXT COLLATE "C" NOT NULL,
  hash BYTEA NOT NULL,
  display_name TEXT COLLATE "C" NOT NULL,
  scopes TEXT COLLATE "C" NOT NULL,
  expire_us BIGINT,
  last_use_us BIGINT,
  create_us BIGINT NOT NULL,
  revoke_us BIGINT,
  version BIGINT NOT NULL,
  stamp INTEGER NOT NULL,
  rotate_us BIGINT,
  old_hash BYTEA,
  old_until_us BIGINT,
  PRIMARY KEY (grower_id, token_id),
  FOREIGN KEY (grower_id) REFERENCES growers (grower_id)
);
CREATE UNIQUE INDEX tokens_hash ON tokens (hash);
CREATE UNIQUE INDEX tokens_old_hash ON tokens (old_hash);
