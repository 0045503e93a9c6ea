-- +goose Up

-- The picture of a long measurement: what its plot shows, gathered once and
-- written as the program's own bytes, so that no page has to go through all
-- readings again. It can be made anew from the readings at any time. Short
-- measurements have none.
CREATE TABLE pictures (
	run         INTEGER NOT NULL REFERENCES runs (seq) ON DELETE CASCADE,
	measurement INTEGER NOT NULL CHECK (measurement >= 0),
	readings    INTEGER NOT NULL,  -- how many of the measurement it is made of, from the first on
	picture     BLOB NOT NULL,
	PRIMARY KEY (run, measurement)
) STRICT;
