package quantity

import (
	"math"
	"strconv"
	"testing"

	"pgregory.net/rapid"
)

// plainShort tries one digit, then two, and so on: what Short must say.
func plainShort(v float64, unit Unit) string {
	for digits := 1; digits < 6; digits++ {
		s := Format(v, unit, digits)
		if back, err := Parse(s, unit); err == nil && near(back, v) {
			return s
		}
	}
	return Format(v, unit, 6)
}

// A set value is printed as if every number of digits had been tried.
func TestShortIsTheFirstThatSaysIt(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		unit := rapid.SampledFrom([]Unit{Volt, Ampere, Ohm, One}).Draw(t, "unit")
		v := rapid.Float64Range(-1e9, 1e9).Draw(t, "value")
		if digits := rapid.IntRange(0, 7).Draw(t, "digits"); digits > 0 { // as somebody would set it
			v, _ = strconv.ParseFloat(strconv.FormatFloat(v, 'e', digits-1, 64), 64)
			v *= math.Pow10(rapid.IntRange(-12, 3).Draw(t, "decades"))
		}
		if got, want := Short(v, unit), plainShort(v, unit); got != want {
			t.Fatalf("%g %s is printed as %s, want %s", v, unit, got, want)
		}
	})
	for _, v := range []float64{0, math.Copysign(0, -1), 1, -1, 10, 99.99995, 999999.5, 0.1 + 0.2, math.NaN(), math.Inf(1), math.Inf(-1), 5e-324, math.MaxFloat64} {
		if got, want := Short(v, Volt), plainShort(v, Volt); got != want {
			t.Errorf("%g V is printed as %s, want %s", v, got, want)
		}
	}
}
