-- +goose Up

-- Persons, and all that gives access in their name. Before, a session and a
-- token had a name and a role of their own; each name becomes a person with the
-- highest role that it had, and a token keeps its own role as its scope.
CREATE TABLE persons (
	id        INTEGER PRIMARY KEY AUTOINCREMENT,
	name      TEXT NOT NULL,
	role      TEXT NOT NULL CHECK (role IN ('viewer', 'operator', 'owner')),
	by        TEXT NOT NULL,
	created   INTEGER NOT NULL,
	suspended INTEGER,
	removed   INTEGER
) STRICT;
CREATE UNIQUE INDEX persons_name ON persons (name) WHERE removed IS NULL;

INSERT INTO persons (name, role, by, created)
	SELECT name, CASE max(CASE role WHEN 'owner' THEN 3 WHEN 'operator' THEN 2 ELSE 1 END) WHEN 3 THEN 'owner' WHEN 2 THEN 'operator' ELSE 'viewer' END,
		'an earlier version', min(created)
	FROM (SELECT name, role, created FROM sessions UNION ALL SELECT name, role, created FROM tokens WHERE revoked IS NULL)
	GROUP BY name ORDER BY min(created);
-- Of names that had revoked tokens alone.
INSERT INTO persons (name, role, by, created, removed)
	SELECT name, 'viewer', 'an earlier version', min(created), max(revoked) FROM tokens
	WHERE name NOT IN (SELECT name FROM persons) GROUP BY name;

ALTER TABLE sessions RENAME TO old_sessions;
DROP INDEX sessions_expires;
CREATE TABLE sessions (
	id      INTEGER PRIMARY KEY AUTOINCREMENT,
	hash    BLOB NOT NULL UNIQUE,
	person  INTEGER NOT NULL REFERENCES persons (id),
	browser TEXT NOT NULL,
	created INTEGER NOT NULL,
	expires INTEGER NOT NULL,
	used    INTEGER NOT NULL
) STRICT;
CREATE INDEX sessions_person ON sessions (person);
CREATE INDEX sessions_expires ON sessions (expires);
INSERT INTO sessions (hash, person, browser, created, expires, used)
	SELECT hash, persons.id, '', old_sessions.created, expires, old_sessions.created FROM old_sessions JOIN persons USING (name) WHERE removed IS NULL
	ORDER BY old_sessions.created;
DROP TABLE old_sessions;

ALTER TABLE tokens RENAME TO old_tokens;
CREATE TABLE tokens (
	id      INTEGER PRIMARY KEY AUTOINCREMENT,
	hash    BLOB NOT NULL UNIQUE,
	person  INTEGER NOT NULL REFERENCES persons (id),
	role    TEXT NOT NULL CHECK (role IN ('viewer', 'operator', 'owner')),
	name    TEXT NOT NULL,
	by      TEXT NOT NULL,
	created INTEGER NOT NULL,
	expires INTEGER,
	used    INTEGER,
	revoked INTEGER
) STRICT;
CREATE INDEX tokens_person ON tokens (person);
INSERT INTO tokens (id, hash, person, role, name, by, created, revoked)
	SELECT old_tokens.id, hash, persons.id, old_tokens.role, name, '', old_tokens.created, revoked FROM old_tokens JOIN persons USING (name)
	ORDER BY old_tokens.id;
DROP TABLE old_tokens;

-- A key that signs a browser in: of a person who is known, or of whoever comes.
CREATE TABLE invitations (
	id      INTEGER PRIMARY KEY AUTOINCREMENT,
	hash    BLOB NOT NULL UNIQUE,
	kind    TEXT NOT NULL CHECK (kind IN ('start', 'host', 'invitation', 'browser')),
	person  INTEGER REFERENCES persons (id),
	role    TEXT NOT NULL CHECK (role IN ('viewer', 'operator', 'owner')),
	maker   INTEGER REFERENCES persons (id),
	by      TEXT NOT NULL,
	created INTEGER NOT NULL,
	expires INTEGER NOT NULL,
	uses    INTEGER NOT NULL,
	used    INTEGER NOT NULL DEFAULT 0,
	revoked INTEGER
) STRICT;
DROP TABLE start_keys;

-- The number of the last change of who may do what: whoever keeps something
-- open asks again when it has changed, whichever process changed it.
CREATE TABLE access_changes (
	one INTEGER PRIMARY KEY CHECK (one = 1),
	n   INTEGER NOT NULL
) STRICT;
INSERT INTO access_changes VALUES (1, 0);

-- +goose StatementBegin
CREATE TRIGGER persons_changed AFTER UPDATE OF role, suspended, removed ON persons BEGIN
	UPDATE access_changes SET n = n + 1;
END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER sessions_ended AFTER DELETE ON sessions BEGIN
	UPDATE access_changes SET n = n + 1;
END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER tokens_changed AFTER UPDATE OF role, expires, revoked ON tokens BEGIN
	UPDATE access_changes SET n = n + 1;
END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER shares_changed AFTER UPDATE OF expires, revoked ON shares BEGIN
	UPDATE access_changes SET n = n + 1;
END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER shares_gone AFTER INSERT ON deleting WHEN EXISTS (SELECT 1 FROM shares WHERE run = NEW.run) BEGIN
	UPDATE access_changes SET n = n + 1;
END;
-- +goose StatementEnd
