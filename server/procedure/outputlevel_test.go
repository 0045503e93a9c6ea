package procedure

import (
	"testing"

	"ohmkeep/server/budget"
)

// The interval of a resistance by a load current that is known to 25 % ends where the
// quantiles of that current are turned round: of 1 mA ± 0.25 mA, standard, and a
// voltage that is known well, at 100 mV over 1.490 and 0.510 mA. First order says 51 to
// 149 Ω. Every trial rests on a fixed seed.
func TestResistanceByABadlyKnownLoad(t *testing.T) {
	dv, di := guessed(0.1, 1e-5), guessed(1e-3, 0.25e-3)
	q, said := quotient(dv, di)
	if said == nil || !said.Simulated {
		t.Fatalf("stated by first order: %+v", q)
	}
	const normal = 1.959964
	near(t, "low", said.Low, 0.1/(1e-3+normal*0.25e-3), 1)
	near(t, "high", said.High, 0.1/(1e-3-normal*0.25e-3), 4)
	if first := q.State(budget.Coverage); first.High > 160 || first.Low > 60 {
		t.Errorf("first order would have done: %g to %g", first.Low, first.High)
	}
	if _, again := quotient(dv, di); again.Low != said.Low || again.High != said.High {
		t.Error("the same value is stated in two ways")
	}
}

// A load that is well known is stated by first order, as it always was.
func TestResistanceByAWellKnownLoad(t *testing.T) {
	q, said := quotient(guessed(0, 1e-3), guessed(1e-3, 1e-6))
	if said != nil || q.X != 0 {
		t.Errorf("%+v, %+v", q, said)
	}
	near(t, "its uncertainty", q.Uc(), 1, 1e-12)
}
