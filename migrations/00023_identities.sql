-- +goose Up

-- Who a person is at the lab's single sign-on: issuer and subject alone say who
-- it is; label is how they call themselves there, for lists. Where somebody came
-- in by single sign-on (follows = 1), groups may decide on their role. It stays
-- with a person who is removed, who would come in anew by it.
CREATE TABLE identities (
	id      INTEGER PRIMARY KEY AUTOINCREMENT,
	person  INTEGER NOT NULL UNIQUE REFERENCES persons (id),
	issuer  TEXT NOT NULL,
	subject TEXT NOT NULL,
	label   TEXT NOT NULL,
	follows INTEGER NOT NULL,
	created INTEGER NOT NULL,
	UNIQUE (issuer, subject)
) STRICT;
