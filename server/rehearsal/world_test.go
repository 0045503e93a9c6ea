package rehearsal

import (
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/rehearsal/circuit"
)

// watch is readings of a diode's reverse side and of a load, taken over hours.
func watch(t *testing.T, seed uint64, w bench.World) (out []bench.Sample, truth Truth) {
	r := newRig(t, Config{Seed: seed, World: &w, Seat: Seat{Model: "nmos", Seed: 3, PinMap: straight(3)}})
	r.wire(path(2, 2), path(4, 3), path(0, 1))
	r.on(4, forceV(0, 10e-3))
	r.on(2, forceI(1e-3, 5))
	for k := range 40 {
		r.wait(time.Duration(k) * time.Minute)
		s, err := r.Read(t.Context(), []bench.ChannelID{2, 4}, 7*time.Millisecond, nil)
		r.must(err)
		out = append(out, s...)
	}
	return out, r.Truth()
}

// TestWorldRepeats: the same seed gives the same bits with every effect on,
// and another seed another bench.
func TestWorldRepeats(t *testing.T) {
	a, truth := watch(t, 1, RealWorld())
	b, again := watch(t, 1, RealWorld())
	if !reflect.DeepEqual(a, b) || !reflect.DeepEqual(truth, again) {
		t.Error("the same seed gives other readings")
	}
	c, _ := watch(t, 2, RealWorld())
	for i := range a {
		if a[i].V == c[i].V && a[i].I == c[i].I {
			t.Errorf("reading %d is the same on another bench", i)
		}
	}
}

// TestOneEffectOff: switching one effect off changes its own numbers and none
// of the others'.
func TestOneEffectOff(t *testing.T) {
	seat := Seat{Model: "check-load", Seed: 1, PinMap: straight(4)}
	truth := func(change func(*bench.World)) Truth {
		w := RealWorld()
		w.Drift = 1 // so that it shows within the hour
		change(&w)
		r := newRig(t, Config{Seed: 9, World: &w, Seat: seat})
		r.wait(time.Hour)
		return r.Truth()
	}
	whole := truth(func(*bench.World) {})
	type part struct {
		name string
		of   func(Truth) any
	}
	paths := func(of func(PathTruth) [2]float64) func(Truth) any {
		return func(x Truth) any {
			out := map[bench.PathID][2]float64{}
			for id, p := range x.Paths {
				out[id] = of(p)
			}
			return out
		}
	}
	parts := []part{
		{"errors", func(x Truth) any {
			var out [][4][]RangeTruth
			for _, c := range x.Channels {
				out = append(out, [4][]RangeTruth{c.ForceV, c.ForceI, c.SenseV, c.SenseI})
			}
			return out
		}},
		{"outputs", func(x Truth) any {
			var out [][2]float64
			for _, c := range x.Channels {
				out = append(out, [2]float64{c.SourceR, c.Tie})
			}
			return out
		}},
		{"loops", func(x Truth) any {
			var out [][2][]float64
			for _, c := range x.Channels {
				out = append(out, [2][]float64{c.LoopV, c.LoopI})
			}
			return out
		}},
		{"resistances", paths(func(p PathTruth) [2]float64 { return [2]float64{p.Force, p.Sense} })},
		{"leakages", paths(func(p PathTruth) [2]float64 { return [2]float64{p.ForceLeakage, p.SenseLeakage} })},
		{"thermal voltages", paths(func(p PathTruth) [2]float64 { return [2]float64{p.Thermal} })},
		{"temperature", func(x Truth) any { return x.Junction }},
	}
	for name, c := range map[string]struct {
		off  func(*bench.World)
		ones []string // what it changes
	}{
		"errors":       {func(w *bench.World) { w.Errors = 0 }, []string{"errors"}},
		"kinder":       {func(w *bench.World) { w.Distribution = bench.Triangular }, []string{"errors"}},
		"drift":        {func(w *bench.World) { w.Drift = 0 }, []string{"errors"}},
		"steps":        {func(w *bench.World) { w.Steps = 0 }, nil},
		"noise":        {func(w *bench.World) { w.Noise = 0 }, nil},
		"flicker":      {func(w *bench.World) { w.Flicker = 0 }, nil},
		"hum":          {func(w *bench.World) { w.Hum = 0 }, nil},
		"ripple":       {func(w *bench.World) { w.LineRipple, w.SwitchingRipple = 0, 0 }, nil},
		"paths":        {func(w *bench.World) { w.Paths = 0 }, []string{"resistances", "outputs"}},
		"settling":     {func(w *bench.World) { w.Settling = 0 }, []string{"loops"}},
		"leakage":      {func(w *bench.World) { w.Leakage = 0 }, []string{"leakages"}},
		"tolerance":    {func(w *bench.World) { w.Tolerance = 0 }, []string{"resistances", "leakages", "outputs", "loops"}},
		"contact":      {func(w *bench.World) { w.Contact = 0 }, []string{"resistances"}},
		"thermal":      {func(w *bench.World) { w.Thermal = 0 }, []string{"thermal voltages"}},
		"draughts":     {func(w *bench.World) { w.ThermalChange = 0 }, []string{"thermal voltages"}},
		"ambient":      {func(w *bench.World) { w.Ambient = 40 }, []string{"temperature"}},
		"self-heating": {func(w *bench.World) { w.SelfHeating = 0 }, nil},
	} {
		got := truth(c.off)
		for _, p := range parts {
			changes := false
			for _, o := range c.ones {
				changes = changes || o == p.name
			}
			if same := reflect.DeepEqual(p.of(got), p.of(whole)); same == changes {
				t.Errorf("without %s the %s are the same: %v", name, p.name, same)
			}
		}
	}
}

// TestNoiseStaysWithoutOthers: the white noise of a reading is the same number
// whatever else is on.
func TestNoiseStaysWithoutOthers(t *testing.T) {
	read := func(w bench.World) (out []float64) {
		r := newRig(t, Config{Seed: 4, World: &w, Seat: Seat{PinMap: straight(2), place: resistor(1000)}})
		r.wire(path(2, 1), path(0, 2))
		for range 20 {
			out = append(out, r.read(2, 7*time.Millisecond).V)
		}
		return out
	}
	quiet := bench.World{Distribution: bench.Rectangular, Ambient: 25}
	loud, hum := quiet, quiet
	loud.Noise, hum.Hum = 1, 40
	both := loud
	both.Hum = 40
	a, b, c, zero := read(loud), read(hum), read(both), read(quiet)
	for i := range a {
		near(t, "sum of both", c[i], a[i]+b[i], 1e-15)
		if a[i] == 0 || b[i] == 0 || zero[i] != 0 {
			t.Errorf("reading %d: noise %g, hum %g, nothing %g", i, a[i], b[i], zero[i])
		}
	}
}

// TestIdealBenchShowsTheUnit: two wires find a resistor to the last digits, at
// once, and a diode follows its law at 25 °C.
func TestIdealBenchShowsTheUnit(t *testing.T) {
	w := IdealWorld()
	for _, ohms := range []float64{0.1, 10, 1e3, 1e6, 100e6} {
		r := newRig(t, Config{World: &w, Seat: Seat{PinMap: straight(2), place: resistor(ohms)}})
		r.wire(path(2, 1), path(0, 2))
		amps := min(50e-3, 5/ohms)
		r.on(2, forceI(amps, 10))
		s := r.read(2, time.Millisecond) // nothing is waited for
		// Two wires; 10 fS of each open switch of the contacts and lines, 1 fS
		// at each node.
		near(t, "R", s.V/s.I, ohms, 1e-9*ohms+3*leastR+(15/noLeakage+10*circuit.Insulation)*ohms*ohms)
		if s.Flags != 0 {
			t.Errorf("%g Ω: %+v", ohms, s)
		}
	}
	const is, n, rs = 1e-14, 1.1, 2.0
	r := newRig(t, Config{World: &w, Seat: Seat{PinMap: straight(2), place: diode(is, n, rs)}})
	r.wire(path(1, 1), path(0, 2))
	r.on(1, forceI(1e-3, 5))
	vt := n * 1.380649e-23 / 1.602176634e-19 * 298.15
	near(t, "diode", r.read(1, time.Millisecond).V, vt*math.Log1p(1e-3/is)+1e-3*(rs+2*leastR), 1e-9)
}

// TestWorldIsRefused: a world that cannot be is refused in words, and changes
// nothing.
func TestWorldIsRefused(t *testing.T) {
	bad := ServedWorld()
	bad.Noise, bad.Distribution = math.NaN(), "bell"
	_, err := New(Config{Definition: DefaultBench(), World: &bad})
	for _, want := range []string{"noise", "distribution", `"bell"`} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q is missing from: %v", want, err)
		}
	}
	r := withResistor(t, 1, 1000)
	a := r.Arranged()
	before := r.Truth()
	a.Seed, a.World = 2, bad
	if r.Arrange(a) == nil || !reflect.DeepEqual(before, r.Truth()) {
		t.Error("a world that cannot be changed the bench")
	}
	a.World = ServedWorld()
	r.on(2, forceV(0, 1e-3))
	if r.Arrange(a) == nil {
		t.Error("another bench was drawn while an output was on")
	}
	r.must(r.Output(t.Context(), 2, false))
	r.must(r.Arrange(a))
	if id, _ := r.Identify(t.Context()); id.Serial != "rehearsal-2" || reflect.DeepEqual(before, r.Truth()) {
		t.Errorf("the bench is still %s", id.Serial)
	}
	fresh := withResistor(t, 2, 1000)
	if !reflect.DeepEqual(fresh.Truth(), r.Truth()) {
		t.Error("a bench drawn later is another than one drawn at once")
	}
	r.on(2, forceV(1, 10e-3)) // its setup from before does not count
	near(t, "it works on", r.read(2, cycle).V, 1, 0.01)
}

// TestWorldsAreSound: every world by name can be, and they are what they say.
func TestWorldsAreSound(t *testing.T) {
	for _, w := range Worlds() {
		if ps := w.World.Check(); len(ps) > 0 || w.Key == "" || w.Title == "" {
			t.Errorf("%+v: %v", w, ps)
		}
	}
	if Worlds()[0].World != ServedWorld() {
		t.Error("the first world is not that of the served bench")
	}
}
