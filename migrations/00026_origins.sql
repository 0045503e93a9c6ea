-- +goose Up

-- Where runs that were brought from other servers are from: JSON, a list of one
-- entry for each time that a run was brought on, the last one to this server. A
-- run that was made here has no row.
CREATE TABLE origins (
	run  INTEGER PRIMARY KEY REFERENCES runs (seq) ON DELETE CASCADE,
	body TEXT NOT NULL,
	seal INTEGER
) STRICT;

-- A run that comes from a file is stored part by part under the mark of those
-- that are being deleted, so that it is neither found nor counted before all of
-- it is there, and so that a stop in the middle has the rest deleted. It counts
-- from the moment that the mark is taken off. A run that is deleted has gone
-- when its mark does.
-- +goose StatementBegin
CREATE TRIGGER runs_arrived AFTER DELETE ON deleting
WHEN EXISTS (SELECT 1 FROM runs WHERE seq = OLD.run) BEGIN
	INSERT INTO runs_text (rowid, device_name, procedure_name, note, serial, lot, operator)
		SELECT (started & ~0xFFFFF) | (seq & 0xFFFFF), device_name, procedure_name, note, serial, lot, operator FROM runs WHERE seq = OLD.run;
	INSERT INTO counts SELECT 'outcome', outcome, 1 FROM runs WHERE seq = OLD.run ON CONFLICT DO UPDATE SET n = n + 1;
	INSERT INTO counts SELECT 'device', device, 1 FROM runs WHERE seq = OLD.run ON CONFLICT DO UPDATE SET n = n + 1;
	UPDATE counts SET n = n + coalesce((SELECT readings FROM runs WHERE seq = OLD.run AND status <> 'running'), 0) WHERE what = 'readings';
	INSERT INTO lots SELECT lot, started, 0, 0 FROM runs WHERE seq = OLD.run AND lot <> ''
		ON CONFLICT DO UPDATE SET newest = max(newest, excluded.newest);
	DELETE FROM lot_units WHERE (lot, device, serial) IN (SELECT lot, device, serial FROM runs WHERE seq = OLD.run AND lot <> '' AND status = 'done');
	INSERT INTO lot_units SELECT n.lot, n.device, n.serial, n.outcome IN ('pass', 'conditional pass') FROM runs AS came
		JOIN runs AS n ON n.serial = came.serial AND +n.lot = came.lot AND +n.device = came.device AND +n.status = 'done'
		WHERE came.seq = OLD.run AND came.lot <> '' AND came.status = 'done' AND NOT EXISTS (SELECT 1 FROM deleting WHERE run = n.seq)
		ORDER BY n.started DESC, n.seq DESC LIMIT 1;
END;
-- +goose StatementEnd
