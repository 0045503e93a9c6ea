package procedure

import (
	"math"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
	"ohmkeep/server/derive"
)

// sensed gathers what one drive read at one point: all its repeats.
type sensedAt struct {
	v, i  derive.Accumulator
	sense *Sense
	set   float64
	flags bench.Flags
	fixed *[2]budget.Value // values, where they are worked out already
}

// fix works the values out once and for all: whoever uses them twice means the
// same readings, with the same errors.
func (s *sensedAt) fix() *sensedAt {
	v, i := s.values()
	s.fixed = &[2]budget.Value{v, i}
	return s
}

func (s *sensedAt) add(o *Observation) {
	t := seconds(o)
	s.set, s.sense = o.Set, o.Sense
	s.v.Add(t, o.V)
	s.i.Add(t, o.I)
	s.flags |= o.Flags
}

func (s *sensedAt) read() bool { return s.v.N() > 0 && s.i.N() > 0 }

// values are the voltage at the sense point and the current out of the channel,
// as they were read.
func (s *sensedAt) values() (v, i budget.Value) {
	if s.fixed != nil {
		return s.fixed[0], s.fixed[1]
	}
	if s.sense == nil {
		return budget.Exact(s.v.Mean()), budget.Exact(s.i.Mean())
	}
	v, i = s.value(s.sense.V, &s.v), s.value(s.sense.I, &s.i)
	if seg := s.sense.Segment; seg != nil && seg.errors != nil {
		if left := seg.settlingOf(s.sense.Drive).unsettled(seg.settle); left > 1e-6 {
			// Up to the whole of what is there has come since the last change.
			still := budget.NewSource("what is left of settling of channel "+seg.Drives[s.sense.Drive].Channel.Name, budget.Settling,
				budget.Rectangular, budget.Rectangular.FromHalfWidth(left/budget.Coverage))
			v, i = v.With(still, v.X), i.With(still, i.X)
		}
	}
	return v, i
}

// value is what was read in a range.
func (s *sensedAt) value(r *bench.RangeErrors, a *derive.Accumulator) budget.Value {
	if a.N() < bench.SeriesLeast {
		return r.Reading(a.Mean(), a.N(), a.SD(), s.sense.Cycles)
	}
	return r.Series(a.Mean(), a.N(), a.SD(), a.Lag1(), s.sense.Cycles)
}

// situation is what is known of a point: the voltage of every drive's pin and
// the current into it, and where the part's reference sits. Of a drive that was
// not read nothing is known.
type situation struct {
	seg      *Segment
	v, i     []budget.Value // at the pins, by drive: V against the return, A
	known    []bool         // whether the drive was read
	low      float64        // lowest and highest potential that is known, V
	high     float64
	junction float64 // kT/q of the part, V
	// unknown is what the pins that are left open sit at, V, where a witness tells.
	unknown budget.Value
	told    bool
}

// solve works the pins out of what was read: off goes what the paths drop and
// what open switches leak. read gives what a drive read, nil where nothing.
func solve(seg *Segment, read func(k int) *sensedAt) *situation {
	return solveFor(seg, func(k int) (v, i budget.Value, ok bool) {
		r := read(k)
		if r == nil || !r.read() || seg.Drives[k].Witness && r.flags&(untrusted|bench.InCompliance) != 0 {
			return v, i, false
		}
		v, i = r.values()
		return v, i, true
	})
}

// solveFor is solve with the voltage at a drive's sense point and the current
// out of its channel as values.
func solveFor(seg *Segment, read func(k int) (v, i budget.Value, ok bool)) *situation {
	n := len(seg.Drives)
	s := &situation{seg: seg, v: make([]budget.Value, n), i: make([]budget.Value, n), known: make([]bool, n)}
	line := make([]budget.Value, n)
	for k, d := range seg.Drives {
		v, i, ok := read(k)
		if !ok {
			continue
		}
		s.known[k], line[k], s.i[k] = true, v, i
		s.v[k] = line[k]
		if d.Series.X != 0 {
			s.v[k] = line[k].Sub(d.Series.Mul(s.i[k]))
		}
		s.low, s.high = min(s.low, s.v[k].X), max(s.high, s.v[k].X)
	}
	s.told = s.witness(line)
	for k, d := range seg.Drives {
		if s.known[k] && !d.Witness {
			s.i[k] = s.i[k].Sub(s.leakage(d, line[k], line))
		}
	}
	return s
}

// leakage is what flows from a drive at v volts through open switches, A.
func (s *situation) leakage(d *Drive, v budget.Value, line []budget.Value) budget.Value {
	sum := budget.Exact(0)
	for _, l := range d.Leaks {
		across := v.X
		switch {
		case l.To == toUnknown && s.told:
			sum = sum.Add(s.leakToUnknown(d, l.Siemens, v))
			continue
		case l.To == toUnknown || l.To >= 0 && !s.known[l.To] && s.seg.Drives[l.To].Witness:
			// Anything between the potentials that there are, and the same part of
			// the way when all of them change sign.
			half := (s.high - s.low) / 2
			across -= s.low + half
			if s.low+s.high < 0 {
				half = -half
			}
			if half != 0 {
				sum = sum.With(d.free, -l.Siemens.X*half)
			}
		case l.To >= 0 && s.known[l.To]:
			across -= line[l.To].X
		case l.To >= 0:
			continue
		}
		sum = sum.Add(l.Siemens.Scale(across))
	}
	return sum
}

// beyond is the most that leaks from the pin of a drive at the contacts of open pins, if
// the part joins all of them with it, A.
func (s *situation) beyond(drive int) float64 {
	v := s.v[drive].X
	sum := 0.0
	for j, siemens := range s.seg.beyond {
		switch to := j + toUnknown; {
		case to == toUnknown && s.high-v > v-s.low:
			sum += siemens * (v - s.high)
		case to == toUnknown:
			sum += siemens * (v - s.low)
		case to == toReturn:
			sum += siemens * v
		case s.known[to]:
			sum += siemens * (v - s.v[to].X)
		}
	}
	return sum
}

// through is the current into the pin of a drive of a part whose pins may be joined
// with each other inside, A: what leaks at those that are left open comes from this
// one then.
func (s *situation) through(drive int) budget.Value {
	if leak := s.beyond(drive); leak != 0 {
		return s.i[drive].With(s.seg.joined, -leak)
	}
	return s.i[drive]
}

// back is the current that flows from the part into the return, A: all that the
// channels bring less what those that stand in for the return take.
func (s *situation) back() budget.Value {
	sum := budget.Exact(0)
	for k := range s.seg.Drives {
		if s.known[k] && !s.seg.Drives[k].Witness {
			sum = sum.Add(s.i[k])
		}
	}
	return sum
}

// at is the voltage of a pin against the return, V. A pin at the return sits
// above it by what its path drops.
func (s *situation) at(pin int) budget.Value {
	for _, c := range s.seg.Conns {
		switch {
		case c.Pin != pin || c.Drive < 0:
		case s.known[c.Drive]:
			return s.v[c.Drive]
		default:
			return budget.Of(0, budget.Unknown("a level that was not read back", budget.HeldLevel))
		}
	}
	for _, r := range s.seg.returns {
		if r.conn.Pin == pin && r.conn.Drive < 0 {
			return r.ohms.Mul(s.back())
		}
	}
	return budget.Exact(0)
}

// ground is the voltage of the part's reference against the return, V: of its
// ground pins or, where it has none, of the pins at the return. A supply pin at the
// return is another way back: which of them the current takes is not known, and the
// paths need not be alike where they were measured.
func (s *situation) ground() budget.Value {
	var grounds, supplies []returned
	for _, r := range s.seg.returns {
		switch {
		case r.ground:
			grounds = append(grounds, r)
		case r.supply && r.conn.Drive < 0:
			supplies = append(supplies, r)
		}
	}
	if len(grounds) == 0 {
		return s.backThrough(s.seg.returns)
	}
	v := s.backThrough(grounds)
	low, high := v.X, v.X
	for _, r := range supplies {
		x := s.at(r.conn.Pin).X
		low, high = min(low, x), max(high, x)
	}
	if low < high {
		v = v.Add(budget.Exact((low+high)/2-v.X)).With(s.seg.way, (high-low)/2)
	}
	return v
}

// backThrough is the voltage at pins that the part joins, V, over whose paths the
// current goes back: through one of them, or through all. Both ends are allowed for.
func (s *situation) backThrough(at []returned) budget.Value {
	switch len(at) {
	case 0:
		return budget.Exact(0)
	case 1:
		return s.at(at[0].conn.Pin)
	}
	most, all := budget.Exact(0), 0.0
	for _, r := range at {
		v := s.at(r.conn.Pin)
		if math.Abs(v.X) >= math.Abs(most.X) {
			most = v
		}
		all += 1 / math.Abs(v.X)
	}
	if most.X == 0 {
		return most
	}
	least := 1 / all // as resistances in parallel, of one current
	part := (1 + least/math.Abs(most.X)) / 2
	return most.Scale(part).With(s.seg.share, math.Abs(most.X)-math.Abs(most.X)*part)
}

// only is one reading of a drive taken out of many: the sensed quantity is x, the
// other one the mean.
func (s *sensedAt) only(use Use, x float64) *sensedAt {
	out := &sensedAt{sense: s.sense, set: s.set, flags: s.flags}
	v, i := s.v.Mean(), s.i.Mean()
	if use == UseVoltage {
		i = x
	} else {
		v = x
	}
	out.v.Add(0, v)
	out.i.Add(0, i)
	return out
}

// sensed is the readings of what is not forced, with the errors of their range;
// nil where those are not known.
func (s *sensedAt) sensed(use Use) (*derive.Accumulator, *bench.RangeErrors) {
	switch {
	case use == UseVoltage && s.sense != nil:
		return &s.i, s.sense.I
	case use == UseVoltage:
		return &s.i, nil
	case s.sense != nil:
		return &s.v, s.sense.V
	}
	return &s.v, nil
}
