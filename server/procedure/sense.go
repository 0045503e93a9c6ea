package procedure

import (
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
	if s.errors == nil {
		s.errors = bench.NewErrors(&bench.Definition{}) // a segment without a plan
	}
	sense := &Sense{V: s.errors.SenseV(d.Channel, v), I: s.errors.SenseI(d.Channel, i), Cycles: cycles, Segment: s, Drive: k}
	d.senses = append(d.senses, sense)
	return sense
}

// surround works out what lies between each drive of a segment and its pin, and
// beside it.
func (p *Planner) surround(seg *Segment) {
	seg.errors = p.errors
	seg.share = withinOne("share of each path to the return", budget.Return, budget.Rectangular)
	seg.way = withinOne("way back of the current, by a ground or by a supply at the return", budget.Return, budget.Bounded)
	beside := p.around(seg)
	seg.beyond = beside.beyond()
	seg.joined = withinOne("leakage at open pins that the part may join with this one", budget.Leakage, budget.Bounded)
	for k, d := range seg.Drives {
		// A pin that is left open sits somewhere, and a logic output at one end.
		d.free = withinOne("potential of what is not connected", budget.Leakage, budget.Bounded)
		if d.Witness {
			d.Series = budget.Exact(0)
		} else if d.Remote {
			d.Series = p.errors.Remote(d.Channel, d.Path)
		} else {
			d.Series = p.errors.Series(d.Channel, d.Path, p.contacts[d.Pin])
		}
		d.Leaks = p.leaks(beside, k)
	}
	p.witnessed(seg, beside)
	for _, c := range seg.Conns {
		if c.Use != UseReturn {
			continue
		}
		pin, _ := p.device.Pin(c.Pin)
		seg.returns = append(seg.returns, returned{conn: c, ground: pin.Function == dut.Ground, supply: pin.Function == dut.Supply, ohms: p.errors.PathR(c.Path, p.contacts[c.Pin])})
	}
}

// withinOne is a source that lies anywhere between -1 and 1: of a span that
// the sensitivity gives.
func withinOne(name string, class budget.Class, dist budget.Distribution) *budget.Source {
	return budget.NewSource(name, class, dist, dist.FromHalfWidth(1))
}

// returned is a pin at 0 V: over a path to the return, or by a channel.
type returned struct {
	conn   *Conn
	ground bool
	supply bool
	ohms   budget.Value // of its path to the return
}

// standard is the standard uncertainties of one reading's voltage and current by
// the ranges alone, V and A.
func (o *Observation) standard() (uv, ui float64) {
	if o.Sense == nil {
		return 0, 0
	}
	return o.Sense.V.StandardUncertainty(o.V, o.Sense.Cycles), o.Sense.I.StandardUncertainty(o.I, o.Sense.Cycles)
}
