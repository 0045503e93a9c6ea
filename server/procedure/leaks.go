package procedure

import (
	"math"
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
)

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

// leakSum gathers what open switches conduct from one drive, by potential counted
// from toUnknown.
type leakSum struct {
	k       int       // place of the drive's own potential
	siemens []float64 // S
	// lines is, by line, the variance that all its switches together give to the
	// siemens of each potential, S²: one switch changes what leads to several at
	// once. ways says whether they raise or lower it, mostly.
	lines, ways [][]float64
	assumed     bool
}

// around is what is beside the drives of a segment: the switches that are open,
// and where the ends of all of them are.
type around struct {
	seg      *Segment
	open     []arm       // at the contacts that a pin is on
	contacts []int       // potential of each contact that a pin is on
	lines    [][]float64 // of each line, by number, the share of each potential counted from toUnknown
	units    []float64   // see whole
}

// around works out what is beside the drives of a segment.
func (p *Planner) around(seg *Segment) *around {
	n := len(seg.Drives) - toUnknown
	s := &around{seg: seg, open: make([]arm, 0, len(p.beside)), contacts: make([]int, p.bench.Contacts+1),
		lines: make([][]float64, len(p.bench.Channels)+1), units: make([]float64, 2*n-1)}
	s.units[n-1] = 1
	for i := range s.contacts {
		s.contacts[i] = toUnknown
	}
	for _, c := range seg.Conns {
		s.contacts[p.contacts[c.Pin]] = max(c.Drive, toReturn)
	}
	for _, a := range p.beside {
		if !slices.Contains(seg.Assign.Paths, a.path.ID) {
			s.open = append(s.open, a)
		}
	}
	s.lines[0] = s.whole(toReturn)
	for k, d := range seg.Drives {
		s.lines[p.lineIndex(d.Channel.ID)] = s.whole(k)
	}
	p.offLines(s)
	return s
}

// beyond is what the open switches at pins that are left open conduct to each
// potential, counted from toUnknown, S: what would leak from a pin that the part joins
// with all of them. It is nil where there are none.
func (s *around) beyond() []float64 {
	var out []float64
	for _, a := range s.open {
		if s.contacts[a.path.Contact] != toUnknown {
			continue
		}
		for j, share := range s.lines[a.line] {
			if out == nil {
				out = make([]float64, len(s.lines[a.line]))
			}
			out[j] += a.siemens * share
		}
	}
	return out
}

// whole is one potential alone.
func (s *around) whole(potential int) []float64 {
	n := len(s.units)/2 + 1
	at := n - 1 - (potential - toUnknown)
	return s.units[at : at+n]
}

// leaks gathers the open switches beside drive k: those from its line to other
// contacts, those from other lines to its contact, and those beyond. A contact
// that nothing is on sits where the switches of all lines bring it, and so does a
// line that nothing holds.
func (p *Planner) leaks(s *around, k int) []Leak {
	d := s.seg.Drives[k]
	line := p.lineIndex(d.Channel.ID)
	to := newLeakSum(k-toUnknown, len(s.seg.Drives)-toUnknown, len(s.lines))
	for _, a := range s.open {
		contact := s.contacts[a.path.Contact]
		switch {
		case a.line == line:
			to.conduct(a, a.siemens, s.whole(contact))
		case contact == k:
			to.conduct(a, a.siemens, s.lines[a.line])
		}
		to.spread(a.line, a.variance, s.lines[a.line], s.whole(contact))
	}
	at := make([]float64, len(to.siemens))
	for i := range p.empty {
		e := &p.empty[i]
		clear(at)
		for _, a := range e.arms {
			for j, share := range s.lines[a.line] {
				at[j] += a.siemens / e.sum * share
			}
			for _, b := range e.arms {
				if b.line == line && a.line != line {
					to.conduct(a, e.contacts*e.between(a, b), s.lines[a.line])
				}
			}
		}
		for _, a := range e.arms {
			to.spread(a.line, e.contacts*a.variance, s.lines[a.line], at)
		}
	}
	return to.leaks("leakage of open switches beside channel " + d.Channel.Name)
}

func newLeakSum(k, potentials, lines int) leakSum {
	all := make([]float64, (1+2*lines)*potentials)
	l := leakSum{k: k, siemens: all[:potentials], lines: make([][]float64, lines), ways: make([][]float64, lines)}
	for i := range l.lines {
		l.lines[i], l.ways[i] = all[(1+2*i)*potentials:][:potentials], all[(2+2*i)*potentials:][:potentials]
	}
	return l
}

// conduct counts in what leads from the drive to what has these shares of the
// potentials.
func (l *leakSum) conduct(a arm, siemens float64, shares []float64) {
	for j, share := range shares {
		l.siemens[j] += siemens * share
	}
	l.assumed = l.assumed || siemens > 0 && a.path.LeakageTolerance == 0
}

// spread counts in the variance of a switch between two places with these shares
// of the potentials. By reciprocity a change of its conductance changes that from
// the drive to any potential as the voltages of both across the switch, each alone
// at 1 V, multiply.
func (l *leakSum) spread(line int, variance float64, from, to []float64) {
	own := from[l.k] - to[l.k]
	if own == 0 {
		return
	}
	for j := range from {
		slope := -own * (from[j] - to[j])
		l.lines[line][j] += variance * slope * slope
		l.ways[line][j] += variance * slope
	}
}

// leaks are those of the drive, with their sources of this name.
func (l *leakSum) leaks(name string) []Leak {
	sources := make([]*budget.Source, len(l.lines))
	var out []Leak
	for j, siemens := range l.siemens {
		if siemens <= 0 || j == l.k {
			continue
		}
		v := budget.Exact(siemens)
		for i, line := range l.lines {
			if line[j] == 0 {
				continue
			}
			if sources[i] == nil {
				sources[i] = budget.NewSource(name, budget.Leakage, budget.Normal, 1)
				sources[i].Assumed = l.assumed
			}
			v = v.With(sources[i], math.Copysign(math.Sqrt(line[j]), l.ways[i][j]))
		}
		out = append(out, Leak{Siemens: v, To: j + toUnknown})
	}
	return out
}

// lineIndex numbers the lines: 0 is the return.
func (p *Planner) lineIndex(id bench.ChannelID) int {
	return 1 + slices.IndexFunc(p.bench.Channels, func(c bench.Channel) bool { return c.ID == id })
}

// openSwitch is the conductance of a path that is open, S: twice that of its
// switch where it carries a sense wire too.
func (p *Planner) openSwitch(o *bench.Path) float64 {
	if p.twoWires(o) {
		return 2 * o.Leakage
	}
	return o.Leakage
}

// spreadOf is the variance of openSwitch by its tolerance, S². The two switches
// of a path with a sense wire differ.
func (p *Planner) spreadOf(o *bench.Path) float64 {
	one := o.ToleranceOfLeakage() * o.Leakage
	if p.twoWires(o) {
		return 2 * one * one / 3
	}
	return one * one / 3
}

func (p *Planner) twoWires(o *bench.Path) bool {
	if !o.Kelvin || o.Channel == 0 {
		return false
	}
	ch, ok := p.bench.ChannelByID(o.Channel)
	return ok && ch.RemoteSense
}
