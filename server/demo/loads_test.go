package demo

import (
	"flag"
	"fmt"
	"maps"
	"slices"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/rehearsal"
	"ohmkeep/server/run"
)

var loadBenches = flag.Int("loads", 40, "benches drawn anew for each check load of TestCheckLoads; 10,000 for the figures")

// load is a check load and what is forced through it, A, within the compliance, V.
type load struct{ ohms, level, compliance float64 }

// loads go from what the paths hide to what the open switches do: about 1 V at
// each, as far as 50 mA brings it.
var loads = []load{
	{0.1, 50e-3, 2}, {1, 50e-3, 2}, {10, 50e-3, 2}, {100, 10e-3, 2}, {1e3, 1e-3, 2}, {10e3, 100e-6, 2},
	{100e3, 10e-6, 2}, {1e6, 1e-6, 2}, {10e6, 500e-9, 10}, {100e6, 50e-9, 10},
}

func (l load) String() string { return fmt.Sprintf("%g Ω", l.ohms) }

// loadWiring is how a check load sits in the socket, and the methods that it is
// measured by so.
type loadWiring struct {
	name    string // "" or what is added to the method's
	methods []procedure.Method
	straps  []bench.Strap // of the second pin
}

// loadWirings: over two wires both ends are reached by paths; for a sense wire at
// both, the second end is strapped to a channel with remote sense that stands in for
// the return; strapped to the return itself it has what the strap has.
var loadWirings = []loadWiring{
	{"", []procedure.Method{procedure.TwoWire}, nil},
	{"", []procedure.Method{procedure.FourWire, procedure.CurrentReversal}, []bench.Strap{{Contact: 2, Kind: bench.StrapChannel, Channel: 3}}},
	{" on a strap", []procedure.Method{procedure.FourWire}, []bench.Strap{{Contact: 2, Kind: bench.StrapReturn}}},
}

// loadDevice is a resistor of so many wires.
func loadDevice(wires int) dut.Device {
	d := dut.Device{Key: "load", Name: "Check load", Package: dut.Package{Family: dut.DualRow, Pins: wires}}
	for pin := 1; pin <= wires; pin++ {
		d.Pins = append(d.Pins, dut.Pin{Number: pin, Name: fmt.Sprint("T", pin), Function: dut.Analog, MinV: -10, MaxV: 10, MaxI: 0.1})
	}
	return d
}

// loadRig is a bench with a check load in its socket, and the measurements of it
// that one wiring allows.
type loadRig struct {
	record procedure.Record
	bench  *rehearsal.Bench
	clock  bench.Clock
	seat   rehearsal.Seat
}

// rig seats the load by its two wires.
func (l load) rig(t testing.TB, wiring loadWiring) *loadRig {
	t.Helper()
	return l.rigOf(t, wiring, 2)
}

// rigOf seats the load by so many of its wires, which are on as many contacts.
func (l load) rigOf(t testing.TB, wiring loadWiring, wires int) *loadRig {
	t.Helper()
	p := procedure.Procedure{Key: "load", Name: "Load", Device: "load", Guard: 1}
	for _, method := range wiring.methods {
		p.Measurements = append(p.Measurements, procedure.Measurement{
			ID: string(method), Name: string(method), Kind: "resistance", Pins: []int{1}, Against: 2, Method: method,
			Use: procedure.UseCurrent, Level: l.level, Compliance: l.compliance,
			Settle: procedure.Settle{Time: 1}, Aperture: oneCycle,
		})
	}
	clock := bench.NewCountingClock(time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC))
	pm := bench.PinMap{Device: "load", Bench: BenchKey, Contacts: map[int]int{}, Straps: wiring.straps}
	for wire := 1; wire <= wires; wire++ {
		pm.Contacts[wire] = wire
	}
	r := &loadRig{clock: clock, seat: rehearsal.Seat{Model: "check-load", PinMap: pm,
		Options: map[string]float64{"ohms": l.ohms, "tolerance": 0}}}
	r.record = procedure.Record{Device: loadDevice(wires), Procedure: p, PinMap: pm, Bench: rehearsal.DefaultBench(), Rehearsal: true}
	b, err := rehearsal.New(rehearsal.Config{Definition: r.record.Bench, Clock: clock, Seat: r.seat})
	if err != nil {
		t.Fatal(err)
	}
	r.bench = b
	return r
}

// draw makes it another bench with another unit of the load, and gives the
// resistance that is really there between the pins.
func (r *loadRig) draw(t testing.TB, w bench.World, seed uint64) float64 {
	t.Helper()
	r.seat.Seed = seed
	if err := r.bench.Arrange(rehearsal.Arrangement{Seed: seed, World: w, Seat: r.seat}); err != nil {
		t.Fatal(err)
	}
	return r.bench.Truth().Unit["two-wire R"]
}

// measure carries the measurements out: planner, bench, derivation and decision
// rule are those of the product.
func (r *loadRig) measure(t testing.TB) []procedure.Result {
	t.Helper()
	keep, rec := run.NewMemory(0), r.record
	if _, err := (&run.Runner{Link: r.bench, Clock: r.clock, Recorder: keep}).Run(t.Context(), &rec); err != nil {
		t.Fatal(err)
	}
	return keep.Held().Results
}

// tallies counts the results of each method over benches drawn anew.
func (l load) tallies(t testing.TB, w bench.World, benches int) map[string]*tally {
	t.Helper()
	return l.talliesOf(t, w, benches, 2)
}

// talliesOf does so with the load seated by so many of its wires.
func (l load) talliesOf(t testing.TB, w bench.World, benches, wires int) map[string]*tally {
	t.Helper()
	all := map[string]*tally{}
	for _, wiring := range loadWirings {
		r := l.rigOf(t, wiring, wires)
		for seed := range benches {
			truth := r.draw(t, w, 100_000+uint64(seed))
			for _, x := range r.measure(t) {
				name := string(wiring.methods[x.Measurement]) + wiring.name + " " + x.Key
				if all[name] == nil {
					all[name] = &tally{}
				}
				is := truth
				if x.Key == "offset" {
					is = 0 // a resistor has none
				}
				all[name].add(x.Value, x.U, x.From, x.To, is)
			}
		}
		for _, method := range wiring.methods {
			if h := all[string(method)+wiring.name+" resistance"]; h == nil || len(h.ratios) != benches {
				t.Fatalf("%s, %s: not every bench gave a resistance", l, method)
			}
		}
	}
	return all
}

// TestCheckLoads holds the intervals of resistances, by every method, against the
// resistance that is really there, over benches drawn anew.
func TestCheckLoads(t *testing.T) {
	if testing.Short() {
		t.Skip("long: many rehearsals, one after the other")
	}
	for _, l := range loads {
		t.Run(l.String(), func(t *testing.T) {
			t.Parallel()
			all := l.tallies(t, rehearsal.ServedWorld(), *loadBenches)
			for _, name := range slices.Sorted(maps.Keys(all)) {
				f := all[name].figures()
				t.Logf("%-33s %s", name, f)
				for _, miss := range f.misses(*loadBenches, stated) {
					t.Errorf("%s, %s: %s", l, name, miss)
				}
			}
		})
	}
}

// TestLoadOfFourWires: wires that are left open in the socket bring what leaks at their
// contacts to the measured one. How a part joins its pins is not known, so that the
// interval of a large resistance holds more often, never less, than of two wires.
func TestLoadOfFourWires(t *testing.T) {
	if testing.Short() {
		t.Skip("long: many rehearsals, one after the other")
	}
	for _, l := range loads[len(loads)-3:] {
		t.Run(l.String(), func(t *testing.T) {
			t.Parallel()
			all := l.talliesOf(t, rehearsal.ServedWorld(), *loadBenches, 4)
			for _, name := range slices.Sorted(maps.Keys(all)) {
				f := all[name].figures()
				t.Logf("%-33s %s", name, f)
				for _, miss := range f.misses(*loadBenches, bars{mostHeld: 1, mostSharp: 3, mostMeanZ: 1.96}) {
					t.Errorf("%s, %s: %s", l, name, miss)
				}
			}
		})
	}
}

// BenchmarkCheckLoad is one check load on one bench drawn anew, by all methods.
func BenchmarkCheckLoad(b *testing.B) {
	var rigs []*loadRig
	for _, wiring := range loadWirings {
		rigs = append(rigs, load{1e3, 1e-3, 2}.rig(b, wiring))
	}
	seed := uint64(0)
	for b.Loop() {
		seed++
		for _, r := range rigs {
			r.draw(b, rehearsal.ServedWorld(), seed)
			r.measure(b)
		}
	}
}
