package procedure

import (
	"iter"
	"slices"

	"ohmkeep/server/dut"
)

// rest is what becomes of inputs that nothing names: a floating input of a
// powered part may oscillate or draw current, so it goes to the return.
func (m *Measurement) rest() Use {
	switch {
	case m.Rest != "":
		return m.Rest
	case m.Powered:
		return UseReturn
	}
	return UseOpen
}

// repeats is the number of readings at a point.
func (m *Measurement) repeats() int { return max(m.Repeats, 1) }

// holdOf is what the measurement says about a pin.
func (m *Measurement) holdOf(pin int) (Hold, bool) {
	i := slices.IndexFunc(m.Hold, func(h Hold) bool { return h.Pin == pin })
	if i < 0 {
		return Hold{}, false
	}
	return m.Hold[i], true
}

// powerStep is how a supply pin comes up.
func powerStep(d *dut.Device, pin int) (dut.PowerStep, bool) {
	i := slices.IndexFunc(d.Power, func(s dut.PowerStep) bool { return s.Pin == pin })
	if i < 0 {
		return dut.PowerStep{}, false
	}
	return d.Power[i], true
}

// holdFor is what a pin is held at that the kind does not connect itself: grounds
// at the return always, then what the measurement says, then supplies at their
// power step (at the return while the part is not powered, so that it cannot be
// fed through a protection diode), then unnamed inputs. All else is open.
func holdFor(m *Measurement, d *dut.Device, p dut.Pin) Hold {
	if p.Function == dut.Ground {
		return Hold{Pin: p.Number, Use: UseReturn}
	}
	if h, ok := m.holdOf(p.Number); ok {
		return h
	}
	switch p.Function {
	case dut.Supply:
		if !m.Powered {
			return Hold{Pin: p.Number, Use: UseReturn}
		}
		if s, ok := m.powerStep(d, p.Number); ok {
			return Hold{Pin: p.Number, Use: UseVoltage, Level: s.Level, Compliance: s.Limit}
		}
	case dut.Input:
		return Hold{Pin: p.Number, Use: m.rest()}
	}
	return Hold{Pin: p.Number, Use: UseOpen}
}

// conditions are the holds of all pins but the kind's own, in pin order. Open
// pins are left out.
func conditions(m *Measurement, d *dut.Device, own ...int) []Hold {
	pins := slices.Clone(d.Pins)
	slices.SortFunc(pins, func(a, b dut.Pin) int { return a.Number - b.Number })
	var out []Hold
	for _, p := range pins {
		if slices.Contains(own, p.Number) {
			continue
		}
		if h := holdFor(m, d, p); h.Use != UseOpen {
			out = append(out, h)
		}
	}
	return out
}

// point is a point of the measurement with its own settle, aperture and repeats.
func (m *Measurement) point(group int, hold []Hold, read []int) Point {
	return Point{Group: uint16(group), Hold: hold, Read: read,
		Settle: m.Settle, Aperture: m.Aperture, Count: m.repeats()}
}

// spot is a point of few, at which the levels that are held are read back.
func (m *Measurement) spot(group int, hold []Hold, read []int) Point {
	p := m.point(group, hold, read)
	p.ReadBack = true
	return p
}

// holdSlab hands out copies of a set of holds from memory taken for many points
// at once: each point keeps its own, so that a reader may hold on to any of
// them, without an allocation for every point.
type holdSlab struct{ free []Hold }

const slabHolds = 2048

func (s *holdSlab) copy(h []Hold) []Hold {
	if len(s.free) < len(h) {
		s.free = make([]Hold, max(slabHolds, len(h)))
	}
	out := s.free[:len(h):len(h)]
	s.free = s.free[len(h):]
	copy(out, h)
	return out
}

// listed yields points that are worked out beforehand.
func listed(points []Point) iter.Seq[Point] { return slices.Values(points) }
