package check_test

import (
	"context"
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
	rec := &check.Record{}
	for _, s := range steps {
		info, _ := check.InfoOf(s)
		got := stepWith(t, seed, info.Model, faults, s, rec)
		rec.Put(got)
	}
	return rec
}

// stepWith carries one step out with that model in the socket.
func stepWith(t testing.TB, seed uint64, model string, faults []bench.BenchFault, s check.Step, before *check.Record) check.StepResult {
	t.Helper()
	def := rehearsal.DefaultBench()
	clock := bench.NewCountingClock(time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC))
	pins := map[int]int{}
	for c := 1; c <= def.Contacts; c++ {
		pins[c] = c
	}
	b, err := rehearsal.New(rehearsal.Config{Definition: def, Clock: clock, Seed: seed, Faults: faults,
		Seat: rehearsal.Seat{Model: model, Seed: seed, PinMap: bench.PinMap{Bench: def.Key, Contacts: pins}}})
	if err != nil {
		t.Fatal(err)
	}
	got, err := check.Run(t.Context(), check.Rig{Link: b, Clock: clock, Def: &def, Before: before}, s)
	if err != nil {
		t.Fatal(err)
	}
	if reports, _ := b.Faults(context.Background()); len(reports) > 0 {
		t.Errorf("the bench reports %d faults, the first: %s", len(reports), reports[0].Message)
	}
	return got
}

func TestSoundBenchIsGood(t *testing.T) {
	rec := checked(t, 48, nil, check.Channels, check.Empty, check.Plug, check.Numbers)
	for _, s := range rec.Steps {
		t.Logf("%s: %.1f s, %d readings, paths %v", s.Step, s.Took, s.Readings, s.Paths[:min(5, len(s.Paths))])
		t.Log(len(s.Paths), s.Channels, s.Contacts)
		for _, f := range s.Findings {
			t.Errorf("%s: %s: %s", s.Step, f.Kind, f.Said)
		}
	}
}
