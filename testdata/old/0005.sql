-- What programs of schema 5 left: collections of two growers, one of them deleted, and a
-- row of what refers to them.
INSERT INTO growers (grower_id, display_name, contact, create_us, update_us, version, stamp)
VALUES ('grower-a', 'A', 'by post', 1772323200000000, 1772323200000000, 1, 5),
       ('grower-b', 'B', '', 1772323200000000, 1772323200000001, 2, 5);
INSERT INTO collections (collection_id, owner_id, display_name, display_name_key, time_zone, latitude_deg, hemisphere, feeding_weekdays, absences, regimens, create_us, update_us, delete_us, purge_us, settings_rev, pending_us, version, stamp, due_rev, due_version, due_day, due_until)
VALUES ('c1', 'grower-a', 'Old shed', 'old shed', 'Europe/Berlin', NULL, 0, 130, '{"absences":[{"fromDate":"2026-07-04","untilDate":"2026-07-19"}]}', '{}', 1772323200000000, 1772323200000000, NULL, NULL, 3, NULL, 1, 5, 3, 'v', 20500, 20540),
       ('c2', 'grower-a', 'Owner_id TEXT NOT NULL', 'owner_id text not null', 'UTC', -42, 2, 0, '{}', '{}', 1772323200000001, 1772323200000002, 1772323200000002, 1774915200000002, 1, 1772409600000000, 2, 1, 1, '', 0, 0),
       ('c3', 'grower-b', 'Größe', 'grösse', 'UTC', NULL, 1, 0, '{}', '{}', 1772323200000003, 1772323200000003, NULL, NULL, 1, NULL, 1, 5, 1, '', 0, 2147483647);
INSERT INTO benches (collection_id, bench_id, display_name, display_name_key, exposure, walk_order, create_us, update_us, version, stamp)
VALUES ('c1', 'b1', 'Sill', 'sill', 3, 2147483647, 1772323200000000, 1772323200000000, 1, 5);
INSERT INTO plants (collection_id, plant_id, tag, tag_key, taxon, scientific_name, scientific_name_key, genus, trap_type, trap, habit, cultivar, cultivar_key, clone, clone_key, first_bench_id, bench_id, walk_order, acquire_date, source, source_key, locality, parents, propagation, quantity, state, living, create_us, update_us, version, stamp)
VALUES ('c1', 'p1', 'D1', 'd1', 'taxa/drosera-capensis', 'Drosera capensis', 'drosera capensis', 'Drosera', 0, 1, 0, '', '', '', '', 'b1', 'b1', 5, '2026-01-01', '', '', '', 'null', 0, 1, 1, 1, 1772323200000000, 1772323200000000, 1, 5);
INSERT INTO feedings (collection_id, plant_id, feeding_id, fed_us, traps_fed, traps_target, food, thaw, outcome, note, feeder, traps, recorder_id, create_us, update_us, version, stamp)
VALUES ('c1', 'p1', 'f1', 1777629600000000, 4, 4, '', '', 0, 'ate well', '', '{}', 'grower-a', 1777629600000000, 1777629600000000, 1, 5);
INSERT INTO plant_due (collection_id, plant_id, last_feed_us, settings_rev, from_day, until_day, class, due_from_day, due_last_day, tag_key, traps)
VALUES ('c1', 'p1', 1777629600000000, 3, 20500, 20540, 1, 20580, 20583, 'd1', 4);
INSERT INTO sheets (collection_id, sheet_number, as_of_date, row_count, plan, create_us, expire_us, stamp)
VALUES ('c1', 1, '2026-05-01', 0, '{}', 1777629600000000, 1785405600000000, 5);
INSERT INTO calendars (grower_id, calendar_id, collection_id, hash, display_name, create_us, version, stamp)
VALUES ('grower-a', 'cal', 'c1', 'hash', 'Telephone', 1777629600000000, 1, 5);
INSERT INTO revisions (collection_id, kind, plant_id, resource_id, number, action, create_us, grower_id, token_id, stamp)
VALUES ('c1', 1, '', 'c1', 1, 1, 1772323200000000, 'grower-a', 't', 5);
