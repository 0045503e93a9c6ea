package demo

import (
	"fmt"
	"math"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/rehearsal"
	"ohmkeep/server/run"
)

// A two-wire reading of a check load includes the way there and back. Its
// stated interval must hold the load's own resistance all the same.
func TestTwoWireIntervalHoldsTheLoad(t *testing.T) {
	d := dut.Device{Key: "load", Name: "Check load", Package: dut.Package{Family: dut.DualRow, Pins: 4}}
	pm := bench.PinMap{Device: "load", Bench: BenchKey, Contacts: map[int]int{}}
	for pin := 1; pin <= 4; pin++ {
		d.Pins = append(d.Pins, dut.Pin{Number: pin, Name: fmt.Sprint("T", pin), Function: dut.Analog, MinV: -10, MaxV: 10, MaxI: 0.1})
		pm.Contacts[pin] = pin
	}
	def := rehearsal.DefaultBench()
	for _, ohms := range []float64{1, 10, 1e3, 100e3} {
		level := math.Min(1e-3, 1/ohms)
		p := procedure.Procedure{Key: "load", Name: "Load", Device: "load", Measurements: []procedure.Measurement{{
			ID: "r", Name: "Two-wire", Kind: "resistance", Pins: []int{1}, Against: 2, Method: procedure.TwoWire,
			Use: procedure.UseCurrent, Level: level, Compliance: 2, Settle: settleSlow, Aperture: oneCycle, Repeats: 5,
		}}}
		for seed := range uint64(5) {
			clock := bench.NewCountingClock(time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC))
			b, err := rehearsal.New(rehearsal.Config{Definition: def, Clock: clock, Seed: seed, Seat: rehearsal.Seat{
				Model: "check-load", Seed: seed, PinMap: pm, Options: map[string]float64{"ohms": ohms, "tolerance": 0}}})
			if err != nil {
				t.Fatal(err)
			}
			keep := run.NewMemory(0)
			rec := &procedure.Record{Device: d, Procedure: p, PinMap: pm, Bench: def, Rehearsal: true}
			if _, err := (&run.Runner{Link: b, Clock: clock, Recorder: keep}).Run(t.Context(), rec); err != nil {
				t.Fatal(err)
			}
			for _, r := range keep.Held().Results {
				if r.Key == "resistance" && !(math.Abs(r.Value-ohms) <= r.U) {
					t.Errorf("%g Ω, bench %d: %g ± %g Ω does not hold it", ohms, seed, r.Value, r.U)
				}
			}
			if len(keep.Held().Results) == 0 {
				t.Error("no result")
			}
		}
	}
}
