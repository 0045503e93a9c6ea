package scpi

import (
	"errors"
	"math"
	"math/rand/v2"
	"regexp"
	"strconv"
	"testing"
)

// nr3 is the form of IEEE 488.2, 8.7.4: a mantissa with a decimal point, E, a
// sign and digits. From memory.
var nr3 = regexp.MustCompile(`^-?[0-9]\.[0-9]+E[+-][0-9]+$`)

func TestFormatNR3(t *testing.T) {
	for v, want := range map[float64]string{
		0: "0.0E+0", 1: "1.0E+0", -2.5e-3: "-2.5E-3", 273: "2.73E+2", 0.1: "1.0E-1", 1e22: "1.0E+22", 1.25e-300: "1.25E-300",
		math.Inf(1): "9.9E+37", math.Inf(-1): "-9.9E+37", 1e38: "9.9E+37", -math.MaxFloat64: "-9.9E+37",
		math.SmallestNonzeroFloat64: "5.0E-324", math.Pi: "3.141592653589793E+0",
	} {
		if got := FormatNR3(v); got != want || !nr3.MatchString(got) {
			t.Errorf("%v: %s; want %s", v, got, want)
		}
	}
	if got := FormatNR3(math.NaN()); got != "9.91E+37" {
		t.Errorf("not-a-number: %s", got)
	}
	if got := FormatNR3(math.Copysign(0, -1)); got != "-0.0E+0" {
		t.Errorf("minus zero: %s", got)
	}
}

// TestNR3ReadsBack: the same float64, and not a digit more than strconv's
// shortest, but for the point.
func TestNR3ReadsBack(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for range 20000 {
		v := math.Float64frombits(r.Uint64())
		if r.IntN(2) == 0 {
			v = r.NormFloat64() * math.Pow(10, float64(r.IntN(24)-18))
		}
		text := FormatNR3(v)
		got, err := ParseNumber(text)
		if math.IsNaN(v) || math.Abs(v) >= infinity {
			if err != nil || math.IsNaN(v) != math.IsNaN(got) || !math.IsNaN(v) && !math.IsInf(got, int(math.Copysign(1, v))) {
				t.Errorf("%v: %s reads back as %v, %v", v, text, got, err)
			}
			continue
		}
		if err != nil || math.Float64bits(got) != math.Float64bits(v) || !nr3.MatchString(text) {
			t.Errorf("%v: %s reads back as %v, %v", v, text, got, err)
		}
		if shortest := strconv.FormatFloat(v, 'E', -1, 64); len(text) > len(shortest)+2 {
			t.Errorf("%s is longer than %s", text, shortest)
		}
	}
}

func TestParseNumber(t *testing.T) {
	for text, want := range map[string]float64{
		"1": 1, "+1": 1, "-1": -1, ".5": 0.5, "5.": 5, "1e3": 1e3, "1E+03": 1e3, " 7 ": 7, "\t7": 7, "007": 7,
		"9.9E+37": math.Inf(1), "99E36": math.Inf(1), "1E400": math.Inf(1), "-1E400": math.Inf(-1), "1E-400": 0,
		"9.899999E37": 9.899999e37, "9.905E37": math.Inf(1),
	} {
		if got, err := ParseNumber(text); err != nil || got != want {
			t.Errorf("%q: %v, %v; want %v", text, got, err, want)
		}
	}
	for _, text := range []string{"", " ", "+", ".", "e3", "1e", "1 E3", "1E 3", "1.2.3", "1V", "1,2", "NaN", "Inf", "0x10", "1_000", "#H10", "1e99999", "1E+", "--1", "\u0661"} {
		if got, err := ParseNumber(text); !errors.Is(err, ErrAnswer) {
			t.Errorf("%q: %v, %v", text, got, err)
		}
	}
}

func TestParseInteger(t *testing.T) {
	for text, want := range map[string]int{"0": 0, "-113": -113, "+32": 32, " 7 ": 7} {
		if got, err := ParseInteger(text); err != nil || got != want {
			t.Errorf("%q: %d, %v", text, got, err)
		}
	}
	for _, text := range []string{"", "1.", "1.0", "1E0", "x", "1 2", "99999999999999999999"} {
		if got, err := ParseInteger(text); !errors.Is(err, ErrAnswer) {
			t.Errorf("%q: %d, %v", text, got, err)
		}
	}
}

func TestParseBoolean(t *testing.T) {
	if on, err := ParseBoolean(" 1"); err != nil || !on {
		t.Errorf("%t, %v", on, err)
	}
	if on, err := ParseBoolean("0 "); err != nil || on {
		t.Errorf("%t, %v", on, err)
	}
	for _, text := range []string{"", "2", "ON", "1.0"} {
		if _, err := ParseBoolean(text); !errors.Is(err, ErrAnswer) {
			t.Errorf("%q: %v", text, err)
		}
	}
}

// TestMultipliers holds every multiplier of IEEE 488.2, 7.7.3 against a number
// written with its exponent: the same float64, without a rounding of its own.
func TestMultipliers(t *testing.T) {
	for suffix, power := range map[string]string{"EX": "18", "PE": "15", "T": "12", "G": "9", "MA": "6", "K": "3", "": "0", "M": "-3", "U": "-6", "N": "-9", "P": "-12", "F": "-15", "A": "-18"} {
		for _, mantissa := range []string{"1", "1.1", "0.3", "7.7", "-3.3", "123456789.123456789"} {
			for _, unit := range []string{"V", "A", "S"} {
				want, err := strconv.ParseFloat(mantissa+"e"+power, 64)
				if err != nil {
					t.Fatal(err)
				}
				for _, text := range []string{mantissa + suffix + unit, mantissa + " " + suffix + unit} {
					if got, rest, err := scanNumber(text, unit); err != nil || got != want || rest != "" {
						t.Errorf("%s: %v, %q, %v; want %v", text, got, rest, err, want)
					}
				}
			}
		}
	}
	for text, want := range map[string]float64{"1E3 V": 1e3, "1 E3 MV": 1, "1E-3KV": 1, "1 EXV": 1e18, "1E1EXV": 1e19, "1ev": 0} {
		got, _, err := scanNumber(text, "V")
		if text == "1ev" {
			if !errors.Is(err, InvalidSuffix) {
				t.Errorf("%s: %v, %v", text, got, err)
			}
			continue
		}
		if err != nil || got != want {
			t.Errorf("%s: %v, %v; want %v", text, got, err, want)
		}
	}
	for text, unit := range map[string]string{"1MOHM": "OHM", "1MHZ": "HZ", "1maohm": "OHM"} {
		if got, _, err := scanNumber(text, unit); err != nil || got != 1e6 {
			t.Errorf("%s: %v, %v", text, got, err)
		}
	}
}
