package run

import (
	"testing"
	"testing/synctest"

	"ohmkeep/server/bench"
	"ohmkeep/server/derive"
	"ohmkeep/server/procedure"
)

// TestLimitWithoutResult: a run that came to its end without a value for one of
// its limits has not passed, whatever else did.
func TestLimitWithoutResult(t *testing.T) {
	high := 1.0
	for _, tc := range []struct {
		name     string
		limits   map[string]procedure.Limit
		disabled bool
		got      derive.Outcome // of the result that there is
		want     derive.Outcome
	}{
		{"every limit has its result", map[string]procedure.Limit{"mean": {High: &high}}, false, derive.Pass, derive.Pass},
		{"one has none", map[string]procedure.Limit{"mean": {High: &high}, "other": {High: &high}}, false, derive.Pass, derive.Invalid},
		{"a fail stands", map[string]procedure.Limit{"mean": {High: &high}, "other": {High: &high}}, false, derive.Fail, derive.Fail},
		{"an empty limit asks for nothing", map[string]procedure.Limit{"other": {}}, false, derive.Pass, derive.Pass},
		{"a disabled measurement asks for nothing", map[string]procedure.Limit{"other": {High: &high}}, true, derive.Pass, derive.Pass},
	} {
		t.Run(tc.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				one := []procedure.Point{point(pinA, volts(pinA, 1))}
				b := newBed(bench.RealClock{}, one, one)
				b.kind.outcome = tc.got
				b.rec.Procedure.Measurements[1].Limits, b.rec.Procedure.Measurements[1].Disabled = tc.limits, tc.disabled
				e, err := b.runner.Run(t.Context(), b.rec)
				if err != nil || e.Status != procedure.Done || e.Outcome != tc.want {
					t.Errorf("%+v, %v; want %q", e, err, tc.want)
				}
				clean(t, b)
			})
		})
	}
}
