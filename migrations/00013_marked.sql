-- +goose Up

-- A run that is being deleted counts no more, from the moment that it is
-- marked: what the history's counts, lots and index of texts have of it goes
-- with the mark, not with its last row, which may be minutes later. Of rows
-- that are deleted without a mark, the mark comes first.
DROP TRIGGER runs_text_delete;
DROP TRIGGER counts_delete;
DROP TRIGGER lots_delete;
DROP TRIGGER lots_insert;
DROP TRIGGER lots_update;

-- +goose StatementBegin
CREATE TRIGGER deleting_first BEFORE DELETE ON runs
WHEN NOT EXISTS (SELECT 1 FROM deleting WHERE run = OLD.seq) BEGIN
	INSERT INTO deleting (run) VALUES (OLD.seq);
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER runs_text_deleting AFTER INSERT ON deleting BEGIN
	DELETE FROM runs_text WHERE rowid = (SELECT (started & ~0xFFFFF) | (seq & 0xFFFFF) FROM runs WHERE seq = NEW.run);
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER counts_deleting AFTER INSERT ON deleting BEGIN
	UPDATE counts SET n = n - 1 WHERE (what, which) IN (
		SELECT 'outcome', outcome FROM runs WHERE seq = NEW.run UNION ALL SELECT 'device', device FROM runs WHERE seq = NEW.run);
	UPDATE counts SET n = n - coalesce((SELECT readings FROM runs WHERE seq = NEW.run AND status <> 'running'), 0)
		WHERE what = 'readings';
END;
-- +goose StatementEnd

-- A unit's newest finished run, as in migration 00011, of runs that are not
-- being deleted.
-- +goose StatementBegin
CREATE TRIGGER lots_insert AFTER INSERT ON runs WHEN NEW.lot <> '' BEGIN
	INSERT INTO lots VALUES (NEW.lot, NEW.started, 0, 0) ON CONFLICT DO UPDATE SET newest = max(newest, excluded.newest);
	DELETE FROM lot_units WHERE NEW.status = 'done' AND lot = NEW.lot AND device = NEW.device AND serial = NEW.serial;
	INSERT INTO lot_units SELECT lot, device, serial, outcome IN ('pass', 'conditional pass') FROM runs
		WHERE NEW.status = 'done' AND serial = NEW.serial AND +lot = NEW.lot AND +device = NEW.device AND +status = 'done'
		AND NOT EXISTS (SELECT 1 FROM deleting WHERE run = runs.seq)
		ORDER BY started DESC, seq DESC LIMIT 1;
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER lots_update AFTER UPDATE OF status, outcome ON runs
WHEN NEW.lot <> '' AND (OLD.status = 'done' OR NEW.status = 'done') BEGIN
	DELETE FROM lot_units WHERE lot = NEW.lot AND device = NEW.device AND serial = NEW.serial;
	INSERT INTO lot_units SELECT lot, device, serial, outcome IN ('pass', 'conditional pass') FROM runs
		WHERE serial = NEW.serial AND +lot = NEW.lot AND +device = NEW.device AND +status = 'done'
		AND NOT EXISTS (SELECT 1 FROM deleting WHERE run = runs.seq)
		ORDER BY started DESC, seq DESC LIMIT 1;
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER lots_deleting AFTER INSERT ON deleting
WHEN EXISTS (SELECT 1 FROM runs WHERE seq = NEW.run AND lot <> '') BEGIN
	DELETE FROM lot_units WHERE (lot, device, serial) = (SELECT lot, device, serial FROM runs WHERE seq = NEW.run);
	INSERT INTO lot_units SELECT n.lot, n.device, n.serial, n.outcome IN ('pass', 'conditional pass') FROM runs AS was
		JOIN runs AS n ON n.serial = was.serial AND +n.lot = was.lot AND +n.device = was.device AND +n.status = 'done'
		WHERE was.seq = NEW.run AND NOT EXISTS (SELECT 1 FROM deleting WHERE run = n.seq)
		ORDER BY n.started DESC, n.seq DESC LIMIT 1;
	DELETE FROM lots WHERE lot = (SELECT lot FROM runs WHERE seq = NEW.run) AND NOT EXISTS (SELECT 1 FROM runs
		WHERE runs.lot = lots.lot AND runs.lot <> '' AND NOT EXISTS (SELECT 1 FROM deleting WHERE run = runs.seq));
	UPDATE lots SET newest = (SELECT started FROM runs WHERE runs.lot = lots.lot AND runs.lot <> ''
		AND NOT EXISTS (SELECT 1 FROM deleting WHERE run = runs.seq) ORDER BY started DESC LIMIT 1)
		WHERE lot = (SELECT lot FROM runs WHERE seq = NEW.run);
END;
-- +goose StatementEnd

-- Deletions that the last stop interrupted are marked again, so that they
-- count no more either.
CREATE TEMP TABLE marked AS SELECT run FROM deleting;
DELETE FROM deleting;
INSERT INTO deleting SELECT run FROM marked;
DROP TABLE marked;
