package procedure

import (
	"encoding/json"
	"math"
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
)

// fullConstants is how many time constants leave less than 1e-5 of a change.
const fullConstants = 12.0

// A pin that is read without a load is brought to its voltage by the part and by
// leakage alone, and how fast the bench cannot know: after its own time the wait
// goes on until two readings agree to agreeTo, for at most agreeWithin seconds.
const (
	agreeTo     = 1e-4
	agreeWithin = 1.0
)

// SettleFor is how long a planned measurement should wait on its bench: by every
// drive that it reads or newly brings up, so that less than a part in 100,000 of
// a change is left, and until stable where a pin has no load. It is never less
// than what the measurement has.
func SettleFor(step *PlanStep) Settle {
	m := step.Measurement
	out := m.Settle
	for _, seg := range step.Segments {
		for k, dr := range seg.Drives {
			if dr.Zero || dr.Power != nil && !m.connects(dr.Pin) {
				continue
			}
			out.Time = max(out.Time, seg.settlingOf(k).need(fullConstants))
			if seg.unloaded(k) && slices.Contains(m.Pins, dr.Pin) && !out.UntilStable {
				out.UntilStable, out.Tolerance, out.Within = true, agreeTo, agreeWithin
			}
		}
	}
	// To two digits, upwards, so that a person can read it.
	if out.Time > m.Settle.Time {
		unit := math.Pow(10, math.Floor(math.Log10(out.Time))-1)
		out.Time = math.Ceil(out.Time/unit*(1-1e-12)) * unit
	}
	return out
}

// unloaded reports whether a drive forces 0 A at every point of the segment.
func (s *Segment) unloaded(k int) bool {
	conn := s.conn(k)
	return s.Drives[k].Mode == bench.ForceCurrent && conn != nil && conn.Level == 0
}

// DefaultTimes are the settle and the aperture of a measurement that states none:
// one cycle of the power line, which takes the hum out, and the wait that its
// ranges and paths need on the bench. Where the measurement cannot be connected
// there (pm nil: no pin map), the wait is that of its kind's default.
func DefaultTimes(m *Measurement, d *dut.Device, pm *bench.PinMap, b *bench.Definition) (Settle, Aperture) {
	one := Aperture{Cycles: 1}
	k, ok := KindByKey(m.Kind)
	if !ok {
		return Settle{}, one
	}
	try := m.Clone()
	try.Settle, try.Aperture = k.Default(d).Settle, one
	if pm == nil || len(k.Validate(&try, d)) > 0 {
		return try.Settle, one
	}
	pins := make([]int, len(d.Pins))
	for i, p := range d.Pins {
		pins[i] = p.Number
	}
	if pm.Validate(b, pins) != nil {
		return try.Settle, one
	}
	step, err := NewPlanner(d, pm, b).Step(0, &try, k, nil)
	if err != nil {
		return try.Settle, one
	}
	return SettleFor(step), one
}

// LeftOut says which times the document of a measurement does not state.
type LeftOut struct{ Settle, Aperture bool }

// TimesLeftOut reads from the JSON of a procedure which times its measurements do
// not state: a settle of no time is one that is stated. It is nil for a text that
// is no such document.
func TimesLeftOut(document []byte) []LeftOut {
	var doc struct {
		Measurements []members `json:"measurements"`
	}
	if json.Unmarshal(document, &doc) != nil {
		return nil
	}
	out := make([]LeftOut, len(doc.Measurements))
	for i, m := range doc.Measurements {
		out[i] = m.leftOut()
	}
	return out
}

// TimesLeftOutOfOne does the same for a JSON object with one measurement in it.
func TimesLeftOutOfOne(document []byte) LeftOut {
	var doc struct {
		Measurement members `json:"measurement"`
	}
	if json.Unmarshal(document, &doc) != nil {
		return LeftOut{}
	}
	return doc.Measurement.leftOut()
}

// members are the members of a measurement as they were sent.
type members map[string]json.RawMessage

func (m members) leftOut() LeftOut {
	_, settle := m["settle"]
	_, aperture := m["aperture"]
	return LeftOut{!settle, !aperture}
}

// Any tells whether something was left out.
func (l LeftOut) Any() bool { return l.Settle || l.Aperture }

// TakeTimes gives a measurement the times of DefaultTimes that were left out. A
// wait until stable that it has already stays as it is.
func (m *Measurement) TakeTimes(left LeftOut, d *dut.Device, pm *bench.PinMap, b *bench.Definition) {
	if !left.Any() {
		return
	}
	settle, aperture := DefaultTimes(m, d, pm, b)
	switch {
	case left.Settle && m.Settle.UntilStable:
		m.Settle.Time = settle.Time
	case left.Settle:
		m.Settle = settle
	}
	if left.Aperture {
		m.Aperture = aperture
	}
}
