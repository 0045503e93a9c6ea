package rehearsal

import (
	"math"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/rehearsal/circuit"
)

const perCharge = 1.380649e-23 / 1.602176634e-19 // V/K

// hotResistor is a resistor of ohms at 25 °C that gains a part alpha of it per
// kelvin.
func hotResistor(ohms, alpha float64) func(*circuit.Circuit) map[int]circuit.Node {
	return func(c *circuit.Circuit) map[int]circuit.Node {
		a, b := c.NewNode(), c.NewNode()
		now := func() float64 { return ohms * (1 + alpha*(c.Temperature()-298.15)) }
		r := c.Resistor(a, b, now())
		c.OnTemperature(func() { r.SetR(now()) })
		return map[int]circuit.Node{1: a, 2: b}
	}
}

// TestResistorHeatsItself: at a current I a resistor of R·(1+α·ΔT) with the
// thermal resistance θ settles where ΔT = θ·I²·R·(1+α·ΔT), and so at
// R/(1-α·θ·I²·R).
func TestResistorHeatsItself(t *testing.T) {
	w := IdealWorld()
	w.SelfHeating = 1
	for _, x := range []struct{ ohms, alpha, perWatt, amps float64 }{
		{100, 25e-6, 150, 50e-3}, {100, 4e-3, 100, 50e-3}, {1000, -1e-3, 200, 9e-3}, {1000, 4e-3, 200, 1e-6},
	} {
		r := newRig(t, Config{World: &w, Seat: Seat{PinMap: straight(2), place: hotResistor(x.ohms, x.alpha), perWatt: x.perWatt}})
		r.wire(path(1, 1), path(0, 2))
		r.on(1, forceI(x.amps, 10))
		s := r.read(1, time.Millisecond)
		hot := x.ohms / (1 - x.alpha*x.perWatt*x.amps*x.amps*x.ohms)
		near(t, "R", s.V/s.I, hot+2*leastR, 1e-7*x.ohms)
		near(t, "junction", r.Truth().Junction, 25+x.perWatt*x.amps*x.amps*hot, 1e-4)
		r.must(r.Output(t.Context(), 1, false))
		r.read(1, time.Millisecond)
		near(t, "junction of a part at rest", r.Truth().Junction, 25, 1e-9)
	}
}

// saturated is a diode that follows its temperature by T³·exp(-Eg/kT) from
// 300 K.
func saturated(is, kelvin float64) float64 {
	return is * math.Pow(kelvin/300, 3) * math.Exp(1.12/perCharge*(1/300.0-1/kelvin))
}

func hotDiode(is float64) func(*circuit.Circuit) map[int]circuit.Node {
	return func(c *circuit.Circuit) map[int]circuit.Node {
		a, k := c.NewNode(), c.NewNode()
		now := func() circuit.DiodeParams { return circuit.DiodeParams{Is: saturated(is, c.Temperature()), N: 1} }
		d := c.Diode(a, k, now())
		c.OnTemperature(func() { d.Set(now()) })
		return map[int]circuit.Node{1: a, 2: k}
	}
}

// TestDiodeHeatsItself: the voltage at a current is that of the law at
// T = room + θ·V·I, found by halving.
func TestDiodeHeatsItself(t *testing.T) {
	const is, perWatt = 1e-14, 300.0
	w := IdealWorld()
	w.Ambient, w.SelfHeating = 23, 1
	for _, amps := range []float64{1e-6, 1e-3, 20e-3, 90e-3} {
		r := newRig(t, Config{World: &w, Seat: Seat{PinMap: straight(2), place: hotDiode(is), perWatt: perWatt}})
		r.wire(path(1, 1), path(0, 2))
		r.on(1, forceI(amps, 5))
		got := r.read(1, time.Millisecond).V
		volts := func(kelvin float64) float64 { return perCharge * kelvin * math.Log1p(amps/saturated(is, kelvin)) }
		low, high := w.Kelvin(), w.Kelvin()+200
		for range 100 {
			mid := (low + high) / 2
			if mid-w.Kelvin() < perWatt*amps*volts(mid) {
				low = mid
			} else {
				high = mid
			}
		}
		near(t, "V", got, volts(low)+2*leastR*amps, 1e-7)
		near(t, "junction", r.Truth().Junction+bench.ZeroCelsius, low, 1e-3)
	}
}

// TestAmbientMovesTheDiode: the body diode of a transistor model follows the
// room by dV/dT = (V - n·Eg - 3·n·kT/e)/T, the textbook's coefficient for
// Is ~ T³·exp(-Eg/kT) at ideality n, with the series resistance left out.
func TestAmbientMovesTheDiode(t *testing.T) {
	const amps = 100e-6
	at := func(celsius float64) (v float64, of map[string]float64) {
		w := IdealWorld()
		w.Ambient = celsius
		r := newRig(t, Config{World: &w, Seat: Seat{Model: "nmos", Seed: 4, PinMap: straight(3)}})
		r.wire(path(1, 2), path(0, 3), path(2, 1)) // source forward, drain at 0 V
		r.on(2, forceV(-2, 1e-3))                  // the channel itself stays off
		r.on(1, forceI(amps, 5))
		truth := r.Truth()
		near(t, "junction", truth.Junction, celsius, 1e-9)
		return r.read(1, time.Millisecond).V, truth.Unit
	}
	v, of := at(25)
	n, kelvin := of["body n"], 298.15
	near(t, "V", v, n*perCharge*kelvin*math.Log1p(amps/of["body Is"])+amps*of["body Rs"], 1e-4)
	hot, _ := at(25.5)
	cold, _ := at(24.5)
	// Is carries Eg and T³ whole, and n scales the voltage.
	want := (v - amps*of["body Rs"] - n*(1.12+3*perCharge*kelvin)) / kelvin
	near(t, "coefficient", hot-cold, want, 0.003*math.Abs(want))
	if want > -1e-3 || want < -4e-3 {
		t.Errorf("a coefficient of %g V/K is none of a silicon diode", want)
	}
}

// TestModelsHeatThemselves: a part that takes power is warmer by what its
// package says, and one whose self-heating is off is not.
func TestModelsHeatThemselves(t *testing.T) {
	for heating, want := range map[float64]float64{0: 0, 1: 200, 0.5: 100} {
		w := IdealWorld()
		w.SelfHeating = heating
		r := newRig(t, Config{World: &w, Seat: Seat{Model: "nmos", Seed: 4, PinMap: straight(3)}})
		r.wire(path(1, 2), path(0, 3))
		r.on(1, forceI(50e-3, 5))
		s := r.read(1, time.Millisecond)
		near(t, "rise", r.Truth().Junction-25, want*s.V*s.I, 1e-3)
	}
}
