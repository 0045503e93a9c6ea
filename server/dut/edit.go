package dut

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
)

// Clone returns a copy that shares nothing with d.
func (d Device) Clone() Device {
	d.Pins = slices.Clone(d.Pins)
	d.Power = slices.Clone(d.Power)
	return d
}

// Duplicate returns the same device under another key and name.
func (d Device) Duplicate(key, name string) Device {
	d = d.Clone()
	d.Key, d.Name = key, name
	return d
}

// SortPins returns the device with its pins in ascending order of number.
func (d Device) SortPins() Device {
	d = d.Clone()
	slices.SortStableFunc(d.Pins, func(a, b Pin) int { return cmp.Compare(a.Number, b.Number) })
	return d
}

// Reversed renumbers the last pin to 1, the one before it to 2 and so on, for
// Renumber.
func (d Device) Reversed() map[int]int {
	to := map[int]int{}
	for _, p := range d.Pins {
		to[p.Number] = d.Package.Pins + 1 - p.Number
	}
	return to
}

// Shifted renumbers every pin by so many places around the package, for Renumber:
// a package read from the wrong corner is a shift.
func (d Device) Shifted(by int) map[int]int {
	to := map[int]int{}
	n := d.Package.Pins
	for _, p := range d.Pins {
		if n > 0 {
			to[p.Number] = ((p.Number-1+by%n)%n+n)%n + 1
		}
	}
	return to
}

// Renumber gives pins new numbers; a pin that to does not name keeps its own.
// Clamps and power steps follow their pins, and the pins are sorted. It fails with
// Problems, and changes nothing, where two pins would share a number or one would
// leave the package.
func (d Device) Renumber(to map[int]int) (Device, error) {
	number := func(n int) int {
		if m, ok := to[n]; ok {
			return m
		}
		return n
	}
	var ps Problems
	for _, n := range slices.Sorted(maps.Keys(to)) {
		if _, ok := d.Pin(n); !ok {
			ps.Add("pins", "there is no pin %d to renumber", n)
		}
	}
	from := map[int]int{}
	out := d.Clone()
	for i := range out.Pins {
		p := &out.Pins[i]
		n := number(p.Number)
		if n < 1 || n > d.Package.Pins {
			ps.Add(fmt.Sprintf("pins[%d].number", i), "pin %s cannot become pin %d: the package has %d pins", p.Label(), n, d.Package.Pins)
		}
		if other, dup := from[n]; dup {
			ps.Add(fmt.Sprintf("pins[%d].number", i), "pins %d and %d would both become pin %d", other, p.Number, n)
		}
		from[n] = p.Number
		p.Number = n
		if p.Clamp != 0 {
			p.Clamp = number(p.Clamp)
		}
	}
	for i := range out.Power {
		out.Power[i].Pin = number(out.Power[i].Pin)
	}
	if err := ps.Err(); err != nil {
		return d, err
	}
	return out.SortPins(), nil
}

// NewPin is what a pin is before anything is known of it: left alone.
func NewPin(number int) Pin { return Pin{Number: number, Name: "NC", Function: NoConnect} }

// SetPackage changes the package. Pins that the new one has keep what is known of
// them, pins it adds are no connects, pins it lacks are dropped together with the
// clamps and power steps that led to them: Diff shows which. It fails with
// Problems, and changes nothing, where the package cannot be.
func (d Device) SetPackage(p Package) (Device, error) {
	out := d.Clone()
	out.Package = p
	var ps Problems
	out.checkPackage(&ps)
	if err := ps.Err(); err != nil {
		return d, err
	}
	gone := func(n int) bool { return n > p.Pins }
	out.Pins = slices.DeleteFunc(out.Pins, func(q Pin) bool { return gone(q.Number) })
	out.Power = slices.DeleteFunc(out.Power, func(s PowerStep) bool { return gone(s.Pin) })
	for i := range out.Pins {
		if q := &out.Pins[i]; gone(q.Clamp) {
			q.Clamp, q.AboveClamp = 0, 0
		}
	}
	for n := 1; n <= p.Pins; n++ {
		if _, ok := out.Pin(n); !ok {
			out.Pins = append(out.Pins, NewPin(n))
		}
	}
	return out.SortPins(), nil
}
