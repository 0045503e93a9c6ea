package procedure

// offLines are the conductances of the lines of channels that take part in no
// drive, S. Nothing holds them, so that the open switches at all contacts do; but
// one that is strapped to a pin is where that pin is, which is not known.
type offLines struct {
	at      []int       // by number of the line: place in the rows, -1: it is held
	between [][]float64 // by line and line; the diagonal is the sum of all of a line
	held    [][]float64 // by line and potential, counted from toUnknown
}

// offLines works out where the lines that nothing holds sit.
func (p *Planner) offLines(s *around) {
	o := offLines{at: make([]int, len(s.lines))}
	for line := range s.lines {
		o.at[line] = -1
		switch {
		case s.lines[line] != nil:
		case p.strapped[p.bench.Channels[line-1].ID]:
			s.lines[line] = s.whole(toUnknown)
		default:
			o.at[line] = len(o.held)
			o.held = append(o.held, make([]float64, len(s.seg.Drives)-toUnknown))
		}
	}
	for range o.held {
		o.between = append(o.between, make([]float64, len(o.held)))
	}
	if len(o.held) == 0 {
		return
	}
	for _, a := range s.open {
		if k := o.at[a.line]; k >= 0 {
			o.held[k][s.contacts[a.path.Contact]-toUnknown] += a.siemens
			o.between[k][k] += a.siemens
		}
	}
	for i := range p.empty {
		o.star(s, &p.empty[i])
	}
	o.solve()
	for line, k := range o.at {
		if k >= 0 {
			s.lines[line] = o.held[k]
		}
	}
}

// star counts the contacts in that nothing is on.
func (o *offLines) star(s *around, e *star) {
	for _, a := range e.arms {
		i := o.at[a.line]
		if i < 0 || a.siemens == 0 {
			continue
		}
		for _, b := range e.arms {
			if b.line == a.line {
				continue
			}
			g := e.contacts * e.between(a, b)
			o.between[i][i] += g
			if j := o.at[b.line]; j >= 0 {
				o.between[i][j] -= g
				continue
			}
			for j, share := range s.lines[b.line] {
				o.held[i][j] += g * share
			}
		}
	}
}

// solve turns held into shares, by elimination: a matrix of conductances needs no
// pivots. A line that no switch leads to is anywhere.
func (o *offLines) solve() {
	for i := range o.between {
		if o.between[i][i] <= 0 {
			clear(o.between[i])
			clear(o.held[i])
			o.between[i][i], o.held[i][0] = 1, 1
		}
		for k := range o.between {
			if f := o.between[k][i] / o.between[i][i]; k != i && f != 0 {
				subtract(o.between[k], o.between[i], f)
				subtract(o.held[k], o.held[i], f)
			}
		}
	}
	for i := range o.held {
		for j := range o.held[i] {
			o.held[i][j] /= o.between[i][i]
		}
	}
}

func subtract(from, row []float64, f float64) {
	for j, x := range row {
		from[j] -= f * x
	}
}
