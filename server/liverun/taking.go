package liverun

import (
	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
)

// taking is how a picture takes a reading, worked out once from its axes: a run
// has millions of readings.
type taking struct {
	x, y   quantityCode
	roles  [256]role // by pin
	groups uint16    // mask: 0 where the groups are one curve
	pins   uint8     // mask: 0 unless each pin has a curve of its own
}

// role is what a reading of a pin is to a picture.
type role uint8

const (
	roleNone  role = iota // not shown
	roleWhole             // a point
	roleX                 // half a point: its X
	roleY                 // half a point: its Y
)

// quantityCode is a procedure.Quantity as a number.
type quantityCode uint8

const (
	codeCurrent quantityCode = iota
	codeTime
	codeSet
	codeVoltage
	codePin
)

func codeOf(q procedure.Quantity) quantityCode {
	switch q {
	case procedure.QuantityTime:
		return codeTime
	case procedure.QuantitySet:
		return codeSet
	case procedure.QuantityVoltage:
		return codeVoltage
	case procedure.QuantityPin:
		return codePin
	}
	return codeCurrent
}

// takingOf works out how readings are taken by pictures of a shape.
func takingOf(s *procedure.Shape) taking {
	t := taking{x: codeOf(s.X.Quantity), y: codeOf(s.Y.Quantity)}
	if !s.Merge {
		t.groups = 0xffff
	}
	if s.X.Pin == 0 && s.Y.Pin == 0 && s.X.Quantity != procedure.QuantityPin {
		t.pins = 0xff
	}
	for pin := range t.roles {
		t.roles[pin] = roleOf(s, pin)
	}
	return t
}

// roleOf returns what a reading of a pin is where the axes are those of s.
func roleOf(s *procedure.Shape, pin int) role {
	x, y := &s.X, &s.Y
	switch {
	case x.Pin == y.Pin || x.Quantity == procedure.QuantityTime || x.Quantity == procedure.QuantityPin && x.Pin == 0:
		if y.Pin == 0 || y.Pin == pin {
			return roleWhole
		}
	case pin == y.Pin || y.Pin == 0 && pin != x.Pin:
		return roleY
	case pin == x.Pin || x.Pin == 0:
		return roleX
	}
	return roleNone
}

// alike returns how many of the first readings are of one pin and group, and all
// for a correction or none.
func alike(readings []bench.Reading) int {
	first := &readings[0]
	n := 1
	for n < len(readings) && readings[n].Pin == first.Pin && readings[n].Group == first.Group &&
		(readings[n].Flags^first.Flags)&bench.Auxiliary == 0 {
		n++
	}
	return n
}

// valueOf returns one quantity of a reading: s, V, A or the pin's number.
func valueOf(r *bench.Reading, q quantityCode) float64 {
	switch q {
	case codeTime:
		return float64(r.T) / 1e9
	case codeSet:
		return r.Set
	case codeVoltage:
		return r.V
	case codePin:
		return float64(r.Pin)
	}
	return r.I
}
