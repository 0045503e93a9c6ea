package procedure

import (
	"math"

	"ohmkeep/server/bench"
	"ohmkeep/server/derive"
	"ohmkeep/server/dut"
)

// Drives is the range of a voltage sweep.
func (ivSweep) Drives(m *Measurement, _ *dut.Device, _ int) Driven {
	if m.Use != UseVoltage || m.Sweep == nil {
		return Driven{}
	}
	low, high := m.Sweep.Range()
	return Driven{Known: true, Low: low, High: high}
}

// mayBend: a sweep of currents senses voltages.
func (ivSweep) mayBend(m *Measurement) bool { return m.Use == UseCurrent }

// Imagine is a resistor, or for what a diode fit gives a diode: n 1.1, 10 fA and
// 10 Ω where its limits do not say otherwise (typical, from memory).
func (ivSweep) Imagine(m *Measurement, _ *dut.Device, key string, x float64) Imagined {
	switch key {
	case "minimum", "maximum", "intercept":
		return Imagined{Part: sensed(x)}
	case "resistance", "resistance-origin", "resistance-start", "resistance-middle", "resistance-end":
		return Imagined{Part: ohmic(x, 0)}
	case "conductance":
		if x == 0 {
			return NoPrediction("a conductance of zero has no resistance to imagine")
		}
		return Imagined{Part: ohmic(1/x, 0)}
	case "ideality", "saturation-current", "series-resistance":
		return imagineDiode(m, key, x)
	case "compliance-hits":
		return NoPrediction(whyCounted)
	}
	return NoPrediction(whyUnknownKey)
}

// imagineDiode is a diode with the value of its own key, and of the others the
// middle of their limits.
func imagineDiode(m *Measurement, key string, x float64) Imagined {
	pick := func(k string, otherwise float64) float64 {
		if k == key {
			return x
		}
		if l, ok := m.Limits[k]; ok && l.middle() != 0 {
			return l.middle()
		}
		return otherwise
	}
	n, is, rs := pick("ideality", 1.1), pick("saturation-current", 1e-14), pick("series-resistance", 10)
	if !(n > 0 && is > 0 && rs >= 0) {
		return NoPrediction("a diode of these limits cannot be")
	}
	d := derive.Diode{N: n, Is: is, Rs: rs, Kelvin: diodeKelvin}
	return Imagined{Part: func(_ *Point, _ int, set bench.Setup) (v, i float64) {
		size := math.Abs(set.Level)
		if set.Mode == bench.ForceCurrent {
			return math.Copysign(d.V(size), set.Level), set.Level
		}
		return set.Level, math.Copysign(currentAt(d, size), set.Level)
	}}
}

// currentAt finds the current at which the diode has the voltage v, by halving:
// its voltage rises with the current all along.
func currentAt(d derive.Diode, v float64) float64 {
	low, high := 0.0, 10.0 // A
	for range 80 {
		if middle := (low + high) / 2; d.V(middle) < v {
			low = middle
		} else {
			high = middle
		}
	}
	return low
}
