package bench

import (
	"fmt"
	"time"

	"ohmkeep/server/budget"
)

// year is what accuracies are stated for.
const year = 365 * 24 * time.Hour

// measured is a closed path as it was measured, with its channel's output: the
// resistance, what may have changed of it since, and what the socket's contact
// changes from one insertion to the next. ok is false where it has no correction.
func (e *Errors) measured(id PathID, contact int) (_ budget.Value, ok bool) {
	if e.paths == nil {
		return budget.Value{}, false
	}
	known, is := e.paths[id]
	if !is {
		c := e.def.Corrections.Path(id)
		p, there := e.def.PathByID(id)
		if c == nil || !there {
			return budget.Value{}, false
		}
		known = budget.Of(c.Ohms, budget.NewSource("correction of the resistance of path "+p.Address, budget.Correction, budget.Normal, budget.Normal.FromHalfWidth(c.U)))
		months := e.def.Corrections.Age(e.def.Corrections.PathsAt).Hours() / (year.Hours() / 12)
		part := AssumedPathChange + AssumedPathDrift*months
		since := budget.NewSource("change of the resistance of path "+p.Address+" since it was measured", budget.Correction, budget.Rectangular, budget.Rectangular.FromHalfWidth(part*c.Ohms))
		since.Assumed = true
		known = known.With(since, 1)
		e.paths[id] = known
	}
	return known.With(e.insertion(contact), 1), true
}

// insertion is what the contact of a socket has now and did not have when its
// paths were measured, Ω: all paths of the contact see the same.
func (e *Errors) insertion(contact int) *budget.Source {
	s := e.contacts[contact]
	if s == nil {
		s = budget.NewSource(fmt.Sprintf("contact %d of the socket, which differs with each insertion", contact), budget.Contact, budget.Triangular, budget.Triangular.FromHalfWidth(2*AssumedContactChange))
		s.Assumed = true
		e.contacts[contact] = s
	}
	return s
}

// corrected gives a range's errors what was measured of them in place of what is
// stated.
func (r *RangeErrors) corrected(c *RangeCorrection, age time.Duration) {
	r.correction = c
	r.Gain = budget.NewSource("correction of the gain of "+r.Name, budget.Correction, budget.Normal, budget.Normal.FromHalfWidth(c.GainU))
	r.Offset = budget.NewSource("correction of the offset of "+r.Name, budget.Correction, budget.Normal, budget.Normal.FromHalfWidth(c.OffsetU))
	part := min(float64(age)/float64(year), 1)
	since := func(what string, stated float64) *budget.Source {
		if part == 0 || stated == 0 {
			return nil
		}
		s := budget.NewSource("change of the "+what+" of "+r.Name+" since it was measured", budget.Correction, budget.Rectangular, budget.Rectangular.FromHalfWidth(part*stated))
		s.Assumed = true
		return s
	}
	r.gainSince, r.offsetSince = since("gain", r.Range.Gain), since("offset", r.Range.Offset)
}

// withErrors is x with the errors of a corrected range, gain and offset, at that
// value in the range.
func (r *RangeErrors) withErrors(x float64) budget.Value {
	v := budget.Exact(x)
	if x != 0 {
		v = v.With(r.Gain, x)
		if r.gainSince != nil {
			v = v.With(r.gainSince, x)
		}
	}
	v = v.With(r.Offset, 1)
	if r.offsetSince != nil {
		v = v.With(r.offsetSince, 1)
	}
	return v
}
