package rehearsal

import (
	"math"
	"testing"
	"time"

	"ohmkeep/server/bench"
)

// TestShortShowsThermalVoltages: a voltmeter on a short sees the difference of
// the thermal voltages on the way there and back, now and later.
func TestShortShowsThermalVoltages(t *testing.T) {
	w := asStated()
	w.Thermal, w.ThermalChange = 5e-6, 0.5
	seen := 0.0
	for seed := range uint64(10) {
		r := newRig(t, Config{Seed: seed, World: w, Seat: Seat{PinMap: straight(2), place: resistor(1e-3)}})
		r.wire(path(2, 1), path(0, 2))
		r.on(2, forceI(0, 2))
		r.wait(time.Second)
		first := r.read(2, cycle).V
		for range 30 {
			r.wait(20 * time.Second)
			got := r.read(2, cycle).V
			p := r.Truth().Paths
			// It moves by at most 2·2.5 µV·2π/60 s in a cycle, from both paths.
			near(t, "V", got, p[path(0, 2)].Thermal-p[path(2, 1)].Thermal, 4*2.5e-6*2*math.Pi/60*0.02+1e-12)
			if math.Abs(got) > 2*w.Thermal {
				t.Errorf("%g V is more than two paths have", got)
			}
			seen = max(seen, math.Abs(got-first))
		}
	}
	if seen < 2.5e-6 {
		t.Errorf("within ten minutes the largest change was %g V", seen)
	}
}

// TestSteadyThermalVoltageStays: without draughts it is the same after hours,
// and another one after the next insertion.
func TestSteadyThermalVoltageStays(t *testing.T) {
	w := asStated()
	w.Thermal = 5e-6
	seat := Seat{PinMap: straight(2), place: resistor(1e-3)}
	r := newRig(t, Config{Seed: 1, World: w, Seat: seat})
	volts := func() float64 {
		r.wire(path(2, 1), path(0, 2))
		r.on(2, forceI(0, 2))
		r.wait(time.Second)
		v := r.read(2, cycle).V
		r.wait(5 * time.Hour)
		near(t, "hours later", r.read(2, cycle).V, v, 1e-15)
		r.must(r.MakeSafe(t.Context()))
		return v
	}
	first := volts()
	seat.Insertion++
	r.must(r.Seat(seat))
	if second := volts(); math.Abs(second-first) < 1e-9 {
		t.Errorf("%g V, and after another insertion %g V", first, second)
	}
}

// TestDriftIsALine: gain and offset move evenly in time, within the stated
// accuracy, and a reading with them.
func TestDriftIsALine(t *testing.T) {
	w := asStated()
	w.Errors, w.Drift = 1, 0.02
	bounced := 0
	for seed := range uint64(20) {
		r := newRig(t, Config{Seed: seed, World: w, Seat: Seat{PinMap: straight(2), place: resistor(1e3)}})
		r.wire(path(2, 1), path(0, 2))
		r.on(2, forceI(1e-3, 2))
		r.wait(time.Second)
		ch := r.def.Channels[1]
		var gains, offsets []float64
		for range 5 {
			x := r.Truth().Channels[1]
			sv, fi := x.SenseV[0], x.ForceI[3]
			gains, offsets = append(gains, sv.Gain), append(offsets, sv.Offset)
			// What is forced has moved as well as what is read.
			ohms := 1000 + sourceR + 2*onResistance
			want := (1e-3*(1+fi.Gain) + fi.Offset) * ohms
			near(t, "V", r.read(2, cycle).V, want*(1+sv.Gain)+sv.Offset, 5e-7) // leakage takes 0.3 nA
			r.wait(24 * time.Hour)
		}
		for name, q := range map[string]struct {
			at   []float64
			most float64
		}{"gain": {gains, ch.SenseV[0].Gain}, "offset": {offsets, ch.SenseV[0].Offset}} {
			turned := false
			for k := 1; k < len(q.at); k++ {
				if math.Abs(q.at[k]) > q.most || math.Abs(q.at[k]-q.at[k-1]) > w.Drift*q.most*(1+1e-9) {
					t.Errorf("seed %d: %s went from %g to %g", seed, name, q.at[k-1], q.at[k])
				}
				turned = turned || k > 1 && math.Abs(q.at[k]-2*q.at[k-1]+q.at[k-2]) > 1e-6*q.most
			}
			if turned { // at its bound
				bounced++
				if far := math.Abs(q.at[2]); far < 0.9*q.most {
					t.Errorf("seed %d: %s turned at %v, far from %g", seed, name, q.at, q.most)
				}
			}
		}
	}
	if bounced > 8 {
		t.Errorf("%d of 40 turned", bounced)
	}
}

// allan is the Allan deviation of consecutive means y over m of them.
func allan(y []float64, m int) float64 {
	var sum float64
	var last float64
	n := len(y) / m
	for k := range n {
		mean := 0.0
		for _, v := range y[k*m : (k+1)*m] {
			mean += v / float64(m)
		}
		if k > 0 {
			sum += (mean - last) * (mean - last)
		}
		last = mean
	}
	return math.Sqrt(sum / 2 / float64(n-1))
}

// TestFlickerIsFlat: the Allan deviation of 1/f noise is the same over four
// decades of averaging time, and the ordered one: to the 5 % of one process a
// decade, and to twice the 1/√(2·pairs) of its own scatter (pairs of means of
// 1/f noise are next to independent).
func TestFlickerIsFlat(t *testing.T) {
	const want, n, step = 3e-6, 1 << 18, 0.05
	f := newFlicker(stream(7, "test"), want)
	y := make([]float64, n)
	for k := range y {
		y[k] = f.mean(float64(k)*step, float64(k+1)*step)
	}
	for m := 1; m <= 1<<13; m *= 2 {
		got := allan(y, m)
		near(t, "Allan deviation", got/want, 1, 0.05+2/math.Sqrt(2*float64(n/m)))
	}
}

// TestFlickerDoesNotMindTheAperture: windows and pauses of any length give
// means of the variance that the process has, 2/w·(1-(1-exp(-w))/w), and end
// where it stays stationary.
func TestFlickerDoesNotMindTheAperture(t *testing.T) {
	const n = 40000
	for _, w := range []float64{1e-5, 0.99e-3, 1.01e-3, 0.1, 1, 10, 1000} {
		f := newFlicker(stream(3, "test"), 1)
		var means, ends, starts float64
		for range n {
			f.x[0] = f.rng.NormFloat64()
			start := f.x[0]
			m := f.average(0, w)
			means += m * m
			ends += f.x[0] * f.x[0]
			starts += start * f.x[0]
		}
		want := 2 / w * (1 + math.Expm1(-w)/w)
		if w < 1e-4 {
			want = 1 - w/3
		}
		// A variance of n normal numbers is known to √(2/n): 0.7 %.
		near(t, "variance of the mean", means/n/want, 1, 0.03)
		near(t, "variance of the end", ends/n, 1, 0.03)
		near(t, "what is left of the start", starts/n, math.Exp(-w), 0.03)
	}
	// Inside a short window start, mean and end are on a line but for w/6 and
	// w/3 of it: a mean that misses the covariance with the end would show here.
	f := newFlicker(stream(4, "test"), 1)
	const w = 0.01
	var rest float64
	for range n {
		a := f.x[0]
		m := f.average(0, w)
		d := m - (a+f.x[0])/2
		rest += d * d
	}
	near(t, "bow within a window", rest/n/(w/6), 1, 0.05)
}

// TestFlickerReachesReadings: on the bench it shows as ordered, and each range
// has its own.
func TestFlickerReachesReadings(t *testing.T) {
	w := asStated()
	w.Flicker = 2
	r := newRig(t, Config{Seed: 3, World: w, Seat: Seat{PinMap: straight(2), place: resistor(1000)}})
	r.wire(path(2, 1), path(0, 2))
	r.on(2, forceI(1e-3, 2))
	r.wait(time.Second)
	const n = 20000
	var v, i []float64
	for range n {
		s := r.read(2, cycle)
		v, i = append(v, s.V), append(i, s.I)
	}
	ch := r.def.Channels[1]
	for name, q := range map[string]struct {
		y    []float64
		want float64
	}{"V": {v, 2 * ch.SenseV[0].Noise}, "I": {i, 2 * ch.SenseI[3].Noise}} {
		for _, m := range []int{4, 64} {
			near(t, name, allan(q.y, m)/q.want, 1, 0.05+3/math.Sqrt(2*float64(n/m)))
		}
	}
	for k := range v {
		v[k], i[k] = v[k]-1.0085, i[k]-1e-3
	}
	if c := correlation(v, i); math.Abs(c) > 0.95 {
		t.Errorf("V and I have one noise: correlation %g", c)
	}
}

// TestRippleFallsWithTheAperture: what is left of a sine is sin(x)/x of it: of
// 100 Hz over 7 ms, two readings a quarter of a period apart show the whole
// amplitude.
func TestRippleFallsWithTheAperture(t *testing.T) {
	read := func(w *bench.World, s bench.Setup, aperture time.Duration) func() bench.Sample {
		r := newRig(t, Config{Seed: 6, World: w, Seat: Seat{PinMap: straight(2), place: resistor(1000)}})
		r.wire(path(2, 1), path(0, 2))
		r.on(2, s)
		r.wait(time.Second)
		return func() bench.Sample {
			got := r.read(2, aperture)
			r.wait(22500*time.Microsecond - aperture) // two periods and a quarter
			return got
		}
	}
	w := asStated()
	w.LineRipple = 1e-3
	for _, ms := range []float64{1, 7, 12.5} {
		x := math.Pi * 100 * ms * 1e-3
		left := math.Abs(math.Sin(x) / x)
		next := read(w, forceV(2, 10e-3), time.Duration(ms*float64(time.Millisecond)))
		a, b := next(), next()
		near(t, "of a voltage", math.Hypot(a.V-2, b.V-2), 1e-3*2*left, 1e-9)
		next = read(w, forceI(1e-3, 2), time.Duration(ms*float64(time.Millisecond)))
		a, b = next(), next()
		near(t, "of a current", math.Hypot(a.I-1e-3, b.I-1e-3), 1e-3*1e-3*left, 1e-12)
	}
	near(t, "over whole periods", read(w, forceV(2, 10e-3), cycle)().V, 2, 1e-12)
	// The switching frequency is far beyond any aperture but the shortest.
	w.LineRipple, w.SwitchingRipple = 0, 1e-3
	spread := func(aperture time.Duration) float64 {
		next, most := read(w, forceV(2, 10e-3), aperture), 0.0
		for range 50 {
			most = max(most, math.Abs(next().V-2))
		}
		return most
	}
	if short, long := spread(10*time.Microsecond), spread(cycle); short > 2e-3*0.6 || short < 2e-4 || long > 2e-3/(math.Pi*switchingLow*0.02) || long == 0 {
		t.Errorf("switching ripple: %g V in 10 µs, %g V in a cycle", short, long)
	}
}
