-- +goose Up

-- Seals over units (store/seals.go): a lot or a serial number that has changed by
-- itself does not fit. Rows from before are sealed as they stand when the database
-- is opened; from then on a row without a seal is damaged.
ALTER TABLE units ADD COLUMN seal INTEGER;
ALTER TABLE unsealed ADD COLUMN units INTEGER NOT NULL DEFAULT 1;
