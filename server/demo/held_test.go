package demo

import (
	"math"
	"strings"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
	"ohmkeep/server/rehearsal"
)

// TestHeldLevelsAreRead: each result of a powered part says what its supply was
// really held at, within what the forcing range may be off, and not that it was
// what had been asked for; readings for it are marked as such.
func TestHeldLevelsAreRead(t *testing.T) {
	r := rehearse(t, "tarnel-6-quick", 3, LotUnit{Serial: "h", Seed: 9}, "leakage", "icc-low")
	told, off := 0, 0
	for _, x := range r.held.Results {
		m := r.held.Record.Procedure.Measurements[x.Measurement]
		if !m.Powered {
			continue
		}
		for _, h := range x.HeldLevels() {
			if h.Pin != 14 {
				continue
			}
			told++
			if h.Set != 5 || math.Abs(h.Value-5) > 10e-3 || !(h.U > 0 && h.U < 10e-3) {
				t.Errorf("%s: %+v", x.Key, h)
			}
			if h.Value != h.Set {
				off++
			}
			if words := h.Words(&r.held.Record.Device); !strings.Contains(words, "VCC") || !strings.Contains(words, "±") {
				t.Error(words)
			}
		}
	}
	if told == 0 || off == 0 {
		t.Errorf("%d results say what VCC was held at, %d of them that it was not 5 V", told, off)
	}
	auxiliary := 0
	for _, mr := range r.held.Readings {
		rs := mr.Readings
		for i := range rs {
			if f := rs[i].Flags; f.Has(bench.Auxiliary) {
				auxiliary++
				if f.Has(bench.OutOfLimit) {
					t.Fatalf("a reading for a correction is out of a limit: %+v", rs[i])
				}
			}
		}
	}
	if auxiliary == 0 {
		t.Error("no reading is marked as being for a correction")
	}
}

// TestFourWiresInsteadOfTwo: of a low resistance over two wires the program says
// that four would make it better known, and by about how much.
func TestFourWiresInsteadOfTwo(t *testing.T) {
	docs := Scenario()
	p := docs.procedure(t, "dunmoss-8-resistances")
	def := rehearsal.DefaultBench()
	in := procedure.CheckInput{Device: docs.device(t, p.Device), Procedure: p, PinMap: docs.pinMap(t, p.Device), Bench: &def}
	low, high := 0.5, 1.5
	m := p.Measurements[0]
	m.Level, m.Limits = 1e-3, map[string]procedure.Limit{"resistance": {Low: &low, High: &high}}
	p.Measurements = []procedure.Measurement{m}
	x := procedure.PrePower(in).Measurements[0].Predictions[0].Result // 1 Ω over two wires
	found := false
	all := procedure.Improve(in, &m, &x)
	for i, b := range all {
		found = found || b.What == "four wires instead of two" && b.U < 0.5*x.U
		if !(b.U > 0 && b.U < x.U) || i > 0 && b.U < all[i-1].U {
			t.Errorf("not the most effective first: %+v", all)
		}
	}
	if !found {
		t.Errorf("± %g, and four wires are not among %+v", x.U, all)
	}
	in.PinMap = nil // nothing can be predicted: what acts on contributions is left
	for _, b := range procedure.Improve(in, &m, &x) {
		if strings.Contains(b.What, "wires") {
			t.Errorf("predicted without a pin map: %+v", b)
		}
	}
}
