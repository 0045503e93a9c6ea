package procedure

import (
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
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
	U           float64        `json:"u"`                // half-width of the interval that holds the truth with 95 %
	K           float64        `json:"k,omitempty"`      // coverage factor of U; 0 where it has none
	Budget      *Budget        `json:"budget,omitempty"` // what U is made of; nil where it has none
	Low         *float64       `json:"low,omitempty"`
	High        *float64       `json:"high,omitempty"`
	Outcome     derive.Outcome `json:"outcome"`
	Flags       bench.Flags    `json:"flags"`
	Note        string         `json:"note,omitempty"` // why invalid, what is probably wrong
}

// Budget is what a result's uncertainty is made of.
type Budget struct {
	DF    float64 `json:"df,omitempty"` // effective degrees of freedom; 0 for as many as one likes
	Lines []Line  `json:"lines"`        // the largest share first
}

// Line is one contribution to a result's uncertainty.
type Line struct {
	Name         string  `json:"name"`  // "gain of 1A, sensing ±10 mA"
	Class        string  `json:"class"` // what sort of cause it is
	Distribution string  `json:"distribution"`
	Standard     float64 `json:"standard"`     // standard uncertainty of the cause, in its own unit
	Sensitivity  float64 `json:"sensitivity"`  // unit of the result per unit of the cause
	Contribution float64 `json:"contribution"` // standard uncertainty that it brings, in the unit of the result
	Share        float64 `json:"share"`        // of the variance, 0 to 1
	Assumed      bool    `json:"assumed,omitempty"`
}

// budgetOf is a budget as a result carries it.
func budgetOf(said budget.Statement) *Budget {
	out := &Budget{}
	if finite(said.DF) {
		out.DF = said.DF
	}
	for _, l := range said.Lines {
		out.Lines = append(out.Lines, Line{Name: l.Source.Name, Class: string(l.Source.Class), Distribution: l.Source.Dist.String(),
			Standard: l.Source.U, Sensitivity: l.C, Contribution: l.Contribution, Share: l.Share, Assumed: l.Source.Assumed})
	}
	return out
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
