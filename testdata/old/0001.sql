-- A grower's database as programs of schema 1 left it: two plants on two benches, one
-- bench without a walk order; one plant was measured and fed, one never.
INSERT INTO growers (grower_id, display_name, contact, create_us, update_us, version, stamp)
VALUES ('grower-a', 'A', '', 1772323200000000, 1772323200000000, 1, 1);
INSERT INTO collections (collection_id, owner_id, display_name, display_name_key, time_zone, latitude_deg, hemisphere, feeding_weekdays, absences, regimens, create_us, update_us, settings_rev, version, stamp)
VALUES ('c1', 'grower-a', 'Old shed', 'old shed', 'Europe/Berlin', NULL, 0, 0, '{}', '{}', 1772323200000000, 1772323200000000, 3, 1, 1);
INSERT INTO benches (collection_id, bench_id, display_name, display_name_key, exposure, walk_order, create_us, update_us, version, stamp)
VALUES ('c1', 'b1', 'Sill', 'sill', 3, 2147483647, 1772323200000000, 1772323200000000, 1, 1),
       ('c1', 'b2', 'Shelf', 'shelf', 2, 1, 1772323200000000, 1772323200000000, 1, 1);
INSERT INTO plants (collection_id, plant_id, tag, tag_key, taxon, scientific_name, scientific_name_key, genus, trap_type, trap, habit, cultivar, cultivar_key, clone, clone_key, first_bench_id, bench_id, walk_order, acquire_date, source, source_key, locality, parents, propagation, quantity, state, living, create_us, update_us, version, stamp)
VALUES ('c1', 'p1', 'D1', 'd1', 'taxa/drosera-capensis', 'Drosera capensis', 'drosera capensis', 'Drosera', 0, 1, 0, '', '', '', '', 'b2', 'b1', 5, '2026-01-01', '', '', '', 'null', 0, 1, 1, 1, 1772323200000000, 1772323200000000, 1, 1),
       ('c1', 'p2', 'D2', 'd2', 'taxa/drosera-capensis', 'Drosera capensis', 'drosera capensis', 'Drosera', 0, 1, 0, '', '', '', '', 'b2', 'b2', 2147483647, '2026-01-01', '', '', '', 'null', 0, 1, 1, 1, 1772323200000000, 1772323200000000, 1, 1);
INSERT INTO feedings (collection_id, plant_id, feeding_id, fed_us, traps_fed, traps_target, food, thaw, outcome, note, feeder, traps, recorder_id, create_us, update_us, version, stamp)
VALUES ('c1', 'p1', 'f1', 1777629600000000, 4, 4, '', '', 0, '', '', '{}', 'grower-a', 1777629600000000, 1777629600000000, 1, 1);
INSERT INTO observations (collection_id, plant_id, observation_id, observe_us, kind, note, rosette_diameter_mm, stalk, traps_examined, prey_found, quantity, end_state, cause, recipient, bench_id, reason, what, product, health, recorder_id, create_us, update_us, version, stamp)
VALUES ('c1', 'p1', 'o1', 1775556000000000, 1, '', 91.5, 0, 0, 0, 0, 0, '', '', NULL, '', '', '', '', 'grower-a', 1775556000000000, 1775556000000000, 1, 1),
       ('c1', 'p1', 'o2', 1775642400000000, 6, '', NULL, 0, 0, 0, 0, 0, '', '', 'b1', '', '', '', '', 'grower-a', 1775642400000000, 1775642400000000, 1, 1);
INSERT INTO plant_due (collection_id, plant_id, last_feed_us, rosette_diameter_mm, measure_us, as_of_date, settings_rev, catalogue_version, decision)
VALUES ('c1', 'p1', 1777629600000000, 91.5, 1775556000000000, '2026-05-01', 3, 'old', '{"status":"NOT_DUE"}'),
       ('c1', 'p2', NULL, NULL, NULL, '2026-05-01', 2, 'old', '{"status":"DUE"}');
