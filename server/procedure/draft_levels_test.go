package procedure

import (
	"math"
	"slices"
	"strings"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
)

// Outputs of 5 V TTL are loaded with the published test currents, 16 mA in and
// 0.4 mA out, and their resistance is limited to that at which a low of 0.4 V or
// a high of 2.4 V is just kept: 0.4 V / 16 mA = 25 Ω, 2.6 V / 0.4 mA = 6.5 kΩ.
func TestDraftLoadsOutputsOfAFamily(t *testing.T) {
	p, _, _, _ := draftOn(t, func(d *dut.Device, _ *bench.PinMap) {
		for i := range d.Pins {
			if d.Pins[i].Function == dut.Output {
				d.Pins[i].Logic = "5v-ttl"
			}
		}
	})
	loads := map[string]float64{}
	for _, m := range p.Measurements {
		if m.Kind != "output-level" {
			continue
		}
		loads[m.ID] = m.Level
		if l := m.Limits["output-resistance"]; l.High == nil || math.Abs(*l.High-6500) > 1e-6 || !slices.Equal(m.Pins, []int{2, 4}) {
			t.Errorf("%s of pins %v is limited to %+v", m.ID, m.Pins, l)
		}
	}
	if len(loads) != 2 || loads["output-high"] != -0.4e-3 || loads["output-low"] != 16e-3 {
		t.Errorf("loads %v, want 0.4 mA out and 16 mA in", loads)
	}
}

// A pin that a strap ties to the return is left out, with the reason.
func TestDraftMindsStraps(t *testing.T) {
	p, reasons, _, _ := draftOn(t, func(_ *dut.Device, pm *bench.PinMap) {
		pm.Straps = []bench.Strap{{Contact: 5, Kind: bench.StrapReturn}}
	})
	for _, m := range p.Measurements {
		if slices.Contains(m.Pins, 5) {
			t.Errorf("%s measures a pin that is tied to the return", m.ID)
		}
	}
	if !strings.Contains(said(reasons), "5 2A left out: a strap ties it") {
		t.Errorf("nothing is said of pin 5:\n%s", said(reasons))
	}
}

// The estimates of a procedure are those of its measurements in order, nothing
// for one that is switched off.
func TestEstimateOfProcedure(t *testing.T) {
	in, m := checked()
	m.Disabled = true
	all := in.Procedure.Estimate(in.Device, in.Bench)
	if len(all) != 3 || all[0] != (Estimate{}) || all[1].Points != 6 || all[2].Points != 2 {
		t.Fatalf("%+v", all)
	}
	// Supply, as it is and moved by 1 %: a settle of 30 ms and a quarter of it, twice
	// an aperture of 20 ms, break and make, up and down.
	near(t, "supply current", all[2].Total(), 30e-3+7.5e-3+2*20e-3+2e-3+25e-3, 1e-12)
}
