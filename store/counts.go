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

// CountAgain returns the counts of the rows of runs that are not being deleted,
// and the counts that triggers keep, as text: the same where they are right.
func (s *Store) CountAgain(ctx context.Context) (want, got string, err error) {
	const text = "WITH runs AS (SELECT * FROM main.runs WHERE seq NOT IN (SELECT run FROM deleting)) SELECT coalesce(group_concat(line, char(10)), '') FROM (SELECT what || ' ' || which || ' ' || n AS line FROM "
	const counted = `(
		SELECT 'outcome' AS what, outcome AS which, count(*) AS n FROM runs GROUP BY outcome
		UNION ALL SELECT 'device', device, count(*) FROM runs GROUP BY device
		UNION ALL SELECT 'readings', '', coalesce(sum(readings), 0) FROM runs WHERE status <> 'running'
		UNION ALL SELECT 'units', '', count(*) FROM units
		UNION ALL SELECT 'lot ' || lot, (SELECT max(started) FROM runs WHERE lot = l.lot) || ' passed ' || sum(passed), count(*) - 1 FROM (
			SELECT lot, 0 AS passed FROM runs WHERE lot <> '' GROUP BY lot
			UNION ALL SELECT lot, outcome IN ('pass', 'conditional pass') FROM runs r WHERE lot <> '' AND status = 'done' AND NOT EXISTS (
				SELECT 1 FROM runs n WHERE n.lot = r.lot AND n.device = r.device AND n.serial = r.serial AND n.status = 'done'
				AND (n.started, n.seq) > (r.started, r.seq))) AS l GROUP BY lot)`
	const kept = `(SELECT what, which, n FROM counts
		UNION ALL SELECT 'lot ' || lot, newest || ' passed ' || passed, units FROM lots)`
	err = s.view(ctx, func(q querier) error { // both of one moment
		for from, into := range map[string]*string{counted: &want, kept: &got} {
			if err := q.QueryRowContext(ctx, text+from+" WHERE n <> 0 OR what LIKE 'lot %' ORDER BY 1)").Scan(into); err != nil {
				return err
			}
		}
		return nil
	})
	return want, got, wrap("count again", err)
}
