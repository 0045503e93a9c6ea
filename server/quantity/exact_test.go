package quantity

import (
	"testing"

	"pgregory.net/rapid"
)

func TestExactIsShort(t *testing.T) {
	for _, c := range []struct {
		v    float64
		unit Unit
		want string
	}{{5, Volt, "5 V"}, {0.001, Ampere, "1 mA"}, {4700, Ohm, "4.7 kΩ"}, {0.1, Volt, "100 mV"}, {0, Volt, "0 V"}} {
		if got := Exact(c.v, c.unit); got != c.want {
			t.Errorf("%v is written %q, want %q", c.v, got, c.want)
		}
	}
	if got := ExactOrEmpty(0, Volt) + ExactOrEmpty(2, Volt); got != "2 V" {
		t.Errorf("%q", got)
	}
}

// What Exact writes is read back as the same number, bit for bit.
func TestExactReadsBack(t *testing.T) {
	units := []Unit{Volt, Ampere, Ohm, Second, Siemens, Farad, One}
	rapid.Check(t, func(t *rapid.T) {
		unit := rapid.SampledFrom(units).Draw(t, "unit")
		v := rapid.Float64Range(-1e9, 1e9).Draw(t, "v")
		text := Exact(v, unit)
		if back, err := Parse(text, unit); err != nil || back != v {
			t.Fatalf("%v is written %q and read as %v, %v", v, text, back, err)
		}
	})
}
