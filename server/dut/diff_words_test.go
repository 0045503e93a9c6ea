package dut

import (
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/quantity"
)

// What changed is said in words with both values, and never with the same words
// twice: where a screen would show one figure for both, all digits are given.
func TestChangedValuesDiffer(t *testing.T) {
	for _, c := range []struct {
		before, after float64
		want          Change
	}{
		{5, 5.5, Change{"f", "w", "5 V", "5.5 V"}},
		{0, 1e-6, Change{"f", "w", "0 V", "1 µV"}},
		{5, 5.00001, Change{"f", "w", "5 V", "5.00001 V"}},
		{-0.3, 0.3, Change{"f", "w", "−300 mV", "300 mV"}},
	} {
		var got changes
		got.value("f", "w", c.before, c.after, quantity.Volt)
		if len(got) != 1 || got[0] != c.want {
			t.Errorf("%g to %g: %+v, want %+v", c.before, c.after, got, c.want)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		before := rapid.Float64Range(-60, 60).Draw(t, "before")
		after := before
		if rapid.Bool().Draw(t, "other") {
			after = math.Nextafter(before, rapid.SampledFrom([]float64{100, -100}).Draw(t, "towards"))
		}
		var got changes
		got.value("f", "w", before, after, quantity.Volt)
		if (len(got) == 0) != (before == after) || len(got) > 0 && got[0].Before == got[0].After {
			t.Fatalf("%g to %g: %+v", before, after, got)
		}
	})
	var none changes
	none.value("f", "w", math.NaN(), math.NaN(), quantity.Volt)
	none.text("f", "w", "a", "a")
	none.count("f", "w", 3, 3)
	none.flag("f", "w", true, true)
	if len(none) != 0 {
		t.Errorf("%+v", none)
	}
}

// Lists are paired by number, each element once; what has no partner is told,
// and an order that changed is seen.
func TestMatchPairsEachOnce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		numbers := rapid.SliceOfN(rapid.IntRange(1, 5), 0, 7)
		a, b := numbers.Draw(t, "a"), numbers.Draw(t, "b")
		pairs, moved := match(a, b)
		usedA, usedB, common := map[int]bool{}, map[int]bool{}, 0
		for _, p := range pairs {
			if p.a < 0 && p.b < 0 || p.a >= 0 && usedA[p.a] || p.b >= 0 && usedB[p.b] {
				t.Fatalf("%v and %v: %v", a, b, pairs)
			}
			usedA[p.a], usedB[p.b] = true, true
			if p.a >= 0 && p.b >= 0 {
				common++
				if a[p.a] != b[p.b] {
					t.Fatalf("%d is paired with %d: %v", a[p.a], b[p.b], pairs)
				}
			}
		}
		want := 0
		for n := 1; n <= 5; n++ {
			count := func(list []int) (k int) {
				for _, m := range list {
					if m == n {
						k++
					}
				}
				return k
			}
			want += min(count(a), count(b))
		}
		if common != want || len(pairs) != len(a)+len(b)-common {
			t.Fatalf("%v and %v: %d pairs of %d, %v", a, b, common, want, pairs)
		}
		if slices.Equal(a, b) && moved {
			t.Fatalf("%v is said to have moved", a)
		}
	})
	if _, moved := match([]int{1, 2}, []int{2, 1}); !moved {
		t.Error("another order is not seen")
	}
}

// Values in messages have no zeros that say nothing, and a long text is cut
// between characters.
func TestValuesInMessages(t *testing.T) {
	for want, v := range map[string]float64{"5 V": 5, "5.5 V": 5.5, "100 mV": 0.1, "−300 mV": -0.3, "1.234 V": 1.2341, "0 V": 0, "100 V": 100} {
		if got := volts(v); got != want {
			t.Errorf("%g V is written %q, want %q", v, got, want)
		}
	}
	if got := amps(5e-6); got != "5 µA" {
		t.Errorf("%q", got)
	}
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.StringOfN(rapid.RuneFrom([]rune("aéµ漢\n")), 0, 60, -1).Draw(t, "text")
		most := rapid.IntRange(0, 50).Draw(t, "most")
		got := clip(s, most)
		rest, cut := strings.CutSuffix(got, "…")
		if cut != (len([]rune(s)) > most) || !strings.HasPrefix(s, rest) || len([]rune(rest)) > most || !cut && got != s {
			t.Fatalf("%q clipped to %d is %q", s, most, got)
		}
	})
}
