-- +goose Up

-- How many there are, kept by the triggers below in the transaction that
-- changes it, so that no page counts: runs by outcome ('outcome', outcome) and
-- by device ('device', key), readings of runs that have ended ('readings', ''),
-- and units ('units', '').
CREATE TABLE counts (
	what  TEXT NOT NULL,
	which TEXT NOT NULL,
	n     INTEGER NOT NULL,
	PRIMARY KEY (what, which)
) STRICT, WITHOUT ROWID;

INSERT INTO counts SELECT 'outcome', outcome, count(*) FROM runs GROUP BY outcome;
INSERT INTO counts SELECT 'device', device, count(*) FROM runs GROUP BY device;
INSERT INTO counts SELECT 'readings', '', coalesce(sum(readings), 0) FROM runs WHERE status <> 'running';
INSERT INTO counts SELECT 'units', '', count(*) FROM units;

-- +goose StatementBegin
CREATE TRIGGER counts_units_insert AFTER INSERT ON units BEGIN
	UPDATE counts SET n = n + 1 WHERE what = 'units';
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER counts_units_delete AFTER DELETE ON units BEGIN
	UPDATE counts SET n = n - 1 WHERE what = 'units';
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER counts_insert AFTER INSERT ON runs BEGIN
	INSERT INTO counts VALUES ('outcome', NEW.outcome, 1), ('device', NEW.device, 1) ON CONFLICT DO UPDATE SET n = n + 1;
	UPDATE counts SET n = n + NEW.readings WHERE what = 'readings' AND NEW.status <> 'running';
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER counts_delete AFTER DELETE ON runs BEGIN
	UPDATE counts SET n = n - 1 WHERE (what, which) IN (('outcome', OLD.outcome), ('device', OLD.device));
	UPDATE counts SET n = n - OLD.readings WHERE what = 'readings' AND OLD.status <> 'running';
END;
-- +goose StatementEnd

-- A run at work that gains readings alone changes no page of these.
-- +goose StatementBegin
CREATE TRIGGER counts_readings AFTER UPDATE OF status, readings ON runs
WHEN OLD.status <> 'running' OR NEW.status <> 'running' BEGIN
	UPDATE counts SET n = n - (CASE OLD.status WHEN 'running' THEN 0 ELSE OLD.readings END)
		+ (CASE NEW.status WHEN 'running' THEN 0 ELSE NEW.readings END) WHERE what = 'readings';
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER counts_outcome AFTER UPDATE OF outcome ON runs WHEN OLD.outcome <> NEW.outcome BEGIN
	UPDATE counts SET n = n - 1 WHERE what = 'outcome' AND which = OLD.outcome;
	INSERT INTO counts VALUES ('outcome', NEW.outcome, 1) ON CONFLICT DO UPDATE SET n = n + 1;
END;
-- +goose StatementEnd

-- The newest finished run of each unit in each lot that runs name.
CREATE TABLE lot_units (
	lot    TEXT NOT NULL,
	device TEXT NOT NULL,
	serial TEXT NOT NULL,
	passed INTEGER NOT NULL,       -- 1 or 0: its outcome is a pass, also a conditional one
	PRIMARY KEY (lot, device, serial)
) STRICT, WITHOUT ROWID;

-- The lots that runs name.
CREATE TABLE lots (
	lot    TEXT PRIMARY KEY,
	newest INTEGER NOT NULL,       -- when its newest run started
	units  INTEGER NOT NULL,       -- with a finished run
	passed INTEGER NOT NULL        -- of those whose newest finished run passed
) STRICT, WITHOUT ROWID;
CREATE INDEX lots_newest ON lots (newest);

INSERT INTO lot_units
SELECT lot, device, serial, outcome IN ('pass', 'conditional pass') FROM (
	SELECT *, row_number() OVER (PARTITION BY lot, device, serial ORDER BY started DESC, seq DESC) AS nth
	FROM runs WHERE lot <> '' AND status = 'done') WHERE nth = 1;
INSERT INTO lots SELECT lot, max(started), 0, 0 FROM runs WHERE lot <> '' GROUP BY lot;
UPDATE lots SET units = (SELECT count(*) FROM lot_units WHERE lot_units.lot = lots.lot),
	passed = (SELECT coalesce(sum(passed), 0) FROM lot_units WHERE lot_units.lot = lots.lot);

-- +goose StatementBegin
CREATE TRIGGER lot_units_insert AFTER INSERT ON lot_units BEGIN
	UPDATE lots SET units = units + 1, passed = passed + NEW.passed WHERE lot = NEW.lot;
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER lot_units_delete AFTER DELETE ON lot_units BEGIN
	UPDATE lots SET units = units - 1, passed = passed - OLD.passed WHERE lot = OLD.lot;
END;
-- +goose StatementEnd

-- A unit's newest finished run is looked for again whenever one comes or goes:
-- runs may be stored in another order than they were started in. The plus
-- signs leave the index of serial numbers alone to be used.
-- +goose StatementBegin
CREATE TRIGGER lots_insert AFTER INSERT ON runs WHEN NEW.lot <> '' BEGIN
	INSERT INTO lots VALUES (NEW.lot, NEW.started, 0, 0) ON CONFLICT DO UPDATE SET newest = max(newest, excluded.newest);
	DELETE FROM lot_units WHERE NEW.status = 'done' AND lot = NEW.lot AND device = NEW.device AND serial = NEW.serial;
	INSERT INTO lot_units SELECT lot, device, serial, outcome IN ('pass', 'conditional pass') FROM runs
		WHERE NEW.status = 'done' AND serial = NEW.serial AND +lot = NEW.lot AND +device = NEW.device AND +status = 'done'
		ORDER BY started DESC, seq DESC LIMIT 1;
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER lots_update AFTER UPDATE OF status, outcome ON runs
WHEN NEW.lot <> '' AND (OLD.status = 'done' OR NEW.status = 'done') BEGIN
	DELETE FROM lot_units WHERE lot = NEW.lot AND device = NEW.device AND serial = NEW.serial;
	INSERT INTO lot_units SELECT lot, device, serial, outcome IN ('pass', 'conditional pass') FROM runs
		WHERE serial = NEW.serial AND +lot = NEW.lot AND +device = NEW.device AND +status = 'done'
		ORDER BY started DESC, seq DESC LIMIT 1;
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER lots_delete AFTER DELETE ON runs WHEN OLD.lot <> '' BEGIN
	DELETE FROM lot_units WHERE lot = OLD.lot AND device = OLD.device AND serial = OLD.serial;
	INSERT INTO lot_units SELECT lot, device, serial, outcome IN ('pass', 'conditional pass') FROM runs
		WHERE serial = OLD.serial AND +lot = OLD.lot AND +device = OLD.device AND +status = 'done'
		ORDER BY started DESC, seq DESC LIMIT 1;
	DELETE FROM lots WHERE lot = OLD.lot AND NOT EXISTS (SELECT 1 FROM runs WHERE lot = OLD.lot AND lot <> '');
	UPDATE lots SET newest = (SELECT max(started) FROM runs WHERE lot = OLD.lot AND lot <> '') WHERE lot = OLD.lot;
END;
-- +goose StatementEnd

-- What lists of devices need besides a name, and their order.
ALTER TABLE devices ADD COLUMN model TEXT NOT NULL DEFAULT '';
UPDATE devices SET model = coalesce((SELECT json_extract(body, '$.model') FROM device_revisions r
	WHERE r.key = devices.key AND r.rev = devices.rev), '');
CREATE INDEX devices_name ON devices (name, key) WHERE removed IS NULL;
CREATE INDEX procedures_name ON procedures (name, key) WHERE removed IS NULL;
