-- +goose Up

CREATE TABLE units (
	id     INTEGER PRIMARY KEY,
	device TEXT NOT NULL,
	serial TEXT NOT NULL,
	lot    TEXT NOT NULL,
	first  INTEGER NOT NULL,       -- when it was first seen
	UNIQUE (device, serial)
) STRICT;
CREATE INDEX units_lot ON units (lot) WHERE lot <> '';

-- What runs were made with, word for word; runs with the same share it.
CREATE TABLE snapshots (
	id   INTEGER PRIMARY KEY,
	hash BLOB NOT NULL UNIQUE,     -- SHA-256 of body
	body TEXT NOT NULL
) STRICT;

CREATE TABLE runs (
	seq             INTEGER PRIMARY KEY AUTOINCREMENT,
	id              TEXT NOT NULL UNIQUE,
	device          TEXT NOT NULL,
	device_rev      INTEGER,       -- NULL: never stored as a revision
	device_name     TEXT NOT NULL,
	procedure       TEXT NOT NULL,
	procedure_rev   INTEGER,
	procedure_name  TEXT NOT NULL,
	bench           TEXT NOT NULL,
	unit            INTEGER REFERENCES units (id),
	serial          TEXT NOT NULL,
	lot             TEXT NOT NULL,
	operator        TEXT NOT NULL,
	manual          INTEGER NOT NULL,
	rehearsal       INTEGER NOT NULL,
	note            TEXT NOT NULL,
	status          TEXT NOT NULL,
	outcome         TEXT NOT NULL,
	reason          TEXT NOT NULL,
	started         INTEGER NOT NULL,
	ended           INTEGER,
	readings        INTEGER NOT NULL DEFAULT 0,
	identity        TEXT NOT NULL,
	seated          TEXT,
	device_body     INTEGER NOT NULL REFERENCES snapshots (id),
	procedure_body  INTEGER NOT NULL REFERENCES snapshots (id),
	pin_map_body    INTEGER NOT NULL REFERENCES snapshots (id),
	bench_body      INTEGER NOT NULL REFERENCES snapshots (id),
	FOREIGN KEY (device, device_rev) REFERENCES device_revisions (key, rev),
	FOREIGN KEY (procedure, procedure_rev) REFERENCES procedure_revisions (key, rev)
) STRICT;
CREATE INDEX runs_started ON runs (started, seq);
CREATE INDEX runs_device ON runs (device, started, seq);
CREATE INDEX runs_lot ON runs (lot, started, seq) WHERE lot <> '';
CREATE INDEX runs_unit ON runs (unit, started, seq);
CREATE INDEX runs_running ON runs (status) WHERE status = 'running';
-- Deleting a run asks who else shares its snapshots.
CREATE INDEX runs_device_body ON runs (device_body);
CREATE INDEX runs_procedure_body ON runs (procedure_body);
CREATE INDEX runs_pin_map_body ON runs (pin_map_body);
CREATE INDEX runs_bench_body ON runs (bench_body);

-- The order of id is the order in which results first appeared. A value that
-- is not a number is NULL.
CREATE TABLE results (
	id          INTEGER PRIMARY KEY,
	run         INTEGER NOT NULL REFERENCES runs (seq) ON DELETE CASCADE,
	measurement INTEGER NOT NULL CHECK (measurement >= 0),
	key         TEXT NOT NULL,
	pin         INTEGER NOT NULL,
	curve       TEXT NOT NULL,
	condition   TEXT NOT NULL,
	name        TEXT NOT NULL,
	value       REAL,
	unit        TEXT NOT NULL,
	u           REAL,              -- expanded uncertainty, k = 2
	low         REAL,
	high        REAL,
	outcome     TEXT NOT NULL,
	flags       INTEGER NOT NULL,
	note        TEXT NOT NULL,
	UNIQUE (run, measurement, key, pin, curve, condition)
) STRICT;

-- Readings are packed in columns, at most 1024 to a chunk. The index row is
-- apart from the data so that a scan of it does not touch the data's pages.
CREATE TABLE chunks (
	id          INTEGER PRIMARY KEY,
	run         INTEGER NOT NULL REFERENCES runs (seq) ON DELETE CASCADE,
	measurement INTEGER NOT NULL CHECK (measurement >= 0),
	first       INTEGER NOT NULL,  -- index of its first reading in the measurement
	count       INTEGER NOT NULL,
	t_first     INTEGER NOT NULL,  -- nanoseconds since the run's start
	t_last      INTEGER NOT NULL,
	summary     BLOB NOT NULL,
	UNIQUE (run, measurement, first)
) STRICT;

CREATE TABLE chunk_data (
	chunk INTEGER PRIMARY KEY REFERENCES chunks (id) ON DELETE CASCADE,
	data  BLOB NOT NULL
) STRICT;
