package procedure

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
)

// Reason says in words why a draft is as it is: where a value or a limit comes
// from, or what was left out and why.
type Reason struct {
	Measurement string `json:"measurement,omitempty"` // id; "" for the draft as a whole
	Field       string `json:"field,omitempty"`       // as in Problem; "" for all of it
	Words       string `json:"words"`
}

// Draft makes a first procedure from the device alone: contact of every pin,
// shorts between neighbours, leakage of inputs, supply currents and output
// levels, with limits from the ratings and the logic family. What the device
// does not say is left out, with a reason. With a bench and a pin map (both may
// be nil) the current ranges are the bench's own, and only what can be connected
// is drafted. The procedure is valid for a valid device.
func Draft(d *dut.Device, def *bench.Definition, pm *bench.PinMap) (Procedure, []Reason) {
	dr := &drafter{d: d, def: def, pm: pm}
	dr.p = Procedure{
		Key: within(d.Key, 58) + "-draft", Name: within(d.Name, maxName-13) + ", first draft", Device: d.Key, Guard: 1,
		Notes:        "Drafted from the device's pins and ratings. Read the note of each measurement before it is trusted: it says where the limits come from.",
		Measurements: []Measurement{},
	}
	dr.why("", "guard", "A guard band of one U: a part passes only where the limit is kept with the uncertainty taken off. Common practice.")
	if def != nil && pm != nil {
		dr.planner = NewPlanner(d, pm, def)
	}
	dr.contact()
	dr.shorts()
	dr.powered()
	dr.safe()
	return dr.p, dr.reasons
}

// powered drafts what needs the supplies up.
func (dr *drafter) powered() {
	if len(dr.d.Power) == 0 {
		dr.why("", "", "The device has no power steps: nothing that needs the supplies up was drafted.")
		return
	}
	if dr.floating = dr.floatingPins(); len(dr.floating) > 0 {
		dr.why("", "disabled", "Everything that needs the supplies up is left off: pins %s go both ways and would float, and what a part draws then says nothing. The device does not say which of them drive, so that none may be tied to the return. Hold those that are inputs, then turn the measurements on.",
			dr.labels(dr.floating))
	}
	dr.leakage()
	dr.supplyCurrents()
	dr.outputs()
	dr.leftOut()
}

// drafter gathers a draft.
type drafter struct {
	d       *dut.Device
	def     *bench.Definition
	pm      *bench.PinMap
	planner *Planner // nil: nothing is known of what can be connected
	// floating is the two-way pins that nothing holds while the supplies are up.
	floating []int
	p        Procedure
	reasons  []Reason
}

func (dr *drafter) why(id, field, format string, args ...any) {
	dr.reasons = append(dr.reasons, Reason{id, field, fmt.Sprintf(format, args...)})
}

// omit says why a pin was left out, pins with the same reason in one sentence.
func (dr *drafter) omit(what string, pin int, because string) {
	end := " left out: " + because + "."
	head := what + ": pin "
	if n := len(dr.reasons); n > 0 {
		last := &dr.reasons[n-1]
		if before, ok := strings.CutSuffix(last.Words, end); ok && strings.HasPrefix(before, head) {
			last.Words = before + ", " + labelOf(dr.d, pin) + end
			return
		}
	}
	dr.why("", "", "%s", head+labelOf(dr.d, pin)+end)
}

// add puts a measurement into the draft with those of its pins that can be
// measured, and gives a reason for each that cannot. It returns the
// measurement's id, "" where no pin is left.
func (dr *drafter) add(m Measurement) string {
	pins := m.Pins
	m.Pins = nil
	m.ID = dr.p.freeID(m.ID)
	for _, n := range pins {
		one := m
		one.Pins = []int{n}
		if one.Method == Neighbours {
			one.Method = AllOthers
		}
		if err := dr.possible(&one); err != nil {
			dr.omit(m.Name, n, err.Error())
			continue
		}
		m.Pins = append(m.Pins, n)
	}
	for len(m.Pins) > 0 {
		if m.Method == Neighbours && len(m.Pins) == 1 {
			m.Method = AllOthers
		}
		err := dr.possible(&m)
		if err == nil {
			if m.Powered && len(dr.floating) > 0 && !m.Disabled {
				m.Disabled = true
				m.Note = within(m.Note+" Turn it on once every two-way pin is held or known to drive: while one floats, the part may draw any current.", maxNote)
			}
			dr.p.Measurements = append(dr.p.Measurements, m)
			return m.ID
		}
		drop := len(m.Pins) - 1
		var clash *bench.Clash
		if errors.As(err, &clash) {
			for i, n := range m.Pins {
				if slices.Contains(clash.Pins, n) {
					drop = i
				}
			}
		}
		dr.omit(m.Name, m.Pins[drop], err.Error())
		m.Pins = slices.Delete(m.Pins, drop, drop+1)
	}
	return ""
}

// possible reports what is wrong with a measurement for the device, or what
// keeps a point of it from being connected.
func (dr *drafter) possible(m *Measurement) error {
	if ps := m.Validate(dr.d); len(ps) > 0 {
		return errors.New(ps[0].Message)
	}
	if dr.planner == nil {
		return nil
	}
	k, _ := KindByKey(m.Kind)
	step, err := dr.planner.Step(0, m, k, nil)
	if err == nil {
		m.Settle = SettleFor(step)
	}
	return err
}

// floatingPins are the two-way pins that no strap holds.
func (dr *drafter) floatingPins() []int {
	pins := dr.d.PinsOf(dut.Bidirectional)
	if dr.pm == nil {
		return pins
	}
	return slices.DeleteFunc(pins, func(n int) bool {
		c := dr.pm.Contacts[n]
		return slices.ContainsFunc(dr.pm.Straps, func(s bench.Strap) bool { return s.Contact == c || s.Kind == bench.StrapResistor && s.To == c })
	})
}

func labelOf(d *dut.Device, n int) string {
	if p, ok := d.Pin(n); ok {
		return p.Label()
	}
	return fmt.Sprint(n)
}

// tied reports whether a strap ties the pin to the return, or to a channel
// together with other pins: it cannot be measured by itself.
func (dr *drafter) tied(pin int) bool {
	if dr.pm == nil {
		return false
	}
	for _, s := range dr.pm.StrapsOf(dr.pm.Contacts[pin]) {
		if s.Kind == bench.StrapReturn || s.Kind == bench.StrapChannel && len(dr.onChannel(s.Channel)) > 1 {
			return true
		}
	}
	return false
}

// onChannel is the pins that straps tie to a channel, ascending.
func (dr *drafter) onChannel(ch bench.ChannelID) []int {
	var out []int
	for _, p := range dr.d.Pins {
		for _, s := range dr.pm.StrapsOf(dr.pm.Contacts[p.Number]) {
			if s.Kind == bench.StrapChannel && s.Channel == ch {
				out = append(out, p.Number)
			}
		}
	}
	slices.Sort(out)
	return out
}

// alone takes away the pins that a strap ties to others, with a reason.
func (dr *drafter) alone(what string, pins []int) []int {
	var out []int
	for _, n := range pins {
		if dr.tied(n) {
			dr.omit(what, n, "a strap ties it to the return or to other pins")
			continue
		}
		out = append(out, n)
	}
	return out
}

// currentRange is the smallest full scale of the bench's current ranges, over
// all channels, that holds a current with room; at is used where there is no
// bench or no such range.
func (dr *drafter) currentRange(current, at float64) float64 {
	if dr.def == nil {
		return at
	}
	best := math.Inf(1)
	for _, c := range dr.def.Channels {
		if r, ok := bench.RangeFor(c.SenseI, current); ok {
			best = min(best, r.FullScale)
		}
	}
	if math.IsInf(best, 1) {
		return at
	}
	return best
}

// settleFor is how long to wait on a current range of that full scale, in
// seconds. How fast the ranges are is not stated by a bench: the times are
// common practice for a loop that slows down as its shunt grows.
func settleFor(amperes float64) Settle {
	switch {
	case amperes >= 100e-6:
		return Settle{Time: 2e-3}
	case amperes >= 5e-6:
		return Settle{Time: 5e-3}
	}
	return Settle{Time: 30e-3}
}

func (dr *drafter) leftOut() {
	if len(dr.d.PinsOf(dut.Input)) > 0 && len(dr.d.PinsOf(dut.Output, dut.Bidirectional)) > 0 {
		dr.why("", "", "Input thresholds are left out: the device does not say which output answers to which input, and pins named alike are no proof. Add one for each input with the output to watch; its limits are the highest low and the lowest high of the logic family.")
	}
	if len(dr.d.PinsOf(dut.Analog)) > 0 {
		dr.why("", "", "Analog pins are looked at for contact and shorts only: what they should do is not in the device.")
	}
}
