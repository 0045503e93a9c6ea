package rehearsal

import (
	"math"

	"ohmkeep/server/bench"
)

// meanSine is the mean of a unit sine of hz over an aperture that starts at t,
// both in seconds: nothing is left of it after a whole number of cycles.
func meanSine(t, aperture, hz, phase float64) float64 {
	x := math.Pi * hz * aperture
	return math.Sin(x) / x * math.Sin(2*math.Pi*hz*(t+aperture/2)+phase)
}

// The switching frequency of the supplies, Hz: each bench has its own within
// these. Invented.
const (
	switchingLow  = 60e3
	switchingHigh = 70e3
)

// ripple is what is left of the supplies' ripple on what a channel forces, at
// twice the line's frequency and at the switching frequency; the channels
// share the supplies, and so the phases. It shows in the reading of the
// quantity that is forced; what it drives through the part is left out.
type ripple struct {
	line, switching     float64 // amplitudes, of the full scale of the range that forces
	linePhase, phase    float64 // rad
	lineHz, switchingHz float64
}

func newRipple(w *bench.World, lineHz float64, seed uint64) ripple {
	rng := stream(seed, "ripple")
	return ripple{
		line: w.LineRipple, switching: w.SwitchingRipple, lineHz: 2 * lineHz,
		linePhase: symmetric(rng, math.Pi), phase: symmetric(rng, math.Pi),
		switchingHz: switchingLow + (switchingHigh-switchingLow)*rng.Float64(),
	}
}

// mean is the mean ripple over an aperture that starts at t, both in seconds,
// of the full scale of the range that forces.
func (r *ripple) mean(t, aperture float64) float64 {
	sum := 0.0
	if r.line > 0 {
		sum += r.line * meanSine(t, aperture, r.lineHz, r.linePhase)
	}
	if r.switching > 0 {
		sum += r.switching * meanSine(t, aperture, r.switchingHz, r.phase)
	}
	return sum
}
