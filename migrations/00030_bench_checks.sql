-- +goose Up

-- Checks of a bench by itself (server/check): one row for each, written anew when
-- a step is done. At is the end of its newest step: what was measured before it
-- and after it is told by that time.
CREATE TABLE bench_checks (
	id      TEXT PRIMARY KEY,
	bench   TEXT NOT NULL,
	began   INTEGER NOT NULL, -- Unix nanoseconds, as all times
	at      INTEGER NOT NULL,
	ended   INTEGER,          -- NULL while steps may follow
	by      TEXT NOT NULL,
	verdict TEXT NOT NULL,
	body    TEXT NOT NULL,    -- JSON of check.Record
	seal    INTEGER
) STRICT;
CREATE INDEX bench_checks_of_bench ON bench_checks (bench, at);
