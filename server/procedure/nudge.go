package procedure

import (
	"math"
	"slices"

	"ohmkeep/server/dut"
)

// nudge is the part of its level by which a level is moved to see what depends on
// it: far more than a channel's accuracy, and too little to switch anything. It
// goes towards zero, so that it keeps every rating but that above a clamp supply;
// where that would be broken, the level stays (see clamps).
const nudge = 0.01

// A voltage that voltages follow is moved by strideNudge, in volts, but by no more
// than mostNudge of itself: what is read quickly lets hum through, from which 1 % of
// it would not stand out. One that moves by less than quickNudge is not read quickly.
const (
	strideNudge = 0.15
	mostNudge   = 0.06
	quickNudge  = 10e-3
)

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

// stride is by how much a level is moved towards zero, V or A.
func (p *Point) stride(level stood) float64 {
	by := nudge * math.Abs(level.level)
	if level.use == UseVoltage && p.sensesVoltage() {
		by = max(by, min(strideNudge, mostNudge*math.Abs(level.level)))
	}
	return by
}

// nudged is the point with one of its levels moved. Pins at one level move
// together: a strap may tie them to one channel.
func (p Point) nudged(level stood, own bool, h hurry) Point {
	by := p.stride(level)
	p.Hold = p.shifted(1, own, func(l stood) bool { return l == level })
	p.Auxiliary, p.Count = true, 1 // a slope needs no repeats
	h.take(&p, by)
	return p
}

// shifted is the holds with those levels moved by a part of their stride.
func (p *Point) shifted(part float64, own bool, which func(stood) bool) []Hold {
	hold := slices.Clone(p.Hold)
	for i := range hold {
		if l, moves := p.moves(i, own); moves && which(l) {
			hold[i].Level -= math.Copysign(part*p.stride(l), l.level)
		}
	}
	return hold
}

// bendPart is the part of its stride by which each level moves at the one point where
// all of them move at once. What follows straight lines shows there the same part of
// what it showed for each alone, summed; what differs is a bend.
const bendPart = 1.0 / 3

// bending is the point with all of its levels moved at once, to see whether what is
// read follows one of them along a curve.
func (p Point) bending(levels []stood, own bool, h hurry) Point {
	by := 0.0
	for _, l := range levels {
		by = max(by, bendPart*p.stride(l))
	}
	p.Hold = p.shifted(bendPart, own, func(stood) bool { return true })
	p.Auxiliary, p.Bending, p.Count = true, true, 1
	h.take(&p, by)
	return p
}

// hurry is the parts of settle and aperture that a point with a level moved takes.
// It tells a slope, which is multiplied by no more than what the level is off, so it
// may be known to a few percent: what is left of settling is corrected for (see
// lag), and what noise and hum a short aperture lets through counts.
type hurry struct{ settle, aperture float64 }

// What hurries how. A current may follow a level more steeply than in proportion and
// must be told from zero; a watch is long.
var (
	hurryVoltage = hurry{1.0 / 10, 1.0 / 60}
	hurryCurrent = hurry{1.0 / 4, 1}
	noHurry      = hurry{1, 1}
)

// take gives a point whose level is moved by so many volts its times. One that waits
// until two readings agree, or that integrates over less than a power-line cycle,
// keeps its aperture, and so does one that hum would hide.
func (h hurry) take(p *Point, by float64) {
	p.Settle.Time *= h.settle
	if p.Settle.UntilStable || by < quickNudge || !p.sensesVoltage() {
		return
	}
	if a := &p.Aperture; a.Cycles >= 1 || a.Cycles == 0 && a.Seconds >= 1.0/nominalLineHz {
		a.Cycles, a.Seconds = a.Cycles*h.aperture, a.Seconds*h.aperture
	}
}

// sensesVoltage reports whether every pin that is read is forced with a current.
func (p *Point) sensesVoltage() bool {
	for i := range p.Hold {
		if h := &p.Hold[i]; h.Use != UseCurrent && slices.Contains(p.Read, h.Pin) {
			return false
		}
	}
	return true
}

// nudges are a point with each level that it rests on moved in turn, and with own
// those of the pins that are read too. Where voltages are read one point with all of
// them moved goes before; a current tells its bend by what an exponential would do.
func nudges(d *dut.Device, p Point, own bool, h hurry) []Point {
	var out []Point
	levels := p.levels(own)
	if b := p.bending(levels, own, h); len(levels) > 0 && p.sensesVoltage() && !b.clamps(&p, d) {
		out = append(out, b)
	}
	for _, l := range levels {
		if n := p.nudged(l, own, h); !n.clamps(&p, d) {
			out = append(out, n)
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
