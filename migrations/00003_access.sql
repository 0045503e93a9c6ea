-- +goose Up

-- Secrets are random, 256 bits; only their SHA-256 is kept.

CREATE TABLE start_keys (
	hash    BLOB PRIMARY KEY,
	created INTEGER NOT NULL,
	used    INTEGER
) STRICT, WITHOUT ROWID;

CREATE TABLE sessions (
	hash    BLOB PRIMARY KEY,
	role    TEXT NOT NULL,
	name    TEXT NOT NULL,
	created INTEGER NOT NULL,
	expires INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
CREATE INDEX sessions_expires ON sessions (expires);

CREATE TABLE tokens (
	id      INTEGER PRIMARY KEY,
	hash    BLOB NOT NULL UNIQUE,
	role    TEXT NOT NULL,
	name    TEXT NOT NULL,
	created INTEGER NOT NULL,
	revoked INTEGER
) STRICT;

CREATE TABLE shares (
	id      INTEGER PRIMARY KEY,
	hash    BLOB NOT NULL UNIQUE,
	run     INTEGER NOT NULL REFERENCES runs (seq) ON DELETE CASCADE,
	by      TEXT NOT NULL,
	created INTEGER NOT NULL,
	expires INTEGER,
	revoked INTEGER
) STRICT;
CREATE INDEX shares_run ON shares (run);

CREATE TABLE events (
	id      INTEGER PRIMARY KEY AUTOINCREMENT,
	at      INTEGER NOT NULL,
	by      TEXT NOT NULL,
	action  TEXT NOT NULL,
	subject TEXT NOT NULL,
	detail  TEXT NOT NULL
) STRICT;
