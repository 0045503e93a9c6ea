package store

import (
	"context"
	"database/sql"

	"ohmkeep/server/derive"
)

// Overview is the size of the history, with its newest runs. It is read from
// counts that triggers keep (migrations 00011 and 00013): nothing is counted for
// it. A run that is being deleted is not in it.
type Overview struct {
	Runs     int                    `json:"runs"`
	Readings int64                  `json:"readings"`
	Units    int                    `json:"units"`
	Outcomes map[derive.Outcome]int `json:"outcomes"`
	Last     []RunRow               `json:"last"` // newest first
}

// GetOverview returns how many runs, readings and units there are, runs by
// outcome, and the newest runs, at most last.
func (s *Store) GetOverview(ctx context.Context, last int) (*Overview, error) {
	o := &Overview{Outcomes: map[derive.Outcome]int{}}
	err := s.rows(ctx, `SELECT what, which, n FROM counts WHERE what IN ('outcome', 'readings', 'units') AND n <> 0
		UNION ALL SELECT 'readings', '', `+runReadings+` FROM runs INDEXED BY runs_status WHERE status = 'running'`, nil,
		func(r *sql.Rows) error {
			var what, which string
			var n int64
			if err := r.Scan(&what, &which, &n); err != nil {
				return err
			}
			switch what {
			case "outcome":
				o.Outcomes[derive.Outcome(which)] = int(n)
				o.Runs += int(n)
			case "readings":
				o.Readings += n
			case "units":
				o.Units = int(n)
			}
			return nil
		})
	if err == nil {
		o.Last, err = s.LastRuns(ctx, last)
	}
	if err != nil {
		return nil, wrap("overview", err)
	}
	return o, nil
}

// LastRuns returns the newest runs, at most n, newest first.
func (s *Store) LastRuns(ctx context.Context, n int) ([]RunRow, error) {
	rows, _, err := s.page(ctx, &search{index: "runs_started", top: newest, bottom: oldest}, newest, n)
	return rows, wrap("last runs", err)
}

// LotRow is the yield of a lot: its units with a finished run, and of those
// the ones whose newest finished run passed, also conditionally.
type LotRow struct {
	Lot        string
	DeviceName string // of its newest finished run; "" without any
	Units      int
	Passed     int
}

// NewestLots returns the lots whose newest runs are the newest, at most n,
// newest first. Lots that no unit belongs to any more are left out.
func (s *Store) NewestLots(ctx context.Context, n int) (out []LotRow, err error) {
	err = s.rows(ctx, `SELECT lot, units, passed, coalesce((SELECT device_name FROM runs INDEXED BY runs_lot
			WHERE runs.lot = lots.lot AND runs.lot <> '' AND status = 'done' AND `+notDeleting+`
			ORDER BY started DESC, seq DESC LIMIT 1), '')
		FROM lots WHERE EXISTS (SELECT 1 FROM units WHERE units.lot = lots.lot AND units.lot <> '')
		ORDER BY newest DESC, lot LIMIT ?`, []any{n}, func(r *sql.Rows) error {
		var x LotRow
		err := r.Scan(&x.Lot, &x.Units, &x.Passed, &x.DeviceName)
		out = append(out, x)
		return err
	})
	return out, wrap("newest lots", err)
}
