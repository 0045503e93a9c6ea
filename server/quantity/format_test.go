package quantity

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

func TestFormat(t *testing.T) {
	for _, c := range []struct {
		v      float64
		unit   Unit
		digits int
		want   string
	}{
		{4700, Ohm, 4, "4.700 kΩ"}, {-100e-6, Ampere, 3, "−100 µA"}, {3.3, Volt, 5, "3.3000 V"}, {0, Volt, 4, "0.000 V"},
		{math.Copysign(0, -1), Volt, 1, "0 V"}, {999.96, Ohm, 4, "1.000 kΩ"}, {999.94, Ohm, 4, "999.9 Ω"}, {470, Ohm, 2, "470 Ω"}, {474, Ohm, 1, "500 Ω"}, {0.0996, Volt, 1, "100 mV"},
		{1e-15, Ampere, 2, "1.0 fA"}, {1.5e-17, Ampere, 2, "0.015 fA"}, {2.5e13, Ohm, 3, "25.0 TΩ"}, {1e30, Ohm, 3, "1.00e+30 Ω"},
		{1e-30, Ampere, 3, "1.00e−30 A"}, {1.05, One, 4, "1.050"}, {12345, One, 5, "12345"}, {25, Celsius, 3, "25.0 °C"}, {0.25, Percent, 2, "0.25 %"},
		{1000, Percent, 2, "1000 %"}, {-1e-9, One, 2, "−1.0e−09"}, {1, Volt, 0, "1 V"}, {1, Volt, 99, "1.0000000000000000 V"},
		{math.NaN(), Volt, 4, "—"}, {math.Inf(1), Ohm, 4, "∞ Ω"}, {math.Inf(-1), One, 4, "−∞"}, {5, "Wb", 2, "5.0 Wb"},
	} {
		if got := Format(c.v, c.unit, c.digits); got != c.want {
			t.Errorf("Format(%g, %q, %d) = %q, want %q", c.v, c.unit, c.digits, got, c.want)
		}
	}
}

func TestPairAndFormatU(t *testing.T) {
	for _, c := range []struct {
		v, u    float64
		unit    Unit
		pair, f string
	}{
		{4702.1234, 1.2, Ohm, "4.7021 kΩ ± 0.0012 kΩ", "4.7021 kΩ"},
		{-4702.1234, 1.2, Ohm, "−4.7021 kΩ ± 0.0012 kΩ", "−4.7021 kΩ"},
		{470.3, 120, Ohm, "0.47 kΩ ± 0.12 kΩ", "0.47 kΩ"},
		{470.3, 12, Ohm, "470 Ω ± 12 Ω", "470 Ω"},
		{0, 12e-6, Volt, "0 µV ± 12 µV", "0 µV"},
		{-1e-9, 12e-6, Volt, "0 µV ± 12 µV", "0 µV"},
		{1.23456, 0.0996, Volt, "1.23 V ± 0.10 V", "1.23 V"},
		{999.9996, 0.0021, Ohm, "999.9996 Ω ± 0.0021 Ω", "999.9996 Ω"},
		{3.3, math.NaN(), Volt, "3.30000 V ± —", "3.30000 V"},
		{3.3, 0, Volt, "3.30000 V ± —", "3.30000 V"},
		{3.3, math.Inf(1), Volt, "3.30000 V ± —", "3.30000 V"},
		{math.NaN(), 1, Volt, "—", "—"},
		{1.0527, 0.013, One, "1.053 ± 0.013", "1.053"},
		{3, 40, Ohm, "3 Ω ± 40 Ω", "3 Ω"},
	} {
		if got := Pair(c.v, c.u, c.unit); got != c.pair {
			t.Errorf("Pair(%g, %g) = %q, want %q", c.v, c.u, got, c.pair)
		}
		if got := FormatU(c.v, c.u, c.unit); got != c.f {
			t.Errorf("FormatU(%g, %g) = %q, want %q", c.v, c.u, got, c.f)
		}
	}
}

func TestPlain(t *testing.T) {
	for v, want := range map[float64]string{
		4700: "4700", 0.1: "0.1", -1e-9: "-1e-09", 1e21: "1e+21", 1e20: "100000000000000000000", 0: "0", math.Inf(1): "",
	} {
		if got := Plain(v); got != want {
			t.Errorf("Plain(%g) = %q, want %q", v, got, want)
		}
	}
	if got := Plain(math.NaN()); got != "" {
		t.Errorf("Plain(NaN) = %q", got)
	}
}

// What is printed with d digits reads back within half a unit of the last one.
func TestFormatReadsBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64Range(-1, 1).Draw(t, "mantissa") * math.Pow10(rapid.IntRange(-25, 20).Draw(t, "exponent"))
		digits := rapid.IntRange(1, 17).Draw(t, "digits")
		unit := rapid.SampledFrom([]Unit{Volt, Ampere, Ohm, Second, Watt, Hertz, Siemens, Farad, Celsius, Percent, One}).Draw(t, "unit")
		printed := Format(v, unit, digits)
		back, err := Parse(printed, unit)
		if err != nil {
			t.Fatalf("Format(%g, %s, %d) = %q: %v", v, unit, digits, printed, err)
		}
		if math.Abs(back-v) > (0.5000001*math.Pow10(1-digits)+1e-15)*math.Abs(v) {
			t.Fatalf("Format(%g, %s, %d) = %q reads back as %g", v, unit, digits, printed, back)
		}
	})
}

// Both halves of a pair read back within half a unit of the second digit of u.
func TestPairReadsBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64Range(-1, 1).Draw(t, "v") * math.Pow10(rapid.IntRange(-12, 9).Draw(t, "exponent"))
		u := math.Abs(v)*math.Pow10(rapid.IntRange(-9, 3).Draw(t, "ratio")) + 1e-15
		printed := FormatU(v, u, Ohm)
		back, err := Parse(printed, Ohm)
		if err != nil || math.Abs(back-v) > 0.0501*u {
			t.Fatalf("FormatU(%g, %g) = %q reads back as %g, %v", v, u, printed, back, err)
		}
	})
}

func BenchmarkParse(b *testing.B) {
	for b.Loop() {
		if _, err := Parse("4.7 kΩ", Ohm); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkFormatU(b *testing.B) {
	for b.Loop() {
		FormatU(4702.1234, 1.2, Ohm)
	}
}
