package procedure

import (
	"math"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
)

// patient is how much longer than the bench needs a settle must be to say that the
// part is slow.
const patient = 1.5

// lag is by how much what came of a moved level after t seconds falls short of what
// comes in the end, as a part of what came: by the time constant of the bench in the
// range in use, which is known to 10 %, and over its aperture. Where the measurement waits longer than the
// bench needs, the part may be so slow that this wait is just the twelve time
// constants that it should be. All points of a drive lag alike. One that has gone
// less than half of the way tells nothing: ok is false.
func (s *Segment) lag(sense *Sense, t float64) (lag budget.Value, ok bool) {
	if s.settle.UntilStable || s.errors == nil {
		return budget.Exact(0), true // it was read until it was there
	}
	over, tau := sense.Cycles/s.lineHz(), s.constantIn(sense)
	left, most := leftOver(t, over, tau), leftOver(t, over, (1+bench.AssumedLoopTolerance)*tau)
	if s.settle.Time > patient*fullConstants*max(tau, s.settlingOf(sense.Drive).tau) {
		most = max(most, leftOver(t, over, s.settle.Time/fullConstants))
	}
	if most > 0.5 {
		return lag, false
	}
	short := func(left float64) float64 { return left / (1 - left) }
	lag = budget.Exact(short(left))
	if s.lags == nil {
		s.lags = map[int]*budget.Source{}
	}
	if s.lags[sense.Drive] == nil {
		s.lags[sense.Drive] = withinOne("what is left of settling where a level was moved", budget.HeldLevel, budget.Rectangular)
	}
	return lag.With(s.lags[sense.Drive], short(most)-lag.X), true
}

// leftOver is the part of a change that is still to come t seconds after it, on
// average over an aperture of over seconds that begins then, by a time constant.
func leftOver(t, over, tau float64) float64 {
	left := settling{tau: tau}.left(t)
	if x := over / tau; x > 1e-6 && !math.IsInf(x, 0) {
		left *= -math.Expm1(-x) / x
	}
	return left
}

// constantIn is the time constant of a drive in the range that it is read in, s; 0
// where the bench does not say how fast it is.
func (s *Segment) constantIn(sense *Sense) float64 {
	d := s.Drives[sense.Drive]
	ranges := d.Channel.ForceI
	if d.Mode == bench.ForceVoltage {
		ranges = d.Channel.SenseI
	}
	r, ok := bench.RangeFor(ranges, sense.I.FullScale)
	if !ok {
		return 0
	}
	return s.constant(d, r)
}

// settledAt is what the pin of a point with a level moved senses in the end: it was
// read on its way there from where it was when the level moved. ok is false where it
// was still too far off.
func (s *spot) settledAt(use Use, base *spot) (y budget.Value, ok bool) {
	k, now := s.sense.Drive, s.situation()
	y = now.sensedOf(k, use)
	lag, ok := now.seg.lag(s.sense, s.at.settle.Time)
	if !ok {
		return y, ok
	}
	return y.Add(lag.Mul(y.Sub(s.departed(use, base)))), true
}

// departed is what the pin of a point with a level moved sensed when that moved: what
// the point before it had come to by the end of its own aperture. That had settled
// where it is the one from which levels are moved.
func (s *spot) departed(use Use, base *spot) budget.Value {
	k, seg := s.sense.Drive, s.situation().seg
	last := s.previous()
	if last == nil || last == base || last.situation() == nil || last.situation().seg != seg {
		return base.situation().sensedOf(k, use)
	}
	was := last.situation().sensedOf(k, use)
	lag, ok := seg.lag(last.sense, last.at.settle.Time)
	if !ok || lag.X == 0 {
		return was
	}
	// What was left has become less from the mean of the aperture to its end.
	x := last.sense.Cycles / seg.lineHz() / seg.constantIn(last.sense)
	came := 1 - x/math.Expm1(x)
	return was.Add(lag.Mul(was.Sub(last.departed(use, base))).Scale(came))
}

// previous is the spot of the same pin at the last point before at which it was read;
// nil where there is none.
func (s *spot) previous() *spot {
	for p := s.at.before; p != nil; p = p.before {
		if last := p.of(s.pin); last != nil && last.read() {
			return last
		}
	}
	return nil
}

// of is the spot of a measured pin at the point; nil where it was not read there.
func (p *spotPoint) of(pin int) *spot {
	for _, s := range p.spots {
		if s.pin == pin {
			return s
		}
	}
	return nil
}
