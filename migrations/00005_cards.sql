-- +goose Up

-- What whoever holds control confirmed before a bench with cards was
-- energised, as JSON; a run without any has no row.
CREATE TABLE confirmed (
	run   TEXT PRIMARY KEY REFERENCES runs (id) ON DELETE CASCADE,
	items TEXT NOT NULL
) STRICT;

-- What was said between host and cards during a run: JSON lines, compressed
-- (gzip, RFC 1952). What did not fit between the first and the last part is
-- counted alone.
CREATE TABLE traffic (
	run     TEXT PRIMARY KEY REFERENCES runs (id) ON DELETE CASCADE,
	events  BLOB NOT NULL,
	dropped INTEGER NOT NULL
) STRICT;
