package procedure

import (
	"math"
	"slices"

	"ohmkeep/server/budget"
)

// A witness is an idle channel that stands at the level of a measured pin, on no
// path. What it brings goes through the open switches of its own line to the same
// contacts as what leaks beside the measured pin, at the same moment, so it tells
// what the pins that are left open sit at, of which nothing but a bound is known
// otherwise. It takes no time, since channels are read together.

// attachWitness adds the witness that the segment's points ask for, where a channel
// is idle that is like the one at the pin and whose line nothing is strapped to.
func (p *Planner) attachWitness(seg *Segment) {
	i := slices.IndexFunc(seg.Conns, func(c *Conn) bool { return c.Pin == seg.witness && c.Drive >= 0 && c.Use == UseVoltage })
	if seg.witness == 0 || i < 0 {
		return
	}
	c := seg.Conns[i]
	of := seg.Drives[c.Drive]
	for k := range p.bench.Channels {
		ch := &p.bench.Channels[k]
		if p.strapped[ch.ID] || slices.ContainsFunc(seg.Drives, func(d *Drive) bool { return d.Channel.ID == ch.ID }) {
			continue
		}
		d := &Drive{Channel: ch, Pin: c.Pin, rank: of.rank + 1, Mode: of.Mode, Witness: true}
		if d.pickRanges(c.Level, c.Compliance) == nil && d.full == of.full && d.sense == of.sense {
			seg.Drives = append(seg.Drives, d)
			return
		}
	}
}

// Follows is the drive whose level drive k stands at: its own, but for a witness.
func (s *Segment) Follows(k int) int {
	d := s.Drives[k]
	if !d.Witness {
		return k
	}
	return slices.IndexFunc(s.Drives, func(o *Drive) bool { return !o.Witness && o.Pin == d.Pin })
}

// witnessDrive is the drive that is a witness, -1 where there is none.
func (s *Segment) witnessDrive() int {
	return slices.IndexFunc(s.Drives, func(d *Drive) bool { return d.Witness })
}

// witnessed reports whether a reading is that of a witness.
func (o *Observation) witnessed() bool {
	return o.Sense != nil && o.Sense.Segment != nil && o.Sense.Segment.Drives[o.Sense.Drive].Witness
}

// unlike is by how much the open switches between drive k and the contacts of open
// pins differ from what those of the witness, all together as much, would be, S: the
// sum over contacts. Where it is zero both see the same mean of their potentials.
func (s *around) unlike(p *Planner, k, witness int) float64 {
	var sum [2]float64
	at := map[int]*[2]float64{}
	lines := [2]int{p.lineIndex(s.seg.Drives[k].Channel.ID), p.lineIndex(s.seg.Drives[witness].Channel.ID)}
	for _, a := range s.open {
		for n, line := range lines {
			if a.line != line || s.contacts[a.path.Contact] != toUnknown {
				continue
			}
			if at[a.path.Contact] == nil {
				at[a.path.Contact] = &[2]float64{}
			}
			at[a.path.Contact][n] += a.siemens
			sum[n] += a.siemens
		}
	}
	if sum[1] == 0 {
		return 2 * sum[0]
	}
	out := 0.0
	for _, g := range at {
		out += math.Abs(g[0] - g[1]*sum[0]/sum[1])
	}
	return out
}

// witness works out what the pins that are left open sit at, as the witness sees it.
// It reports false where there is none, or it tells nothing.
func (s *situation) witness(line []budget.Value) bool {
	w := s.seg.witnessDrive()
	if w < 0 || !s.known[w] {
		return false
	}
	var to *Leak
	i := s.i[w] // as read: nothing is taken off a witness
	for n := range s.seg.Drives[w].Leaks {
		l := &s.seg.Drives[w].Leaks[n]
		switch {
		case l.To == toUnknown:
			to = l
		case l.To == toReturn:
			i = i.Sub(l.Siemens.Mul(line[w]))
		case !s.known[l.To]:
			return false
		default:
			i = i.Sub(l.Siemens.Mul(line[w].Sub(line[l.To])))
		}
	}
	if to == nil || !(to.Siemens.X > 0) {
		return false
	}
	s.unknown = line[w].Sub(i.Div(to.Siemens))
	if apart := s.apart() * to.Siemens.Uc() / to.Siemens.X; apart > 0 {
		s.unknown = s.unknown.With(s.seg.Drives[w].apart, apart)
	}
	return finite(s.unknown.X) && finite(s.unknown.Uc())
}

// witnessed works out for the drives of a segment what a witness leaves unknown.
func (p *Planner) witnessed(seg *Segment, beside *around) {
	w := seg.witnessDrive()
	if w < 0 {
		return
	}
	for k, d := range seg.Drives {
		d.unlike = beside.unlike(p, k, w)
		d.apart = budget.NewSource("leakage of each open switch beside channel "+d.Channel.Name, budget.Leakage, budget.Normal, 1)
	}
}

// leakToUnknown is what flows from a drive at v volts through open switches to pins
// that are left open, A, by what the witness sees of them.
func (s *situation) leakToUnknown(d *Drive, siemens, v budget.Value) budget.Value {
	out := siemens.Mul(v.Sub(s.unknown))
	if apart := s.apart() * siemens.Uc(); apart > 0 {
		out = out.With(d.apart, apart)
	}
	if half := d.unlike * (s.high - s.low) / 2; half > 0 {
		out = out.With(d.free, half)
	}
	return out
}

// apart is how far the pins that are left open may sit from their mean, V, as a root
// mean square: those at either end have the same mean as others in between, but their
// switches count apart.
func (s *situation) apart() float64 {
	if !(s.high > s.low) {
		return 0
	}
	part := min(max((s.unknown.X-s.low)/(s.high-s.low), 0), 1)
	return (s.high - s.low) * math.Sqrt(part*(1-part))
}
