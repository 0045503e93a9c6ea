package run

import (
	"testing"

	"ohmkeep/server/procedure"
)

// always derives the same result from whatever it is given.
type always struct{ r procedure.Result }

func (always) Add(procedure.Observation)     {}
func (a always) Results() []procedure.Result { return []procedure.Result{a.r} }

// TestBudgetsComeWithFinalResults: a result that will be worked out again has no
// budget, and the last one has it, also where nothing else has changed.
func TestBudgetsComeWithFinalResults(t *testing.T) {
	d := newDerivation(fakeRecord(), &plan{})
	x := &deriving{Deriver: always{procedure.Result{Key: "r", Value: 1, U: 0.1, K: 2, Budget: &procedure.Budget{Lines: []procedure.Line{{Name: "gain"}}}}}}
	first := d.workOut(x, false, nil)
	if len(first) != 1 || first[0].Budget != nil {
		t.Errorf("while it goes on: %+v", first)
	}
	if again := d.workOut(x, false, nil); len(again) != 0 {
		t.Errorf("nothing has changed, and comes again: %+v", again)
	}
	last := d.workOut(x, true, nil)
	if len(last) != 1 || last[0].Budget == nil || last[0].Value != 1 {
		t.Errorf("at the end: %+v", last)
	}
	if again := d.workOut(x, true, nil); len(again) != 0 {
		t.Errorf("it comes twice: %+v", again)
	}
}
