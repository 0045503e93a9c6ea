package store

import (
	"database/sql"
	"time"

	"ohmkeep/server/derive"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/standing"
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

	// Brought is where it was brought from, last; of one that was made here it is nil.
	Brought *procedure.Brought `json:"brought,omitempty"`

	// Badge is what stands behind it, in a word; filled in by whoever asks Standings.
	Badge standing.Badge `json:"badge,omitempty" doc:"what the checks of the bench say of the run: checked, check due, doubtful, not told"`

	identity  string        // what its bench said of itself, as JSON
	made      [3]int64      // snapshots of its device, pin map and bench
	seq, body int64         // of the run, and of the snapshot of its procedure
	sum       sql.NullInt64 // of the seals of its results; NULL while it is at work
}

// brought is where the run was brought from: nothing, where it was made here.
func (r *RunRow) brought() *procedure.Brought {
	if r.Brought == nil {
		return &procedure.Brought{}
	}
	return r.Brought
}

// noBody is the snapshot of a run of which it is not known.
const noBody = -1

// damagedRow is the reason of a run whose row does not fit its seal.
const damagedRow = "what the disk has of this run is not what was stored"

// damaged is the row of a run that does not fit its seal: nothing of it is
// shown but where it is found.
func (r *RunRow) damaged() RunRow {
	return RunRow{ID: r.ID, Status: procedure.Damaged, Outcome: derive.Damaged, Reason: damagedRow,
		Started: r.Started, seq: r.seq, body: noBody}
}

// key is the key of the run's results.
func (r *RunRow) key() runKey { return runKey{seq: r.seq, body: r.body, sum: r.sum} }
