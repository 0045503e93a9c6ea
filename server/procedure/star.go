package procedure

import (
	"slices"

	"ohmkeep/server/bench"
)

// star is the open switches at a contact that nothing is on, which lead from line
// to line; and the number of contacts that have the like.
type star struct {
	arms          []arm
	contacts      float64
	sum, variance float64 // of all arms, S and S²
}

// arm is one open path.
type arm struct {
	path              *bench.Path
	line              int     // number of its line
	siemens, variance float64 // S, S²
}

func (p *Planner) armOf(o *bench.Path) arm {
	return arm{o, p.lineIndex(o.Channel), p.openSwitch(o), p.spreadOf(o)}
}

// openAtPins are the switches at the contacts that a pin is on.
func (p *Planner) openAtPins() []arm {
	var out []arm
	for i := range p.bench.Paths {
		if o := &p.bench.Paths[i]; p.occupied[o.Contact] && o.Leakage > 0 {
			out = append(out, p.armOf(o))
		}
	}
	return out
}

// emptyContacts gathers the contacts that nothing is on by what leads to them.
func (p *Planner) emptyContacts() []star {
	var out []star
	for contact := 1; contact <= p.bench.Contacts; contact++ {
		paths := p.pathsOf[contact]
		if p.occupied[contact] || len(paths) == 0 {
			continue
		}
		s := star{contacts: 1}
		for _, o := range paths {
			a := p.armOf(o)
			s.arms = append(s.arms, a)
			s.sum += a.siemens
			s.variance += a.variance
		}
		if i := slices.IndexFunc(out, s.like); i >= 0 {
			out[i].contacts++
		} else if s.sum > 0 {
			out = append(out, s)
		}
	}
	return out
}

func (s *star) like(o star) bool {
	return slices.EqualFunc(s.arms, o.arms, func(a, b arm) bool {
		return a.line == b.line && a.siemens == b.siemens && a.variance == b.variance &&
			a.path.LeakageTolerance == b.path.LeakageTolerance
	})
}

// between is what two arms are expected to conduct from line to line, S: g·h/Σ,
// less what their spread and that of the others makes of it, which is of second
// order and does not average out.
func (s *star) between(a, b arm) float64 {
	g, h := a.siemens, b.siemens
	second := g*h*(s.variance-a.variance-b.variance) - h*(s.sum-g)*a.variance - g*(s.sum-h)*b.variance
	return g*h/s.sum + second/(s.sum*s.sum*s.sum)
}
