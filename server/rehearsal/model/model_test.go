package model

import (
	"math"
	"reflect"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/rehearsal/circuit"
)

func seat(t testing.TB, key string, p Params, faults ...bench.UnitFault) (*circuit.Circuit, *Seated) {
	t.Helper()
	c := circuit.New(300)
	s, err := Seat(c, Unit{key, p, faults})
	if err != nil {
		t.Fatal(err)
	}
	return c, s
}

func solve(t testing.TB, c *circuit.Circuit) *circuit.Solution {
	t.Helper()
	sol, err := c.Solve()
	if err != nil {
		t.Fatal(err)
	}
	return sol
}

func near(t *testing.T, what string, got, want, rel float64) {
	t.Helper()
	if !(math.Abs(got-want) <= rel*math.Abs(want)) {
		t.Errorf("%s: got %.9g, want %.9g", what, got, want)
	}
}

func TestSameSeedSamePart(t *testing.T) {
	for _, m := range All() {
		_, a := seat(t, m.Key, Params{Seed: 7})
		_, b := seat(t, m.Key, Params{Seed: 7})
		_, d := seat(t, m.Key, Params{Seed: 8})
		if !reflect.DeepEqual(a.Truth, b.Truth) {
			t.Errorf("%s: the same seed gives another part", m.Key)
		}
		if m.Key != "empty" && reflect.DeepEqual(a.Truth, d.Truth) {
			t.Errorf("%s: another seed gives the same part", m.Key)
		}
		if len(a.Pins) != m.Pins {
			t.Errorf("%s: %d pins", m.Key, len(a.Pins))
		}
	}
}

// hex powers a hex part at 5 V and gives its first input and output, the other
// inputs being at ground.
func hex(t *testing.T, key string, faults ...bench.UnitFault) (*circuit.Circuit, *Seated, *circuit.VSource, *circuit.VSource) {
	c, s := seat(t, key, Params{Seed: 3}, faults...)
	vcc := c.VSource(s.Pins[14], circuit.Ground, 5)
	c.Resistor(s.Pins[7], circuit.Ground, 0.1)
	for _, g := range hexGates[1:] {
		c.Resistor(s.Pins[g[0]], circuit.Ground, 10)
	}
	return c, s, vcc, c.VSource(s.Pins[1], circuit.Ground, 0)
}

// switches sweeps the input and gives where the output crosses the middle.
func switches(t *testing.T, key string) (up, down float64) {
	c, s, _, in := hex(t, key)
	const step = 5e-3
	at := func(k int) float64 { in.SetV(float64(k) * step); return solve(t, c).V(s.Pins[2]) }
	for k := 0; k <= 1000; k++ {
		if at(k) < 2.5 {
			up = float64(k) * step
			break
		}
	}
	for k := int(up/step) + 40; k >= 0; k-- {
		if at(k) > 2.5 {
			return up, float64(k) * step
		}
	}
	t.Fatal(key, "never returns")
	return
}

func TestThresholds(t *testing.T) {
	up, down := switches(t, "hex-inverter")
	if math.Abs(up-down) > 0.011 || up < 1.8 || up > 2.8 {
		t.Errorf("plain input: %g V up, %g V down", up, down)
	}
	up, down = switches(t, "hex-inverter-schmitt")
	if up-down < 0.5 || up > 3.5 || down < 1.5 {
		t.Errorf("Schmitt input: %g V up, %g V down", up, down)
	}
}

func TestHexInverterAtRest(t *testing.T) {
	c, s, vcc, _ := hex(t, "hex-inverter")
	near(t, "output high", solve(t, c).V(s.Pins[2]), 5, 1e-5)
	// Standby leakage and the inputs' leakage, well below a microampere.
	if i := vcc.I(); i < 5*s.Truth["standby conductance"] || i > 2e-6 {
		t.Errorf("supply current %g A", i)
	}
	c.ISource(s.Pins[2], circuit.Ground, 4e-3)
	if v := solve(t, c).V(s.Pins[2]); v < 4.6 || v > 4.95 {
		t.Errorf("output high with 4 mA: %g V", v)
	}
}

func TestProtectionDiode(t *testing.T) {
	// 100 µA out of an input, supply at 0 V: the diode's own voltage.
	c, s := seat(t, "hex-inverter", Params{Seed: 5})
	c.VSource(s.Pins[14], circuit.Ground, 0)
	c.VSource(s.Pins[7], circuit.Ground, 0)
	c.ISource(s.Pins[1], circuit.Ground, 100e-6)
	p := s.Truth
	want := p["protection n"]*c.ThermalVoltage()*math.Log1p(100e-6/p["protection Is"]) + 100e-6*p["protection Rs"]
	near(t, "protection diode", -solve(t, c).V(s.Pins[1]), want, 1e-6)
}

func TestRegulator(t *testing.T) {
	c, s := seat(t, "regulator", Params{Seed: 2, Options: map[string]float64{"volts": 2.5}})
	in := c.VSource(s.Pins[1], circuit.Ground, 5)
	c.VSource(s.Pins[2], circuit.Ground, 0)
	en := c.VSource(s.Pins[3], circuit.Ground, 5)
	load := c.Resistor(s.Pins[5], circuit.Ground, 250)
	out := s.Pins[5]
	near(t, "output", solve(t, c).V(out), s.Truth["output voltage"], 2e-3)
	near(t, "nominal", s.Truth["output voltage"], 2.5, 2e-2)
	en.SetV(0)
	if v := solve(t, c).V(out); math.Abs(v) > 1e-2 || in.I() > 200e-6 {
		t.Errorf("switched off: %g V, %g A", v, in.I())
	}
	en.SetV(5)
	load.SetR(20)
	near(t, "loaded", solve(t, c).V(out), s.Truth["output voltage"], 2e-2)
}

func TestPassiveTruth(t *testing.T) {
	c, s := seat(t, "check-load", Params{Seed: 4, Options: map[string]float64{"ohms": 10}})
	c.ISource(circuit.Ground, s.Pins[1], 10e-3)
	c.VSource(s.Pins[2], circuit.Ground, 0)
	sol := solve(t, c)
	near(t, "four-wire", sol.Between(s.Pins[3], s.Pins[4])/10e-3, s.Truth["R"], 1e-9)
	near(t, "two-wire", sol.V(s.Pins[1])/10e-3, s.Truth["two-wire R"], 1e-9)

	c, s = seat(t, "resistor-network", Params{Seed: 4})
	c.ISource(circuit.Ground, s.Pins[3], 1e-4)
	c.VSource(s.Pins[14], circuit.Ground, 0)
	near(t, "R3", solve(t, c).V(s.Pins[3])/1e-4, s.Truth["R3"], 1e-9)
}

func TestFaults(t *testing.T) {
	// Resistors 1-16 and 2-15 of 10 kΩ; what pin 1 sees against pin 16.
	for _, x := range []struct {
		f    bench.UnitFault
		want func(Truth) float64
	}{
		{bench.UnitFault{Kind: OpenBond, Pin: 1}, func(Truth) float64 { return 1 / circuit.Insulation }},
		{bench.UnitFault{Kind: ContactResistance, Pin: 1, Value: 50}, func(r Truth) float64 { return r["R1"] + 50 }},
		{bench.UnitFault{Kind: LeakyPin, Pin: 1, Value: 1e4}, func(r Truth) float64 { return 1 / (1/r["R1"] + 1e-4) }},
		{bench.UnitFault{Kind: PinsShorted, Pin: 1, Pin2: 16, Value: 2}, func(r Truth) float64 { return 1 / (1/r["R1"] + 0.5) }},
		{bench.UnitFault{Kind: SwappedContacts, Pin: 1, Pin2: 2}, func(r Truth) float64 { return r["R2"] }},
	} {
		c, s := seat(t, "resistor-network", Params{Seed: 1}, x.f)
		for _, p := range []int{15, 16} {
			c.VSource(s.Pins[p], circuit.Ground, 0)
		}
		near(t, x.f.Kind, solve(t, c).Thevenin(s.Pins[1]), x.want(s.Truth), 1e-8)
	}
}

func TestRefusals(t *testing.T) {
	for name, u := range map[string]Unit{
		"model":       {Model: "none"},
		"pin":         {Model: "nmos", Faults: []bench.UnitFault{{Kind: OpenBond, Pin: 4}}},
		"kind":        {Model: "nmos", Faults: []bench.UnitFault{{Kind: "none", Pin: 1}}},
		"same pin":    {Model: "nmos", Faults: []bench.UnitFault{{Kind: SwappedContacts, Pin: 1, Pin2: 1}}},
		"ohms":        {Model: "nmos", Faults: []bench.UnitFault{{Kind: LeakyPin, Pin: 1, Value: math.NaN()}}},
		"option":      {Model: "nmos", Params: Params{Options: map[string]float64{"x": 1}}},
		"range":       {Model: "check-load", Params: Params{Options: map[string]float64{"ohms": math.Inf(1)}}},
		"temperature": {Model: "nmos", Params: Params{Temperature: 350}},
	} {
		if _, err := Seat(circuit.New(300), u); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}
