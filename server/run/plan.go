package run

import (
	"math"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

// Check works a run out without touching the bench: how long it should take,
// or what stands in its way, which wraps a *bench.Clash where pins cannot be
// connected together and dut.Problems where a measurement is not valid.
func Check(rec *procedure.Record) (time.Duration, error) {
	p, err := guarded(func() (*plan, error) { return makePlan(rec, procedure.KindByKey) })
	if err != nil {
		return 0, err
	}
	return p.nominal, nil
}

// plan is the procedure's plan, worked out for execution on one bench.
type plan struct {
	steps   []*step
	nominal time.Duration
}

// step is one enabled measurement.
type step struct {
	*procedure.PlanStep
	limits bounds
}

// makePlan works out a run. The error says which measurement cannot be
// carried out and why.
func makePlan(rec *procedure.Record, kinds func(string) (procedure.Kind, bool)) (*plan, error) {
	// What begins a run has expanded it already; whoever asks beforehand has not.
	proc := procedure.Expand(rec.Procedure, &rec.Device)
	p, err := procedure.MakePlan(&proc, &rec.Device, &rec.PinMap, &rec.Bench, kinds)
	if err != nil {
		return nil, err
	}
	out := &plan{nominal: p.Nominal}
	for _, s := range p.Steps {
		out.steps = append(out.steps, &step{s, boundsOf(s.Kind, s.Measurement, &rec.Device)})
	}
	return out, nil
}

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

// bounds are the limits that apply to a read quantity as it stands.
type bounds struct {
	pin       int // 0: every pin
	quantity  procedure.Quantity
	low, high float64
}

// boundsOf takes the band of a measurement's plot for the limits of what is
// read there, if only one of its results is in that unit: with several, such
// as the levels with and without load, a reading alone does not say which
// limits are its own, and only the results are held against theirs.
func boundsOf(kind procedure.Kind, m *procedure.Measurement, d *dut.Device) bounds {
	s := kind.Shape(m, d)
	b := bounds{pin: s.Y.Pin, low: math.Inf(-1), high: math.Inf(1)}
	same := 0
	for _, o := range kind.Outputs() {
		if m.OutputUnit(o) == s.Y.Unit {
			same++
		}
	}
	if same != 1 {
		return b
	}
	b.quantity = s.Y.Quantity
	if s.Band.Low != nil {
		b.low = *s.Band.Low
	}
	if s.Band.High != nil {
		b.high = *s.Band.High
	}
	return b
}

// broken reports whether a reading itself is beyond the limits.
func (b *bounds) broken(r *bench.Reading) bool {
	if b.pin != 0 && b.pin != int(r.Pin) {
		return false
	}
	switch b.quantity {
	case procedure.QuantityVoltage:
		return r.V < b.low || r.V > b.high
	case procedure.QuantityCurrent:
		return r.I < b.low || r.I > b.high
	}
	return false
}
