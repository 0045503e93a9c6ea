package procedure

import (
	"math"

	"ohmkeep/server/bench"
)

// settling is how a drive goes from one level to the next: first the current that
// it has charges the capacitance, then it comes closer by its time constant.
type settling struct {
	tau, charge float64 // s
	fullScale   float64 // of the current range that slows it, A
}

// need is the time until so many time constants have passed, s.
func (s settling) need(constants float64) float64 { return s.charge + constants*s.tau }

// left is the part of a change that is still to come t seconds after it.
func (s settling) left(t float64) float64 {
	switch {
	case t < s.charge:
		return 1
	case s.tau <= 0:
		return 0
	}
	return math.Exp(-(t - s.charge) / s.tau)
}

// unsettled is the part of a change that may still be to come where a settle is
// over: by its time, with time constants that are known to 10 %, or by the
// tolerance within which two readings agreed.
func (s settling) unsettled(of Settle) float64 {
	left := s.left(of.Time / (1 + bench.AssumedLoopTolerance))
	if of.UntilStable {
		left = min(left, of.Tolerance)
	}
	return left
}

// settlingOf works it out for a drive of a planned segment. The capacitance is
// charged to the level, or where a current is forced to at most the compliance.
// Zero where the bench does not say how fast it is.
func (s *Segment) settlingOf(k int) settling {
	d, conn := s.Drives[k], s.conn(k)
	if s.errors == nil || conn == nil {
		return settling{}
	}
	def := s.errors.Bench()
	r, ok := bench.RangeFor(d.Channel.SenseI, d.sense)
	if d.Mode == bench.ForceCurrent {
		r, ok = bench.RangeFor(d.Channel.ForceI, conn.Least)
	}
	if !ok {
		return settling{}
	}
	out := settling{tau: s.constant(d, r), fullScale: r.FullScale}
	switch {
	case d.Mode == bench.ForceVoltage && conn.Compliance > 0:
		out.charge = def.Capacitance * conn.Level / conn.Compliance
	case d.Mode == bench.ForceCurrent && conn.Least > 0:
		out.charge = def.Capacitance * conn.Compliance / conn.Least
	}
	return out
}

// constant is the time constant of a drive in a current range, s: of its loop, and
// of its path's resistance with the capacitance behind it.
func (s *Segment) constant(d *Drive, r bench.Range) float64 {
	def, ohms := s.errors.Bench(), d.Channel.SourceR
	if p, is := def.PathByID(d.Path); is {
		ohms += p.Resistance
	}
	return r.LoopTime + ohms*def.Capacitance
}

// lineHz is the power-line frequency of the bench, Hz.
func (s *Segment) lineHz() float64 { return s.errors.Bench().LineHz }
