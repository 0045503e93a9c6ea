-- +goose Up

-- The warnings of the check before power that whoever started a run has
-- acknowledged by name, as JSON; a run without any has no row.
CREATE TABLE acknowledged (
	run      TEXT PRIMARY KEY REFERENCES runs (id) ON DELETE CASCADE,
	findings TEXT NOT NULL
) STRICT;
