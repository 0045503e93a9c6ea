package bench

import (
	"math"
	"slices"
)

// RangeFor returns the smallest range that holds value, in the range's unit.
// It reports false where none does, or where value is no finite number.
func RangeFor(ranges []Range, value float64) (Range, bool) {
	v := math.Abs(value)
	for _, r := range ranges {
		// A level computed as the full scale may exceed it in the last bit.
		if v <= r.FullScale*(1+1e-12) {
			return r, true
		}
	}
	return Range{}, false
}

// pick returns the range with the given full scale, or the smallest that
// holds value where full is 0.
func pick(ranges []Range, full, value float64) (Range, bool) {
	if full == 0 {
		return RangeFor(ranges, value)
	}
	r, ok := RangeFor(ranges, full)
	return r, ok && math.Abs(value) <= r.FullScale*(1+1e-12)
}

// RangesFor returns the ranges that a channel uses under a setup: the one
// that forces, and those that sense voltage and current. What is forced is
// sensed in the smallest sense range that holds the force range in use; what
// is not forced in the setup's SenseRange. This is the one place that decides
// it, for links and for uncertainty alike. It reports false where the channel
// cannot do what the setup asks.
func (c *Channel) RangesFor(s Setup) (force, senseV, senseI Range, ok bool) {
	if !(s.Compliance > 0) {
		return force, senseV, senseI, false
	}
	var ok1, ok2, ok3 bool
	if s.Mode == ForceCurrent {
		force, ok1 = pick(c.ForceI, s.Range, s.Level)
		senseI, ok2 = sensing(c.SenseI, force.FullScale, s.Level)
		senseV, ok3 = pick(c.SenseV, s.SenseRange, s.Compliance)
		return force, senseV, senseI, ok1 && ok2 && ok3
	}
	force, ok1 = pick(c.ForceV, s.Range, s.Level)
	senseV, ok2 = sensing(c.SenseV, force.FullScale, s.Level)
	senseI, ok3 = pick(c.SenseI, s.SenseRange, s.Compliance)
	return force, senseV, senseI, ok1 && ok2 && ok3
}

// KeepsRanges reports whether RangesFor gives the same ranges for a setup at every
// level: where it names the range that forces, and a sense range holds that.
func (c *Channel) KeepsRanges(s Setup) bool {
	forces, senses := c.ForceV, c.SenseV
	if s.Mode == ForceCurrent {
		forces, senses = c.ForceI, c.SenseI
	}
	if s.Range == 0 {
		return false
	}
	force, ok := RangeFor(forces, s.Range)
	_, holds := RangeFor(senses, force.FullScale)
	return ok && holds
}

// sensing picks the sense range of the forced quantity: the smallest that
// holds the whole force range, or failing that the level itself.
func sensing(ranges []Range, full, level float64) (Range, bool) {
	if r, ok := RangeFor(ranges, full); ok {
		return r, true
	}
	return RangeFor(ranges, level)
}

// StandardUncertainty is the standard uncertainty of one reading of value in
// the range, in the range's unit. cycles is the aperture in power-line cycles;
// 0 counts as one.
//
// Gain, offset and converter step are bounds without further knowledge, so each
// is a rectangular distribution: half-width a gives a/√3, a step s gives s/√12
// (JCGM 100:2008, GUM, 4.3.7). Noise is a standard
// deviation already; it is taken as white, falling with the square root of
// the aperture. All are independent and add in quadrature (GUM 5.1.2).
func (r Range) StandardUncertainty(value, cycles float64) float64 {
	s := r.spread(cycles)
	return s.at(value)
}

// ChannelByID returns the channel with that number.
func (d *Definition) ChannelByID(id ChannelID) (*Channel, bool) {
	i := slices.IndexFunc(d.Channels, func(c Channel) bool { return c.ID == id })
	if i < 0 {
		return nil, false
	}
	return &d.Channels[i], true
}

// PathByID returns the path with that number.
func (d *Definition) PathByID(id PathID) (*Path, bool) {
	i := slices.IndexFunc(d.Paths, func(p Path) bool { return p.ID == id })
	if i < 0 {
		return nil, false
	}
	return &d.Paths[i], true
}

// PathsOf returns the paths that lead to a contact, in the bench's order.
func (d *Definition) PathsOf(contact int) []Path {
	var out []Path
	for _, p := range d.Paths {
		if p.Contact == contact {
			out = append(out, p)
		}
	}
	return out
}

// PinOf returns the pin that sits on a contact.
func (m *PinMap) PinOf(contact int) (int, bool) {
	for pin, c := range m.Contacts {
		if c == contact {
			return pin, true
		}
	}
	return 0, false
}

// StrapsOf returns the straps on a contact.
func (m *PinMap) StrapsOf(contact int) []Strap {
	var out []Strap
	for _, s := range m.Straps {
		if s.Contact == contact {
			out = append(out, s)
		}
	}
	return out
}
