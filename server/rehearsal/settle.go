package rehearsal

import "math"

// Invented capacitances: a contact of the socket with its track, and the cable
// from the channel to the multiplexer. Together 150 pF.
const (
	contactC = 100e-12 // F
	cableC   = 50e-12  // F
)

// loopTime returns the time constant of a channel's own loop in a current
// range, s. Invented: the sense resistor of the low ranges slows the loop.
func loopTime(currentRange float64) float64 {
	switch {
	case currentRange <= 1.5e-6:
		return 2e-3
	case currentRange <= 15e-6:
		return 200e-6
	default:
		return 20e-6
	}
}

// goneAfter is the number of time constants after which an exponential is zero
// in a float64.
const goneAfter = 45

// transit is the course of a channel from one operating point to the next:
// first, where the current to charge the node is limited, along a straight
// line, then exponentially. What is left to go is the same part of the way for
// voltage and current.
type transit struct {
	start  int64      // ns of the bench's time
	v0, i0 float64    // V, A at start
	v1, i1 float64    // V, A at the end
	tau    float64    // s
	slew   float64    // part of the way per second; 0: no limit
	corner [2]float64 // s, part left: where line turns to exponential
}

func newTransit(start int64, v0, i0, v1, i1, tau, slew float64) transit {
	p := transit{start: start, v0: v0, i0: i0, v1: v1, i1: i1, tau: tau, slew: slew}
	p.corner[1] = 1
	if slew > 0 && slew*tau < 1 {
		p.corner[1] = slew * tau
		p.corner[0] = (1 - p.corner[1]) / slew
	}
	return p
}

// slewing reports whether t seconds after start the node is still being
// charged along the straight line.
func (p *transit) slewing(t float64) bool { return t < p.corner[0] }

// left is the fraction of the step that remains t seconds after the start.
func (p *transit) left(t float64) float64 {
	switch {
	case t <= 0:
		return 1
	case t < p.corner[0]:
		return 1 - p.slew*t
	case p.tau <= 0:
		return 0
	default:
		return p.corner[1] * math.Exp(-(t-p.corner[0])/p.tau)
	}
}

// leftOver is the mean of left from a to b, b > a.
func (p *transit) leftOver(a, b float64) float64 {
	if a-p.corner[0] > goneAfter*p.tau {
		return 0
	}
	return (p.integral(b) - p.integral(a)) / (b - a)
}

// integral is that of left from the start to t; before the start left is 1.
func (p *transit) integral(t float64) float64 {
	if t <= 0 {
		return t
	}
	if t < p.corner[0] {
		return t - p.slew*t*t/2
	}
	line := p.corner[0] * (1 + p.corner[1]) / 2
	return line - p.tau*p.corner[1]*math.Expm1(-(t-p.corner[0])/p.tau)
}

// at returns the voltage and the current of the channel t seconds after the
// start.
func (p *transit) at(t float64) (v, i float64) { return p.mix(p.left(t)) }

// mean is the mean voltage and current from a to b seconds after the start.
func (p *transit) mean(a, b float64) (v, i float64) { return p.mix(p.leftOver(a, b)) }

func (p *transit) mix(left float64) (v, i float64) {
	return p.v1 + (p.v0-p.v1)*left, p.i1 + (p.i0-p.i1)*left
}
