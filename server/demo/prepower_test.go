package demo

import (
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
	"ohmkeep/server/rehearsal"
)

// TestCheckBeforePower: the demonstration's procedures start without anything to
// acknowledge.
func TestCheckBeforePower(t *testing.T) {
	docs := Scenario()
	def := rehearsal.DefaultBench()
	for i := range docs.Procedures {
		p := &docs.Procedures[i]
		in := procedure.CheckInput{Procedure: p, Bench: &def}
		for k := range docs.Devices {
			if docs.Devices[k].Key == p.Device {
				in.Device, in.PinMap = &docs.Devices[k], pinMapOf(docs.PinMaps, p.Device)
			}
		}
		begun := time.Now()
		r := procedure.PrePower(in)
		t.Logf("%s: %v, %.1f s to run", p.Key, time.Since(begun).Round(time.Millisecond), r.Total)
		for _, f := range r.Findings {
			t.Logf("  %s %s: %s %v", f.Severity, f.Name(), f.Message, f.Fields)
			if f.Severity != procedure.SeverityNote {
				t.Errorf("%s: %s %s", p.Key, f.Severity, f.Name())
			}
		}
		for _, m := range r.Measurements {
			for _, q := range m.Predictions {
				if q.Ratio < 10 {
					t.Logf("  %s %s pin %d: %.3g ± %.2g %s, %.3g:1", m.ID, q.Key, q.Pin, q.Value, q.U, q.Unit, q.Ratio)
				}
			}
			if limited := len(p.Measurements[m.Index].Limits); limited > 0 && len(m.Predictions) == 0 && m.ID != "output-curves" {
				t.Errorf("%s: nothing predicted for %s", p.Key, m.ID)
			}
		}
	}
}

func pinMapOf(all []bench.PinMap, device string) *bench.PinMap {
	for i := range all {
		if all[i].Device == device {
			return &all[i]
		}
	}
	return nil
}
