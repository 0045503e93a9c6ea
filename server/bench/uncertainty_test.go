package bench

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// What is prepared once gives every reading the same bits as the formulas: the
// rectangular error and step and the noise in quadrature (GUM 4.3.7, 5.1.2),
// then what the path takes.
func TestPreparedUncertaintyIsTheFormulas(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		drawn := func(name string) Range {
			f := rapid.Float64Range(0, 1)
			return Range{Gain: f.Draw(t, name+" gain"), Offset: f.Draw(t, name+" offset"), Step: f.Draw(t, name+" step"), Noise: f.Draw(t, name+" noise")}
		}
		v, i := drawn("V"), drawn("I")
		loss := PathError{rapid.Float64Range(0, 100).Draw(t, "series"), rapid.Float64Range(0, 1).Draw(t, "shunt")}
		cycles := rapid.SampledFrom([]float64{-1, 0, 1e-3, 1, 10}).Draw(t, "cycles")
		u := UncertaintyOf(v, i, loss, cycles)
		for range 3 {
			readV, readI := rapid.Float64().Draw(t, "read V"), rapid.Float64().Draw(t, "read I")
			plain := func(r Range, x float64) float64 {
				e, n := r.MaxError(x), cycles
				if n <= 0 {
					n = 1
				}
				return math.Sqrt(e*e/3 + r.Step*r.Step/12 + r.Noise*r.Noise/n)
			}
			wantV, wantI := loss.Add(plain(v, readV), plain(i, readI), readV, readI)
			gotV, gotI := u.At(readV, readI)
			if math.Float64bits(gotV) != math.Float64bits(wantV) || math.Float64bits(gotI) != math.Float64bits(wantI) {
				t.Fatalf("%g V, %g A: %g and %g, want %g and %g", readV, readI, gotV, gotI, wantV, wantI)
			}
		}
	})
}
