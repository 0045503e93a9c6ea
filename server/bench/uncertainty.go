package bench

import "math"

// spread is the standard uncertainty of one range over one aperture.
type spread struct{ gain, offset, step, noise float64 }

// spread prepares StandardUncertainty.
func (r *Range) spread(cycles float64) spread {
	if cycles <= 0 {
		cycles = 1
	}
	return spread{r.Gain, r.Offset, r.Step * r.Step / 12, r.Noise * r.Noise / cycles}
}

func (s *spread) at(value float64) float64 {
	gain := s.gain * value
	return math.Sqrt((gain*gain+s.offset*s.offset)/3 + s.step + s.noise)
}
