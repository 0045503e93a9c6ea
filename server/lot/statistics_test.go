package lot

import (
	"math"
	"slices"
	"testing"

	"ohmkeep/server/derive"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
)

// byHand can be worked out by hand: a mean of 5, and squared deviations that
// add up to 32.
var byHand = []float64{2, 4, 4, 4, 5, 5, 7, 9}

func TestStatistics(t *testing.T) {
	s := source(1, "a")
	table := NewTable(len(byHand) + 2)
	low, other := 3.0, 2.0
	for _, i := range []int{7, 0, 1, 2, 3, 4, 5, 6} { // in any order
		outcome := derive.Pass
		if byHand[i] < low {
			outcome = derive.Fail
		} else if byHand[i] == low+1 {
			outcome = derive.ConditionalPass
		}
		r := procedure.Result{Key: "r", Name: "R", Value: byHand[i], Unit: quantity.Ohm, Low: &low, Outcome: outcome}
		if i > 0 {
			r.Low = &other
		}
		table.Add(i, s, &r, int64(i))
	}
	// The ninth run has an invalid value, the tenth no such result at all.
	table.Add(8, s, &procedure.Result{Key: "r", Value: 1e9, Unit: quantity.Ohm, Outcome: derive.Invalid}, 99)
	all := table.Statistics()
	if len(all) != 1 {
		t.Fatalf("%d results", len(all))
	}
	got := all[0]
	if got.N != 8 || got.Invalid != 1 || got.Mean != 5 || got.Min != 2 || got.Max != 9 {
		t.Errorf("%+v", got)
	}
	if want := math.Sqrt(32.0 / 7); math.Abs(got.SD-want) > 1e-15 { // n - 1
		t.Errorf("standard deviation %v, want %v", got.SD, want)
	}
	if got.Of != 9 || got.Passed != 7 {
		t.Errorf("%d of %d passed", got.Passed, got.Of)
	}
	if got.Low == nil || *got.Low != low || got.High != nil || got.Run != 0 {
		t.Errorf("limits are not those of the first run: %v, %v, run %d", got.Low, got.High, got.Run)
	}
	if !slices.Equal(got.Values[:8], byHand) || !math.IsNaN(got.Values[8]) || !math.IsNaN(got.Values[9]) || len(got.Values) != 10 {
		t.Errorf("values %v", got.Values)
	}
}

// The sum of what cannot be computed with is nothing, and is not a number.
func TestStatisticsOfNothing(t *testing.T) {
	table := NewTable(3)
	for i, v := range []float64{math.NaN(), math.Inf(1), 1} {
		outcome := derive.NoLimits
		if i == 2 {
			outcome = derive.Invalid
		}
		table.Add(i, source(1, "a"), &procedure.Result{Key: "r", Value: v, Outcome: outcome}, int64(i))
	}
	for _, got := range table.Statistics() {
		if got.N != 0 || got.Invalid == 0 || !math.IsNaN(got.Mean) || !math.IsNaN(got.SD) || !math.IsNaN(got.Min) {
			t.Errorf("%+v", got)
		}
	}
	if got := NewTable(0).Statistics(); len(got) != 0 {
		t.Errorf("no runs: %v", got)
	}
}

func TestPassed(t *testing.T) {
	for o, want := range map[derive.Outcome]bool{derive.Pass: true, derive.ConditionalPass: true, derive.ConditionalFail: false,
		derive.Fail: false, derive.Invalid: false, derive.NoLimits: false} {
		if Passed(o) != want {
			t.Errorf("%q counts as %v", o, !want)
		}
	}
}
