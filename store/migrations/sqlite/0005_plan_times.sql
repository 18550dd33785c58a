-- +goose Up

-- Treatments by the day on which they end, for the plan of a day.
CREATE INDEX observations_until ON observations (collection_id, until_date, observe_us, plant_id, observation_id) WHERE until_date IS NOT NULL;

-- When a collection was last changed, for calendars.
CREATE INDEX revisions_time ON revisions (collection_id, create_us);
