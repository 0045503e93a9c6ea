package procedure

import (
	"testing"
)

// TestBenchUse: a run uses the contacts of all pins, holds those alone that its
// plan leads to, and where there is no plan all that reaches them.
func TestBenchUse(t *testing.T) {
	d, b := twoSupplies(), checkBench()
	off := leaking(4)
	off.Disabled = true
	rec := &Record{Device: *d, Bench: *b, PinMap: *straight(d), Procedure: Procedure{Measurements: []Measurement{leaking(1), off}}}
	plan := planOf(t, d, b, leaking(1))
	u := BenchUseOf(rec)
	paths := 0
	for _, seg := range plan.Steps[0].Segments {
		for _, id := range seg.Assign.Paths {
			if !u.Paths[id] {
				t.Errorf("path %d is closed and not among what is used", id)
			}
		}
		paths += len(seg.Assign.Paths)
		for _, dr := range seg.Drives {
			if !u.Channels[dr.Channel.ID] {
				t.Errorf("channel %s drives and is not among what is used", dr.Channel.Name)
			}
		}
	}
	if paths == 0 || len(u.Paths) > paths || len(u.Contacts) != len(d.Pins) || !u.Held[1] || u.Held[40] || len(u.Muxes) == 0 {
		t.Errorf("%d paths in the plan: %+v", paths, u)
	}
	rec.Procedure.Measurements[0].Kind = "gone"
	all := BenchUseOf(rec)
	if len(all.Paths) <= len(u.Paths) || !all.Held[4] || len(all.Channels) != len(b.Channels) || all.Held[40] {
		t.Errorf("without a plan: %+v", all)
	}
	if whole := WholeBench(b); len(whole.Contacts) != b.Contacts || len(whole.Paths) != len(b.Paths) {
		t.Errorf("the whole bench: %d contacts, %d paths", len(whole.Contacts), len(whole.Paths))
	}
}
