package bench

// ReadingUncertainty gives the standard uncertainties of one reading of v volts and i
// amperes in the given sense ranges, over an aperture in power-line cycles, with
// what the path takes of them. It is the one place that decides it, for what is
// read and for what is predicted alike.
func ReadingUncertainty(senseV, senseI Range, loss PathError, v, i, cycles float64) (uv, ui float64) {
	return loss.Add(senseV.StandardUncertainty(v, cycles), senseI.StandardUncertainty(i, cycles), v, i)
}
