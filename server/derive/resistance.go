package derive

import "math"

// Resistance in Ω from voltages in V and currents in A. Each function gives NaN
// where its divisor is zero. Sources: Thomson (1861), Phil. Mag. (4) 24, 149-162
// (four terminals); NIST Technical Note 1458 (current reversal).

// Ratio is V/I.
func Ratio(v, i float64) float64 { return divide(v, i) }

func divide(a, b float64) float64 {
	if b == 0 {
		return math.NaN()
	}
	return a / b
}

// TwoWire is V/I less the series resistance of the path (both switches and
// leads), known from a shorted socket.
func TwoWire(v, i, path float64) float64 { return divide(v, i) - path }

// FourWire is the sensed voltage over the forced current, corrected for the
// voltage that sense leads of resistance leads (both together) lose into a sense
// input of resistance input; +Inf for an input that draws nothing.
func FourWire(vSense, iForce, leads, input float64) float64 {
	return divide(vSense, iForce) * (1 + leads/input)
}

// OffsetCompensated is (V1-V0)/(I1-I0): a constant offset such as a thermal
// voltage cancels. offset is what was left at zero current, in V.
func OffsetCompensated(v1, i1, v0, i0 float64) (r, offset float64) {
	r = divide(v1-v0, i1-i0)
	return r, v0 - r*i0
}

// Reversal is the resistance from readings at both polarities of the current,
// (V+ - V-)/(I+ - I-), iMinus being negative, and the offset in V that cancels.
func Reversal(vPlus, iPlus, vMinus, iMinus float64) (r, offset float64) {
	r = divide(vPlus-vMinus, iPlus-iMinus)
	return r, (vPlus + vMinus - r*(iPlus+iMinus)) / 2
}

// Delta is the three-point reversal (V1-2V2+V3)/(4I) with +i, -i, +i at equal
// spacing in time: a constant offset and its linear drift cancel.
func Delta(v1, v2, v3, i float64) float64 { return divide(v1-2*v2+v3, 4*i) }

// Reversals is the resistance from a whole train of readings at alternating
// currents, equally spaced: the mean of its three-point deltas, with the
// standard deviation of that mean (the deltas overlap, so it is an estimate) and
// NaN for it below two deltas.
func Reversals(v, i []float64) (r, sd float64, err error) {
	if err := checkPoints(v, i, 3); err != nil {
		return math.NaN(), math.NaN(), err
	}
	var a Accumulator
	for k := 2; k < len(v); k++ {
		d := i[k-2] - 2*i[k-1] + i[k]
		if d == 0 {
			return math.NaN(), math.NaN(), ErrNoSpread
		}
		a.Add(float64(k), (v[k-2]-2*v[k-1]+v[k])/d)
	}
	return a.Mean(), a.SDMean(), nil
}

// FitResistance fits V against I: Slope is R in Ω with SlopeSD, Intercept the
// offset in V. With throughOrigin the offset is held at zero.
func FitResistance(i, v []float64, throughOrigin bool) (Line, error) {
	if throughOrigin {
		return FitOrigin(i, v)
	}
	return FitLine(i, v)
}

// WithoutShunt takes a parallel leakage resistance out of a measured one:
// R = Rm·Rl/(Rl-Rm). NaN where the leakage explains all of it.
func WithoutShunt(measured, leak float64) float64 {
	if measured >= leak {
		return math.NaN()
	}
	return measured * leak / (leak - measured)
}

// Dissipation is I²R in W.
func Dissipation(i, r float64) float64 { return i * i * r }

// OutputResistance is the fall of an output's voltage per current drawn from it,
// from two loads: (Va-Vb)/(Ia-Ib) with the bench's sign, positive current into
// the pin, so that a sound output gives a positive value.
func OutputResistance(va, ia, vb, ib float64) float64 { return divide(va-vb, ia-ib) }

// Leakage is the current into the pin (A, positive into it, as the bench reads)
// less what the same path draws at the same voltage with the contact open.
func Leakage(i, open float64) float64 { return i - open }
