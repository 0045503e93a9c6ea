package run

import (
	"math"
	"testing"

	"ohmkeep/server/procedure"
)

// A result is stored and shown again when it says something else, not because an
// end of its interval is open: NaN is no change of NaN.
func TestSameResult(t *testing.T) {
	nan := math.NaN()
	bound := procedure.Result{Key: "resistance", Value: 10, U: 0, From: 10, To: nan}
	with := func(change func(*procedure.Result)) procedure.Result {
		r := bound
		change(&r)
		return r
	}
	for _, c := range []struct {
		name string
		a, b procedure.Result
		same bool
	}{
		{"a bound", bound, bound, true},
		{"no end at all", with(func(r *procedure.Result) { r.From = nan }), with(func(r *procedure.Result) { r.From = nan }), true},
		{"nothing said", procedure.Result{U: nan, From: nan, To: nan}, procedure.Result{U: nan, From: nan, To: nan}, true},
		{"an end found", bound, with(func(r *procedure.Result) { r.To = 10 }), false},
		{"an end at zero found", bound, with(func(r *procedure.Result) { r.To = 0 }), false},
		{"an end lost", bound, with(func(r *procedure.Result) { r.From = nan }), false},
		{"an end moved", bound, with(func(r *procedure.Result) { r.From = 9 }), false},
		{"U lost", bound, with(func(r *procedure.Result) { r.U = nan }), false},
		{"another note", bound, with(func(r *procedure.Result) { r.Note = "open" }), false},
	} {
		if got := sameResult(c.a, c.b); got != c.same || sameResult(c.b, c.a) != c.same {
			t.Errorf("%s: same is %t", c.name, got)
		}
	}
}
