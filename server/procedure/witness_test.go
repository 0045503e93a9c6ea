package procedure

import (
	"math"
	"slices"
	"testing"

	"ohmkeep/server/bench"
)

// openAt measures the leakage of pin 1, which draws 100 pA at 5 V and nothing at
// 0 V, where all open switches conduct as stated and the pins that are left open sit
// at so many volts. flags are those of the witness's readings, which are left out
// where it says nothing.
func openAt(t *testing.T, at float64, with bool, flags bench.Flags) []Result {
	t.Helper()
	d, b := inverterDevice(), checkBench()
	for i := range b.Paths {
		b.Paths[i].Leakage, b.Paths[i].LeakageTolerance = 50e-12, 0.3
	}
	m := base("leakage")
	m.Pins, m.Powered, m.Level, m.Compliance, m.Settle.Time = []int{1}, true, 5, 1e-6, 0.2
	step := planOf(t, d, b, m).Steps[0]
	seg := step.Segments[0]
	der, n := Derive(step.Kind, step.Measurement, d, Rule{}), uint32(0)
	for pt := range step.Kind.Points(step.Measurement, d) {
		level := func(k int) float64 { return holdAt(pt.Hold, seg.Drives[k].Pin).Level }
		for _, own := range []bool{true, false} {
			for k, dr := range seg.Drives {
				if (dr.Pin == 1 && !dr.Witness) != own || dr.Witness && !with {
					continue
				}
				h, i := holdAt(pt.Hold, dr.Pin), 0.0
				if own {
					i = 20e-12 * h.Level
				}
				for _, l := range dr.Leaks {
					to := 0.0
					switch {
					case l.To == toUnknown:
						to = at
					case l.To >= 0:
						to = level(l.To)
					}
					i += l.Siemens.X * (h.Level - to)
				}
				o := Observation{Reading: bench.Reading{Point: n, Group: pt.Group, Pin: uint8(dr.Pin), Set: h.Level, V: h.Level, I: i, Channel: dr.Channel.ID}}
				if !own {
					o.Flags = bench.Auxiliary
				}
				if dr.Witness {
					o.Flags |= flags
				}
				o.Sense = seg.Sense(k, dr.Setup(h.Level, h.Compliance, bench.Setup{}), 1)
				der.Add(o)
			}
		}
		n++
	}
	return der.Results()
}

// A witness tells what the pins that are left open sit at, wherever that is: what
// leaks to them is taken off, and no bound of it is left. Without one, or where it
// says nothing, the bound holds.
func TestWitnessTellsWhatOpenPinsSitAt(t *testing.T) {
	bounded := func(r Result) bool {
		return slices.ContainsFunc(r.Budget.Lines, func(l Line) bool { return l.Distribution == "bounded" && l.Share > 1e-6 })
	}
	for _, at := range []float64{0, 1.3, 2.5, 5} {
		for key, truth := range map[string]float64{"high": 100e-12, "low": 0} {
			told := find(t, openAt(t, at, true, 0), key, 1, "")
			if off := math.Abs(told.Value - truth); off > 0.02*told.U || bounded(told) {
				t.Errorf("open pins at %g V, %s: %g ± %g A, in truth %g", at, key, told.Value, told.U, truth)
			}
			for name, rs := range map[string][]Result{"none": openAt(t, at, false, 0), "at its compliance": openAt(t, at, true, bench.InCompliance)} {
				r := find(t, rs, key, 1, "")
				if r.From > truth || r.To < truth || !bounded(r) || r.U < told.U {
					t.Errorf("open pins at %g V, %s, witness %s: %g ± %g A, in truth %g", at, key, name, r.Value, r.U, truth)
				}
				if r.Note != told.Note {
					t.Errorf("witness %s: %q", name, r.Note)
				}
			}
		}
	}
}

// A witness is an idle channel on no path, like the one at the pin, and brings no
// time and no current; where none is idle there is none.
func TestWitnessIsIdle(t *testing.T) {
	d, b := inverterDevice(), checkBench()
	m := base("leakage")
	m.Pins, m.Powered, m.Level, m.Compliance = []int{1}, true, 5, 1e-6
	step := planOf(t, d, b, m).Steps[0]
	seg := step.Segments[0]
	w := seg.witnessDrive()
	if w < 0 {
		t.Fatal("no witness")
	}
	dr, of := seg.Drives[w], seg.Drives[seg.Follows(w)]
	if dr.Path != 0 || dr.Zero || dr.Power != nil || of.Pin != 1 || of.Witness || dr.full != of.full || dr.sense != of.sense {
		t.Errorf("%+v beside %+v", dr, of)
	}
	for k, o := range seg.Drives {
		if k != w && o.Channel.ID == dr.Channel.ID {
			t.Errorf("channel %d is at work at pin %d", dr.Channel.ID, o.Pin)
		}
	}
	few := *b
	few.Channels = slices.Clone(b.Channels[:2])
	few.Paths = slices.DeleteFunc(slices.Clone(b.Paths), func(p bench.Path) bool { return p.Channel > 2 })
	alone := planOf(t, d, &few, m).Steps[0]
	if alone.Segments[0].witnessDrive() >= 0 {
		t.Error("a witness that is at work elsewhere")
	}
	if alone.Nominal != step.Nominal || alone.Segments[0].current() != seg.current() || alone.Segments[0].power() != seg.power() {
		t.Errorf("%v with a witness, %v without", step.Nominal, alone.Nominal)
	}
}
