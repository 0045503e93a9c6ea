package quantity

import (
	"errors"
	"math"
	"strings"
	"testing"
)

func TestParseAccepts(t *testing.T) {
	for _, c := range []struct {
		text string
		unit Unit
		want float64
	}{
		{"4.7k", Ohm, 4700}, {"4.7 kΩ", Ohm, 4700}, {"4.7kohm", Ohm, 4700}, {"4.7 k\u2126", Ohm, 4700},
		{"4.7K", Ohm, 4700}, {"47", Ohm, 47}, {"47R", Ohm, 47}, {"1 MΩ", Ohm, 1e6}, {"1 mΩ", Ohm, 1e-3},
		{"1M", Ohm, 1e6}, {"1m", Ohm, 1e-3}, {"1 m", Second, 1e-3}, {"2 G ohms", Ohm, 2e9}, {"1T", Ohm, 1e12},
		{"-100u", Ampere, -100e-6}, {"-100µA", Ampere, -100e-6}, {"-100μA", Ampere, -100e-6},
		{"\u2212100 µA", Ampere, -100e-6}, {"- 5 nA", Ampere, -5e-9}, {"+5pA", Ampere, 5e-12}, {"3 fA", Ampere, 3e-15},
		{"10 mA", Ampere, 10e-3}, {"10 ma", Ampere, 10e-3}, {"2 amps", Ampere, 2},
		{"3.3 V", Volt, 3.3}, {"3.3V", Volt, 3.3}, {"3V3", Volt, 3.3}, {"3.3v", Volt, 3.3}, {".5", Volt, 0.5}, {"5.", Volt, 5},
		{"1e-6", Ampere, 1e-6}, {"1E-6 A", Ampere, 1e-6}, {"1e+3", Volt, 1000}, {"1.5e3Hz", Hertz, 1500},
		{"50Hz", Hertz, 50}, {"20 ms", Second, 0.02}, {"2 s", Second, 2}, {"2 S", Siemens, 2}, {"3 mS", Siemens, 3e-3},
		{"10 F", Farad, 10}, {"10 f", Farad, 10e-15}, {"100nF", Farad, 100e-9}, {"25 °C", Celsius, 25}, {"25C", Celsius, 25},
		{"-40", Celsius, -40}, {"0.5 %", Percent, 0.5}, {"10k", One, 1e4}, {"1.5", One, 1.5},
		{"4,7k", Ohm, 4700}, {"0,001", Volt, 1e-3}, {"3,3 V", Volt, 3.3}, {"1234,567", Volt, 1234.567}, {"1,2345", Volt, 1.2345},
		{"4k7Ω", Ohm, 4700}, {"4k7 ohm", Ohm, 4700}, {"2u2", Ampere, 2.2e-6}, {"4n7", Farad, 4.7e-9}, {"4µ7", Farad, 4.7e-6},
		{" \t5\u00a0V ", Volt, 5}, {"5\u202fmV", Volt, 5e-3}, {"0", Volt, 0}, {"-0", Volt, 0}, {"0e999", Volt, 0},
		{"1.7976931348623157e308", Volt, math.MaxFloat64},
	} {
		got, err := Parse(c.text, c.unit)
		if err != nil || got != c.want || math.Signbit(got) != (got < 0) {
			t.Errorf("Parse(%q, %s) = %g, %v, want %g", c.text, c.unit, got, err, c.want)
		}
	}
}

// The examples of resistor-colour-code.json,
// "rkm_examples": IEC 60062:2016, Marking codes for resistors and capacitors
// (status there: from memory).
func TestParseMarkingCodes(t *testing.T) {
	for text, want := range map[string]float64{
		"4R7": 4.7, "R47": 0.47, "4K7": 4700, "47K": 47000, "4M7": 4700000, "0R1": 0.1,
	} {
		if got, err := Parse(text, Ohm); err != nil || got != want {
			t.Errorf("Parse(%q) = %g, %v, want %g", text, got, err, want)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	for _, c := range []struct {
		text   string
		unit   Unit
		reason string // part of the message
	}{
		{"", Volt, "nothing given"}, {"   ", Volt, "nothing given"}, {"-", Volt, "not a number"}, {"V", Volt, "not a number"},
		{"k", Ohm, "not a number"}, {".", Volt, "not a number"}, {"abc", Volt, "not a number"}, {"--5", Volt, "not a number"},
		{"NaN", Volt, "not a finite"}, {"nan", Volt, "not a finite"}, {"Inf", Volt, "not a finite"}, {"-infinity", Volt, "not a finite"},
		{"1e400", Volt, "too large"}, {"-1e400", Volt, "too large"}, {"1e309", Volt, "too large"},
		{"1e-400", Volt, "too small"}, {"1e99999999999999999999", Volt, "too large"},
		{strings.Repeat("1", 65), Volt, "longer than 64"}, {"\xff5", Volt, "not readable"},
		{"3.3 A", Volt, "a current in A"}, {"3.3 mA", Volt, "a current in A"}, {"10 S", Second, "a conductance in S"},
		{"10 s", Siemens, "a time in s"}, {"5 V", One, "a voltage in V"}, {"5 Ω", Volt, "a resistance in Ω"},
		{"10 milli", One, "no known"}, {"5 q", Volt, `"q" is no known`}, {"5 xV", Volt, "no known"}, {"5 kk", Ohm, "no known"}, {"0x10", Volt, "no known"}, {"5 Vk", Volt, "no known"},
		{"1,000", Volt, "decimal or a thousands"}, {"12,500 kΩ", Ohm, "decimal or a thousands"}, {"1,000,000", Volt, "decimal or a thousands"},
		{"1,5.2", Volt, "thousands"}, {"1.000,5", Volt, "more than one"}, {"1 000", Volt, "more than one"}, {"1.2.3", Volt, "more than one"},
		{"4k7.5", Ohm, "more than one"}, {"4k7k", Ohm, "no known"}, {"4.7k5", Ohm, "no known"}, {"1_000", Volt, "no known"},
		{"1e3k", Ohm, "exponent or a prefix"}, {"1e3 mV", Volt, "exponent or a prefix"}, {"1e", Volt, "no known"}, {"1e-", Volt, "no known"},
		{"5 m%", Percent, "no prefix"}, {"5k", Celsius, "no prefix"}, {"5k5", Celsius, "no known"}, {"∞", Volt, "not a finite"},
		{"=1+1", Volt, "not a number"}, {"4K7J", Ohm, "no known"}, {"٣", Volt, "not a number"},
	} {
		v, err := Parse(c.text, c.unit)
		var e *Error
		if !errors.As(err, &e) {
			t.Errorf("Parse(%q, %s) = %g, %v, want an *Error", c.text, c.unit, v, err)
			continue
		}
		if v != 0 || !strings.Contains(e.Error(), c.reason) {
			t.Errorf("Parse(%q, %s) = %g, %q, want a message with %q", c.text, c.unit, v, e.Error(), c.reason)
		}
		if !strings.Contains(e.Error(), lookup(c.unit).example) || len(e.Text) > maxText {
			t.Errorf("Parse(%q): message %q without example, or long text", c.text, e.Error())
		}
	}
}

func TestExamplesAreAccepted(t *testing.T) {
	for _, k := range kinds {
		if _, err := Parse(k.example, k.unit); err != nil {
			t.Errorf("example of %s: %v", k.noun, err)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"4.7k", "-100u", "3V3", "4k7 Ω", "1e400", "NaN", "1,000", "−5 µA", "\xff", "R47", "1e-6 A"} {
		f.Add(s, uint8(2))
	}
	f.Fuzz(func(t *testing.T, text string, u uint8) {
		unit := kinds[int(u)%len(kinds)].unit
		v, err := Parse(text, unit)
		if err != nil {
			var e *Error
			if !errors.As(err, &e) || len(e.Text) > maxText || v != 0 {
				t.Fatalf("Parse(%q) = %g, %#v", text, v, err)
			}
			return
		}
		if math.IsNaN(v) || math.IsInf(v, 0) {
			t.Fatalf("Parse(%q) = %g", text, v)
		}
		back, err := Parse(Plain(v), unit)
		if err != nil || back != v {
			t.Fatalf("Plain(%g) reads back as %g, %v", v, back, err)
		}
		printed := Format(v, unit, 17)
		back, err = Parse(printed, unit)
		if err != nil || math.Abs(back-v) > 1e-15*math.Abs(v) {
			t.Fatalf("Format(%g) = %q reads back as %g, %v", v, printed, back, err)
		}
	})
}
