-- +goose Up

-- Corrections of benches (bench.Corrections): one row for each time that somebody
-- took some over, put older ones back or took them off. The newest of a bench is in
-- use where the bench is still built as it says and has the serial number. None is
-- ever changed.
CREATE TABLE corrections (
	bench    TEXT NOT NULL,
	revision INTEGER NOT NULL, -- from 1 for each bench
	at       INTEGER NOT NULL, -- Unix nanoseconds, as all times
	by       TEXT NOT NULL,
	why      TEXT NOT NULL,
	built    TEXT NOT NULL,    -- bench.Definition.Built
	serial   TEXT NOT NULL,    -- what the bench said of itself
	body     TEXT NOT NULL,    -- JSON of bench.Corrections; 'null': none are in use
	seal     INTEGER,
	PRIMARY KEY (bench, revision)
) STRICT;
