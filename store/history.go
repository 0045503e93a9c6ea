package store

import (
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
