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
	if s.errors == nil {
		s.errors = bench.NewErrors(&bench.Definition{}) // a segment without a plan
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
	seg.share = withinOne("share of each path to the return", budget.Return)
	for k, d := range seg.Drives {
		d.free = withinOne("potential of what is not connected", budget.Leakage)
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

// withinOne is a source that lies anywhere between -1 and 1: of a span that
// the sensitivity gives.
func withinOne(name string, class budget.Class) *budget.Source {
	return budget.NewSource(name, class, budget.Rectangular, budget.Rectangular.FromHalfWidth(1))
}

// returned is a pin at 0 V: over a path to the return, or by a channel.
type returned struct {
	conn   *Conn
	ground bool
	ohms   budget.Value // of its path to the return
}

// leakSum gathers what open switches conduct from one drive to one potential.
type leakSum struct {
	siemens, square float64 // S; sum of the squares of the tolerances, S²
	assumed         bool
}

func (l *leakSum) add(siemens, part float64, assumed bool) {
	l.siemens += siemens
	l.square += (part * siemens) * (part * siemens)
	l.assumed = l.assumed || assumed
}

// leaks gathers the open switches beside drive k: those from its line to other
// contacts, and those from other lines to its contact. A contact that nothing is
// on sits where the switches of all lines bring it.
func (p *Planner) leaks(seg *Segment, k int) []Leak {
	d := seg.Drives[k]
	own := p.contacts[d.Pin]
	to := make([]leakSum, len(seg.Drives)-toUnknown) // by potential, counted from toUnknown
	for i := range p.bench.Paths {
		o := &p.bench.Paths[i]
		siemens := p.openSwitch(o)
		if siemens == 0 || slices.Contains(seg.Assign.Paths, o.ID) {
			continue
		}
		part, assumed := o.ToleranceOfLeakage(), o.LeakageTolerance == 0
		switch {
		case o.Channel != d.Channel.ID && o.Contact == own:
			to[seg.potentialOfLine(o.Channel)-toUnknown].add(siemens, part, assumed)
		case o.Channel != d.Channel.ID || o.Contact == own:
		case p.occupied[o.Contact]:
			to[p.potentialOf(seg, o.Contact)-toUnknown].add(siemens, part, assumed)
		default:
			for j, share := range p.shares(seg, o.Contact) {
				to[j].add(siemens*share, part, assumed)
			}
		}
	}
	var out []Leak
	for j := range to {
		if l := &to[j]; l.siemens > 0 && j+toUnknown != k {
			s := budget.NewSource("leakage of open switches beside channel "+d.Channel.Name, budget.Leakage, budget.Normal, math.Sqrt(l.square/3))
			s.Assumed = l.assumed
			out = append(out, Leak{Siemens: budget.Of(l.siemens, s), To: j + toUnknown})
		}
	}
	return out
}

// openSwitch is the conductance of a path that is open, S: twice that of its
// switch where it carries a sense wire too.
func (p *Planner) openSwitch(o *bench.Path) float64 {
	if o.Kelvin && o.Channel != 0 {
		if ch, ok := p.bench.ChannelByID(o.Channel); ok && ch.RemoteSense {
			return 2 * o.Leakage
		}
	}
	return o.Leakage
}

// shares says by which part the lines hold a contact that nothing is on, by
// potential, counted from toUnknown.
func (p *Planner) shares(seg *Segment, contact int) []float64 {
	out := make([]float64, len(seg.Drives)-toUnknown)
	sum := 0.0
	for _, o := range p.pathsOf[contact] {
		siemens := p.openSwitch(o)
		out[seg.potentialOfLine(o.Channel)-toUnknown] += siemens
		sum += siemens
	}
	for j := range out {
		out[j] /= sum
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
