package store

import (
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
