package quantity

import "testing"

func TestShortKeepsWhatWasSet(t *testing.T) {
	for v, want := range map[float64]string{5: "5 V", 3.3: "3.3 V", -100e-6: "−100 µV", 0: "0 V", 1.23456789: "1.23457 V", 0.25: "250 mV"} {
		if got := Short(v, Volt); got != want {
			t.Errorf("Short(%g) = %q, want %q", v, got, want)
		}
	}
}
