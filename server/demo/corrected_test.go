package demo

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/calibrate"
	"ohmkeep/server/check"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/rehearsal"
	"ohmkeep/server/run"
)

// corrected is the default bench, drawn by a seed in a world, with the corrections
// that a check of itself gives: the check's part is in another insertion than the
// runs that use them.
func corrected(t testing.TB, w *bench.World, seed uint64) bench.Definition {
	t.Helper()
	def := rehearsal.DefaultBench()
	contacts := map[int]int{}
	for c := 1; c <= def.Contacts; c++ {
		contacts[c] = c
	}
	clock := bench.NewCountingClock(time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC))
	b, err := rehearsal.New(rehearsal.Config{Definition: def, Clock: clock, Seed: seed, World: w,
		Seat: rehearsal.Seat{Model: "empty", PinMap: bench.PinMap{Bench: def.Key, Contacts: contacts}}})
	if err != nil {
		t.Fatal(err)
	}
	step, err := check.Run(t.Context(), check.Rig{Link: b, Clock: clock, Def: &def}, check.Empty)
	if err != nil {
		t.Fatal(err)
	}
	rec := &check.Record{ID: "c", Bench: def.Key, Built: def.Built()}
	rec.Put(step)
	p, err := calibrate.FromCheck(&def, rec, nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(p.Corrections.Paths) != len(def.Paths) {
		t.Fatalf("%d of %d paths are corrected: %v", len(p.Corrections.Paths), len(def.Paths), p.LeftOut)
	}
	return *def.Corrected(p.Corrections, clock.Now())
}

// TestCorrectedTwoWire holds that two-wire readings of a check load on a bench whose
// paths were measured hold the load's own resistance, and know it to ±0.2 Ω where the
// stated tolerances of the paths leave several ohms.
func TestCorrectedTwoWire(t *testing.T) {
	t.Parallel()
	d := dut.Device{Key: "load", Name: "Check load", Package: dut.Package{Family: dut.DualRow, Pins: 4}}
	pm := bench.PinMap{Device: "load", Bench: BenchKey, Contacts: map[int]int{}}
	for pin := 1; pin <= 4; pin++ {
		d.Pins = append(d.Pins, dut.Pin{Number: pin, Name: fmt.Sprint("T", pin), Function: dut.Analog, MinV: -10, MaxV: 10, MaxI: 0.1})
		pm.Contacts[pin] = pin
	}
	held := map[float64]*tally{}
	for seed := range uint64(max(*coverageRuns, 12)) {
		w := rehearsal.ServedWorld()
		def := corrected(t, &w, seed)
		for _, ohms := range []float64{1, 10, 100} {
			p := procedure.Procedure{Key: "load", Name: "Load", Device: "load", Measurements: []procedure.Measurement{{
				ID: "r", Name: "Two-wire", Kind: "resistance", Pins: []int{1}, Against: 2, Method: procedure.TwoWire,
				Use: procedure.UseCurrent, Level: min(10e-3, 1/ohms), Compliance: 2, Settle: settleSlow, Aperture: oneCycle, Repeats: 5,
			}}}
			clock := bench.NewCountingClock(time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC))
			b, err := rehearsal.New(rehearsal.Config{Definition: *def.Stated(), Clock: clock, Seed: seed, World: &w, Seat: rehearsal.Seat{
				Model: "check-load", Seed: seed, PinMap: pm, Options: map[string]float64{"ohms": ohms, "tolerance": 0}}})
			if err != nil {
				t.Fatal(err)
			}
			keep := run.NewMemory(0)
			rec := &procedure.Record{Device: d, Procedure: p, PinMap: pm, Bench: def, Rehearsal: true}
			if _, err := (&run.Runner{Link: b, Clock: clock, Recorder: keep}).Run(t.Context(), rec); err != nil {
				t.Fatal(err)
			}
			i := slices.IndexFunc(keep.Held().Results, func(r procedure.Result) bool { return r.Key == "resistance" })
			if i < 0 {
				t.Fatal("no result")
			}
			r := keep.Held().Results[i]
			if held[ohms] == nil {
				held[ohms] = &tally{}
			}
			held[ohms].add(r.Value, r.U, r.From, r.To, b.Truth().Unit["two-wire R"]) // with its own leads
			if ohms == 10 && !(r.U <= 0.2) {
				t.Errorf("bench %d: 10 Ω are known to ±%.3g Ω", seed, r.U)
			}
			if !slices.ContainsFunc(r.Budget.Lines, func(l procedure.Line) bool { return strings.HasPrefix(l.Name, "contact 1 of the socket") }) {
				t.Errorf("bench %d: what an insertion changes is not in the budget: %+v", seed, r.Budget.Lines)
			}
		}
	}
	for ohms, h := range held {
		f := h.figures()
		t.Logf("%g Ω: %v", ohms, f)
		if f.share < 0.85 || math.Abs(f.z) > 1 {
			t.Errorf("%g Ω: %v", ohms, f)
		}
	}
}

// TestCorrectedSupplyAtTheReturn holds the curve of a protection diode to the supply
// with the supply at the return, on benches whose paths were measured: the current goes
// back through the supply's path and not through the ground's, and both are known.
func TestCorrectedSupplyAtTheReturn(t *testing.T) {
	t.Parallel()
	s, w := Scenario(), rehearsal.ServedWorld()
	i := slices.IndexFunc(s.Procedures, func(p procedure.Procedure) bool { return p.Key == LotProcedure })
	p := s.Procedures[i]
	p.Measurements = []procedure.Measurement{tarnelUpperDiode()}
	u := LotUnit{Serial: "c", Seed: 7000}
	w.Ambient = 26
	truth := truths(t, p, u, w.Ambient)
	held := tally{}
	for seed := range uint64(12) {
		got := carryOutWith(t, p, corrected(t, &w, 9100+seed), *s.pinMap(t, p.Device), &w, 9100+seed, u)
		for _, x := range got.held.Results {
			if v, known := truth[x.ID()]; known && (x.Key == "resistance-end" || x.Key == "maximum") {
				held.add(x.Value, x.U, x.From, x.To, v)
			}
		}
	}
	if f := held.figures(); f.n != 24 || f.share < 0.85 {
		t.Errorf("%v", f)
	}
}
