package procedure

import (
	"math"
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
	"ohmkeep/server/dut"
)

// Sense is how the readings of a drive come about while its ranges stay: whose
// errors they carry, and over what aperture. It is not changed once made.
type Sense struct {
	V, I    *bench.RangeErrors
	Cycles  float64 // aperture in power-line cycles
	Segment *Segment
	Drive   int // index in Segment.Drives
}

// Sense returns how drive k of the segment is read under a setup, or nil where
// its channel cannot do what the setup asks. The same answer is the same pointer.
func (s *Segment) Sense(k int, set bench.Setup, cycles float64) *Sense {
	d := s.Drives[k]
	_, v, i, ok := d.Channel.RangesFor(set)
	if !ok {
		return nil
	}
	for _, known := range d.senses {
		if known.V.FullScale == v.FullScale && known.I.FullScale == i.FullScale && known.Cycles == cycles {
			return known
		}
	}
	sense := &Sense{V: s.errors.SenseV(d.Channel, v), I: s.errors.SenseI(d.Channel, i), Cycles: cycles, Segment: s, Drive: k}
	d.senses = append(d.senses, sense)
	return sense
}

// Potentials that a leak leads to, besides those of drives.
const (
	toReturn  = -1 // 0 V
	toUnknown = -2 // whatever is connected to nothing
)

// Leak is what open switches conduct between a drive and one potential.
type Leak struct {
	Siemens budget.Value
	To      int // index of a drive, toReturn or toUnknown
}

// surround works out what lies between each drive of a segment and its pin, and
// beside it.
func (p *Planner) surround(seg *Segment) {
	seg.errors = p.errors
	for k, d := range seg.Drives {
		d.Series = budget.Exact(0)
		if !d.Remote {
			d.Series = p.errors.Series(d.Channel, d.Path)
		}
		d.Leaks = p.leaks(seg, k)
	}
	for _, c := range seg.Conns {
		if c.Use != UseReturn {
			continue
		}
		pin, _ := p.device.Pin(c.Pin)
		seg.returns = append(seg.returns, returned{conn: c, ground: pin.Function == dut.Ground, ohms: p.errors.PathR(c.Path)})
	}
}

// returned is a pin at 0 V: over a path to the return, or by a channel.
type returned struct {
	conn   *Conn
	ground bool
	ohms   budget.Value // of its path to the return
}

// leaks gathers the open switches beside drive k: those from its line to other
// contacts, and those from other lines to its contact. A switch with a sense
// wire leaks twice.
func (p *Planner) leaks(seg *Segment, k int) []Leak {
	d := seg.Drives[k]
	contact := p.contacts[d.Pin]
	type group struct {
		siemens, square float64
		assumed         bool
	}
	groups := map[int]*group{}
	for i := range p.bench.Paths {
		o := &p.bench.Paths[i]
		if o.Leakage == 0 || slices.Contains(seg.Assign.Paths, o.ID) {
			continue
		}
		to, beside := 0, true
		switch {
		case o.Channel == d.Channel.ID && o.Contact != contact:
			to = p.potentialOf(seg, o.Contact)
		case o.Channel != d.Channel.ID && o.Contact == contact:
			to = seg.potentialOfLine(o.Channel)
		default:
			beside = false
		}
		if !beside || to == k {
			continue
		}
		g := groups[to]
		if g == nil {
			g = &group{}
			groups[to] = g
		}
		times := 1.0
		if ch, ok := p.bench.ChannelByID(o.Channel); ok && o.Kelvin && ch.RemoteSense {
			times = 2
		}
		part, assumed := o.LeakTolerance()
		g.siemens += times * o.Leakage
		g.square += times * (part * o.Leakage) * (part * o.Leakage)
		g.assumed = g.assumed || assumed
	}
	var out []Leak
	for to := toUnknown; to < len(seg.Drives); to++ {
		if g := groups[to]; g != nil {
			s := budget.NewSource("leakage of open switches beside channel "+d.Channel.Name, budget.Leakage, budget.Normal, math.Sqrt(g.square/3))
			s.Assumed = g.assumed
			out = append(out, Leak{Siemens: budget.Of(g.siemens, s), To: to})
		}
	}
	return out
}

// potentialOf is what a contact sits at.
func (p *Planner) potentialOf(seg *Segment, contact int) int {
	for _, c := range seg.Conns {
		if p.contacts[c.Pin] != contact {
			continue
		}
		if c.Drive >= 0 {
			return c.Drive
		}
		return toReturn
	}
	return toUnknown
}

// potentialOfLine is what the line of a channel sits at; 0 is the return.
func (s *Segment) potentialOfLine(id bench.ChannelID) int {
	if id == 0 {
		return toReturn
	}
	for k, d := range s.Drives {
		if d.Channel.ID == id {
			return k
		}
	}
	return toUnknown
}

// standard is the standard uncertainties of one reading's voltage and current by
// the ranges alone, V and A.
func (o *Observation) standard() (uv, ui float64) {
	if o.Sense == nil {
		return 0, 0
	}
	return o.Sense.V.StandardUncertainty(o.V, o.Sense.Cycles), o.Sense.I.StandardUncertainty(o.I, o.Sense.Cycles)
}
