package store

import (
	"context"
	"database/sql"
	"encoding/base64"
	"encoding/json"
	"errors"
	"time"

	"ohmkeep/server/dut"
)

// UnitRow is a physical part that was measured.
type UnitRow struct {
	Device string    `json:"device"`
	Serial string    `json:"serial"`
	Lot    string    `json:"lot,omitempty"`
	First  time.Time `json:"first"`
	Runs   int       `json:"runs"`
	// Damaged says why nothing else of it is shown.
	Damaged string `json:"damaged,omitempty" doc:"why its lot and its first run are left out; absent: it is as it was stored"`
}

// touchUnit makes the unit known and returns its id, or nil for a run without
// a serial number. A lot that is named replaces the unit's own.
func touchUnit(t *tx, device string, u dut.Unit) (any, error) {
	if u.Serial == "" {
		return nil, nil
	}
	var id int64
	var lot string
	err := t.row("SELECT id, lot FROM units WHERE device = ? AND serial = ?", device, u.Serial).Scan(&id, &lot)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		err = t.row("INSERT INTO units (device, serial, lot, first) VALUES (?, ?, ?, ?) RETURNING id", device, u.Serial, u.Lot, t.at).Scan(&id)
		if err == nil {
			err = sealRows(t, "units", "id = ?", id)
		}
	case err == nil && u.Lot != "" && u.Lot != lot:
		_, err = t.exec("UPDATE units SET "+changed("units", map[string]string{"lot": "?1"})+" WHERE id = ?2", u.Lot, id)
	}
	return id, err
}

// UnitPage returns at most limit units of a device (of all where it is empty),
// by device, lot and serial number, after a cursor ("" for the first page), and
// the cursor of the next page, "" on the last. A limit below 1 and a cursor that
// is not of this list are Invalid.
func (s *Store) UnitPage(ctx context.Context, device, cursor string, limit int) ([]UnitRow, string, error) {
	if limit < 1 {
		return nil, "", errorf(Invalid, "a page needs at least one row")
	}
	query, args, err := unitPage(device, cursor, limit+1)
	if err != nil {
		return nil, "", err
	}
	var out []UnitRow
	var lots []string // as the disk has them: they are places in the list
	err = s.rows(ctx, query, args, func(r *sql.Rows) error {
		var u UnitRow
		var first int64
		var lot string
		var sound bool
		if err := r.Scan(&u.Device, &u.Serial, &lot, &first, &u.Runs, &sound); err != nil {
			return err
		}
		if sound {
			u.Lot, u.First = lot, timeOf(first)
		} else {
			u.Damaged = "what the disk has of this unit is not what was stored"
			_ = s.damaged("unit " + u.Serial + " of device " + u.Device)
		}
		out, lots = append(out, u), append(lots, lot)
		return nil
	})
	if err != nil || len(out) <= limit {
		return out, "", wrap("list units", err)
	}
	next, err := out[limit-1].cursor(lots[limit-1])
	return out[:limit], next, err
}

// unitPage is the query of a page of units, which the index units_listed serves.
func unitPage(device, cursor string, limit int) (query string, args []any, err error) {
	var where clauses
	if device != "" {
		where = append(where, clause{"device = ?", []any{device}})
	}
	if cursor != "" {
		after, err := unitOf(cursor)
		switch {
		case err != nil:
			return "", nil, err
		case device == "":
			where = append(where, clause{"(device, lot, serial) > (?, ?, ?)", []any{after[0], after[1], after[2]}})
		case device != after[0]:
			return "", nil, errNotOfList
		default: // the index looks up all three
			where = append(where, clause{"(lot, serial) > (?, ?)", []any{after[1], after[2]}})
		}
	}
	condition, args := where.where()
	return `SELECT device, serial, lot, first, (SELECT count(*) FROM runs WHERE unit = units.id AND ` + notDeleting + `), ` + soundSQL("units") + `
		FROM units WHERE ` + condition + ` ORDER BY device, lot, serial LIMIT ?`, append(args, limit), nil
}

// cursor is the unit's place in the list, in letters that an address may have.
// It holds the place itself: a unit that is given another lot while somebody
// pages leaves the others where they were.
func (u *UnitRow) cursor(lot string) (string, error) {
	place, err := json.Marshal([3]string{u.Device, lot, u.Serial})
	return base64.RawURLEncoding.EncodeToString(place), err
}

// unitOf reads a cursor: device, lot and serial number.
func unitOf(cursor string) (place [3]string, err error) {
	text, err := base64.RawURLEncoding.DecodeString(cursor)
	var parts []string
	if err == nil {
		err = json.Unmarshal(text, &parts)
	}
	if err != nil || len(parts) != len(place) {
		return place, errNotOfList
	}
	return [3]string(parts), nil
}

// Lots lists the lots that runs of a device (all devices where it is empty)
// belong to.
func (s *Store) Lots(ctx context.Context, device string) ([]string, error) {
	var out []string
	err := s.rows(ctx, `SELECT lot FROM (SELECT DISTINCT lot FROM units WHERE lot <> '' AND (?1 = '' OR device = ?1)) AS named
		WHERE EXISTS (SELECT 1 FROM units WHERE units.lot = named.lot AND `+soundSQL("units")+`) ORDER BY lot`,
		[]any{device}, func(r *sql.Rows) error {
			var lot string
			if err := r.Scan(&lot); err != nil {
				return err
			}
			out = append(out, lot)
			return nil
		})
	return out, wrap("lots", err)
}
