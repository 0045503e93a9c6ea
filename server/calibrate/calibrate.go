// Package calibrate turns what was measured of a bench into corrections, says what
// they change, and how far the bench has moved since the ones before. It is pure:
// no I/O, no clock. All values are in SI base units.
package calibrate

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/check"
	"ohmkeep/server/problem"
)

// Proposal is corrections that can be taken over, and what is to be known before.
type Proposal struct {
	Corrections *bench.Corrections
	LeftOut     []LeftOut // paths that are not corrected, and why
	Moves       []Move    // of each corrected path, in the order of the definition
}

// LeftOut is a path that gets no correction.
type LeftOut struct {
	Path bench.PathID
	Why  string
}

// Move is what a path was measured to have against what was taken for it before.
type Move struct {
	Path   bench.PathID
	Stated float64 // Ω, with the channel's output
	Before float64 // Ω, as it was corrected before; NaN where it was not
	Ohms   float64 // Ω, as it is now
	U      float64 // Ω, 95 %
	Allows float64 // Ω, by how much the statement lets it differ
}

// FromStated is by how much it differs from what is stated, Ω.
func (m *Move) FromStated() float64 { return m.Ohms - m.Stated }

// Since is by how much it has moved since it was corrected, Ω; NaN where it was
// not.
func (m *Move) Since() float64 { return m.Ohms - m.Before }

// FromCheck proposes corrections of the paths from a check of the bench. What a
// finding of any of its steps speaks of is left out: what was measured there is not
// the path alone. before is what is in use, whose ranges are kept; nil for none.
func FromCheck(def *bench.Definition, rec *check.Record, before *bench.Corrections) (*Proposal, error) {
	empty := rec.Result(check.Empty)
	switch {
	case empty == nil:
		return nil, problem.New(problem.Conflict, "This check has not measured the paths: do its step \"Empty socket\" first.")
	case rec.Built != "" && rec.Built != def.Built():
		return nil, problem.New(problem.Conflict, "The bench was built otherwise when this check was done: check it again.")
	case len(empty.Paths) == 0:
		return nil, problem.New(problem.Conflict, "This check could measure no path.")
	}
	p := &Proposal{Corrections: &bench.Corrections{PathsAt: empty.Ended, PathsFrom: rec.ID}}
	if before != nil {
		p.Corrections.Ranges = slices.Clone(before.Ranges)
	}
	named := namedIn(rec)
	for i := range def.Paths {
		p.path(def, &def.Paths[i], empty, named, before)
	}
	if len(p.Corrections.Paths) == 0 {
		return nil, problem.New(problem.Conflict, "Nothing can be taken over: "+p.LeftOut[0].Why+".")
	}
	return p, nil
}

// path takes one path in or leaves it out.
func (p *Proposal) path(def *bench.Definition, of *bench.Path, empty *check.StepResult, named *named, before *bench.Corrections) {
	i := slices.IndexFunc(empty.Paths, func(v check.PathValue) bool { return v.Path == of.ID })
	why := named.why(of)
	if why == "" && i < 0 {
		why = "it was not measured by itself"
	}
	if why != "" {
		p.LeftOut = append(p.LeftOut, LeftOut{of.ID, why})
		return
	}
	v := empty.Paths[i]
	stated, allows := check.StatedOf(def, of)
	m := Move{Path: of.ID, Stated: stated, Before: math.NaN(), Ohms: v.Ohms, U: v.U, Allows: allows}
	if old := before.Path(of.ID); old != nil {
		m.Before = old.Ohms
	}
	p.Moves = append(p.Moves, m)
	p.Corrections.Paths = append(p.Corrections.Paths, bench.PathCorrection{Path: of.ID, Ohms: digits(v.Ohms, 6), U: digits(v.U, 3)})
}

// digits is a value with so many significant digits, so that a run's head holds none
// that say nothing: six of a resistance are less than a tenth of any uncertainty.
func digits(x float64, n int) float64 {
	short, err := strconv.ParseFloat(strconv.FormatFloat(x, 'g', n, 64), 64)
	if err != nil {
		return x
	}
	return short
}

// named is what the findings of a check speak of.
type named struct {
	paths    map[bench.PathID]string
	contacts map[int]string
	channels map[bench.ChannelID]string
	muxes    map[string]string
}

func namedIn(rec *check.Record) *named {
	n := &named{map[bench.PathID]string{}, map[int]string{}, map[bench.ChannelID]string{}, map[string]string{}}
	for _, s := range rec.Steps {
		for _, f := range s.Findings {
			if !f.Fault {
				continue
			}
			said := fmt.Sprintf("a finding speaks of it: %s", f.Said)
			for _, id := range f.Paths {
				n.paths[id] = said
			}
			if f.Mux != "" {
				n.muxes[f.Mux] = said
			}
			if len(f.Paths) > 0 {
				continue // it speaks of these alone, wherever they lead
			}
			for _, c := range f.Contacts {
				n.contacts[c] = said
			}
			for _, ch := range f.Channels {
				n.channels[ch] = said
			}
		}
	}
	return n
}

// why is why a path is left out; "" where nothing is said of it.
func (n *named) why(p *bench.Path) string {
	for _, said := range []string{n.paths[p.ID], n.contacts[p.Contact], n.channels[p.Channel], n.muxes[p.Mux]} {
		if said != "" {
			return said
		}
	}
	return ""
}

// Largest is the corrected path that has moved most, in parts of what its statement
// allows; nil where there is none.
func (p *Proposal) Largest() *Move {
	var most *Move
	for i := range p.Moves {
		if m := &p.Moves[i]; most == nil || math.Abs(m.FromStated())*most.Allows > math.Abs(most.FromStated())*m.Allows {
			most = m
		}
	}
	return most
}

// Due is when corrections that were measured at a time are to be measured again:
// after a month a path may have drifted by more than the check leaves open.
func Due(measured time.Time) time.Time { return measured.AddDate(0, 1, 0) }
