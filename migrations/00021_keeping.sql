-- +goose Up

-- What was seen at a start that somebody must know of, such as a database that
-- is older than the one that was here: shown to owners until one of them has
-- taken note.
CREATE TABLE notices (
	id           INTEGER PRIMARY KEY,
	at           INTEGER NOT NULL,
	text         TEXT NOT NULL,
	acknowledged INTEGER,
	by           TEXT NOT NULL DEFAULT ''
) STRICT;

-- The backups that were made, or failed.
CREATE TABLE backups (
	id    INTEGER PRIMARY KEY,
	at    INTEGER NOT NULL,
	took  INTEGER NOT NULL,        -- nanoseconds
	path  TEXT NOT NULL,
	size  INTEGER NOT NULL,        -- bytes
	by    TEXT NOT NULL,
	error TEXT NOT NULL            -- empty: it was written and read again
) STRICT;
