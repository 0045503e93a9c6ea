package procedure

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
)

// Potentials that a leak leads to, besides those of drives.
const (
	toReturn  = -1 // 0 V
	toUnknown = -2 // a pin that is connected to nothing
)

// Leak is what open switches conduct between a drive and one potential.
type Leak struct {
	Siemens budget.Value
	To      int // index of a drive, toReturn or toUnknown
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

// mix is a potential as shares of those that are known, and of the unknown one,
// counted from toUnknown. The shares add up to 1.
type mix []float64

func (s *Segment) mixes() int { return len(s.Drives) - toUnknown }

// all is the mix that is one potential wholly.
func (s *Segment) all(potential int) mix {
	m := make(mix, s.mixes())
	m[potential-toUnknown] = 1
	return m
}

// leaks gathers the open switches beside drive k: those from its line to other
// contacts, and those from other lines to its contact.
func (p *Planner) leaks(seg *Segment, k int, lines map[bench.ChannelID]mix) []Leak {
	d := seg.Drives[k]
	own := p.contacts[d.Pin]
	to := make([]leakSum, seg.mixes())
	add := func(o *bench.Path, m mix, share float64) {
		for j, part := range m {
			if part != 0 {
				to[j].add(p.openSwitch(o)*share*part, o.ToleranceOfLeakage(), o.LeakageTolerance == 0)
			}
		}
	}
	for i := range p.bench.Paths {
		o := &p.bench.Paths[i]
		switch {
		case p.openSwitch(o) == 0 || slices.Contains(seg.Assign.Paths, o.ID):
		case o.Channel != d.Channel.ID && o.Contact == own:
			add(o, lines[o.Channel], 1)
		case o.Channel != d.Channel.ID || o.Contact == own:
		case p.occupied[o.Contact]:
			add(o, seg.all(p.potentialOf(seg, o.Contact)), 1)
		default:
			// A contact that nothing is on sits where the switches of all lines bring it.
			sum := p.siemensOf(o.Contact)
			for _, of := range p.pathsOf[o.Contact] {
				add(o, lines[of.Channel], p.openSwitch(of)/sum)
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

// siemensOf is what all open switches of a contact conduct together, S.
func (p *Planner) siemensOf(contact int) float64 {
	sum := 0.0
	for _, o := range p.pathsOf[contact] {
		sum += p.openSwitch(o)
	}
	return sum
}

// potentialOf is what a contact that a pin is on sits at.
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

// lines are the potentials of all lines: that of the return, those that a channel
// drives, and those of idle channels, which sit where open switches bring them.
// An idle channel is taken to be cut off from its line.
func (p *Planner) lines(seg *Segment) map[bench.ChannelID]mix {
	out := map[bench.ChannelID]mix{0: seg.all(toReturn)}
	for k, d := range seg.Drives {
		out[d.Channel.ID] = seg.all(k)
	}
	idle := map[bench.ChannelID]int{}
	for i := range p.bench.Channels {
		if id := p.bench.Channels[i].ID; out[id] == nil {
			idle[id] = len(idle)
		}
	}
	if len(idle) == 0 {
		return out
	}
	// Kirchhoff's law for each idle line: what its switches bring adds up to zero.
	between, from := mat.NewDense(len(idle), len(idle), nil), mat.NewDense(len(idle), seg.mixes(), nil)
	more := func(m *mat.Dense, i, j int, x float64) { m.Set(i, j, m.At(i, j)+x) }
	known := func(a int, m mix, siemens float64) {
		for j, part := range m {
			more(from, a, j, siemens*part)
		}
	}
	for contact := 1; contact <= p.bench.Contacts; contact++ {
		paths, sum := p.pathsOf[contact], p.siemensOf(contact)
		for _, o := range paths {
			a, is := idle[o.Channel]
			g := p.openSwitch(o)
			if !is || g == 0 {
				continue
			}
			more(between, a, a, g)
			if p.occupied[contact] {
				known(a, seg.all(p.potentialOf(seg, contact)), g)
				continue
			}
			for _, of := range paths {
				if b, too := idle[of.Channel]; too {
					more(between, a, b, -g*p.openSwitch(of)/sum)
				} else {
					known(a, out[of.Channel], g*p.openSwitch(of)/sum)
				}
			}
		}
	}
	var at mat.Dense
	solved := at.Solve(between, from) == nil
	for id, a := range idle {
		if out[id] = seg.all(toUnknown); solved {
			out[id] = slices.Clone(at.RawRowView(a))
		}
	}
	return out
}
