package run

import (
	"slices"
	"strings"
	"testing"
	"testing/synctest"

	"ohmkeep/server/bench"
	"ohmkeep/server/derive"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

// failing is a kind of measurement whose first attempts fail, and have one
// result more.
type failing struct {
	fakeKind
	attempts, fails int
}

func (k *failing) Derive(*procedure.Measurement, *dut.Device, procedure.Rule) procedure.Deriver {
	k.attempts++
	return &failingDeriver{fakeDeriver{kind: &k.fakeKind}, k.attempts <= k.fails}
}

type failingDeriver struct {
	fakeDeriver
	fails bool
}

func (d *failingDeriver) Results() []procedure.Result {
	out := d.fakeDeriver.Results()
	for i := range out {
		out[i].Outcome = derive.Pass
		if d.fails {
			out[i].Outcome = derive.Fail
		}
	}
	if d.fails && len(out) > 0 {
		more := out[0]
		more.Key = "more"
		out = append(out, more)
	}
	return out
}

// lastOf returns the result with a key that was shown last.
func lastOf(t *testing.T, w *witness, key string) procedure.Result {
	t.Helper()
	var last *procedure.Result
	for _, u := range w.updates {
		for i := range u.Batch.Results {
			if u.Batch.Results[i].Key == key {
				last = &u.Batch.Results[i]
			}
		}
	}
	if last == nil {
		t.Fatalf("no result %s", key)
	}
	return *last
}

func TestRetest(t *testing.T) {
	one := []procedure.Point{point(pinA, volts(pinA, 1))}
	for _, tc := range []struct {
		name            string
		fails, retest   int
		stop, stopsHere bool
		measured        int // attempts in all; the second measurement is one
		outcome         derive.Outcome
		reason          string
	}{
		{"passes at once", 0, 3, false, false, 2, derive.Pass, ""},
		{"second attempt passes", 1, 3, false, false, 3, derive.Pass, ""},
		{"passes before the procedure stops", 2, 3, true, false, 4, derive.Pass, ""},
		{"no retest asked for", 1, 0, false, false, 2, derive.Fail, ""},
		{"never passes", 3, 2, false, false, 4, derive.Fail, ""},
		{"stops after the last attempt", 99, 2, true, false, 3, derive.Fail, errFailed.Error()},
		{"the measurement stops the run", 99, 0, false, true, 1, derive.Fail, errFailedHere.Error()},
		{"the measurement has nothing to stop for", 0, 0, false, true, 2, derive.Pass, ""},
	} {
		t.Run(tc.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBed(bench.RealClock{}, one, one)
				k := &failing{fakeKind: *b.kind, fails: tc.fails}
				b.runner.Kinds = func(string) (procedure.Kind, bool) { return k, true }
				ms := b.rec.Procedure.Measurements
				ms[0].Retest, ms[0].StopOnFail, b.rec.Procedure.StopOnFail = tc.retest, tc.stopsHere, tc.stop
				e, err := b.runner.Run(t.Context(), b.rec)
				if err != nil || e.Status != procedure.Done || e.Outcome != tc.outcome || e.Reason != tc.reason {
					t.Errorf("%+v, %v", e, err)
				}
				if k.attempts != tc.measured {
					t.Errorf("measured %d times, want %d", k.attempts, tc.measured)
				}
				clean(t, b)
				if tc.fails > 0 && tc.outcome == derive.Pass {
					if r := lastOf(t, b.watch, "mean"); r.Outcome != derive.Pass {
						t.Errorf("%+v", r)
					}
					old := lastOf(t, b.watch, "more")
					if old.Outcome != derive.NoLimits || !strings.Contains(old.Note, "earlier attempt") {
						t.Errorf("what only an earlier attempt had: %+v", old)
					}
					if !slices.ContainsFunc(resultsOf(b.watch), func(r procedure.Result) bool {
						return r.Measurement == 0 && r.Key == "mean" && strings.Contains(r.Note, "the last counts")
					}) {
						t.Error("no note says that it was measured again")
					}
				}
			})
		})
	}
}

func resultsOf(w *witness) []procedure.Result {
	var out []procedure.Result
	for r := range w.results {
		out = append(out, r)
	}
	return out
}

// TestConditionsOnFakeLink: every condition is carried out at its own levels, and
// the record refers to what was carried out.
func TestConditionsOnFakeLink(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBed(bench.RealClock{})
		b.runner.Kinds = nil
		for i := range b.rec.Device.Pins {
			p := &b.rec.Device.Pins[i]
			p.Name, p.MaxV, p.MaxI = []string{"GND", "VDD", "VIO", "A", "B", "C"}[i], 6, 0.1
		}
		b.link.highest[pinIO], b.link.highest[pinCore] = 5.5, 1.8
		hot := 85.0
		b.rec.Procedure.Measurements = []procedure.Measurement{{ID: "supply", Name: "Supply", Kind: "supply-current",
			Pins: []int{pinIO, pinCore}, Powered: true, Aperture: procedure.Aperture{Cycles: 1}}}
		b.rec.Procedure.Conditions = []procedure.Condition{
			{Supplies: []procedure.SupplyLevel{{Pin: pinIO, Level: 4.5}}},
			{Supplies: []procedure.SupplyLevel{{Pin: pinIO, Level: 5.5}}, Temperature: &hot},
		}
		e, err := b.runner.Run(t.Context(), b.rec)
		if err != nil || e.Status != procedure.Done {
			t.Fatalf("%+v, %v", e, err)
		}
		clean(t, b)
		if n := len(b.watch.head.Procedure.Measurements); n != 2 || len(b.watch.head.Procedure.Conditions) != 2 {
			t.Errorf("the record has %d measurements", n)
		}
		want := map[int]string{0: "VIO 4.5 V, VDD 1.8 V", 1: "VIO 5.5 V, VDD 1.8 V, 85 °C"}
		for _, r := range resultsOf(b.watch) {
			if r.Condition != want[r.Measurement] {
				t.Errorf("measurement %d at %q, want %q", r.Measurement, r.Condition, want[r.Measurement])
			}
		}
		levels, beside := map[float64]bool{}, map[float64]bool{} // beside the conditions: 1 % lower
		for r := range b.watch.stored {
			switch {
			case int(r.Pin) != pinIO:
			case r.Flags.Has(bench.Auxiliary):
				beside[r.Set] = true
			default:
				levels[r.Set] = true
			}
		}
		if len(levels) != 2 || !levels[4.5] || !levels[5.5] {
			t.Errorf("set to %v", levels)
		}
		for set := range beside {
			if !levels[set] && set != 0.99*4.5 && set != 0.99*5.5 {
				t.Errorf("beside the conditions set to %v", beside)
			}
		}
	})
}

// TestConditionsRehearsed: outputs follow the supply of each condition.
func TestConditionsRehearsed(t *testing.T) {
	d, _ := hex()
	m := kindOf(t, "voltage").Default(&d)
	m.Pins, m.Settle.Time = []int{2, 4}, 30e-3
	r, rec, w := rehearse(t, bench.NewCountingClock(year), 7, m)
	for _, v := range []float64{4.5, 5, 5.5} {
		rec.Procedure.Conditions = append(rec.Procedure.Conditions, procedure.Condition{Supplies: []procedure.SupplyLevel{{Pin: 14, Level: v}}})
	}
	if _, err := Check(rec); err != nil {
		t.Fatal(err)
	}
	if n := len(rec.Procedure.Measurements); n != 1 {
		t.Fatalf("to check it made %d measurements of one", n)
	}
	e, err := r.Run(t.Context(), rec)
	if err != nil || e.Status != procedure.Done {
		t.Fatalf("%+v, %v", e, err)
	}
	want := map[string]float64{"VCC 4.5 V": 4.5, "VCC 5 V": 5, "VCC 5.5 V": 5.5}
	seen := map[string]int{}
	for x := range w.results {
		v, known := want[x.Condition]
		if !known || x.Value < v-0.05 || x.Value > v+0.05 {
			t.Errorf("%q: pin %d at %g V", x.Condition, x.Pin, x.Value)
		}
		seen[x.Condition] |= 1 << x.Pin
	}
	for c := range want {
		if seen[c] != 1<<2|1<<4 {
			t.Errorf("%s: not every pin was measured", c)
		}
	}
}
