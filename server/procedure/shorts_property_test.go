package procedure

import (
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
)

// joined is a part whose pins a and b are joined by ohms; 0 stands for the
// return itself.
func joined(a, b int, ohms float64) truth {
	return func(hold []Hold, pin int) (v, i float64, flags bench.Flags) {
		h := holdAt(hold, pin)
		other := a + b - pin
		if pin != a && pin != b || other != 0 && holdAt(hold, other).Use != UseReturn {
			return h.Level, 0, 0
		}
		return resistor(ohms)(hold, pin)
	}
}

// Each way of looking for shorts looks at every pair that it must: once for
// every pair, along the list for neighbours, and a pin against all the others
// otherwise. Grounds are at the return throughout.
func TestShortsLookAtEveryPair(t *testing.T) {
	d := inverterDevice()
	grounds := d.PinsOf(dut.Ground)
	rapid.Check(t, func(t *rapid.T) {
		m := base("shorts")
		m.Pins = rapid.Permutation([]int{1, 2, 4, 5, 6}).Draw(t, "pins")[:rapid.IntRange(2, 5).Draw(t, "how many")]
		m.Method = rapid.SampledFrom([]Method{AllOthers, Neighbours, EveryPair}).Draw(t, "method")
		m.Level, m.Compliance = 0.2, 1e-3
		if ps := m.Validate(d); len(ps) > 0 {
			t.Fatal(ps)
		}
		n := len(m.Pins)
		var seen [][2]int
		for p := range shortsKind.Points(&m, d) {
			forced := p.Read[0]
			if h := holdAt(p.Hold, forced); h.Use != UseVoltage || h.Level != 0.2 || h.Compliance != 1e-3 {
				t.Fatalf("pin %d is forced by %+v", forced, h)
			}
			for _, h := range p.Hold {
				if h.Use == UseReturn && !slices.Contains(grounds, h.Pin) {
					seen = append(seen, [2]int{forced, h.Pin})
				}
			}
			for _, g := range grounds {
				if holdAt(p.Hold, g).Use != UseReturn {
					t.Fatalf("ground %d is at %+v", g, holdAt(p.Hold, g))
				}
			}
		}
		want := map[Method]int{AllOthers: n * (n - 1), Neighbours: n - 1, EveryPair: n * (n - 1) / 2}[m.Method]
		if len(seen) != want || len(slices.CompactFunc(sortedPairs(seen), func(a, b [2]int) bool { return a == b })) != want {
			t.Fatalf("%s of %v looks at %v", m.Method, m.Pins, seen)
		}
	})
}

func sortedPairs(pairs [][2]int) [][2]int {
	out := slices.Clone(pairs)
	slices.SortFunc(out, func(a, b [2]int) int { return (a[0]-b[0])*100 + a[1] - b[1] })
	return out
}

// A short between any two pins is found by every way that looks at the pair,
// with its resistance, and named; a sound part has none.
func TestShortsAreNamed(t *testing.T) {
	d := inverterDevice()
	rapid.Check(t, func(t *rapid.T) {
		m := base("shorts")
		m.Pins, m.Level, m.Compliance = []int{1, 2, 4, 5, 6}, 0.2, 1e-3
		m.Method = rapid.SampledFrom([]Method{AllOthers, EveryPair}).Draw(t, "method")
		pair := rapid.Permutation([]int{0, 1, 2, 4, 5, 6}).Draw(t, "pins")[:2]
		ohms := rapid.Float64Range(300, 8e3).Draw(t, "ohms")
		if m.Method == EveryPair && (pair[0] == 0 || pair[1] == 0) {
			return // a short to ground shows at every pair of the pin
		}
		found := 0
		for _, r := range feedQuietly(t, m, d, joined(pair[0], pair[1], ohms)) {
			switch {
			case r.Key == "resistance":
				found++
				if math.Abs(r.Value-ohms) > 1e-6*ohms {
					t.Fatalf("%g Ω between %v is read as %g", ohms, pair, r.Value)
				}
			case r.Note != "" && !slices.Contains(pair, r.Pin):
				t.Fatalf("pin %d is sound and said to be: %s", r.Pin, r.Note)
			case r.Note != "" && m.Method == AllOthers && !slices.Contains(pair, 0):
				p, _ := d.Pin(pair[0] + pair[1] - r.Pin)
				if !strings.HasSuffix(r.Note, "probably to "+p.Label()) {
					t.Fatalf("a short of %v: %s", pair, r.Note)
				}
			case r.Note != "" && m.Method == AllOthers && !strings.HasSuffix(r.Note, "probably to a ground"):
				t.Fatalf("a short to ground: %s", r.Note)
			}
		}
		want := 1
		if m.Method == AllOthers && !slices.Contains(pair, 0) {
			want = 2 // from either end
		}
		if found != want {
			t.Fatalf("%d shorts of %v found by %s, want %d", found, pair, m.Method, want)
		}
	})
}

// feedQuietly runs the whole expansion through a deriver inside a property.
func feedQuietly(t *rapid.T, m Measurement, d *dut.Device, part truth) []Result {
	k, ok := KindByKey(m.Kind)
	if ps := m.Validate(d); !ok || len(ps) > 0 {
		t.Fatalf("%s: %v", m.Kind, ps)
	}
	der, n := k.Derive(&m, d, Rule{}), uint32(0)
	for p := range k.Points(&m, d) {
		for range p.Count {
			for _, pin := range p.Read {
				v, i, flags := part(p.Hold, pin)
				der.Add(Observation{Sense: accuracy{uv: 1e-9, ui: 1e-12}.sense(), Reading: bench.Reading{T: int64(n) * 20e6, Set: holdAt(p.Hold, pin).Level,
					V: v, I: i, Point: n, Group: p.Group, Flags: flags, Pin: uint8(pin)}})
			}
		}
		n++
	}
	return der.Results()
}
