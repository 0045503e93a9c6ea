package rehearsal

import (
	"math"
	"math/rand/v2"
)

// The correlation times of the processes that make up 1/f noise, one a decade.
const (
	flickerDecades = 8
	flickerFirst   = 10e-3 // s
)

// flicker is the 1/f noise of one sense range: a sum of processes of first
// order (Ornstein and Uhlenbeck) with equal variance and correlation times of
// one a decade, whose spectrum falls as 1/f between them to 6 %. It goes on by
// the bench's clock and is exact for any aperture and any pause between two.
type flicker struct {
	rng  *rand.Rand
	sd   float64 // of each process, V or A
	at   float64 // s, where the processes are now
	x    [flickerDecades]float64
	last float64 // mean over the last window
}

// newFlicker makes the noise with a given Allan deviation (V or A), which is
// the same at every averaging time within the decades. The spectrum h/f has
// the Allan variance 2·ln 2·h (IEEE Std 1139; from memory), and processes of
// variance s², one a decade, have h = s²/ln 10 (sum of their Lorentzians).
func newFlicker(rng *rand.Rand, allan float64) *flicker {
	f := &flicker{rng: rng, sd: allan / math.Sqrt(2*math.Ln2/math.Ln10)}
	for k := range f.x {
		f.x[k] = rng.NormFloat64()
	}
	return f
}

// mean is the mean from start to end, in seconds of the bench's time. A window
// that begins before the end of the last one begins there.
func (f *flicker) mean(start, end float64) float64 {
	f.pass(start - f.at)
	window := end - math.Max(start, f.at)
	if window <= 0 {
		return f.last
	}
	f.at = end
	sum, tau := 0.0, flickerFirst
	for k := range f.x {
		sum += f.average(k, window/tau)
		tau *= 10
	}
	f.last = f.sd * sum
	return f.last
}

// pass lets a time in which nothing is read go by.
func (f *flicker) pass(gap float64) {
	if gap <= 0 {
		return
	}
	f.at += gap
	tau := flickerFirst
	for k := range f.x {
		a := math.Exp(-gap / tau)
		f.x[k] = a*f.x[k] + math.Sqrt(-math.Expm1(-2*gap/tau))*f.rng.NormFloat64()
		tau *= 10
	}
}

// average takes process k through a window of so many of its correlation
// times and returns its mean over it. Mean and end are drawn together: given
// the start x, with a = exp(-w), p = (1-a)/w,
//
//	end:  mean a·x, variance 1-a²
//	mean: mean p·x, variance 2(1-p)/w - p²
//	covariance w·p²
//
// from the covariance exp(-|t|) of the stationary process, by integration.
func (f *flicker) average(k int, w float64) float64 {
	const short = 1e-3 // of a shorter window the difference has lost its digits; its leading term is w/6
	x, n, m := f.x[k], f.rng.NormFloat64(), f.rng.NormFloat64()
	a, p := math.Exp(-w), -math.Expm1(-w)/w
	sdEnd := math.Sqrt(-math.Expm1(-2 * w))
	share := w * p * p / sdEnd
	left := 2*(1-p)/w - p*p - share*share
	if w < short {
		left = w / 6
	}
	f.x[k] = a*x + sdEnd*n
	return p*x + share*n + math.Sqrt(math.Max(left, 0))*m
}
