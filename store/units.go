package store

import (
	"context"
	"database/sql"
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
}

// touchUnit makes the unit known and returns its id, or nil for a run without
// a serial number. A lot that is named replaces the unit's own.
func touchUnit(t *tx, device string, u dut.Unit) (any, error) {
	if u.Serial == "" {
		return nil, nil
	}
	var id int64
	err := t.row(`INSERT INTO units (device, serial, lot, first) VALUES (?, ?, ?, ?)
		ON CONFLICT (device, serial) DO UPDATE SET lot = CASE excluded.lot WHEN '' THEN lot ELSE excluded.lot END
		RETURNING id`, device, u.Serial, u.Lot, t.at).Scan(&id)
	return id, err
}

// ListUnits lists at most limit units of a device (all devices where it is
// empty), by device, lot and serial number.
func (s *Store) ListUnits(ctx context.Context, device string, limit int) ([]UnitRow, error) {
	var out []UnitRow
	err := s.rows(ctx, `SELECT device, serial, lot, first, (SELECT count(*) FROM runs WHERE unit = units.id)
		FROM units WHERE ?1 = '' OR device = ?1 ORDER BY device, lot, serial LIMIT ?2`, []any{device, limit},
		func(r *sql.Rows) error {
			var u UnitRow
			var first int64
			if err := r.Scan(&u.Device, &u.Serial, &u.Lot, &first, &u.Runs); err != nil {
				return err
			}
			u.First = timeOf(first)
			out = append(out, u)
			return nil
		})
	return out, wrap("list units", err)
}

// Lots lists the lots that runs of a device (all devices where it is empty)
// belong to.
func (s *Store) Lots(ctx context.Context, device string) ([]string, error) {
	var out []string
	err := s.rows(ctx, `SELECT DISTINCT lot FROM units WHERE lot <> '' AND (?1 = '' OR device = ?1) ORDER BY lot`,
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
