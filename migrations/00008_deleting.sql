-- +goose Up

-- Runs that a person has deleted and whose readings are still being deleted,
-- block by block. They are found no more; what is left of them at the next
-- start is deleted then.
CREATE TABLE deleting (
	run INTEGER PRIMARY KEY REFERENCES runs (seq) ON DELETE CASCADE
) STRICT;
