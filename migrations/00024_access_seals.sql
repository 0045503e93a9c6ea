-- +goose Up

-- Seals over what gives access (store/seals.go): a role that has changed by
-- itself, or a token that has come back, does not fit its seal and gives nothing.
-- Rows from before are sealed as they stand when the database is opened; from then
-- on a row without a seal is damaged.
ALTER TABLE persons ADD COLUMN seal INTEGER;
ALTER TABLE sessions ADD COLUMN seal INTEGER;
ALTER TABLE tokens ADD COLUMN seal INTEGER;
ALTER TABLE invitations ADD COLUMN seal INTEGER;
ALTER TABLE shares ADD COLUMN seal INTEGER;
ALTER TABLE identities ADD COLUMN seal INTEGER;
ALTER TABLE unsealed ADD COLUMN access INTEGER NOT NULL DEFAULT 1;
