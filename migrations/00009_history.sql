-- +goose Up

-- One index for each column that the history is filtered by, in the history's
-- own order, so that the first page of a filter costs the same however long
-- the history is.
CREATE INDEX runs_serial ON runs (serial, started, seq);
CREATE INDEX runs_procedure ON runs (procedure, started, seq);
CREATE INDEX runs_outcome ON runs (outcome, started, seq);
CREATE INDEX runs_status ON runs (status, started, seq);
DROP INDEX runs_running; -- runs_status serves as well

-- Every three characters in a row of the texts that the history is searched
-- by, of either case. Its rowid is the run's start with the lowest 20 bits
-- replaced by those of its number, so that the newest runs are found first
-- (about 1 ms is one step of 2^20 ns) and a run is found back by its start.
-- The triggers keep it in the transaction that changes the run.
CREATE VIRTUAL TABLE runs_text USING fts5 (device_name, procedure_name, note, serial, lot, operator,
	content = '', contentless_delete = 1, tokenize = 'trigram');

INSERT INTO runs_text (rowid, device_name, procedure_name, note, serial, lot, operator)
SELECT (started & ~0xFFFFF) | (seq & 0xFFFFF), device_name, procedure_name, note, serial, lot, operator FROM runs;

-- +goose StatementBegin
CREATE TRIGGER runs_text_insert AFTER INSERT ON runs BEGIN
	INSERT INTO runs_text (rowid, device_name, procedure_name, note, serial, lot, operator)
	VALUES ((NEW.started & ~0xFFFFF) | (NEW.seq & 0xFFFFF),
		NEW.device_name, NEW.procedure_name, NEW.note, NEW.serial, NEW.lot, NEW.operator);
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER runs_text_delete AFTER DELETE ON runs BEGIN
	DELETE FROM runs_text WHERE rowid = (OLD.started & ~0xFFFFF) | (OLD.seq & 0xFFFFF);
END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER runs_text_update
AFTER UPDATE OF seq, started, device_name, procedure_name, note, serial, lot, operator ON runs BEGIN
	DELETE FROM runs_text WHERE rowid = (OLD.started & ~0xFFFFF) | (OLD.seq & 0xFFFFF);
	INSERT INTO runs_text (rowid, device_name, procedure_name, note, serial, lot, operator)
	VALUES ((NEW.started & ~0xFFFFF) | (NEW.seq & 0xFFFFF),
		NEW.device_name, NEW.procedure_name, NEW.note, NEW.serial, NEW.lot, NEW.operator);
END;
-- +goose StatementEnd
