package model

import (
	"flag"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/rehearsal/circuit"
)

// rig is a seated unit behind four channels and the return, every contact on a
// switch to each.
type rig struct {
	c        *circuit.Circuit
	channels []*circuit.Channel
	switches [][]*circuit.Resistor // by pin, by line; the last line is the return
	seat     *Seated
}

const (
	closedR = 4.0
	openR   = 1e11
)

func newRig(t testing.TB, u Unit) *rig {
	t.Helper()
	r := &rig{c: circuit.New(296)}
	seat, err := Seat(r.c, u)
	if err != nil {
		t.Fatal(err)
	}
	r.seat = seat
	lines := make([]circuit.Node, 5)
	for k := range 4 {
		lines[k] = r.c.NewNode()
		sense := lines[k]
		if k%2 == 0 {
			sense = r.c.NewNode()
			r.c.Resistor(lines[k], sense, 100e3)
		}
		ch := r.c.Channel(lines[k], sense, 0.5)
		ch.Remote, ch.Headroom = k%2 == 0, 12
		r.channels = append(r.channels, ch)
	}
	for p := 1; p <= seat.Model.Pins; p++ {
		var row []*circuit.Resistor
		for k := range lines {
			row = append(row, r.c.Resistor(seat.Pins[p], lines[k], openR))
			if k%2 == 0 && k < 4 {
				r.c.Resistor(seat.Pins[p], r.channels[k].Sense, openR)
			}
		}
		r.switches = append(r.switches, row)
	}
	return r
}

// faults draws none to three faults of any kind.
func faults(g *rand.Rand, m Model) []bench.UnitFault {
	var out []bench.UnitFault
	for range g.IntN(4) {
		k := FaultKinds()[g.IntN(len(FaultKinds()))]
		f := bench.UnitFault{Kind: k.Kind, Pin: 1 + g.IntN(m.Pins), Value: math.Pow(10, -3+15*g.Float64())}
		f.Pin2 = 1 + (f.Pin+g.IntN(m.Pins-1))%m.Pins
		out = append(out, f)
	}
	return out
}

// shuffle connects every line anew and leaves some pins open. Pins beyond the
// channels go to the return, to a channel that is taken already, or nowhere.
func (r *rig) shuffle(g *rand.Rand) {
	for _, row := range r.switches {
		for _, s := range row {
			s.SetR(openR)
		}
		if g.Float64() < 0.6 {
			row[g.IntN(len(row))].SetR(closedR)
		}
	}
	for k := range r.channels {
		r.switches[g.IntN(len(r.switches))][k].SetR(closedR)
	}
	if gp := r.seat.Model.GroundPin; gp > 0 && g.Float64() < 0.8 {
		r.switches[gp-1][4].SetR(closedR)
	}
}

// force sets every channel to anything it can do.
func (r *rig) force(g *rand.Rand) {
	for _, ch := range r.channels {
		amps := math.Pow(10, -9+8*g.Float64()) // 1 nA to 100 mA
		volts := 10 * (2*g.Float64() - 1)
		switch g.IntN(8) {
		case 0:
			ch.Set(circuit.Off, 0, 1)
		case 1, 2:
			ch.Set(circuit.ForceCurrent, math.Copysign(amps, volts), math.Abs(volts)+0.01)
		default:
			ch.Set(circuit.ForceVoltage, volts, amps)
		}
	}
}

// nudge moves every level a little, as a sweep does.
func (r *rig) nudge(g *rand.Rand) {
	for _, ch := range r.channels {
		ch.Level *= 1 + 0.1*(2*g.Float64()-1)
	}
}

type tally struct {
	points, cold, steps, worstSteps int
	methods                         map[circuit.Method]int
	residual                        float64
}

// explore solves points of one model, new unit and new faults every 50, and
// checks Kirchhoff at every one.
func explore(t *testing.T, m Model, points int, seed uint64) tally {
	g := rand.New(rand.NewPCG(seed, 1))
	sum := tally{methods: map[circuit.Method]int{}}
	var r *rig
	var u Unit
	for k := range points {
		cold := false
		if k%50 == 0 {
			u = Unit{m.Key, Params{Seed: g.Uint64()}, faults(g, m)}
			r = newRig(t, u)
			cold = true
		}
		switch {
		case k%10 == 0:
			r.shuffle(g)
			r.force(g)
		case k%5 < 3:
			r.force(g)
		default:
			r.nudge(g)
		}
		if k%5 < 2 {
			r.c.Forget()
			cold = true
		}
		sol, err := r.c.Solve()
		if err != nil {
			t.Errorf("point %d of %+v: %v", k, u, err)
			continue
		}
		if !(sol.Residual < 1e-12) {
			t.Errorf("point %d of %+v: residual %g of %g A", k, u, sol.Residual, sol.LargestCurrent)
		}
		sum.points++
		if cold {
			sum.cold++
		}
		sum.steps += sol.Iterations
		sum.worstSteps = max(sum.worstSteps, sol.Iterations)
		sum.methods[sol.Method]++
		sum.residual = math.Max(sum.residual, sol.Residual)
	}
	return sum
}

var (
	points = flag.Int("points", 2_500, "random bias points over all models and faults that TestEveryBiasPoint solves; at most 2000 with -short")
	seed   = flag.Uint64("seed", 0, "first seed of TestEveryBiasPoint: each model has one of its own")
)

// TestEveryBiasPoint solves random bias points of every model with random
// faults: each converges, to a residual that is none.
func TestEveryBiasPoint(t *testing.T) {
	points := *points
	if testing.Short() || raceDetector {
		points = min(points, 2_000)
	}
	models := All()
	for k, m := range models {
		share := points / len(models)
		if k < points%len(models) {
			share++
		}
		t.Run(m.Key, func(t *testing.T) {
			t.Parallel()
			start := time.Now()
			s := explore(t, m, share, *seed+uint64(k))
			t.Logf("%d points, %d cold, %.1f steps (most %d), %v, residual %.1g, %v", s.points, s.cold,
				float64(s.steps)/float64(s.points), s.worstSteps, s.methods, s.residual, time.Since(start).Round(time.Millisecond))
			if s.points != share {
				t.Errorf("%d of %d points solved", s.points, share)
			}
			if 3*s.cold < s.points {
				t.Errorf("only %d of %d points were cold", s.cold, s.points)
			}
		})
	}
}
