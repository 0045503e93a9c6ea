package rehearsal

import (
	"fmt"
	"math"

	"ohmkeep/server/bench"
)

// drawnPart is the part of the permitted error that a channel's own gain and
// offset may use up; the rest is left for the converter's step, so that the
// stated accuracy is never exceeded.
const drawnPart = 0.9

// humPerNoise is the amplitude of the line hum in units of a range's noise
// over one line cycle. Invented: an unshielded low-cost bench on a desk.
const humPerNoise = 40

// minAperture is the shortest time that the sense converter integrates, s.
const minAperture = 10e-6

// converter is one range of one function of one channel, with its own error.
type converter struct {
	bench.Range
	gain   float64 // relative error
	offset float64 // V or A
}

// converters draws the errors of a function's ranges.
func converters(ranges []bench.Range, seed uint64, purpose string) []converter {
	out := make([]converter, len(ranges))
	for i, r := range ranges {
		rng := stream(seed, fmt.Sprintf("%s/%d", purpose, i))
		out[i] = converter{
			Range:  r,
			gain:   symmetric(rng, drawnPart*r.Gain),
			offset: symmetric(rng, drawnPart*r.Offset),
		}
	}
	return out
}

// force is what really comes out when level is asked for.
func (c *converter) force(level float64) float64 {
	q, _ := c.quantise(level)
	return q*(1+c.gain) + c.offset
}

// sense is what is read when value is there, and whether it was clipped.
// Disturbance (noise and hum) is added in front of the converter.
func (c *converter) sense(value, disturbance float64) (reading float64, over bool) {
	return c.quantise(value*(1+c.gain) + c.offset + disturbance)
}

func (c *converter) quantise(x float64) (float64, bool) {
	limit := overscale * c.FullScale
	over := math.Abs(x) > limit
	if over {
		x = math.Copysign(limit, x)
	}
	if c.Step > 0 {
		x = math.Round(x/c.Step) * c.Step
	}
	return x, over
}

// of finds the converter of a range.
func of(cs []converter, r bench.Range) *converter {
	for i := range cs {
		if cs[i].FullScale == r.FullScale {
			return &cs[i]
		}
	}
	return nil
}

// noiseOver is the rms noise of a reading over an aperture in seconds: white,
// stated for one line cycle.
func (c *converter) noiseOver(aperture, lineHz float64) float64 {
	return c.Noise / math.Sqrt(aperture*lineHz)
}

// hum is the mean of a unit sine of the line over an aperture that starts at
// t, both in seconds: nothing is left of it after a whole number of cycles.
func hum(t, aperture, lineHz, phase float64) float64 {
	x := math.Pi * lineHz * aperture
	return math.Sin(x) / x * math.Sin(2*math.Pi*lineHz*(t+aperture/2)+phase)
}
