package rehearsal

import (
	"math"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/rehearsal/circuit"
)

// ratioError is the permitted error of V/I at v, i on two ranges, Ω.
func ratioError(v, i float64, rv, ri bench.Range) float64 {
	return v/i*(bound(rv, v)/v+bound(ri, i)/i) + 20*rv.Noise/i + 20*v*ri.Noise/(i*i)
}

func TestTwoWireReadsPathsToo(t *testing.T) {
	for seed := range uint64(50) {
		r := withResistor(t, seed, 1000)
		r.wire(path(2, 1), path(0, 2))
		r.on(2, forceI(1e-3, 5))
		r.wait(cycle)
		s := r.read(2, cycle)
		extra := sourceR + r.Truth().Paths[path(2, 1)].Force + r.Truth().Paths[path(0, 2)].Force
		ch := r.def.Channels[1]
		near(t, "R", s.V/s.I, 1000+extra, ratioError(1, 1e-3, ch.SenseV[1], ch.SenseI[3]))
		if s.Flags != 0 {
			t.Errorf("flags %v", s.Flags)
		}
	}
}

func TestFourWireReadsThePart(t *testing.T) {
	for seed := range uint64(50) {
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
		near(t, "return current", b.I, -10e-3, 2*bound(ch.SenseI[5], 10e-3)+bound(ch.ForceI[4], 10e-3))
	}
}

func diode(is, n, rs float64) func(*circuit.Circuit) map[int]circuit.Node {
	return func(c *circuit.Circuit) map[int]circuit.Node {
		a, k := c.NewNode(), c.NewNode()
		c.Diode(a, k, circuit.DiodeParams{Is: is, N: n, Rs: rs})
		return map[int]circuit.Node{1: a, 2: k}
	}
}

// TestDiodeAgainstClosedForm forces the currents of the table (computed from
// Shockley's law with series resistance, after Banwell and Jayakumar,
// Electron. Lett. 36(4), 291 (2000); status "computed") through four wires and
// compares the voltages within the stated accuracy of what was used.
func TestDiodeAgainstClosedForm(t *testing.T) {
	checked := 0
	for _, row := range table(t, "forced-current-voltage.csv") {
		is, n, rs, kelvin, amps, volts := row[0], row[1], row[2], row[3], row[4], row[5]
		if kelvin != 300 || amps < 1e-8 || amps > 50e-3 || volts > 1.8 {
			continue
		}
		checked++
		for seed := range uint64(5) {
			r := newRig(t, Config{Seed: seed, Seat: Seat{PinMap: straight(2), place: diode(is, n, rs)}})
			r.wire(path(1, 1), path(3, 2))
			r.on(3, remote(forceV(0, 0.1)))
			r.on(1, remote(forceI(amps, 2)))
			r.wait(50 * cycle)
			a, b := r.read(1, 10*cycle), r.read(3, 10*cycle)
			fi, sv, _, _ := r.def.Channels[0].RangesFor(remote(forceI(amps, 2)))
			// dV/dI turns the error of the forced current into one of voltage.
			slope := n*circuit.New(kelvin).ThermalVoltage()/(amps+is) + rs
			within := bound(sv, a.V) + bound(sv, b.V) + 6*sv.Noise + slope*(bound(fi, amps)+1e-10)
			near(t, "V of diode", a.V-b.V, volts, within)
		}
	}
	if checked < 5 {
		t.Errorf("only %d rows fit the bench", checked)
	}
}

// TestDiodeWithoutErrors is the same on a bench whose converters do not err:
// what is left is the circuit, to within the leakage of its open switches.
func TestDiodeWithoutErrors(t *testing.T) {
	for _, row := range table(t, "forced-current-voltage.csv") {
		is, n, rs, kelvin, amps, volts := row[0], row[1], row[2], row[3], row[4], row[5]
		if kelvin != 300 || amps < 1e-6 || amps > 50e-3 || volts > 1.8 {
			continue
		}
		r := newRig(t, Config{World: asStated(), Seat: Seat{PinMap: straight(2), place: diode(is, n, rs)}})
		r.wire(path(1, 1), path(3, 2))
		r.on(3, remote(forceV(0, 0.1)))
		r.on(1, remote(forceI(amps, 2)))
		r.wait(50 * cycle)
		a, b := r.read(1, cycle), r.read(3, cycle)
		// Six switches' worth of leakage passes the diode by, and what leads from
		// line to line at the 46 contacts that are empty: two switches of either
		// line and three of others, of seven.
		leak := volts * (6 + 46*2*5/7.0) * openLeakage * (1 + 1e-3) // A
		// The tie from force to sense carries a part of the path's drop.
		wire := onResistance * (1 + onTolerance)
		sense := 2 * amps * wire * wire / senseTieR
		near(t, "V of diode", a.V-b.V, volts, leak*(n*0.026/amps+rs)+sense+1e-9)
	}
}

func TestLeakage(t *testing.T) {
	const ohms = 10e9
	r := newRig(t, Config{World: asStated(), Seat: Seat{PinMap: straight(2), place: resistor(ohms)}})
	r.wire(path(2, 1), path(0, 2))
	r.on(2, forceV(5, 1e-6))
	r.wait(100 * cycle)
	s := r.read(2, cycle)
	// The part; the switches of contact 1 to the return and to three channels
	// that are off, and so lead on through their other switch to contact 2.
	// Lines 1 and 3 have a sense wire, hence twice the conductance.
	direct := 5/ohms + 5*openLeakage
	through := 5 * openLeakage * (2.0/2 + 1.0/2 + 2.0/2)
	// The channel's own line leaks to contact 2.
	own := 5 * openLeakage
	// Besides, every node has 1 fS to the return: here two at 5 V, five at 2.5 V.
	rest := circuit.Insulation * (2*5 + 5*2.5/2)
	// 46 contacts are empty. Each has seven switches; the five of them that belong
	// to channels that are off lead to 2.5 V.
	empty := 46 * openLeakage / 7 * (5 + 5*2.5)
	near(t, "leakage", s.I, direct+through+own+empty+rest, 1e-17)

	real := withResistor(t, 4, ohms)
	real.wire(path(2, 1), path(0, 2))
	real.on(2, forceV(5, 1e-6))
	real.wait(100 * cycle)
	si := real.def.Channels[1].SenseI[0]
	near(t, "leakage with errors", real.read(2, 10*cycle).I, direct+through+own+empty, si.MaxError(1e-9)+6*si.Noise)
}

func TestComplianceCrossover(t *testing.T) {
	for _, x := range []struct {
		name  string
		setup bench.Setup
		ohms  float64
		v, i  float64
		flag  bool
	}{
		{"voltage holds", forceV(5, 10e-3), 1000, 5, 5e-3, false},
		{"current limits", forceV(5, 1e-3), 1000, 1, 1e-3, true},
		{"current limits below", forceV(-5, 1e-3), 1000, -1, -1e-3, true},
		{"current holds", forceI(1e-3, 5), 1000, 1, 1e-3, false},
		{"voltage limits", forceI(1e-3, 0.5), 1000, 0.5, 0.5e-3, true},
		{"voltage limits below", forceI(-1e-3, 0.5), 1000, -0.5, -0.5e-3, true},
	} {
		for seed := range uint64(5) {
			wires := sourceR + 2*onResistance
			r := withResistor(t, seed, x.ohms-wires)
			r.wire(path(4, 1), path(0, 2))
			r.on(4, x.setup)
			r.wait(cycle)
			s := r.read(4, cycle)
			near(t, x.name+" V", s.V, x.v, 2e-3*math.Abs(x.v)+5e-3)
			near(t, x.name+" I", s.I, x.i, 5e-3*math.Abs(x.i)+6e-6)
			if s.Flags.Has(bench.InCompliance) != x.flag {
				t.Errorf("%s: flags %b", x.name, s.Flags)
			}
		}
	}
}

// TestCheckLoadByFourPins measures the check load through its own sense pins.
func TestCheckLoadByFourPins(t *testing.T) {
	for _, ohms := range []float64{100, 1000, 100e3} {
		r := newRig(t, Config{Seed: 9, Seat: Seat{
			Model: "check-load", Seed: 3, Options: map[string]float64{"ohms": ohms}, PinMap: straight(4)}})
		r.wire(path(2, 1), path(0, 2), path(1, 3), path(3, 4))
		amps := math.Min(10e-3, 1/ohms)
		r.on(1, forceI(0, 10))
		r.on(3, forceI(0, 10))
		r.on(2, forceI(amps, 10))
		r.wait(10 * cycle)
		s, err := r.Read(t.Context(), []bench.ChannelID{1, 3, 2}, 10*cycle, nil)
		r.must(err)
		truth := r.Truth().Unit["R"]
		v := s[0].V - s[1].V
		sv, si := r.def.Channels[0].SenseV[1], r.def.Channels[1].SenseI
		ri, _ := bench.RangeFor(si, amps)
		within := ratioError(amps*ohms, amps, sv, ri) + sv.MaxError(0.1)/amps
		near(t, "R", v/s[2].I, truth, within)
		if within > 0.01*ohms {
			t.Errorf("the check at %g Ω is too coarse: %g", ohms, within)
		}
	}
}

func TestOverRange(t *testing.T) {
	r := withResistor(t, 1, 100)
	r.wire(path(2, 1), path(0, 2))
	r.on(2, forceV(9.9, 100e-3))
	r.wait(cycle)
	if s := r.read(2, cycle); s.Flags.Has(bench.OverRange) {
		t.Errorf("flag without need at %g A", s.I)
	}
	// A channel that forces 0 A is driven to its voltage limit of 2 V, which it
	// holds by taking about 70 mA: far off its 1 µA range.
	r.wire(path(2, 1), path(4, 2))
	r.on(4, forceI(0, 2))
	r.wait(cycle)
	s := r.read(4, cycle)
	if !s.Flags.Has(bench.InCompliance) {
		t.Errorf("%+v", s)
	}
	if !s.Flags.Has(bench.OverRange) || math.Abs(s.I) > 1.06e-6 {
		t.Errorf("tens of mA on the 1 µA range read %g, flags %b", s.I, s.Flags)
	}
}
