package procedure

import (
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/derive"
	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// Result is a derived value of a measurement.
type Result struct {
	Measurement int            `json:"measurement"` // index in the procedure
	Key         string         `json:"key"`         // of the kind's output
	Name        string         `json:"name"`
	Pin         int            `json:"pin,omitempty"`
	Group       string         `json:"group,omitempty"`     // curve or direction
	Condition   string         `json:"condition,omitempty"` // "VCC 4.5 V"
	Value       float64        `json:"value"`
	Unit        quantity.Unit  `json:"unit"`
	U           float64        `json:"u"`                // half-width of the interval that holds the truth with 95 %; NaN where it cannot be said
	From        float64        `json:"from"`             // ends of that interval, NaN where they are not known or, of a bound, open
	To          float64        `json:"to"`               //
	K           float64        `json:"k,omitempty"`      // coverage factor of U; 0 where it has none
	Budget      *Budget        `json:"budget,omitempty"` // what U is made of; nil where it has none
	Low         *float64       `json:"low,omitempty"`
	High        *float64       `json:"high,omitempty"`
	Band        *float64       `json:"band,omitempty"`       // guard band w that the decision rule kept; nil where it decided nothing
	Conformity  *float64       `json:"conformity,omitempty"` // probability that the true value is within the limits
	Outcome     derive.Outcome `json:"outcome"`
	Flags       bench.Flags    `json:"flags"`
	Note        string         `json:"note,omitempty"` // why invalid, what is probably wrong
}

// ID identifies a result within its run: a later result with the same ID
// replaces the earlier.
type ResultID struct {
	Measurement int
	Key         string
	Pin         int
	Group       string
	Condition   string
}

// ID returns what identifies the result within its run.
func (r Result) ID() ResultID {
	return ResultID{r.Measurement, r.Key, r.Pin, r.Group, r.Condition}
}

// Status is where a run stands.
type Status string

const (
	Running     Status = "running"
	Done        Status = "done"
	Stopped     Status = "stopped"     // a person stopped it or made the bench safe
	Interrupted Status = "interrupted" // the server or the link went away
	Damaged     Status = "damaged"     // what the disk has of it is not what was stored
	Failed      Status = "failed"      // it could not be carried out
)

// Record is the head of a run: everything needed to read it without looking
// anywhere else.
type Record struct {
	ID        string           `json:"id"` // UUIDv7, RFC 9562
	Device    dut.Device       `json:"device"`
	DeviceRev int              `json:"deviceRev"`
	Procedure Procedure        `json:"procedure"`
	ProcRev   int              `json:"procedureRev"`
	PinMap    bench.PinMap     `json:"pinMap"`
	Bench     bench.Definition `json:"bench"`
	Identity  bench.Identity   `json:"identity"`
	Unit      dut.Unit         `json:"unit"`
	Operator  string           `json:"operator"`
	Manual    bool             `json:"manual,omitempty"` // kept from the manual page
	Seated    any              `json:"seated,omitempty"` // rehearsal: model, seed, faults
	Note      string           `json:"note,omitempty"`
	Status    Status           `json:"status"`
	Outcome   derive.Outcome   `json:"outcome"`
	Started   time.Time        `json:"started"`
	Ended     time.Time        `json:"ended,omitzero"`
	Reason    string           `json:"reason,omitempty"` // why it stopped or failed
	Readings  int64            `json:"readings"`
	Rehearsal bool             `json:"rehearsal"`
	// Acknowledged are the warnings of the check before power that whoever
	// started the run has acknowledged by name.
	Acknowledged []Finding `json:"acknowledged,omitempty"`
	// Confirmed is what whoever holds control has confirmed before a bench with
	// cards was energised.
	Confirmed []Confirmation `json:"confirmed,omitempty"`
	// Origins are the ways on which a run came that was made on another server,
	// the last one to this server; empty for a run of this one.
	Origins []Brought `json:"origins,omitempty"`
}

// Brought is one time that a run was brought from one server to another as a file.
type Brought struct {
	Server     string    `json:"server" doc:"address of the server that it was exported from"`
	Run        string    `json:"run" doc:"the run's id there"`
	File       string    `json:"file" doc:"SHA-256 that names the file by its content, hexadecimal"`
	Exported   time.Time `json:"exported"`
	ExportedBy string    `json:"exportedBy"`
	Brought    time.Time `json:"brought"`
	BroughtBy  string    `json:"broughtBy"`
}

// Confirmation is one thing that a person said they had seen to.
type Confirmation struct {
	What string    `json:"what"`
	By   string    `json:"by"`
	At   time.Time `json:"at"`
}

// Batch is what is committed together, and published only afterwards.
type Batch struct {
	Readings []MeasurementReadings
	Results  []Result // replace those with the same ID
	Complete []int    // measurements of which, as far as is known, no more readings come
}

// MeasurementReadings are readings of one measurement, in order.
type MeasurementReadings struct {
	Measurement int
	Readings    []bench.Reading
}

// Ending is how a run ended.
type Ending struct {
	Status  Status
	Outcome derive.Outcome
	Ended   time.Time
	Reason  string
}
