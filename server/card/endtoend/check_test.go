package endtoend

import (
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/emulator"
	"ohmkeep/server/check"
	"ohmkeep/server/rehearsal"
)

// TestBenchCheckThroughCards checks a bench with a fault through the protocol and
// in process: every step finds the same, to the last bit.
func TestBenchCheckThroughCards(t *testing.T) {
	t.Parallel()
	def := rehearsal.DefaultBench()
	faults := []bench.BenchFault{{Kind: rehearsal.StuckOpen, Path: def.Paths[3].ID}, {Kind: rehearsal.ContactResistance, Contact: 9, Value: 5}}
	pins := map[int]int{}
	for c := 1; c <= def.Contacts; c++ {
		pins[c] = c
	}
	direct, through := &check.Record{}, &check.Record{}
	for _, info := range check.Steps() {
		for _, rec := range []*check.Record{direct, through} {
			clock := bench.NewCountingClock(sameBegin)
			b, err := rehearsal.New(rehearsal.Config{Definition: def, Clock: clock, Seed: 48, Faults: faults,
				Seat: rehearsal.Seat{Model: info.Model, PinMap: bench.PinMap{Bench: def.Key, Contacts: pins}}})
			if err != nil {
				t.Fatal(err)
			}
			described := emulator.Describe(def, "") // names the switches as cards do
			rig := check.Rig{Link: b, Clock: clock, Def: &described, Before: rec}
			if rec == through {
				link, cards := cardsOf(t, "tcp", b, clock)
				rig.Link, rig.Def = link, &cards
			}
			if err := rig.Link.MakeSafe(t.Context()); err != nil {
				t.Fatal(err)
			}
			got, err := check.Run(t.Context(), rig, info.Step)
			if err != nil {
				t.Fatalf("%s: %v", info.Step, err)
			}
			rec.Put(got)
			if err := rig.Link.MakeSafe(t.Context()); err != nil {
				t.Fatal(err)
			}
		}
	}
	if diff := cmp.Diff(direct.Steps, through.Steps, cmpopts.IgnoreFields(check.StepResult{}, "Began", "Ended", "Took")); diff != "" {
		t.Errorf("through cards it is another bench:\n%s", diff)
	}
	if direct.Verdict() != check.Faulty {
		t.Errorf("the faulty bench is %s", direct.Verdict())
	}
}
