package procedure

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// A current that cannot be told from zero bounds the resistance from below: by the
// least voltage and the largest current that the readings leave open, so that no
// resistance that they leave open is below it.
func TestLeastResistanceHolds(t *testing.T) {
	m := base("resistance")
	m.Use, m.Compliance = UseVoltage, 1e-3
	k := newKit(resistanceKind.facts, &m, networkDevice(), Rule{})
	rapid.Check(t, func(t *rapid.T) {
		v, uv := rapid.Float64Range(-2, 2).Draw(t, "v"), rapid.Float64Range(0, 0.5).Draw(t, "u of v")
		ui := rapid.Float64Range(1e-9, 1e-6).Draw(t, "u of i")
		i := sure * ui * rapid.Float64Range(-1, 1).Draw(t, "i in U")
		r, ok := ratio(&k, 1, guessed(v, uv), guessed(i, ui), 0)
		if !ok || !r.only || r.bound != 1 {
			t.Fatalf("%+v", r)
		}
		least := r.x()
		for _, at := range []float64{-1, -0.5, 0, 0.5, 1} { // voltages within 2 u
			truth := v + at*sure*uv
			if truth < 0 {
				truth = -truth
			}
			most := max(i, -i) + sure*ui
			if least > truth/most*(1+1e-9) {
				t.Fatalf("at least %g Ω; %g V and %g A are left open", least, truth, most)
			}
		}
		if least < 0 || (least == 0) != (max(v, -v) <= sure*uv) {
			t.Fatalf("at least %g Ω of %g ± %g V", least, v, sure*uv)
		}
		if least == 0 && strings.Contains(r.note, "open") {
			t.Fatalf("nothing is known, and it says %q", r.note)
		}
	})
}

// One over a current that is badly known has the ends of one over the ends of the
// current's interval: with a voltage that is exact, 1 V over 3 ± 1.96 nA.
func TestResistanceOfASmallCurrent(t *testing.T) {
	m := base("resistance")
	m.Use, m.Compliance = UseVoltage, 1e-3
	k := newKit(resistanceKind.facts, &m, networkDevice(), Rule{})
	v, ok := ratio(&k, 1, guessed(1, 1e-9), guessed(3e-9, 1e-9), 0)
	r, said := k.result(v)
	if !ok || !said || math.Abs(r.Value/(1/3e-9)-1) > 1e-6 || math.Abs(r.From/(1/4.96e-9)-1) > 1e-3 || math.Abs(r.To/(1/1.04e-9)-1) > 1e-3 {
		t.Errorf("%+v", r)
	}
	// A current that is well known leaves the interval as it was.
	v, _ = ratio(&k, 1, guessed(1, 1e-9), guessed(3e-9, 1e-11), 0)
	if r, _ = k.result(v); v.through != nil || math.Abs((r.To-r.Value)/(r.Value-r.From)-1) > 1e-6 {
		t.Errorf("%+v", r)
	}
}
