package procedure

import (
	"math"
	"slices"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
)

// heldRun feeds a measurement with readings of a part whose supply, pin 6, stands
// at what supply says of each point, and of the part's own pins what own says.
func heldRun(t *testing.T, d *dut.Device, m Measurement, supply func(pt *Point, set float64) float64, own truth) []Result {
	t.Helper()
	return heldRunOn(t, d, checkBench(), m, supply, own)
}

// heldRunOn does so on a bench.
func heldRunOn(t *testing.T, d *dut.Device, b *bench.Definition, m Measurement, supply func(pt *Point, set float64) float64, own truth) []Result {
	t.Helper()
	step := planOf(t, d, b, m).Steps[0]
	der := Derive(step.Kind, step.Measurement, d, Rule{})
	seg, inSeg, n := 0, 0, uint32(0)
	for pt := range step.Kind.Points(step.Measurement, d) {
		s := step.Segments[seg]
		emit := func(read bool) {
			for k, dr := range s.Drives {
				if (slices.Contains(pt.Read, dr.Pin) && !dr.Witness) != read {
					continue
				}
				h := holdAt(pt.Hold, dr.Pin)
				o := Observation{Reading: bench.Reading{Point: n, Group: pt.Group, Pin: uint8(dr.Pin), Set: h.Level, V: h.Level, Channel: dr.Channel.ID}}
				if read {
					o.V, o.I, o.Flags = own(pt.Hold, dr.Pin)
				}
				if dr.Pin == 6 {
					o.V = supply(&pt, h.Level)
				}
				if !read || pt.Auxiliary {
					o.Flags |= bench.Auxiliary
				}
				o.Sense = s.Sense(k, dr.Setup(h.Level, h.Compliance, bench.Setup{}), 1)
				der.Add(o)
			}
		}
		emit(true)
		if pt.ReadBack {
			emit(false)
		}
		n++
		if inSeg++; inSeg == s.Points {
			seg, inSeg = seg+1, 0
		}
	}
	return der.Results()
}

// heldAtSix is what a result tells of pin 6; ok is false where it tells nothing.
func heldAtSix(r Result) (h Held, ok bool) {
	for _, h := range r.HeldLevels() {
		if h.Pin == 6 {
			return h, true
		}
	}
	return h, false
}

// A result tells the level that was held while its own readings were taken: a
// supply that a load pulls down by 20 mV stands higher in the result at no load,
// and what rests on both points is told from where to where it went.
func TestEachResultTellsItsOwnLevels(t *testing.T) {
	d := inverterDevice()
	out := base("output-level")
	out.Pins, out.Powered, out.Level, out.Compliance, out.Settle.Time = []int{2}, true, -10e-6, 6, 0.2
	leak := leaking(1)
	leak.Settle.Time = 0.2
	for _, c := range []struct {
		name string
		m    Measurement
		want map[string][2]float64 // lowest and highest level by result
	}{
		{"output level", out, map[string][2]float64{"unloaded": {5.001, 5.001}, "loaded": {4.981, 4.981}, "output-resistance": {4.981, 5.001}}},
		{"leakage", leak, map[string][2]float64{"high": {5.001, 5.001}, "low": {4.981, 4.981}}},
	} {
		rs := heldRun(t, d, c.m, func(pt *Point, set float64) float64 {
			v := set + 1e-3
			if pt.Group == 1 {
				v -= 20e-3
			}
			return v
		}, func(hold []Hold, pin int) (v, i float64, flags bench.Flags) {
			h := holdAt(hold, pin)
			if h.Use == UseVoltage {
				return h.Level, 1e-9, 0
			}
			return 4.9 + 50*h.Level, h.Level, 0
		})
		if len(rs) != len(c.want) {
			t.Errorf("%s: %d results: %+v", c.name, len(rs), rs)
		}
		for _, r := range rs {
			h, ok := heldAtSix(r)
			want := c.want[r.Key]
			middle, half := (want[0]+want[1])/2, (want[1]-want[0])/2
			if !ok || h.Set != 5 || math.Abs(h.Value-middle) > 1e-4 || !(h.U > half && h.U < half+5e-3) {
				t.Errorf("%s, %s: told %+v, held at %g to %g V", c.name, r.Key, h, want[0], want[1])
			}
		}
	}
}

// Each curve of a family tells its own level of the stepped supply, and one that
// sagged along the curve from where to where it went.
func TestEachCurveTellsItsOwnLevels(t *testing.T) {
	d := inverterDevice()
	m := steppedSupply(3, 5)
	m.Settle.Time = 0.2
	rs := heldRun(t, d, m, func(pt *Point, set float64) float64 {
		return set - 10e-3*holdAt(pt.Hold, 1).Level // the sweep goes from 0 to 1 V
	}, resistor(1e6))
	seen := map[float64]int{}
	for _, r := range rs {
		h, ok := heldAtSix(r)
		if !ok || h.Set != 3 && h.Set != 5 || r.Group != map[float64]string{3: "6 VCC 3 V", 5: "6 VCC 5 V"}[h.Set] {
			t.Fatalf("%s of %q is told at %+v", r.Key, r.Group, h)
		}
		if math.Abs(h.Value-(h.Set-5e-3)) > 1e-3 || !(h.U > 5e-3 && h.U < 20e-3) {
			t.Fatalf("%s of %q is told at %+v", r.Key, r.Group, h)
		}
		seen[h.Set]++
	}
	if seen[3] == 0 || seen[5] == 0 {
		t.Errorf("%v of %d results", seen, len(rs))
	}
}

// Each threshold tells the supply of its own direction, the hysteresis both.
func TestEachThresholdTellsItsOwnLevels(t *testing.T) {
	d := inverterDevice()
	m := hysteresisOf(51)
	m.Settle.Time = 0.2
	rs := heldRun(t, d, m, func(pt *Point, set float64) float64 {
		return set - 20e-3*float64(pt.Group)
	}, switching(1, 2, 5, 3, 2, 0))
	for key, want := range map[string][2]float64{"rising": {5, 0}, "falling": {4.98, 0}, "hysteresis": {4.99, 10e-3}} {
		r := find(t, rs, key, 1, "")
		h, ok := heldAtSix(r)
		if !ok || math.Abs(h.Value-want[0]) > 1e-4 || !(h.U > want[1] && h.U < want[1]+5e-3) {
			t.Errorf("%s is told at %+v, want %g ± %g and its own U", key, h, want[0], want[1])
		}
	}
}

// A supply that is itself swept for a threshold is no level that is held beside it.
func TestThresholdOfASupply(t *testing.T) {
	d := inverterDevice()
	m := hysteresisOf(26)
	m.Pins, m.Settle.Time = []int{6}, 0.2
	if ps := m.Validate(d); len(ps) > 0 {
		t.Fatal(ps)
	}
	for name, part := range map[string]truth{"switches": switching(6, 2, 5, 3, 2, 0), "does not": switching(6, 2, 5, 9, 9, 0)} {
		rs := heldRun(t, d, m, func(_ *Point, set float64) float64 { return set }, part)
		rising := find(t, rs, "rising", 6, "")
		want := map[string]float64{"switches": 3.1, "does not": 5}[name]
		if math.Abs(rising.Value-want) > 1e-2 || len(rising.HeldLevels()) > 0 {
			t.Errorf("%s: %+v", name, rising)
		}
	}
}
