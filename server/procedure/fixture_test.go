package procedure

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
	"ohmkeep/server/dut"
	"ohmkeep/server/testkit"
)

// inverterDevice is two inverters in a 6-pin package with protection diodes.
func inverterDevice() *dut.Device {
	logic := func(n int, name string, f dut.Function) dut.Pin {
		return dut.Pin{Number: n, Name: name, Function: f, Clamp: 6, MinV: -0.5, MaxV: 7, AboveClamp: 0.5, MaxI: 20e-3}
	}
	return &dut.Device{
		Key: "two-inverters", Name: "Two inverters", Package: dut.Package{Family: dut.DualRow, Pins: 6},
		Pins: []dut.Pin{
			logic(1, "1A", dut.Input), logic(2, "1Y", dut.Output),
			{Number: 3, Name: "GND", Function: dut.Ground, MaxI: 50e-3},
			logic(4, "2Y", dut.Output), logic(5, "2A", dut.Input),
			{Number: 6, Name: "VCC", Function: dut.Supply, MinV: -0.5, MaxV: 7, MaxI: 50e-3},
		},
		Power: []dut.PowerStep{{Pin: 6, Level: 5, Limit: 20e-3, Ramp: 10e-3, Delay: 5e-3}},
	}
}

// networkDevice is four terminals without a ground.
func networkDevice() *dut.Device {
	d := &dut.Device{Key: "network", Name: "Network", Package: dut.Package{Family: dut.SingleRow, Pins: 4}}
	for n := 1; n <= 4; n++ {
		d.Pins = append(d.Pins, dut.Pin{Number: n, Name: fmt.Sprintf("T%d", n), Function: dut.Analog, MinV: -10, MaxV: 10, MaxI: 0.1})
	}
	return d
}

func TestFixturesAreValid(t *testing.T) {
	for _, d := range []*dut.Device{inverterDevice(), networkDevice()} {
		if err := d.Validate(); err != nil {
			t.Errorf("%s: %v", d.Key, err)
		}
	}
}

// base is a measurement of a kind with quick, valid settle and aperture.
func base(kind string) Measurement {
	return Measurement{ID: "m1", Name: "Test", Kind: kind, Settle: Settle{Time: 1e-3}, Aperture: Aperture{Cycles: 1}}
}

func mustKind(t testing.TB, key string) Kind {
	t.Helper()
	k, ok := KindByKey(key)
	if !ok {
		t.Fatalf("no kind %q", key)
	}
	return k
}

func expand(t testing.TB, m Measurement, d *dut.Device) []Point {
	t.Helper()
	k := mustKind(t, m.Kind)
	if ps := k.Validate(&m, d); len(ps) > 0 {
		t.Fatalf("not valid: %v", ps)
	}
	return slices.Collect(k.Points(&m, d))
}

// truth is the circuit that a test reads: given all holds and a pin, the voltage
// and current there. It obeys the compliance itself, through clampV or clampI.
type truth func(hold []Hold, pin int) (v, i float64, flags bench.Flags)

func holdAt(hold []Hold, pin int) Hold {
	for _, h := range hold {
		if h.Pin == pin {
			return h
		}
	}
	return Hold{Pin: pin, Use: UseOpen}
}

// oneTerminal is a truth for a part seen from the forced pin alone: volts gives
// the voltage for a forced current, amps the current for a forced voltage.
func oneTerminal(volts, amps func(float64) float64) truth {
	return func(hold []Hold, pin int) (float64, float64, bench.Flags) {
		h := holdAt(hold, pin)
		if h.Use == UseCurrent {
			v := volts(h.Level)
			if math.Abs(v) <= h.Compliance {
				return v, h.Level, 0
			}
			v = math.Copysign(h.Compliance, v)
			return v, amps(v), bench.InCompliance
		}
		i := amps(h.Level)
		if math.Abs(i) <= h.Compliance {
			return h.Level, i, 0
		}
		i = math.Copysign(h.Compliance, i)
		return volts(i), i, bench.InCompliance
	}
}

func resistor(r float64) truth {
	return oneTerminal(func(i float64) float64 { return i * r }, func(v float64) float64 { return v / r })
}

// k95 is the factor of a normal distribution: 95 % within (JCGM 100:2008, Table G.1).
const k95 = 1.959963984540054

// accuracy gives the standard uncertainties of a reading: each that of a range's
// noise or, where it is steady, of its offset.
type accuracy struct {
	uv, ui float64
	steady bool
}

// sense is how readings of that accuracy come about, with nothing between the
// channel and the pin.
func (a accuracy) sense() *Sense {
	of := func(u float64, name string) *bench.RangeErrors {
		if !a.steady {
			return &bench.RangeErrors{Range: bench.Range{Noise: u}, Name: name}
		}
		return &bench.RangeErrors{Range: bench.Range{Offset: u * math.Sqrt(3)}, Name: name,
			Offset: budget.NewSource("offset of "+name, budget.Offset, budget.Normal, u)}
	}
	return &Sense{V: of(a.uv, "voltage"), I: of(a.ui, "current"), Cycles: 1}
}

// feed runs the whole expansion through a deriver.
func feed(t testing.TB, m Measurement, d *dut.Device, guard float64, a accuracy, part truth) []Result {
	t.Helper()
	der := mustKind(t, m.Kind).Derive(&m, d, Rule{Guard: guard})
	early := map[ResultID]bool{}
	for n, o := range observations(t, m, d, a, part) {
		der.Add(o)
		if n%7 == 0 {
			for _, r := range der.Results() {
				checkResult(t, m, r)
				early[r.ID()] = true
			}
		}
	}
	out := der.Results()
	for _, r := range out {
		checkResult(t, m, r)
		delete(early, r.ID())
	}
	if len(early) > 0 {
		t.Errorf("results given early and taken back: %v", early)
	}
	return out
}

func observations(t testing.TB, m Measurement, d *dut.Device, a accuracy, part truth) []Observation {
	t.Helper()
	var out []Observation
	sense := a.sense()
	now := int64(0)
	for n, p := range expand(t, m, d) {
		for range p.Count {
			now += int64(20e6)
			if p.Interval > 0 {
				now += int64(p.Interval*1e9) - 20e6
			}
			for _, pin := range p.Read {
				v, i, flags := part(p.Hold, pin)
				if p.Auxiliary {
					flags |= bench.Auxiliary
				}
				out = append(out, Observation{Sense: sense, Reading: bench.Reading{
					T: now, Set: holdAt(p.Hold, pin).Level, V: v, I: i, Point: uint32(n),
					Group: p.Group, Flags: flags, Pin: uint8(pin)}})
			}
		}
	}
	return out
}

// checkResult is what holds for every result at any time.
func checkResult(t testing.TB, m Measurement, r Result) {
	t.Helper()
	if !finite(r.Value) || !saysHowWell(&r) {
		t.Fatalf("result is no number: %+v", r)
	}
	f, _ := KindByKey(m.Kind)
	if !slices.ContainsFunc(f.Outputs(), func(o Output) bool { return o.Key == r.Key }) || r.Name == "" {
		t.Fatalf("result of an unknown output: %+v", r)
	}
}

func find(t testing.TB, rs []Result, key string, pin int, group string) Result {
	t.Helper()
	for _, r := range rs {
		if r.Key == key && r.Pin == pin && r.Group == group {
			return r
		}
	}
	t.Fatalf("no result %s of pin %d, group %q in %+v", key, pin, group, rs)
	return Result{}
}

func hasResult(rs []Result, key string) bool {
	return slices.ContainsFunc(rs, func(r Result) bool { return r.Key == key })
}

// near holds a number within so much of another, in their unit.
var near = testkit.Within

func limits(low, high float64) Limit { return Limit{&low, &high} }

// guessed is a value with one normal error of standard uncertainty u; without
// one it is exact.
func guessed(x, u float64) budget.Value {
	if u == 0 {
		return budget.Exact(x)
	}
	return budget.Of(x, budget.NewSource("readings", budget.Model, budget.Normal, u))
}
