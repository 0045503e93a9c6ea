package run

import (
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
)

// A pin whose ranges are not known, since no range holds what its channel is set
// to, is stable within the tolerance alone.
func TestStableWithoutRanges(t *testing.T) {
	known := &procedure.Sense{
		V: &bench.RangeErrors{Range: bench.Range{Noise: 1}}, I: &bench.RangeErrors{Range: bench.Range{Noise: 1}},
	}
	for _, mode := range []bench.Mode{bench.ForceVoltage, bench.ForceCurrent} {
		for _, c := range []struct {
			name  string
			sense *procedure.Sense
			now   float64
			want  bool
		}{
			{"no ranges, within the tolerance", nil, 1.0009, true},
			{"no ranges, beyond it", nil, 1.0011, false},
			{"noise explains it", known, 1.0011, true},
		} {
			x := &measurer{}
			x.set = []bench.Setup{{Mode: mode}}
			x.reads, x.measured = []reader{{sense: c.sense}}, 1
			x.samples = []bench.Sample{{V: c.now, I: c.now}}
			if got := x.stable([]bench.Sample{{V: 1, I: 1}}, 1e-3); got != c.want {
				t.Errorf("%s, mode %v: %t, want %t", c.name, mode, got, c.want)
			}
		}
	}
}
