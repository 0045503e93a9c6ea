package procedure

import (
	"math"
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/derive"
	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// imagined is a part that gives the results that a prediction is made for: the
// voltage and current at a pin that is read, set so.
type imagined func(pt *Point, pin int, set bench.Setup) (v, i float64)

// imagine makes up a part on which the result of that key has the value x. It is
// nil where a value says nothing about its uncertainty beforehand: scatter,
// drift, counts.
func imagine(m *Measurement, in *CheckInput, key string, x float64) imagined {
	switch m.Kind {
	case contactKind.key, voltageKind.key:
		return steadyVoltage(x)
	case leakageKind.key, supplyCurrentKind.key:
		return steadyCurrent(x)
	case shortsKind.key:
		if key == "current" {
			return steadyCurrent(x)
		}
		return ohmic(x, 0)
	case resistanceKind.key:
		return imagineResistance(m, key, x)
	case outputLevelKind.key:
		return imagineOutput(m, key, x)
	case thresholdKind.key:
		return imagineThreshold(m, in.Device, key, x)
	case watchKind.key:
		if key == "sd" || key == "drift" || key == "allan-deviation" {
			return nil
		}
		return sensed(x)
	case sweepKind.key:
		return imagineSweep(m, key, x)
	}
	return nil
}

// sensed gives x for the quantity that is not forced.
func sensed(x float64) imagined {
	return func(_ *Point, _ int, set bench.Setup) (v, i float64) {
		if set.Mode == bench.ForceCurrent {
			return x, set.Level
		}
		return set.Level, x
	}
}

func steadyVoltage(x float64) imagined {
	return func(_ *Point, _ int, set bench.Setup) (v, i float64) { return x, set.Level }
}

func steadyCurrent(x float64) imagined {
	return func(_ *Point, _ int, set bench.Setup) (v, i float64) { return set.Level, x }
}

// ohmic is a resistance with a voltage in series.
func ohmic(ohms, offset float64) imagined {
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

func imagineResistance(m *Measurement, key string, x float64) imagined {
	if key == "resistance" {
		return ohmic(x, 0)
	}
	return ohmic(m.Limits["resistance"].middle(), x)
}

// imagineOutput has levels at no load and under load: the value of its own key,
// and of the others the middle of their limits.
func imagineOutput(m *Measurement, key string, x float64) imagined {
	free, loaded := m.Limits["unloaded"].middle(), m.Limits["loaded"].middle()
	switch key {
	case "unloaded":
		free = x
	case "loaded":
		loaded = x
	default:
		if _, ok := m.Limits["unloaded"]; !ok {
			free = loaded
		}
		loaded = free + x*m.Level
	}
	return func(pt *Point, _ int, set bench.Setup) (v, i float64) {
		if pt.Group == groupLoaded {
			return loaded, set.Level
		}
		return free, set.Level
	}
}

// imagineThreshold is an output that goes from one rail to the other where its
// input passes the thresholds.
func imagineThreshold(m *Measurement, d *dut.Device, key string, x float64) imagined {
	low, high := m.Sweep.Range()
	rise, fall := m.Limits["rising"].middle(), m.Limits["falling"].middle()
	if _, ok := m.Limits["rising"]; !ok {
		rise = low/2 + high/2
	}
	if _, ok := m.Limits["falling"]; !ok {
		fall = rise
	}
	switch key {
	case "rising":
		rise = x
	case "falling":
		fall = x
	case "hysteresis":
		if math.Abs(rise-fall) == 0 || rise-fall != x {
			middle := rise/2 + fall/2
			rise, fall = middle+x/2, middle-x/2
		}
	}
	top := leakageLevel(m, d, m.Observe)
	if top == 0 {
		top = high
	}
	var input float64
	return func(pt *Point, pin int, set bench.Setup) (v, i float64) {
		if pin != m.Observe {
			input = set.Level
			return set.Level, 0
		}
		at := fall
		if edge(m.Sweep, int(pt.Group)%m.Sweep.directions()) == "rising" {
			at = rise
		}
		if input > at {
			return top, set.Level
		}
		return 0, set.Level
	}
}

// imagineSweep is a resistor, or for what a diode fit gives a diode: n 1.1,
// 10 fA and 10 Ω where its limits do not say otherwise (typical, from memory).
func imagineSweep(m *Measurement, key string, x float64) imagined {
	switch key {
	case "minimum", "maximum", "intercept":
		return sensed(x)
	case "resistance", "resistance-origin", "resistance-start", "resistance-middle", "resistance-end":
		return ohmic(x, 0)
	case "conductance":
		if x == 0 {
			return nil
		}
		return ohmic(1/x, 0)
	case "ideality", "saturation-current", "series-resistance":
		return imagineDiode(m, key, x)
	}
	return nil
}

func imagineDiode(m *Measurement, key string, x float64) imagined {
	pick := func(k string, otherwise float64) float64 {
		if k == key {
			return x
		}
		if l, ok := m.Limits[k]; ok && l.middle() != 0 {
			return l.middle()
		}
		return otherwise
	}
	n, is, rs := pick("ideality", 1.1), pick("saturation-current", 1e-14), pick("series-resistance", 10)
	if !(n > 0 && is > 0 && rs >= 0) {
		return nil
	}
	d := derive.Diode{N: n, Is: is, Rs: rs, Kelvin: diodeKelvin}
	return func(_ *Point, _ int, set bench.Setup) (v, i float64) {
		size := math.Abs(set.Level)
		if set.Mode == bench.ForceCurrent {
			return math.Copysign(d.V(size), set.Level), set.Level
		}
		return set.Level, math.Copysign(currentAt(d, size), set.Level)
	}
}

// currentAt finds the current at which the diode has the voltage v, by halving:
// its voltage rises with the current all along.
func currentAt(d derive.Diode, v float64) float64 {
	low, high := 0.0, 10.0 // A
	for range 80 {
		if middle := (low + high) / 2; d.V(middle) < v {
			low = middle
		} else {
			high = middle
		}
	}
	return low
}

// reach finds what would bring a prediction to four to one: a smaller sense
// range, a longer aperture, more readings a point, each tried by predicting again.
func (c *preCheck) reach(m *Measurement, p *Prediction) string {
	lim := m.Limits[p.Key]
	one := *m
	one.Pins = slices.Clone(m.Pins)
	if m.Kind != shortsKind.key && slices.Contains(m.Pins, p.Pin) {
		one.Pins = []int{p.Pin}
	}
	one.Limits = map[string]Limit{p.Key: lim}
	for _, full := range c.smallerRanges(m, p, lim) {
		try := one
		try.Compliance = full
		if c.reaches(&try, p.Key) {
			return "a compliance of " + say(full, unitOfCompliance(m)) + " takes the range that reaches it"
		}
	}
	for _, cycles := range []float64{1, 10, 100} {
		try := one
		try.Aperture = Aperture{Cycles: cycles}
		if cycles > m.Aperture.ApertureSeconds(c.Bench.LineHz)*c.Bench.LineHz && c.reaches(&try, p.Key) {
			return "an aperture of " + say(cycles, "") + " power-line cycles reaches it"
		}
	}
	for _, n := range []int{10, 100} {
		try := one
		try.Repeats = n
		if m.repeats() < n && c.reaches(&try, p.Key) {
			return say(float64(n), "") + " readings a point reach it"
		}
	}
	what := "set the limits apart by at least "
	if lim.Low == nil || lim.High == nil {
		what = "set the limit at least as far from zero as "
	}
	return "no range, aperture or number of readings of this bench reaches it; " + what + say(2*ratioWarn*p.U, p.Unit)
}

func unitOfCompliance(m *Measurement) quantity.Unit {
	switch m.Kind {
	case contactKind.key, voltageKind.key, outputLevelKind.key:
		return unitSensed(UseCurrent)
	case sweepKind.key, resistanceKind.key, watchKind.key:
		return unitSensed(m.Use)
	}
	return unitSensed(UseVoltage)
}

// smallerRanges are the sense ranges below the one in use that still hold the
// limits, smallest last.
func (c *preCheck) smallerRanges(m *Measurement, p *Prediction, lim Limit) []float64 {
	unit := unitOfCompliance(m)
	if p.Unit != unit || len(c.Bench.Channels) == 0 {
		return nil
	}
	ranges := c.Bench.Channels[0].SenseI
	if unit == unitSensed(UseCurrent) {
		ranges = c.Bench.Channels[0].SenseV
	}
	most := 0.0
	for _, l := range []*float64{lim.Low, lim.High} {
		if l != nil {
			most = max(most, math.Abs(*l))
		}
	}
	now := m.Compliance
	if s, ok := powerStep(c.Device, p.Pin); ok && m.Kind == supplyCurrentKind.key {
		now = supplyLimit(m, s)
	}
	var out []float64
	for _, r := range slices.Backward(ranges) {
		if r.FullScale < now && r.FullScale >= most {
			out = append(out, r.FullScale)
		}
	}
	return out
}

// reaches predicts a changed measurement.
func (c *preCheck) reaches(m *Measurement, key string) bool {
	kind, ok := KindByKey(m.Kind)
	if !ok || len(kind.Validate(m, c.Device)) > 0 {
		return false
	}
	step, err := NewPlanner(c.Device, c.PinMap, c.Bench).Step(0, m, kind, nil)
	if err != nil {
		return false
	}
	found := false
	for _, p := range predict(&c.CheckInput, step) {
		if p.Key == key {
			if p.Ratio < ratioWarn {
				return false
			}
			found = true
		}
	}
	return found
}
