-- What the migrations make, as the database tells it. Written by go test ./store -run TestSchema -update.

CREATE TABLE benches (
  collection_id TEXT NOT NULL,
  bench_id TEXT NOT NULL,
  display_name TEXT NOT NULL,
  display_name_key TEXT NOT NULL,
  exposure INTEGER NOT NULL,
  lamp_hours REAL,
  walk_order INTEGER NOT NULL,
  regimen TEXT,
  create_us INTEGER NOT NULL,
  update_us INTEGER NOT NULL,
  delete_us INTEGER,
  purge_us INTEGER,
  version INTEGER NOT NULL,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (collection_id, bench_id),
  FOREIGN KEY (collection_id) REFERENCES collections (collection_id)
);
CREATE INDEX benches_display_name ON benches (collection_id, display_name_key, bench_id);
CREATE INDEX benches_walk_order ON benches (collection_id, walk_order, bench_id);

CREATE TABLE calendars (
  grower_id TEXT NOT NULL,
  calendar_id TEXT NOT NULL,
  collection_id TEXT,
  hash BLOB NOT NULL,
  display_name TEXT NOT NULL,
  last_use_us INTEGER,
  create_us INTEGER NOT NULL,
  revoke_us INTEGER,
  version INTEGER NOT NULL,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (grower_id, calendar_id),
  FOREIGN KEY (collection_id) REFERENCES collections (collection_id),
  FOREIGN KEY (grower_id) REFERENCES growers (grower_id)
);
CREATE INDEX calendars_collection ON calendars (collection_id);
CREATE UNIQUE INDEX calendars_hash ON calendars (hash);

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

CREATE TABLE collections (
  collection_id TEXT NOT NULL,
  owner_id TEXT,
  display_name TEXT NOT NULL,
  display_name_key TEXT NOT NULL,
  time_zone TEXT NOT NULL,
  latitude_deg INTEGER,
  hemisphere INTEGER NOT NULL,
  feeding_weekdays INTEGER NOT NULL,
  absences TEXT NOT NULL,
  regimens TEXT NOT NULL,
  create_us INTEGER NOT NULL,
  update_us INTEGER NOT NULL,
  delete_us INTEGER,
  purge_us INTEGER,
  settings_rev INTEGER NOT NULL,
  pending_us INTEGER,
  version INTEGER NOT NULL,
  stamp INTEGER NOT NULL,
  due_rev INTEGER NOT NULL DEFAULT 0,
  due_version TEXT NOT NULL DEFAULT '',
  due_day INTEGER NOT NULL DEFAULT 0,
  due_until INTEGER NOT NULL DEFAULT 0,
  owner_society_id TEXT,
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
  grower_id TEXT NOT NULL,
  code TEXT NOT NULL,
  create_us INTEGER NOT NULL,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (grower_id)
);

CREATE TABLE feedings (
  collection_id TEXT NOT NULL,
  plant_id TEXT NOT NULL,
  feeding_id TEXT NOT NULL,
  ref TEXT,
  fed_us INTEGER NOT NULL,
  traps_fed INTEGER NOT NULL,
  traps_target INTEGER,
  food TEXT NOT NULL,
  thaw TEXT NOT NULL,
  item_length_mm REAL,
  stimulated INTEGER,
  outcome INTEGER NOT NULL,
  outcome_us INTEGER,
  note TEXT NOT NULL,
  feeder TEXT NOT NULL,
  traps TEXT NOT NULL,
  recorder_id TEXT NOT NULL,
  create_us INTEGER NOT NULL,
  update_us INTEGER NOT NULL,
  delete_us INTEGER,
  version INTEGER NOT NULL,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (collection_id, plant_id, feeding_id),
  FOREIGN KEY (collection_id, plant_id) REFERENCES plants (collection_id, plant_id)
);
CREATE INDEX feedings_plant_time ON feedings (collection_id, plant_id, fed_us, feeding_id);
CREATE INDEX feedings_time ON feedings (collection_id, fed_us, plant_id, feeding_id);
CREATE UNIQUE INDEX feedings_ref ON feedings (collection_id, ref, plant_id) WHERE ref IS NOT NULL;

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

CREATE TABLE growers (
  grower_id TEXT NOT NULL,
  display_name TEXT NOT NULL,
  contact TEXT NOT NULL,
  suspend_us INTEGER,
  create_us INTEGER NOT NULL,
  update_us INTEGER NOT NULL,
  version INTEGER NOT NULL,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (grower_id)
);

CREATE TABLE identities (
  grower_id TEXT NOT NULL,
  identity_id TEXT NOT NULL,
  issuer TEXT NOT NULL,
  subject TEXT NOT NULL,
  last_use_us INTEGER,
  create_us INTEGER NOT NULL,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (grower_id, identity_id),
  FOREIGN KEY (grower_id) REFERENCES growers (grower_id)
);
CREATE UNIQUE INDEX identities_subject ON identities (issuer, subject);

CREATE TABLE members (
  society_id TEXT NOT NULL,
  grower_id TEXT NOT NULL,
  role INTEGER NOT NULL,
  create_us INTEGER NOT NULL,
  update_us INTEGER NOT NULL,
  version INTEGER NOT NULL,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (society_id, grower_id),
  FOREIGN KEY (grower_id) REFERENCES growers (grower_id),
  FOREIGN KEY (society_id) REFERENCES societies (society_id)
);
CREATE UNIQUE INDEX members_grower ON members (grower_id, society_id);

CREATE TABLE observations (
  collection_id TEXT NOT NULL,
  plant_id TEXT NOT NULL,
  observation_id TEXT NOT NULL,
  ref TEXT,
  observe_us INTEGER NOT NULL,
  kind INTEGER NOT NULL,
  note TEXT NOT NULL,
  rosette_diameter_mm REAL,
  height_mm REAL,
  trap_width_mm REAL,
  working_traps INTEGER,
  leaf_count INTEGER,
  stalk INTEGER NOT NULL,
  traps_examined INTEGER NOT NULL,
  prey_found INTEGER NOT NULL,
  quantity INTEGER NOT NULL,
  end_state INTEGER NOT NULL,
  cause TEXT NOT NULL,
  recipient TEXT NOT NULL,
  bench_id TEXT,
  reason TEXT NOT NULL,
  until_date TEXT,
  what TEXT NOT NULL,
  product TEXT NOT NULL,
  health TEXT NOT NULL,
  recorder_id TEXT NOT NULL,
  create_us INTEGER NOT NULL,
  update_us INTEGER NOT NULL,
  delete_us INTEGER,
  version INTEGER NOT NULL,
  stamp INTEGER NOT NULL,
  photo TEXT,
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
CREATE INDEX photos_all_taken ON photos (collection_id, taken_us, plant_id, photo_id);
CREATE INDEX photos_file ON photos (collection_id, sha256);
CREATE INDEX photos_purge ON photos (collection_id, purge_us, plant_id, photo_id) WHERE purge_us IS NOT NULL;
CREATE INDEX photos_taken ON photos (collection_id, plant_id, taken_us, photo_id);
CREATE UNIQUE INDEX photos_same ON photos (collection_id, plant_id, sha256);

CREATE TABLE plant_due (
  collection_id TEXT NOT NULL,
  plant_id TEXT NOT NULL,
  last_feed_us INTEGER,
  pending_us INTEGER,
  rosette_diameter_mm REAL,
  height_mm REAL,
  trap_width_mm REAL,
  working_traps INTEGER,
  leaf_count INTEGER,
  measure_us INTEGER,
  settings_rev INTEGER NOT NULL,
  from_day INTEGER NOT NULL DEFAULT 0,
  until_day INTEGER NOT NULL DEFAULT 0,
  class INTEGER NOT NULL DEFAULT 0,
  due_from_day INTEGER NOT NULL DEFAULT 0,
  due_last_day INTEGER NOT NULL DEFAULT 0,
  bench_walk INTEGER NOT NULL DEFAULT 0,
  plant_walk INTEGER NOT NULL DEFAULT 0,
  tag_key TEXT NOT NULL DEFAULT '',
  traps INTEGER NOT NULL DEFAULT 0,
  decision BLOB,
  record BLOB,
  PRIMARY KEY (collection_id, plant_id),
  FOREIGN KEY (collection_id, plant_id) REFERENCES plants (collection_id, plant_id)
);
CREATE INDEX plant_due_order ON plant_due (collection_id, class, due_last_day, bench_walk, plant_walk, tag_key, plant_id, due_from_day, from_day, until_day, traps);
CREATE INDEX plant_due_pending ON plant_due (collection_id, pending_us) WHERE pending_us IS NOT NULL;

CREATE TABLE plant_tags (
  collection_id TEXT NOT NULL,
  tag_key TEXT NOT NULL,
  plant_id TEXT NOT NULL,
  tag TEXT NOT NULL,
  until_us INTEGER NOT NULL,
  PRIMARY KEY (collection_id, tag_key, plant_id),
  FOREIGN KEY (collection_id, plant_id) REFERENCES plants (collection_id, plant_id)
);
CREATE INDEX plant_tags_plant ON plant_tags (collection_id, plant_id, until_us);

CREATE TABLE plants (
  collection_id TEXT NOT NULL,
  plant_id TEXT NOT NULL,
  ref TEXT,
  told TEXT,
  tag TEXT NOT NULL,
  tag_key TEXT NOT NULL,
  taxon TEXT NOT NULL,
  scientific_name TEXT NOT NULL,
  scientific_name_key TEXT NOT NULL,
  genus TEXT NOT NULL,
  trap_type INTEGER NOT NULL,
  trap INTEGER NOT NULL,
  habit INTEGER NOT NULL,
  cultivar TEXT NOT NULL,
  cultivar_key TEXT NOT NULL,
  clone TEXT NOT NULL,
  clone_key TEXT NOT NULL,
  first_bench_id TEXT,
  bench_id TEXT,
  walk_order INTEGER NOT NULL,
  acquire_date TEXT,
  source TEXT NOT NULL,
  source_key TEXT NOT NULL,
  locality TEXT NOT NULL,
  parents TEXT NOT NULL,
  propagation INTEGER NOT NULL,
  regimen TEXT,
  quantity INTEGER NOT NULL,
  state INTEGER NOT NULL,
  living INTEGER NOT NULL,
  create_us INTEGER NOT NULL,
  update_us INTEGER NOT NULL,
  delete_us INTEGER,
  purge_us INTEGER,
  version INTEGER NOT NULL,
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
  grower_id TEXT NOT NULL,
  method TEXT NOT NULL,
  request_id TEXT NOT NULL,
  digest BLOB NOT NULL,
  names TEXT NOT NULL,
  create_us INTEGER NOT NULL,
  PRIMARY KEY (grower_id, method, request_id),
  FOREIGN KEY (grower_id) REFERENCES growers (grower_id)
);
CREATE INDEX requests_age ON requests (grower_id, create_us);

CREATE TABLE revisions (
  collection_id TEXT NOT NULL,
  kind INTEGER NOT NULL,
  plant_id TEXT NOT NULL,
  resource_id TEXT NOT NULL,
  number INTEGER NOT NULL,
  action INTEGER NOT NULL,
  create_us INTEGER NOT NULL,
  grower_id TEXT NOT NULL,
  token_id TEXT NOT NULL,
  request_id TEXT,
  before TEXT,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (collection_id, kind, plant_id, resource_id, number),
  FOREIGN KEY (collection_id) REFERENCES collections (collection_id)
);
CREATE INDEX revisions_reassigned ON revisions (collection_id, kind, resource_id) WHERE action = 5;
CREATE INDEX revisions_request ON revisions (collection_id, request_id, grower_id) WHERE request_id IS NOT NULL;
CREATE INDEX revisions_time ON revisions (collection_id, create_us);

CREATE TABLE river_job (
  id INTEGER,
  args BLOB NOT NULL DEFAULT jsonb('{}'),
  attempt INTEGER NOT NULL DEFAULT 0,
  attempted_at timestamp,
  attempted_by BLOB,
  created_at timestamp NOT NULL DEFAULT CURRENT_TIMESTAMP,
  errors BLOB,
  finalized_at timestamp,
  kind TEXT NOT NULL,
  max_attempts INTEGER NOT NULL DEFAULT 25,
  metadata BLOB NOT NULL DEFAULT jsonb('{}'),
  priority INTEGER NOT NULL DEFAULT 1,
  queue TEXT NOT NULL DEFAULT 'default',
  state TEXT NOT NULL DEFAULT 'available',
  scheduled_at timestamp NOT NULL DEFAULT CURRENT_TIMESTAMP,
  tags BLOB NOT NULL DEFAULT jsonb('[]'),
  unique_key BLOB,
  unique_states INTEGER,
  PRIMARY KEY (id)
);
CREATE INDEX river_job_kind ON river_job (kind);
CREATE INDEX river_job_prioritized_fetching_index ON river_job (state, queue, priority, scheduled_at, id);
CREATE INDEX river_job_state_and_finalized_at_index ON river_job (state, finalized_at) WHERE finalized_at IS NOT NULL;
CREATE UNIQUE INDEX river_job_unique_idx ON river_job (unique_key) WHERE unique_key IS NOT NULL
        AND unique_states IS NOT NULL
        AND CASE state
            WHEN 'available' THEN unique_states & (1 << 0)
            WHEN 'cancelled' THEN unique_states & (1 << 1)
            WHEN 'completed' THEN unique_states & (1 << 2)
            WHEN 'discarded' THEN unique_states & (1 << 3)
            WHEN 'pending'   THEN unique_states & (1 << 4)
            WHEN 'retryable' THEN unique_states & (1 << 5)
            WHEN 'running'   THEN unique_states & (1 << 6)
            WHEN 'scheduled' THEN unique_states & (1 << 7)
            ELSE 0
        END >= 1;

CREATE TABLE river_leader (
  elected_at timestamp NOT NULL,
  expires_at timestamp NOT NULL,
  leader_id TEXT NOT NULL,
  name TEXT NOT NULL DEFAULT 'default',
  PRIMARY KEY (name)
);

CREATE TABLE river_migration (
  line TEXT NOT NULL,
  version INTEGER NOT NULL,
  created_at timestamp NOT NULL DEFAULT CURRENT_TIMESTAMP,
  PRIMARY KEY (line, version)
);

CREATE TABLE river_notification (
  id INTEGER,
  created_at timestamp NOT NULL DEFAULT datetime('now', 'subsec'),
  payload TEXT NOT NULL,
  topic TEXT NOT NULL,
  PRIMARY KEY (id)
);
CREATE INDEX river_notification_created_at_idx ON river_notification (created_at);
CREATE INDEX river_notification_topic_id_idx ON river_notification (topic, id);

CREATE TABLE river_queue (
  name TEXT NOT NULL,
  created_at timestamp NOT NULL DEFAULT CURRENT_TIMESTAMP,
  metadata BLOB NOT NULL DEFAULT jsonb('{}'),
  paused_at timestamp,
  updated_at timestamp NOT NULL DEFAULT CURRENT_TIMESTAMP,
  PRIMARY KEY (name)
);

CREATE TABLE schema_versions (
  id INTEGER,
  version_id INTEGER NOT NULL,
  is_applied INTEGER NOT NULL,
  tstamp TIMESTAMP DEFAULT datetime('now'),
  PRIMARY KEY (id)
);

CREATE TABLE server_keys (
  key_name TEXT NOT NULL,
  secret BLOB NOT NULL,
  create_us INTEGER NOT NULL,
  PRIMARY KEY (key_name)
);

CREATE TABLE sheets (
  collection_id TEXT NOT NULL,
  sheet_number INTEGER NOT NULL,
  as_of_date TEXT NOT NULL,
  row_count INTEGER NOT NULL,
  plan TEXT NOT NULL,
  create_us INTEGER NOT NULL,
  expire_us INTEGER NOT NULL,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (collection_id, sheet_number),
  FOREIGN KEY (collection_id) REFERENCES collections (collection_id)
);

CREATE TABLE societies (
  society_id TEXT NOT NULL,
  display_name TEXT NOT NULL,
  create_us INTEGER NOT NULL,
  update_us INTEGER NOT NULL,
  version INTEGER NOT NULL,
  stamp INTEGER NOT NULL,
  PRIMARY KEY (society_id)
);

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

CREATE TABLE tokens (
  grower_id TEXT NOT NULL,
  token_id TEXT NOT NULL,
  hash BLOB NOT NULL,
  display_name TEXT NOT NULL,
  scopes TEXT NOT NULL,
  expire_us INTEGER,
  last_use_us INTEGER,
  create_us INTEGER NOT NULL,
  revoke_us INTEGER,
  version INTEGER NOT NULL,
  stamp INTEGER NOT NULL,
  rotate_us INTEGER,
  old_hash BLOB,
  old_until_us INTEGER,
  PRIMARY KEY (grower_id, token_id),
  FOREIGN KEY (grower_id) REFERENCES growers (grower_id)
);
CREATE UNIQUE INDEX tokens_hash ON tokens (hash);
CREATE UNIQUE INDEX tokens_old_hash ON tokens (old_hash);
