package bench

import "math"

// ReadingUncertainty gives the standard uncertainties of one reading of v volts and i
// amperes in the given sense ranges, over an aperture in power-line cycles, with
// what the path takes of them. It is the one place that decides it, for what is
// read and for what is predicted alike.
func ReadingUncertainty(senseV, senseI Range, loss PathError, v, i, cycles float64) (uv, ui float64) {
	u := UncertaintyOf(senseV, senseI, loss, cycles)
	return u.At(v, i)
}

// Uncertainty is ReadingUncertainty for readings in the same ranges, on the same
// path and over the same aperture: what does not depend on the reading is worked
// out once.
type Uncertainty struct {
	senseV, senseI spread
	loss           PathError
}

// UncertaintyOf prepares for readings in the given sense ranges, over an aperture
// in power-line cycles (0 counts as one), behind the path's loss.
func UncertaintyOf(senseV, senseI Range, loss PathError, cycles float64) Uncertainty {
	return Uncertainty{senseV.spread(cycles), senseI.spread(cycles), loss}
}

// At gives the standard uncertainties of a reading of v volts and i amperes.
func (u *Uncertainty) At(v, i float64) (uv, ui float64) {
	return u.loss.Add(u.senseV.at(v), u.senseI.at(i), v, i)
}

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
	e := s.gain*math.Abs(value) + s.offset // as Range.MaxError
	return math.Sqrt(e*e/3 + s.step + s.noise)
}
