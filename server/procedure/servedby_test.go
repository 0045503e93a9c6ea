package procedure

import (
	"slices"
	"testing"
)

// TestServedIn: each pin is said to be read by the channel and path that its plan
// connects, and nothing is said without a plan.
func TestServedIn(t *testing.T) {
	d, b := twoSupplies(), checkBench()
	off := leaking(4)
	off.Disabled = true
	rec := &Record{Device: *d, Bench: *b, PinMap: *straight(d), Procedure: Procedure{Measurements: []Measurement{off, leaking(1, 4)}}}
	served := ServedIn(rec)
	plan := planOf(t, d, b, leaking(1, 4))
	for _, pin := range []int{1, 4} {
		by := served.Of(&Result{Measurement: 1, Pin: pin})
		if len(by) == 0 {
			t.Fatalf("pin %d is read by nothing", pin)
		}
		for _, x := range by {
			is := slices.ContainsFunc(plan.Steps[0].Segments, func(s *Segment) bool {
				return s.Assign.Channel[pin] == x.Channel && s.Assign.Path[pin] == x.Path
			})
			if p, ok := b.PathByID(x.Path); !is || !ok || p.Contact != pin || p.Channel != x.Channel || x.Contact != pin {
				t.Errorf("pin %d: %+v is not in the plan", pin, x)
			}
		}
	}
	if by := served.Of(&Result{Measurement: 0, Pin: 4}); by != nil {
		t.Errorf("a measurement that was left out: %+v", by)
	}
	channel, path, contact := served.Columns(&Result{Measurement: 1, Pin: 4}, b)
	if channel == "" || path == "" || contact != "4" {
		t.Errorf("%q %q %q", channel, path, contact)
	}
	rec.Procedure.Measurements[1].Kind = "gone"
	if got := ServedIn(rec); len(got) != 0 {
		t.Errorf("without a plan: %v", got)
	}
}
