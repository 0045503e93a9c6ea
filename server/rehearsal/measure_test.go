package rehearsal

import (
	"testing"

	"ohmkeep/server/bench"
)

// ratioError is the permitted error of V/I at v, i on two ranges, Ω.
func ratioError(v, i float64, rv, ri bench.Range) float64 {
	return v/i*(rv.MaxError(v)/v+ri.MaxError(i)/i) + 20*rv.Noise/i + 20*v*ri.Noise/(i*i)
}

func TestTwoWireReadsPathsToo(t *testing.T) {
	for _, seed := range []uint64{1, 2, 3, 4, 5} {
		r := withResistor(t, seed, 1000)
		r.wire(path(2, 1), path(0, 2))
		r.on(2, forceI(1e-3, 5))
		r.wait(cycle)
		s := r.read(2, cycle)
		extra := sourceR + r.onR[r.index[path(2, 1)]] + r.onR[r.index[path(0, 2)]]
		ch := r.def.Channels[1]
		near(t, "R", s.V/s.I, 1000+extra, ratioError(1, 1e-3, ch.SenseV[1], ch.SenseI[3]))
		if s.Flags != 0 {
			t.Errorf("flags %v", s.Flags)
		}
	}
}

func TestFourWireReadsThePart(t *testing.T) {
	for _, seed := range []uint64{1, 2, 3, 4, 5} {
		r := withResistor(t, seed, 100)
		r.wire(path(1, 1), path(3, 2))
		low := forceV(0, 0.1)
		low.Remote = true
		high := forceI(10e-3, 2)
		high.Remote = true
		r.on(3, low)
		r.on(1, high)
		r.wait(cycle)
		a, b := r.read(1, cycle), r.read(3, cycle)
		ch := r.def.Channels[0]
		// The second channel's voltage adds its own error.
		near(t, "R", (a.V-b.V)/a.I, 100, ratioError(1, 10e-3, ch.SenseV[0], ch.SenseI[4])+ch.SenseV[1].Offset/10e-3)
		near(t, "return current", b.I, -10e-3, 2*ch.SenseI[5].MaxError(10e-3)+ch.ForceI[4].MaxError(10e-3))
	}
}
