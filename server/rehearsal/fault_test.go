package rehearsal

import (
	"encoding/json"
	"math"
	"testing"

	"ohmkeep/server/bench"
)

// twoWire reads the resistance between contacts a and b on channel 1B (id 2).
func (r *rig) twoWire(a, b int, amps float64) bench.Sample {
	r.t.Helper()
	r.must(r.MakeSafe(r.t.Context()))
	r.wire(path(2, a), path(0, b))
	r.on(2, forceI(amps, 5))
	r.wait(20 * cycle)
	return r.read(2, cycle)
}

func TestPathStuckOpen(t *testing.T) {
	r := withResistor(t, 1, 1000)
	if s := r.twoWire(1, 2, 1e-3); s.Flags != 0 {
		t.Fatalf("sound bench: %+v", s)
	}
	r = withResistor(t, 1, 1000, bench.BenchFault{Kind: StuckOpen, Path: path(2, 1)})
	s := r.twoWire(1, 2, 1e-3)
	if !s.Flags.Has(bench.InCompliance) || math.Abs(s.I) > 1e-6 {
		t.Errorf("stuck open: %+v", s)
	}
	// Another channel reaches the contact.
	r.must(r.MakeSafe(t.Context()))
	r.wire(path(4, 1), path(0, 2))
	r.on(4, forceI(1e-3, 5))
	r.wait(cycle)
	s = r.read(4, cycle)
	near(t, "other channel", s.V/s.I, 1008.5, 5)
}

func TestPathStuckClosed(t *testing.T) {
	// The return of contact 1 stays closed: the part is shorted out.
	r := withResistor(t, 1, 1000, bench.BenchFault{Kind: StuckClosed, Path: path(0, 1)})
	s := r.twoWire(1, 2, 1e-3)
	near(t, "shorted", s.V/s.I, 8.5, 1.5)
	r.must(r.MakeSafe(t.Context()))
	s = r.twoWire(3, 4, 1e-3) // an empty pair stays open
	if !s.Flags.Has(bench.InCompliance) {
		t.Errorf("empty contacts: %+v", s)
	}
}

func TestEnableFloating(t *testing.T) {
	fault := bench.BenchFault{Kind: EnableFloating, Mux: "1B/1-16"}
	leaks := func(seed uint64) (out []float64) {
		r := newRig(t, Config{Seed: seed, Faults: []bench.BenchFault{fault}, Seat: Seat{Model: "empty", PinMap: straight(48)}})
		for c := 1; c <= 20; c++ {
			r.must(r.MakeSafe(t.Context()))
			// Nothing of 1B is asked for: only the return of one contact.
			r.wire(path(0, c))
			r.on(2, forceV(1, 1e-3))
			r.wait(20 * cycle)
			out = append(out, r.read(2, cycle).I)
		}
		return out
	}
	a, again, b := leaks(1), leaks(1), leaks(2)
	conducting, same := 0, true
	for i := range a {
		if a[i] != again[i] {
			t.Errorf("contact %d: %g, then %g", i+1, a[i], again[i])
		}
		// 2 kΩ to 5 MΩ at 1 V.
		if a[i] > 1.5e-7 && i < 16 {
			conducting++
			if a[i] > 0.52e-3 {
				t.Errorf("contact %d conducts %g", i+1, a[i])
			}
		}
		if a[i] > 1.5e-7 && i >= 16 {
			t.Errorf("contact %d is on another multiplexer", i+1)
		}
		same = same && (a[i] > 1.5e-7) == (b[i] > 1.5e-7)
	}
	if conducting == 0 || conducting == 16 {
		t.Errorf("%d of 16 switches conduct", conducting)
	}
	if same {
		t.Error("two seeds, the same switches")
	}
}

func TestGainDrift(t *testing.T) {
	const drift = 0.05
	sound := withResistor(t, 1, 1000).twoWire(1, 2, 1e-3)
	r := withResistor(t, 1, 1000, bench.BenchFault{Kind: GainDrift, Channel: 2, Value: drift})
	s := r.twoWire(1, 2, 1e-3)
	// The loop holds what it reads; what really flows is less, and R reads low.
	near(t, "I read", s.I, sound.I, 1e-6)
	near(t, "R", s.V/s.I, sound.V/sound.I/(1+drift), 0.5)
	r.must(r.MakeSafe(t.Context()))
	r.wire(path(2, 1), path(0, 2))
	r.on(2, forceV(1, 10e-3))
	r.wait(cycle)
	v := r.read(2, cycle)
	near(t, "R by voltage", v.V/v.I, sound.V/sound.I/(1+drift), 5)
}

func TestSwappedContacts(t *testing.T) {
	fault := bench.BenchFault{Kind: SwappedContacts, Contact: 2, Contact2: 5}
	r := withResistor(t, 1, 1000, fault)
	if s := r.twoWire(1, 2, 1e-3); !s.Flags.Has(bench.InCompliance) {
		t.Errorf("the wire to contact 2 should lead to the empty contact 5: %+v", s)
	}
	s := r.twoWire(1, 5, 1e-3)
	near(t, "by contact 5", s.V/s.I, 1008.5, 5)
}

func TestContactResistance(t *testing.T) {
	r := withResistor(t, 1, 1000, bench.BenchFault{Kind: ContactResistance, Contact: 2, Value: 250})
	s := r.twoWire(1, 2, 1e-3)
	near(t, "R", s.V/s.I, 1258.5, 5)
}

// TestFaultComesAndGoes seats a fault while the bench is energised.
func TestFaultComesAndGoes(t *testing.T) {
	r := withResistor(t, 1, 1000)
	before := r.twoWire(1, 2, 1e-3)
	r.must(r.SetFaults([]bench.BenchFault{{Kind: ContactResistance, Contact: 1, Value: 100}}))
	r.wait(cycle)
	during := r.read(2, cycle)
	near(t, "with the fault", (during.V-before.V)/1e-3, 100, 1)
	r.must(r.SetFaults(nil))
	r.wait(cycle)
	near(t, "without it", r.read(2, cycle).V, before.V, 200e-6)
}

func TestBenchFaultsAreChecked(t *testing.T) {
	d := DefaultBench()
	r := withResistor(t, 1, 1000)
	for _, f := range []bench.BenchFault{
		{}, {Kind: "rust"}, {Kind: EnableFloating, Mux: "9Z"}, {Kind: StuckOpen}, {Kind: StuckClosed, Path: 999},
		{Kind: GainDrift, Channel: 9, Value: 0.1}, {Kind: GainDrift, Channel: 1, Value: math.NaN()},
		{Kind: GainDrift, Channel: 1, Value: -1}, {Kind: SwappedContacts, Contact: 1, Contact2: 1},
		{Kind: SwappedContacts, Contact: 1, Contact2: 49}, {Kind: ContactResistance, Contact: 1, Value: -5},
		{Kind: ContactResistance, Contact: 0, Value: 5}, {Kind: ContactResistance, Contact: 1, Value: math.Inf(1)},
	} {
		if checkFault(f, &d) == nil {
			t.Errorf("%+v is accepted", f)
		}
		if r.SetFaults([]bench.BenchFault{f}) == nil {
			t.Errorf("%+v is seated", f)
		}
	}
	if _, faults := r.Seated(); len(faults) != 0 {
		t.Errorf("refused faults stay: %v", faults)
	}
	s := r.twoWire(1, 2, 1e-3)
	near(t, "still sound", s.V/s.I, 1008.5, 5)
}

func TestBenchFaultAsJSON(t *testing.T) {
	in := bench.BenchFault{Kind: SwappedContacts, Contact: 3, Contact2: 4}
	data, err := json.Marshal(in)
	if err != nil || string(data) != `{"kind":"swapped-contacts","contact":3,"contact2":4}` {
		t.Fatalf("%s, %v", data, err)
	}
	var out bench.BenchFault
	if err := json.Unmarshal(data, &out); err != nil || out != in {
		t.Errorf("%+v, %v", out, err)
	}
}
