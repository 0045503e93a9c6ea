-- +goose Up

-- "Ohmk": says whose file this is.
PRAGMA application_id = 1332243819;

-- Devices, benches, procedures and pin maps are documents: a head with the
-- latest revision and what lists sort by, and every revision's body as JSON.
-- Revisions are never deleted, so that a run can always point at its own.
-- All times are Unix nanoseconds.

CREATE TABLE devices (
	key     TEXT PRIMARY KEY,
	name    TEXT NOT NULL,
	rev     INTEGER NOT NULL,
	removed INTEGER                -- when it was removed; NULL while in use
) STRICT;

CREATE TABLE device_revisions (
	key  TEXT NOT NULL REFERENCES devices (key),
	rev  INTEGER NOT NULL,
	at   INTEGER NOT NULL,
	by   TEXT NOT NULL,
	body TEXT NOT NULL,
	PRIMARY KEY (key, rev)
) STRICT;

CREATE TABLE benches (
	key     TEXT PRIMARY KEY,
	name    TEXT NOT NULL,
	rev     INTEGER NOT NULL,
	removed INTEGER
) STRICT;

CREATE TABLE bench_revisions (
	key  TEXT NOT NULL REFERENCES benches (key),
	rev  INTEGER NOT NULL,
	at   INTEGER NOT NULL,
	by   TEXT NOT NULL,
	body TEXT NOT NULL,
	PRIMARY KEY (key, rev)
) STRICT;

CREATE TABLE procedures (
	key     TEXT PRIMARY KEY,
	name    TEXT NOT NULL,
	device  TEXT NOT NULL REFERENCES devices (key),
	rev     INTEGER NOT NULL,
	removed INTEGER
) STRICT;
CREATE INDEX procedures_device ON procedures (device);

CREATE TABLE procedure_revisions (
	key  TEXT NOT NULL REFERENCES procedures (key),
	rev  INTEGER NOT NULL,
	at   INTEGER NOT NULL,
	by   TEXT NOT NULL,
	body TEXT NOT NULL,
	PRIMARY KEY (key, rev)
) STRICT;

CREATE TABLE pin_maps (
	key     TEXT PRIMARY KEY,      -- device/bench
	name    TEXT NOT NULL,
	device  TEXT NOT NULL REFERENCES devices (key),
	bench   TEXT NOT NULL REFERENCES benches (key),
	rev     INTEGER NOT NULL,
	removed INTEGER,
	UNIQUE (device, bench)
) STRICT;

CREATE TABLE pin_map_revisions (
	key  TEXT NOT NULL REFERENCES pin_maps (key),
	rev  INTEGER NOT NULL,
	at   INTEGER NOT NULL,
	by   TEXT NOT NULL,
	body TEXT NOT NULL,
	PRIMARY KEY (key, rev)
) STRICT;

-- What sits in the socket of a rehearsal bench.
CREATE TABLE seatings (
	bench TEXT PRIMARY KEY,
	at    INTEGER NOT NULL,
	by    TEXT NOT NULL,
	body  TEXT NOT NULL
) STRICT;
