package model

import (
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/rehearsal/circuit"
)

// Kirchhoff's current law at every node, for any model, unit, faults and bias
// that rapid can think of.
func TestKirchhoff(t *testing.T) {
	models := All()
	rapid.Check(t, func(rt *rapid.T) {
		m := models[rapid.IntRange(0, len(models)-1).Draw(rt, "model")]
		g := rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 2))
		r := newRig(t, Unit{m.Key, Params{Seed: g.Uint64()}, faults(g, m)})
		r.shuffle(g)
		r.force(g)
		sol, err := r.c.Solve()
		if err != nil {
			rt.Fatal(m.Key, err)
		}
		if !(sol.Residual < 1e-12) {
			rt.Fatalf("%s: residual %g of %g A", m.Key, sol.Residual, sol.LargestCurrent)
		}
	})
}

// powered is a part on four channels at 0, 1, 2 and 3 V and the return.
func powered(t testing.TB, key string) *rig {
	r := newRig(t, Unit{Model: key, Params: Params{Seed: 1}})
	for pin, row := range r.switches {
		row[pin%len(row)].SetR(closedR)
	}
	for k, ch := range r.channels {
		ch.Set(circuit.ForceVoltage, float64(k), 10e-3)
	}
	if _, err := r.c.Solve(); err != nil {
		t.Fatal(err)
	}
	return r
}

// sweep goes up and down by 10 mV a step, 0 to 1 V.
type sweep struct{ at, step float64 }

func (s *sweep) next() float64 {
	if s.step == 0 || s.at >= 1 {
		s.step = -10e-3
	}
	if s.at <= 0 {
		s.step = 10e-3
	}
	s.at += s.step
	return s.at
}

// A sweep makes no garbage once every elimination order that it needs is there.
func TestSolveAllocatesNothing(t *testing.T) {
	for _, m := range All() {
		r, s := powered(t, m.Key), sweep{}
		step := func() {
			r.channels[0].Level = s.next()
			if _, err := r.c.Solve(); err != nil {
				t.Fatal(m.Key, err)
			}
		}
		for range 400 {
			step()
		}
		if n := testing.AllocsPerRun(200, step); n != 0 {
			t.Errorf("%s: %g allocations a step", m.Key, n)
		}
	}
}

func benchmark(b *testing.B, key string, cold bool) {
	r, s := powered(b, key), sweep{}
	steps, n := 0, 0
	b.ReportAllocs()
	for b.Loop() {
		if cold {
			r.c.Forget()
		}
		r.channels[0].Level = s.next()
		sol, err := r.c.Solve()
		if err != nil {
			b.Fatal(err)
		}
		steps += sol.Iterations
		n++
	}
	b.ReportMetric(float64(steps)/float64(n), "steps/op")
	b.ReportMetric(float64(r.c.Unknowns()), "unknowns")
}

// BenchmarkSolve: warm is the next point of a sweep, 10 mV on.
func BenchmarkSolve(b *testing.B) {
	for _, m := range All() {
		b.Run(m.Key+"/warm", func(b *testing.B) { benchmark(b, m.Key, false) })
		b.Run(m.Key+"/cold", func(b *testing.B) { benchmark(b, m.Key, true) })
	}
}
