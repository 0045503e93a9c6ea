package rehearsal

import (
	"fmt"
	"math"
	"slices"

	"ohmkeep/server/bench"
)

// minAperture is the shortest time that the sense converter integrates, s.
const minAperture = 10e-6

// converter is one range of one function of one channel, with its own errors.
// Its errors of gain and offset keep within the stated accuracy; the
// converter's step, which is stated apart, comes on top of it.
type converter struct {
	bench.Range          // with the steps and the noise that the world leaves of the stated ones
	gain, offset moving  // relative; V or A
	hum          float64 // amplitude of the line hum, V or A
	flicker      *flicker
}

// moving is an error that moves at a steady rate and turns back at its bounds.
type moving struct{ first, perSecond, most float64 }

// at is the error t seconds after the bench was drawn.
func (m *moving) at(t float64) float64 {
	if m.perSecond == 0 {
		return m.first
	}
	return folded(m.first+m.perSecond*t, m.most)
}

const day = 86400 // s

// converters draws the errors of a function's ranges. Only what is sensed has
// 1/f noise.
func converters(ranges []bench.Range, seed uint64, purpose string, w *bench.World, sensed bool) []converter {
	out := make([]converter, len(ranges))
	for i, r := range ranges {
		of := fmt.Sprintf("%s/%d", purpose, i)
		errors, drift := stream(seed, of), stream(seed, of+"/drift")
		error := func(stated float64) moving {
			first := drawn(errors, w.Distribution, w.Errors*stated)
			return moving{first, symmetric(drift, w.Drift*stated) / day, math.Max(w.Errors*stated, math.Abs(first))}
		}
		c := converter{Range: r, gain: error(r.Gain), offset: error(r.Offset), hum: w.Hum * r.Noise}
		c.Step *= w.Steps
		c.Noise *= w.Noise
		if sensed && w.Flicker > 0 {
			c.flicker = newFlicker(stream(seed, of+"/flicker"), w.Flicker*r.Noise)
		}
		out[i] = c
	}
	return out
}

// force is what really comes out when level is asked for, t seconds after the
// bench was drawn.
func (c *converter) force(level, t float64) float64 {
	q, _ := c.quantise(level)
	return q*(1+c.gain.at(t)) + c.offset.at(t)
}

// sense is what is read when value is there, and whether it was clipped.
// Disturbance (noise and hum) is added in front of the converter.
func (c *converter) sense(value, disturbance, t float64) (reading float64, over bool) {
	return c.quantise(value*(1+c.gain.at(t)) + c.offset.at(t) + disturbance)
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
	if i := rangeIndex(cs, r); i >= 0 {
		return &cs[i]
	}
	return nil
}

// rangeIndex is where the converter of a range stands; -1 where there is none.
func rangeIndex(cs []converter, r bench.Range) int {
	return slices.IndexFunc(cs, func(c converter) bool { return c.FullScale == r.FullScale })
}

// noiseOver is the rms noise of a reading over an aperture in seconds: white,
// stated for one line cycle.
func (c *converter) noiseOver(aperture, lineHz float64) float64 {
	return c.Noise / math.Sqrt(aperture*lineHz)
}
