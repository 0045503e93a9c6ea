package rehearsal

import (
	"fmt"
	"math"
	"strings"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/rehearsal/circuit"
)

// Solved is one operating point that the bench went through.
type Solved struct {
	At       time.Time
	Nodes    []float64        // V of every node of the circuit; 0 is the return
	Pins     map[int]PinState // by pin number
	Channels []ChannelState   // in the order of the definition
	Closed   []bench.PathID   // as asked
}

// PinState is the true voltage at a pin against the return and the true
// current into it.
type PinState struct{ V, I float64 }

// ChannelState is the true voltage at a channel's sense point and the true
// current out of it.
type ChannelState struct {
	V, I         float64
	On           bool
	InCompliance bool
	Tau          float64 // s, of the approach to this point
}

// changed marks the operating point as out of date. With all outputs off
// everything has gone to zero, and nothing is solved until somebody looks:
// making safe must not wait for arithmetic.
func (b *Bench) changed(by *channel) error {
	if b.energised() {
		return b.solve(by, b.now())
	}
	if !b.stale {
		b.stale, b.staleAt = true, b.now()
	}
	for k := range b.channels {
		b.channels[k].way, b.channels[k].inCompliance = transit{start: b.staleAt}, false
	}
	return nil
}

// solve finds the operating point and starts every channel on its way there.
func (b *Bench) solve(by *channel, now int64) error {
	sol, err := b.operatingPoint()
	if err != nil {
		b.stale, b.staleAt = true, now
		b.report(CodeNoSolution, 0, "no operating point: %v (%s)", err, b.situation())
		return fmt.Errorf("rehearsal: %w", err)
	}
	b.stale, b.solvedAt = false, now
	slowest := 0.0
	if by != nil {
		slowest = b.tau(int(by.def.ID), sol)
	}
	for k := range b.channels {
		tau := slowest
		if by == nil || by != &b.channels[k] {
			tau = max(tau, b.tau(k+1, sol))
		}
		b.depart(&b.channels[k], now, tau)
	}
	if b.onSolve != nil {
		b.onSolve(b.solved(sol))
	}
	return nil
}

// follow brings the operating point to what has changed by itself. A channel
// that had arrived has come along with it all the time: it lags behind nothing.
func (b *Bench) follow(now int64) error {
	arrived := make([]bool, len(b.channels))
	for k := range b.channels {
		w := &b.channels[k].way
		arrived[k] = w.left(seconds(now-w.start)) < 1e-3
	}
	err := b.solve(nil, now)
	for k := range b.channels {
		if w := &b.channels[k].way; arrived[k] {
			*w = newTransit(now, w.v1, w.i1, w.v1, w.i1, 0, 0)
		}
	}
	return err
}

// operatingPoint solves the circuit as it is set and switched now.
func (b *Bench) operatingPoint() (*circuit.Solution, error) {
	if !b.energised() {
		b.net.ckt.Forget() // nothing holds a state: start from 0 V everywhere, where it ends
	}
	sol, err := b.attempt()
	if err == nil {
		return sol, nil
	}
	// Once more with nothing remembered at all, not even the order in which
	// the equations were worked through.
	net, again := b.assemble(&b.hw, &b.seat, &b.ill)
	if again != nil {
		return nil, err
	}
	b.net = net
	b.net.warmJoints(b.time())
	return b.attempt()
}

func (b *Bench) attempt() (*circuit.Solution, error) {
	if b.changing {
		b.net.warmJoints(b.time())
	}
	for k := range b.channels {
		c := &b.channels[k]
		if b.changing && c.set != nil {
			c.bring(b.time())
		}
		c.apply(b.net.channels[k+1])
	}
	sol, err := b.net.ckt.Solve()
	if err == nil && b.net.perWatt > 0 {
		sol, err = b.net.warm(sol)
	}
	if err == nil {
		err = b.finite()
	}
	return sol, err
}

// situation describes what is seated, forced and closed, for a report.
func (b *Bench) situation() string {
	var out strings.Builder
	fmt.Fprintf(&out, "%q unit %d %v", b.seat.Model, b.seat.Seed, b.seat.Faults)
	for _, c := range b.channels {
		if c.on {
			fmt.Fprintf(&out, ", %s %s %g limit %g", c.def.Name, c.set.Mode, c.level, c.limit)
			if c.set.Remote {
				out.WriteString(" remote")
			}
		}
	}
	for i, closed := range b.closed {
		if closed {
			out.WriteString(", " + b.def.Paths[i].Address)
		}
	}
	return out.String()
}

func (b *Bench) finite() error {
	for _, ch := range b.net.channels[1:] {
		if !finite(ch.V()) || !finite(ch.I()) {
			return fmt.Errorf("a channel is at %g V, %g A", ch.V(), ch.I())
		}
	}
	return nil
}

// tau is the time constant of line k at the last operating point: that of the
// channel's loop, and the small-signal resistance at each capacitance that the
// line carries (the delay of an RC ladder after its first moment).
func (b *Bench) tau(k int, sol *circuit.Solution) float64 {
	if b.hw.world.Settling == 0 {
		return 0
	}
	tau := b.channels[k-1].loop + b.hw.world.Settling*sol.Thevenin(b.net.lines[k])*cableC
	for _, node := range b.net.reach[k] {
		tau += b.hw.world.Settling * sol.Thevenin(node) * contactC
	}
	if !(tau >= 0 && tau < 1e6) { // no number, or nothing holds the node
		return 1e6
	}
	return tau
}

// depart starts a channel on its way from where it is now.
func (b *Bench) depart(c *channel, now int64, tau float64) {
	el := b.net.channels[c.def.ID]
	v0, i0 := c.way.at(seconds(now - c.way.start))
	v1, i1 := el.V(), el.I()
	if !c.on {
		i0 = 0
	}
	c.inCompliance = c.on && el.InCompliance()
	slew := 0.0
	if dv := math.Abs(v1 - v0); dv > 1e-9 && c.on && c.settling > 0 {
		f := cableC + contactC*float64(len(b.net.reach[c.def.ID]))
		slew = c.chargingCurrent(i1) / (c.settling * f * dv)
	}
	c.way = newTransit(now, v0, i0, v1, i1, tau, slew)
}

func seconds(ns int64) float64 { return float64(ns) * 1e-9 }

// solved is the operating point in the form that an observer gets.
func (b *Bench) solved(sol *circuit.Solution) Solved {
	s := Solved{At: b.clock.Now(), Pins: map[int]PinState{}, Nodes: make([]float64, b.net.ckt.Nodes())}
	for n := range s.Nodes {
		s.Nodes[n] = sol.V(circuit.Node(n))
	}
	for pin, node := range b.net.pinNodes {
		s.Pins[pin] = PinState{sol.V(node), b.net.pinCurrent(b.net.pins[pin])}
	}
	for k := range b.channels {
		c, el := &b.channels[k], b.net.channels[k+1]
		s.Channels = append(s.Channels, ChannelState{el.V(), el.I(), c.on, c.inCompliance, c.way.tau})
	}
	for i, closed := range b.closed {
		if closed {
			s.Closed = append(s.Closed, b.def.Paths[i].ID)
		}
	}
	return s
}
