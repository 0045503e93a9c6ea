package store

import (
	"context"
	"database/sql"
	"time"

	"ohmkeep/server/derive"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

// RunRow is a run in a list.
type RunRow struct {
	ID            string           `json:"id"`
	Device        string           `json:"device"`
	DeviceRev     int              `json:"deviceRev"`
	DeviceName    string           `json:"deviceName"`
	Procedure     string           `json:"procedure"`
	ProcRev       int              `json:"procedureRev"`
	ProcedureName string           `json:"procedureName"`
	Bench         string           `json:"bench"`
	Unit          dut.Unit         `json:"unit"`
	Operator      string           `json:"operator"`
	Manual        bool             `json:"manual,omitempty"`
	Rehearsal     bool             `json:"rehearsal"`
	Note          string           `json:"note,omitempty"`
	Status        procedure.Status `json:"status"`
	Outcome       derive.Outcome   `json:"outcome"`
	Reason        string           `json:"reason,omitempty"`
	Started       time.Time        `json:"started"`
	Ended         time.Time        `json:"ended,omitzero"`
	Readings      int64            `json:"readings"`

	seq, body int64 // of the run, and of the snapshot of its procedure
}

// runColumns are what scanRun reads.
const runColumns = `seq, id, device, device_rev, device_name, procedure, procedure_rev, procedure_name, bench,
	serial, lot, operator, manual, rehearsal, note, status, outcome, reason, started, ended, ` + runReadings + `, procedure_body`

func scanRun(r *sql.Rows) (x RunRow, err error) {
	var deviceRev, procRev, ended sql.NullInt64
	var started int64
	err = r.Scan(&x.seq, &x.ID, &x.Device, &deviceRev, &x.DeviceName, &x.Procedure, &procRev, &x.ProcedureName, &x.Bench,
		&x.Unit.Serial, &x.Unit.Lot, &x.Operator, &x.Manual, &x.Rehearsal, &x.Note, &x.Status, &x.Outcome, &x.Reason,
		&started, &ended, &x.Readings, &x.body)
	x.DeviceRev, x.ProcRev = int(deviceRev.Int64), int(procRev.Int64)
	x.Started, x.Ended = timeOf(started), timeOfNull(ended)
	return x, err
}

// Overview is what a home page shows.
type Overview struct {
	Runs     int                    `json:"runs"`
	Readings int64                  `json:"readings"`
	Units    int                    `json:"units"`
	Outcomes map[derive.Outcome]int `json:"outcomes"`
	Last     []RunRow               `json:"last"` // newest first
}

// GetOverview counts runs by outcome and returns the newest.
func (s *Store) GetOverview(ctx context.Context, last int) (*Overview, error) {
	o := &Overview{Outcomes: map[derive.Outcome]int{}}
	err := s.rows(ctx, `SELECT outcome, count(*), sum(`+runReadings+`) FROM runs GROUP BY outcome`, nil, func(r *sql.Rows) error {
		var outcome derive.Outcome
		var n int
		var readings int64
		if err := r.Scan(&outcome, &n, &readings); err != nil {
			return err
		}
		o.Outcomes[outcome] = n
		o.Runs += n
		o.Readings += readings
		return nil
	})
	if err == nil {
		err = s.reader(ctx).QueryRowContext(ctx, "SELECT count(*) FROM units").Scan(&o.Units)
	}
	if err == nil {
		all := search{index: "runs_started", top: newest, bottom: oldest}
		o.Last, _, err = s.page(ctx, &all, newest, last)
	}
	if err != nil {
		return nil, wrap("overview", err)
	}
	return o, nil
}
