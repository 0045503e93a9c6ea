package model

import (
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
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

func benchmark(b *testing.B, key string, cold bool) {
	g := rand.New(rand.NewPCG(1, 3))
	r := newRig(b, Unit{Model: key, Params: Params{Seed: 1}})
	for pin, row := range r.switches {
		row[pin%len(row)].SetR(closedR)
	}
	for k, ch := range r.channels {
		ch.Set(1, float64(k), 10e-3)
	}
	if _, err := r.c.Solve(); err != nil {
		b.Fatal(err)
	}
	steps, n := 0, 0
	b.ReportAllocs()
	for b.Loop() {
		if cold {
			r.c.Forget()
		}
		r.channels[0].Level = g.Float64() // 0 to 1 V
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

func BenchmarkSolve(b *testing.B) {
	for _, m := range All() {
		b.Run(m.Key+"/warm", func(b *testing.B) { benchmark(b, m.Key, false) })
		b.Run(m.Key+"/cold", func(b *testing.B) { benchmark(b, m.Key, true) })
	}
}
