-- +goose Up

-- Share links show a run, a lot, the comparison of a lot by one result, or a
-- device. Subject is the run's id, the lot's name or the device's key; detail
-- is the result that is compared. The share's own run column keeps the link
-- from outliving the run.
ALTER TABLE shares RENAME TO old_shares;
DROP INDEX shares_run;
DROP TRIGGER shares_changed;
DROP TRIGGER shares_gone;
CREATE TABLE shares (
	id      INTEGER PRIMARY KEY AUTOINCREMENT,
	hash    BLOB NOT NULL UNIQUE,
	kind    TEXT NOT NULL CHECK (kind IN ('run', 'lot', 'comparison', 'device')),
	subject TEXT NOT NULL,
	detail  TEXT NOT NULL,
	run     INTEGER REFERENCES runs (seq) ON DELETE CASCADE,
	by      TEXT NOT NULL,
	created INTEGER NOT NULL,
	expires INTEGER,
	used    INTEGER,
	revoked INTEGER
) STRICT;
CREATE INDEX shares_run ON shares (run);
INSERT INTO shares (id, hash, kind, subject, detail, run, by, created, expires, revoked)
	SELECT old_shares.id, hash, 'run', runs.id, '', run, by, created, expires, revoked FROM old_shares JOIN runs ON seq = run;
DROP TABLE old_shares;

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
