-- +goose Up

-- Each line of the log holds the SHA-256 of itself and of the hash of the line
-- before, so that a line that was changed or taken out shows (store/events.go).
-- Lines from before are taken into the chain when the database is opened.
ALTER TABLE events ADD COLUMN hash BLOB;
CREATE INDEX events_subject ON events (subject, id);

-- Nothing is ever taken out, and nothing changed.
-- +goose StatementBegin
CREATE TRIGGER events_stay BEFORE DELETE ON events BEGIN
	SELECT raise(ABORT, 'the log of who did what is only added to');
END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER events_stand BEFORE UPDATE ON events WHEN OLD.hash IS NOT NULL BEGIN
	SELECT raise(ABORT, 'the log of who did what is only added to');
END;
-- +goose StatementEnd
