-- +goose Up

-- The newest readings of runs at work, which do not fill a chunk yet. A row is a
-- page of a log, of always the same size, and is written over once chunks hold
-- all that is in it: a commit touches one page of the file and makes none.
CREATE TABLE tail (
	slot  INTEGER PRIMARY KEY,
	run   INTEGER NOT NULL REFERENCES runs (seq) ON DELETE CASCADE,
	total INTEGER NOT NULL,        -- readings of the run when the row was written
	page  BLOB NOT NULL
) STRICT;
CREATE INDEX tail_run ON tail (run);
