-- +goose Up

-- A seal is a checksum over what a row says and over where it belongs
-- (CRC-32C of its columns, see store/seals.go): a row that has changed by
-- itself, or that stands in the place of another, does not fit its seal, and
-- is shown as damaged instead. It is NULL in rows from before.
ALTER TABLE runs ADD COLUMN results_sum INTEGER;  -- sum of the seals of its results, once it has ended
ALTER TABLE runs ADD COLUMN readings_sum INTEGER; -- sum of those of its chunks
ALTER TABLE runs ADD COLUMN seal INTEGER;
ALTER TABLE results ADD COLUMN seal INTEGER;
ALTER TABLE chunks ADD COLUMN seal INTEGER;
ALTER TABLE budgets ADD COLUMN seal INTEGER;
ALTER TABLE snapshots ADD COLUMN seal INTEGER;
ALTER TABLE acknowledged ADD COLUMN seal INTEGER;
ALTER TABLE confirmed ADD COLUMN seal INTEGER;
ALTER TABLE traffic ADD COLUMN seal INTEGER;
ALTER TABLE pictures ADD COLUMN seal INTEGER;
ALTER TABLE seatings ADD COLUMN seal INTEGER;
ALTER TABLE devices ADD COLUMN seal INTEGER;
ALTER TABLE device_revisions ADD COLUMN seal INTEGER;
ALTER TABLE benches ADD COLUMN seal INTEGER;
ALTER TABLE bench_revisions ADD COLUMN seal INTEGER;
ALTER TABLE procedures ADD COLUMN seal INTEGER;
ALTER TABLE procedure_revisions ADD COLUMN seal INTEGER;
ALTER TABLE pin_maps ADD COLUMN seal INTEGER;
ALTER TABLE pin_map_revisions ADD COLUMN seal INTEGER;

-- What the program that wrote this database before has left without a seal:
-- runs up to a number, with all that belongs to them (sealed in the background,
-- newest first), and documents (sealed when the database is opened). Beyond
-- that a row without a seal is damaged.
CREATE TABLE unsealed (
	id        INTEGER PRIMARY KEY CHECK (id = 1),
	runs      INTEGER NOT NULL,
	documents INTEGER NOT NULL
) STRICT;
INSERT INTO unsealed SELECT 1, coalesce(max(seq), 0), 1 FROM runs;
