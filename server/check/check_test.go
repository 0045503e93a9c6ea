package check_test

import (
	"context"
	"math"
	"slices"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/check"
	"ohmkeep/server/rehearsal"
)

// checked carries steps out on a rehearsal bench drawn by a seed with faults,
// each with what it needs in the socket.
func checked(t testing.TB, seed uint64, faults []bench.BenchFault, steps ...check.Step) *check.Record {
	t.Helper()
	return checkedIn(t, rehearsal.ServedWorld(), seed, faults, steps...)
}

// checkedIn is checked in any world.
func checkedIn(t testing.TB, world bench.World, seed uint64, faults []bench.BenchFault, steps ...check.Step) *check.Record {
	t.Helper()
	rec := &check.Record{}
	for _, s := range steps {
		info, _ := check.InfoOf(s)
		got := stepOn(t, rehearsal.DefaultBench(), world, seed, info.Model, faults, s, rec)
		rec.Put(got)
	}
	return rec
}

// stepWith carries one step out on the rehearsal bench with that model in the
// socket.
func stepWith(t testing.TB, seed uint64, model string, faults []bench.BenchFault, s check.Step, before *check.Record) check.StepResult {
	t.Helper()
	return stepOn(t, rehearsal.DefaultBench(), rehearsal.ServedWorld(), seed, model, faults, s, before)
}

// stepOn is stepWith on a bench of any shape, in any world.
func stepOn(t testing.TB, def bench.Definition, world bench.World, seed uint64, model string, faults []bench.BenchFault, s check.Step, before *check.Record) check.StepResult {
	t.Helper()
	clock := bench.NewCountingClock(time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC))
	b, err := rehearsal.New(rehearsal.Config{Definition: def, Clock: clock, Seed: seed, World: &world, Faults: faults,
		Seat: rehearsal.Seat{Model: model, Seed: seed, PinMap: straight(&def)}})
	if err != nil {
		t.Fatal(err)
	}
	got, err := check.Run(t.Context(), check.Rig{Link: b, Clock: clock, Def: &def, Before: before}, s)
	if err != nil {
		t.Fatal(err)
	}
	if reports, _ := b.Faults(context.Background()); len(reports) > 0 {
		t.Errorf("%s: the bench reports %d faults, the first: %s", s, len(reports), reports[0].Message)
	}
	return got
}

// straight puts pin n on contact n.
func straight(def *bench.Definition) bench.PinMap {
	pins := map[int]int{}
	for c := 1; c <= def.Contacts; c++ {
		pins[c] = c
	}
	return bench.PinMap{Bench: def.Key, Contacts: pins}
}

// TestMeasuredIsTrue holds what a sound bench says of itself against what the
// rehearsal bench really has: every path with its output and every contact's
// leakage lie in the interval that is said, as often as 95 % intervals must.
func TestMeasuredIsTrue(t *testing.T) {
	t.Parallel()
	def := rehearsal.DefaultBench()
	clock := bench.NewCountingClock(time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC))
	paths, leaks := [2]int{}, [2]int{} // held, of
	seeds := uint64(3)
	if testing.Short() {
		seeds = 1
	}
	for seed := uint64(1); seed <= seeds; seed++ {
		b, err := rehearsal.New(rehearsal.Config{Definition: def, Clock: clock, Seed: seed, Seat: rehearsal.Seat{Model: "empty", PinMap: straight(&def)}})
		if err != nil {
			t.Fatal(err)
		}
		got, err := check.Run(t.Context(), check.Rig{Link: b, Clock: clock, Def: &def}, check.Empty)
		if err != nil {
			t.Fatal(err)
		}
		truth := b.Truth()
		for _, v := range got.Paths {
			p, _ := def.PathByID(v.Path)
			really := truth.Paths[v.Path].Force
			if p.Channel > 0 {
				really += truth.Channels[p.Channel-1].SourceR
			}
			paths = tally(paths, v.Ohms, v.U, really)
		}
		for _, v := range got.Leakages {
			leaks = tally(leaks, v.Value, v.U, leakageAt(&def, &truth, v.Contact))
		}
	}
	for what, n := range map[string][2]int{"paths": paths, "leakages": leaks} {
		t.Logf("%s: %d of %d held", what, n[0], n[1])
		if n[1] < 48 || float64(n[0]) < 0.9*float64(n[1]) {
			t.Errorf("%s: the interval holds %d of %d", what, n[0], n[1])
		}
	}
}

func tally(n [2]int, x, u, really float64) [2]int {
	if math.Abs(x-really) <= u {
		n[0]++
	}
	n[1]++
	return n
}

// leakageAt is what really leaks at a contact that channel 1A measures: the open
// switches of all other lines, both of a Kelvin path.
func leakageAt(def *bench.Definition, truth *rehearsal.Truth, contact int) float64 {
	sum := 0.0
	for i := range def.Paths {
		p := &def.Paths[i]
		if p.Contact != contact || p.Channel == 1 {
			continue
		}
		sum += truth.Paths[p.ID].ForceLeakage
		if p.Kelvin {
			sum += truth.Paths[p.ID].SenseLeakage
		}
	}
	return sum
}

// TestPathsAtTheirTolerance states each path so that what it really has is as much as
// its tolerance allows: none of them is out of it, whatever the readings' errors are.
func TestPathsAtTheirTolerance(t *testing.T) {
	t.Parallel()
	def := rehearsal.DefaultBench()
	clock := bench.NewCountingClock(time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC))
	b, err := rehearsal.New(rehearsal.Config{Definition: def, Clock: clock, Seed: 6, Seat: rehearsal.Seat{Model: "empty", PinMap: straight(&def)}})
	if err != nil {
		t.Fatal(err)
	}
	truth, stated := b.Truth(), def
	stated.Paths = slices.Clone(def.Paths)
	for i := range stated.Paths {
		p := &stated.Paths[i]
		really := truth.Paths[p.ID].Force
		if p.Channel > 0 { // its output is measured with it
			ch, _ := def.ChannelByID(p.Channel)
			really += truth.Channels[p.Channel-1].SourceR - ch.SourceR*(1+bench.AssumedResistanceTolerance)
		}
		p.ResistanceTolerance = 0.1
		p.Resistance = really / 1.1
	}
	got, err := check.Run(t.Context(), check.Rig{Link: b, Clock: clock, Def: &stated}, check.Empty)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range got.Findings {
		t.Errorf("%s: %s", f.Kind, f.Said)
	}
}

// TestStepDoneAgain does the empty socket again after its fault was mended: what
// was found before is measured anew, not passed over.
func TestStepDoneAgain(t *testing.T) {
	t.Parallel()
	def := rehearsal.DefaultBench()
	rec := checked(t, 9, []bench.BenchFault{{Kind: rehearsal.StuckClosed, Path: def.Paths[4].ID}}, check.Empty)
	if rec.Verdict() != check.Faulty {
		t.Fatal("the fault was not found")
	}
	again := stepWith(t, 9, "empty", nil, check.Empty, rec)
	if len(again.Findings) > 0 || len(again.Paths) != len(def.Paths) {
		t.Errorf("%d of %d paths are measured again, and found: %+v", len(again.Paths), len(def.Paths), again.Findings)
	}
}
