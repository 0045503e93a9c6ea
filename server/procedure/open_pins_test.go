package procedure

import (
	"math/rand/v2"
	"testing"

	"ohmkeep/server/bench"
)

// A curve of a small current holds the resistance of a part that joins its other
// pins with the measured one, where nobody holds them: what leaks at their contacts
// comes from the measured pin. Where they are held it is known better.
func TestCurvesCountWhatLeaksAtOpenPins(t *testing.T) {
	const ohms = 50e6
	curve := func(hold []Hold, leaks bool) Result {
		b, d, _ := leakyBench(rand.New(rand.NewPCG(7, 7)), 0.01)
		m := base("sweep")
		m.Pins, m.Against, m.Use, m.Compliance, m.Hold = []int{1}, 2, UseCurrent, 10, hold
		m.Settle.Time = 0.1
		m.Sweep = &Sweep{Spacing: Linear, From: 10e-9, To: 100e-9, Points: 10}
		// Every contact of the part sits where pin 1 does; lines of idle channels too.
		siemens := 0.0
		for i := range b.Paths {
			if o := &b.Paths[i]; leaks && (o.Contact == 3 || o.Contact == 4) && o.Channel == 0 {
				siemens += o.Leakage
			}
		}
		rs := heldRunOn(t, d, b, m, func(_ *Point, set float64) float64 { return set }, func(hold []Hold, pin int) (v, i float64, flags bench.Flags) {
			set := holdAt(hold, pin).Level
			v = ohms * set / (1 + ohms*siemens)
			return v, set, 0
		})
		return find(t, rs, "resistance", 1, "")
	}
	open := curve(nil, true)
	if open.From > ohms || open.To < ohms {
		t.Errorf("%g to %g Ω, in truth %g", open.From, open.To, ohms)
	}
	held := curve([]Hold{{Pin: 3, Use: UseReturn}, {Pin: 4, Use: UseReturn}}, false)
	if held.U > 0.7*open.U {
		t.Errorf("± %g Ω with the other pins held, ± %g Ω without", held.U, open.U)
	}
}
