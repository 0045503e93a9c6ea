-- +goose Up

-- Units in the order of their list, all of them or those of one device, so that
-- a page of the list costs the same however many there are. The list's other
-- columns are not in it: a page reads at most its own rows of the table.
CREATE INDEX units_listed ON units (device, lot, serial);
