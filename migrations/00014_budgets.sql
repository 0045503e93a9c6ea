-- +goose Up

-- What a result says beside its value: all NULL for results from before, whose
-- u is k = 2 of a reading.
ALTER TABLE results ADD COLUMN k REAL;             -- coverage factor of u
ALTER TABLE results ADD COLUMN interval_from REAL; -- ends of the interval that holds 95 %
ALTER TABLE results ADD COLUMN interval_to REAL;
ALTER TABLE results ADD COLUMN band REAL;          -- guard band that the decision rule kept
ALTER TABLE results ADD COLUMN conformity REAL;    -- probability to be within the limits

-- What the uncertainty of a result is made of, as JSON: apart, so that reading
-- many results does not pass over it. lines is [name, class, distribution,
-- standard uncertainty, degrees of freedom, sensitivity, contribution, share,
-- assumed] each, held [pin, level asked for, level, U].
CREATE TABLE budgets (
	result INTEGER PRIMARY KEY REFERENCES results (id) ON DELETE CASCADE,
	body   TEXT NOT NULL
) STRICT;
