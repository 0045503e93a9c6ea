package procedure

import (
	"slices"

	"ohmkeep/server/dut"
)

// nudge is the part of its level by which a level is moved to see what depends on
// it: far more than a channel's accuracy, and too little to switch anything. It
// goes towards zero, so that it keeps every rating but that above a clamp supply;
// where that would be broken, the level stays (see clamps).
const nudge = 0.01

// stood is a level other than zero that pins stand at, V or A by what is forced.
type stood struct {
	use   Use
	level float64
}

// levels are those that a point rests on, each once, in the order of its holds:
// those that are held and, with own, those of the pins that are read.
func (p *Point) levels(own bool) []stood {
	var out []stood
	for i := range p.Hold {
		if l, moves := p.moves(i, own); moves && !slices.Contains(out, l) {
			out = append(out, l)
		}
	}
	return out
}

// moves is the level of a hold, and whether it is one that can be moved.
func (p *Point) moves(hold int, own bool) (l stood, moves bool) {
	h := p.Hold[hold]
	return stood{h.Use, h.Level}, h.Level != 0 && h.Use.TakesChannel() && (own || !slices.Contains(p.Read, h.Pin))
}

// nudged is the point with one of its levels moved. Pins at one level move
// together: a strap may tie them to one channel.
func (p Point) nudged(level stood, own bool) Point {
	hold := slices.Clone(p.Hold)
	for i := range hold {
		if l, moves := p.moves(i, own); moves && l == level {
			hold[i].Level = level.level * (1 - nudge)
		}
	}
	p.Hold, p.Auxiliary, p.Count = hold, true, 1 // a slope over 1 % of a level needs no repeats
	return p
}

// nudges are points that belong together with each level that they rest on moved
// in turn, and with own those of the pins that are read too.
func nudges(d *dut.Device, points []Point, own bool) []Point {
	var out []Point
	for _, l := range points[0].levels(own) {
		for _, p := range points {
			if n := p.nudged(l, own); !n.clamps(&p, d) {
				out = append(out, n)
			}
		}
	}
	return out
}

// clamps reports whether a pin is held further above the supply that it clamps to
// than its rating allows, which it was not at the point before.
func (p *Point) clamps(before *Point, d *dut.Device) bool {
	above := func(of *Point, i int) bool {
		h := of.Hold[i]
		pin, ok := d.Pin(h.Pin)
		if !ok || pin.Clamp == 0 || pin.Clamp == h.Pin || h.Use != UseVoltage {
			return false
		}
		for _, s := range of.Hold {
			if s.Pin == pin.Clamp && s.Use == UseVoltage {
				return h.Level > s.Level+pin.AboveClamp
			}
		}
		return false
	}
	for i := range p.Hold {
		if above(p, i) && !above(before, i) {
			return true
		}
	}
	return false
}
