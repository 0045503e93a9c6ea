package demo

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/derive"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/rehearsal"
	"ohmkeep/server/run"
)

// rehearsed is what came of running a procedure on a rehearsal bench.
type rehearsed struct {
	held  run.Held
	truth rehearsal.Truth
	took  time.Duration // in the bench's time
}

// rehearse really runs a procedure on a unit: solver, channels, switching,
// derivers and decision rule are all those of the product. Only the clock
// counts instead of waiting. With ids only those measurements are run.
func rehearse(t testing.TB, procKey string, benchSeed uint64, u LotUnit, ids ...string) rehearsed {
	t.Helper()
	s := Scenario()
	p := *s.procedure(t, procKey)
	if len(ids) > 0 {
		p.Measurements = slices.DeleteFunc(p.Measurements, func(m procedure.Measurement) bool { return !slices.Contains(ids, m.ID) })
	}
	return carryOut(t, p, rehearsal.DefaultBench(), benchSeed, u)
}

// carryOut runs a procedure for a device of the scenario on a bench.
func carryOut(t testing.TB, p procedure.Procedure, def bench.Definition, benchSeed uint64, u LotUnit) rehearsed {
	t.Helper()
	s := Scenario()
	return carryOutOn(t, p, def, *s.pinMap(t, p.Device), benchSeed, u)
}

// carryOutOn does so on a pin map other than the scenario's.
func carryOutOn(t testing.TB, p procedure.Procedure, def bench.Definition, pm bench.PinMap, benchSeed uint64, u LotUnit) rehearsed {
	t.Helper()
	return carryOutWith(t, p, def, pm, nil, benchSeed, u)
}

// carryOutIn runs a procedure on the default bench in a world; nil is the served
// one.
func carryOutIn(t testing.TB, p procedure.Procedure, w *bench.World, benchSeed uint64, u LotUnit) rehearsed {
	t.Helper()
	s := Scenario()
	return carryOutWith(t, p, rehearsal.DefaultBench(), *s.pinMap(t, p.Device), w, benchSeed, u)
}

func carryOutWith(t testing.TB, p procedure.Procedure, def bench.Definition, pm bench.PinMap, w *bench.World, benchSeed uint64, u LotUnit) rehearsed {
	t.Helper()
	s := Scenario()
	d := s.device(t, p.Device)
	clock := bench.NewCountingClock(time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC))
	b, err := rehearsal.New(rehearsal.Config{Definition: def, Clock: clock, Seed: benchSeed, World: w,
		Seat: rehearsal.Seat{Model: d.Model, Seed: u.Seed, Faults: u.UnitFaults, PinMap: pm}})
	if err != nil {
		t.Fatal(err)
	}
	keep := run.NewMemory(0)
	began := clock.Now()
	_, err = (&run.Runner{Link: b, Clock: clock, Recorder: keep}).Run(t.Context(), &procedure.Record{
		Device: *d, Procedure: p, PinMap: pm, Bench: def, Unit: dut.Unit{Serial: u.Serial, Lot: LotName}, Rehearsal: true})
	if err != nil {
		t.Fatalf("%s on unit %s, seed %d, bench %d: %v", p.Key, u.Serial, u.Seed, benchSeed, err)
	}
	return rehearsed{held: keep.Held(), truth: b.Truth(), took: clock.Now().Sub(began)}
}

func (r *rehearsed) outcome() derive.Outcome { return r.held.Ending.Outcome }

// id is that of a result's measurement.
func (r *rehearsed) id(x procedure.Result) string {
	return r.held.Record.Procedure.Measurements[x.Measurement].ID
}

// say prints a result for a failed test.
func (r *rehearsed) say(x procedure.Result) string {
	limit := func(v *float64) string {
		if v == nil {
			return "-"
		}
		return fmt.Sprint(*v)
	}
	return fmt.Sprintf("%s %s, pin %d %s: %.6g ± %.2g %s within %s to %s: %s, flags %b %s", r.id(x), x.Key, x.Pin, x.Group,
		x.Value, x.U, x.Unit, limit(x.Low), limit(x.High), x.Outcome, x.Flags, x.Note)
}

// bad are the results that are neither a pass nor without limits, in the order
// of the procedure.
func (r *rehearsed) bad() []procedure.Result {
	var out []procedure.Result
	for _, x := range r.held.Results {
		if x.Outcome != derive.Pass && x.Outcome != derive.NoLimits {
			out = append(out, x)
		}
	}
	slices.SortStableFunc(out, func(a, b procedure.Result) int { return a.Measurement - b.Measurement })
	return out
}

// passes fails the test unless the run is done and all its results are good.
func (r *rehearsed) passes(t testing.TB, what string) {
	t.Helper()
	if r.held.Ending.Status != procedure.Done || r.outcome() != derive.Pass {
		t.Errorf("%s: %s, %q (%s)", what, r.held.Ending.Status, r.outcome(), r.held.Ending.Reason)
	}
	for _, x := range r.bad() {
		t.Errorf("%s: %s", what, r.say(x))
	}
	if len(r.held.Results) == 0 {
		t.Errorf("%s: no results", what)
	}
}
