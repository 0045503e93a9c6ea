package procedure

import "ohmkeep/server/bench"

// Part is a made-up part: the voltage and current at a pin that is read, set so.
// Its first reading at a point is of the first pin that the point reads.
type Part func(pt *Point, pin int, set bench.Setup) (v, i float64)

// Imagined is the made-up part that a result is predicted on, or the reason why
// there can be none.
type Imagined struct {
	Part Part   // nil: no prediction
	Why  string // set where Part is nil
}

// NoPrediction says why the uncertainty of a result cannot be known beforehand.
func NoPrediction(why string) Imagined { return Imagined{Why: why} }

// Reasons that several kinds share.
const (
	whyUnknownKey = "the kind derives no such result"
	whyScatter    = "it tells of the scatter of the readings, which is known only when they are there"
	whyMany       = "it takes too many readings to make up"
	whyNoResult   = "a part made up from its limits gives no such result"
	whyCounted    = "it is a count, without an uncertainty"
)

// sensed gives x for the quantity that is not forced.
func sensed(x float64) Part {
	return func(_ *Point, _ int, set bench.Setup) (v, i float64) {
		if set.Mode == bench.ForceCurrent {
			return x, set.Level
		}
		return set.Level, x
	}
}

func steadyVoltage(x float64) Part {
	return func(_ *Point, _ int, set bench.Setup) (v, i float64) { return x, set.Level }
}

func steadyCurrent(x float64) Part {
	return func(_ *Point, _ int, set bench.Setup) (v, i float64) { return set.Level, x }
}

// ohmic is a resistance with a voltage in series.
func ohmic(ohms, offset float64) Part {
	return func(_ *Point, _ int, set bench.Setup) (v, i float64) {
		if set.Mode == bench.ForceCurrent {
			return ohms*set.Level + offset, set.Level
		}
		if ohms == 0 {
			return set.Level, 0
		}
		return set.Level, (set.Level - offset) / ohms
	}
}
