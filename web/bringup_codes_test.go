package web

import (
	"math"
	"strconv"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/quantity"

	"pgregory.net/rapid"
)

// The arithmetic of two's complement: n bits hold -2^(n-1) to 2^(n-1)-1, and
// a negative code c is written as 2^n+c.
func TestCodesOfAConverter(t *testing.T) {
	exact, ok := CodesOf(bench.Range{FullScale: 10, Step: 10.0 / 32768}, quantity.Volt)
	if !ok || exact.Bits != 16 || exact.Least != -32768 || exact.Most != 32767 {
		t.Fatalf("%+v", exact)
	}
	for _, c := range []struct {
		v      float64
		code   int64
		beyond bool
		hex    string
	}{
		{0, 0, false, "0x0000"}, {10.0 / 32768, 1, false, "0x0001"}, {-10.0 / 32768, -1, false, "0xFFFF"}, {5, 16384, false, "0x4000"},
		{-5, -16384, false, "0xC000"}, {-10, -32768, false, "0x8000"}, {10, 32767, true, "0x7FFF"}, {-11, -32768, true, "0x8000"},
		{math.Inf(1), 32767, true, "0x7FFF"}, {math.NaN(), -32768, true, "0x8000"},
	} {
		if code, beyond := exact.Code(c.v); code != c.code || beyond != c.beyond || exact.Hex(code) != c.hex {
			t.Errorf("%v: %d %t %s, want %+v", c.v, code, beyond, exact.Hex(code), c)
		}
	}
	// A converter that reaches beyond its range has a code for both ends.
	wide, _ := CodesOf(bench.Range{FullScale: 2, Step: 2 * 1.25 * 2 / (1 << 18)}, quantity.Volt)
	if code, beyond := wide.Code(2); beyond || code != 104858 || wide.Bits != 18 {
		t.Errorf("%d %t of %d bits", code, beyond, wide.Bits)
	}
	for _, r := range []bench.Range{{FullScale: 1}, {FullScale: 1, Step: -1}, {FullScale: 1, Step: 2}, {FullScale: 1, Step: 1e-30}, {FullScale: math.NaN(), Step: 1}} {
		if _, ok := CodesOf(r, quantity.Volt); ok {
			t.Errorf("%+v has codes", r)
		}
	}
}

func TestParseCode(t *testing.T) {
	c, _ := CodesOf(bench.Range{FullScale: 10, Step: 10.0 / 2048}, quantity.Volt) // 12 bits
	for text, want := range map[string]int64{"0": 0, " -1 ": -1, "0xFFF": -1, "#hFFF": -1, "0x800": -2048, "0x7ff": 2047, "2047": 2047, "-2048": -2048, "0x0": 0} {
		if got, err := c.ParseCode(text); err != nil || got != want {
			t.Errorf("%q: %d, %v", text, got, err)
		}
	}
	for _, text := range []string{"", "2048", "-2049", "0x1000", "0x", "-0x1", "1.5", "x", "0xFFFFFFFFFFFFFFFFF"} {
		if got, err := c.ParseCode(text); err == nil {
			t.Errorf("%q is %d", text, got)
		}
	}
}

// There and back: every code's value has that code, and its hexadecimal form
// reads as it.
func TestCodesThereAndBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		step := math.Exp2(float64(rapid.IntRange(-40, 3).Draw(t, "step"))) * rapid.Float64Range(1, 2).Draw(t, "odd")
		c, ok := CodesOf(bench.Range{FullScale: step * float64(rapid.Int64Range(1, 1<<31).Draw(t, "codes")), Step: step}, quantity.Volt)
		if !ok {
			t.Fatal("no converter")
		}
		code := rapid.Int64Range(c.Least, c.Most).Draw(t, "code")
		if got, beyond := c.Code(c.Value(code)); got != code || beyond {
			t.Fatalf("%d became %d", code, got)
		}
		for _, text := range []string{c.Hex(code), strconv.FormatInt(code, 10)} {
			if got, err := c.ParseCode(text); err != nil || got != code {
				t.Fatalf("%s is %d, %v; want %d of %d bits", text, got, err, code, c.Bits)
			}
		}
	})
}
