package circuit

import "math"

// Mode is what a channel forces.
type Mode int

// A channel is off (it delivers nothing), forces a voltage with a current
// compliance, or forces a current with a voltage compliance.
const (
	Off Mode = iota
	ForceVoltage
	ForceCurrent
)

// Channel is a force/sense channel: a constant-voltage constant-current
// source. With z the error of the forced quantity and lo, hi the room left to
// the limited one, its law is the median of (lo, z, hi) = 0: exact on both
// sides of the corner, continuous, and falling everywhere.
type Channel struct {
	c *Circuit
	// Force carries the current; it returns through ground. Sense is measured
	// and, with Remote, regulated; it draws nothing.
	Force, Sense Node
	Mode         Mode
	Remote       bool
	Level        float64 // V or A
	Compliance   float64 // A or V, > 0
	Resistance   float64 // Ω between the regulated point (local sense) and Force
	Headroom     float64 // V the output can reach; 0: unlimited
	k            int
	fk, kf, ks   int32
	kk           int32
	inCompliance bool
	region       int // 0 at its level, 1 at the upper limit, -1 at the lower
}

// softSlope is the slope of a channel's law at a limit, per volt: a limited
// current gives by 1e-9 of itself per volt, so that two channels in compliance
// against each other still have one voltage.
const softSlope = 1e-9

// typicalCurrent scales the current error of a channel to volts, A.
const typicalCurrent = 0.1

// Channel places a channel, off. Use the same node for force and sense where
// there is no remote sense.
func (c *Circuit) Channel(force, sense Node, resistance float64) *Channel {
	e := &Channel{c: c, Force: force, Sense: sense, Resistance: resistance}
	c.add(e)
	return e
}

// I is the current delivered into Force at the last solution, A.
func (e *Channel) I() float64 { return e.c.sys.hi[e.k] }

// V is the sensed voltage at the last solution, V: that of Sense with Remote,
// else that of the regulated point before Resistance.
func (e *Channel) V() float64 {
	s := &e.c.sys
	if e.Remote {
		return s.hi[e.Sense]
	}
	return s.hi[e.Force] + e.Resistance*s.hi[e.k]
}

// InCompliance reports whether the limit holds the channel, not its level.
func (e *Channel) InCompliance() bool { return e.inCompliance }

func (e *Channel) wire(w *wiring) {
	e.k = w.branch()
	f, s := int(e.Force), int(e.Sense)
	e.fk, e.kf, e.ks, e.kk = w.slot(f, e.k), w.slot(e.k, f), w.slot(e.k, s), w.slot(e.k, e.k)
}

// line is a value with its derivatives by force voltage, sense voltage, current.
type line struct{ v, f, s, i float64 }

func (e *Channel) stamp(s *system) {
	i := s.hi[e.k]
	s.current(int(e.Force), -i)
	s.a[e.fk]--
	l := e.law(s, i)
	s.f[e.k] = l.v
	s.a[e.kf] += l.f
	s.a[e.ks] += l.s
	s.a[e.kk] += l.i
}

func (e *Channel) law(s *system, i float64) line {
	e.inCompliance = false
	out := line{s.hi[e.Force] + e.Resistance*i, 1, 0, e.Resistance}
	sensed := out
	if e.Remote {
		sensed = line{v: s.hi[e.Sense], s: 1}
	}
	// room is what is left up to a voltage at the sensed point, within what the
	// headroom leaves at the output.
	room := func(limit float64) line {
		l := line{limit - sensed.v, -sensed.f, -sensed.s, -sensed.i}
		if e.Headroom <= 0 {
			return l
		}
		h := line{e.Headroom - out.v, -out.f, -out.s, -out.i}
		if l.v > h.v {
			e.inCompliance = true
			return h
		}
		if h.v = -e.Headroom - out.v; l.v < h.v {
			e.inCompliance = true
			return h
		}
		return l
	}
	var lo, z, hi line
	switch e.Mode {
	case ForceVoltage:
		z = room(e.Level)
		lo = line{v: -1 - i/e.Compliance, i: -1 / e.Compliance}
		hi = line{v: 1 - i/e.Compliance, i: -1 / e.Compliance}
	case ForceCurrent:
		r := e.Compliance / typicalCurrent
		z = line{v: r * (e.Level - i), i: -r}
		hi, lo = room(e.Compliance), room(-e.Compliance)
		e.inCompliance = false
	default:
		return line{v: -i, i: -1}
	}
	return e.pick(s, lo, z, hi)
}

// pick is the row of the law for the region that the channel is in, after
// leaving one that does not fit: from its level to a limit that is exceeded,
// from a limit back to its level when the error calls it back. It never leaps
// from limit to limit, and near the end of a hard search only one channel
// moves at a time (Murty's least-index rule; it ends the cycles that moving
// all together can run into).
func (e *Channel) pick(s *system, lo, z, hi line) line {
	if s.round > 0 {
		return e.blend(s, lo, z, hi)
	}
	const tie = 1e-12 // at the corner itself either region is right
	to := e.region
	switch {
	case e.region == 0 && hi.v < -tie:
		to = 1
	case e.region == 0 && lo.v > tie:
		to = -1
	case e.region == 1 && z.v < -tie, e.region == -1 && z.v > tie:
		to = 0
	}
	if to != e.region {
		if s.mayTurn() {
			e.region = to
		} else {
			s.limited = true
		}
	}
	m := z
	switch e.region {
	case 1:
		m, e.inCompliance = hi, true
	case -1:
		m, e.inCompliance = lo, true
	}
	return line{m.v + softSlope*z.v, m.f + softSlope*z.f, m.s + softSlope*z.s, m.i + softSlope*z.i}
}

// blend is the law with its corners rounded, so that a curve of operating
// points has none. The region is that of the law without.
func (e *Channel) blend(s *system, lo, z, hi line) line {
	mu := s.round
	low, byLo := softMin(-lo.v, -z.v, mu)
	v, byLow := softMin(-low, hi.v, mu)
	byLo *= byLow
	byZ, byHi := byLow-byLo+softSlope, 1-byLow
	switch {
	case z.v > hi.v:
		e.region = 1
	case z.v < lo.v:
		e.region = -1
	default:
		e.region = 0
	}
	s.byFade[e.k] = -sharpening * (v - byLo*lo.v - (byZ-softSlope)*z.v - byHi*hi.v)
	return line{
		v + softSlope*z.v, byLo*lo.f + byZ*z.f + byHi*hi.f,
		byLo*lo.s + byZ*z.s + byHi*hi.s, byLo*lo.i + byZ*z.i + byHi*hi.i,
	}
}

func (e *Channel) forget() { e.region = 0 }

// Set changes what the channel forces. The compliance must be above zero and finite.
func (e *Channel) Set(mode Mode, level, compliance float64) {
	e.Mode, e.Level, e.Compliance = mode, level, math.Abs(compliance)
}
