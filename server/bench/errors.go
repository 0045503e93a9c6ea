package bench

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"ohmkeep/server/budget"
	"ohmkeep/server/quantity"
)

// Errors hands out the sources of error of one bench: one *budget.Source for
// each thing that errs, so that the same error met twice cancels or adds as it
// really does. It is used by one goroutine at a time; what it hands out is not
// changed any more.
type Errors struct {
	def    *Definition
	ranges map[rangeUse]*RangeErrors
	series map[seriesUse]*budget.Source
	// paths are the measured ones by number, nil where the bench has no
	// corrections; contacts is what an insertion changes, by contact.
	paths    map[PathID]budget.Value
	contacts map[int]*budget.Source
}

// rangeUse names a range of a channel.
type rangeUse struct {
	channel   ChannelID
	unit      quantity.Unit
	force     bool
	fullScale float64
}

// seriesUse names a resistance of the way to a pin: of a path, of a channel's
// output, or of the strap at a contact.
type seriesUse struct {
	channel ChannelID
	path    PathID
	strap   int // contact
}

// NewErrors prepares the sources of a bench, which must not change afterwards.
func NewErrors(def *Definition) *Errors {
	e := &Errors{def: def, ranges: map[rangeUse]*RangeErrors{}, series: map[seriesUse]*budget.Source{}}
	if def.Corrections != nil {
		e.paths, e.contacts = map[PathID]budget.Value{}, map[int]*budget.Source{}
	}
	return e
}

// Bench is the definition of the bench whose errors they are.
func (e *Errors) Bench() *Definition { return e.def }

// RangeErrors is what is known of the errors of one range: one gain and one
// offset, the same in whatever is read or forced in it.
type RangeErrors struct {
	Range
	Name   string         // "1A, sensing 10 mA"
	Gain   *budget.Source // relative
	Offset *budget.Source // V or A
	// correction is what was measured of the range, nil where only its accuracy is
	// stated; gainSince and offsetSince are what may have changed since, nil for
	// nothing.
	correction             *RangeCorrection
	gainSince, offsetSince *budget.Source
}

// SenseV returns the errors of a range in which a channel senses voltages.
func (e *Errors) SenseV(ch *Channel, r Range) *RangeErrors {
	return e.of(ch, r, rangeUse{ch.ID, quantity.Volt, false, r.FullScale})
}

// SenseI returns the errors of a range in which a channel senses currents.
func (e *Errors) SenseI(ch *Channel, r Range) *RangeErrors {
	return e.of(ch, r, rangeUse{ch.ID, quantity.Ampere, false, r.FullScale})
}

// ForceV returns the errors of a range in which a channel forces voltages.
func (e *Errors) ForceV(ch *Channel, r Range) *RangeErrors {
	return e.of(ch, r, rangeUse{ch.ID, quantity.Volt, true, r.FullScale})
}

// ForceI returns the errors of a range in which a channel forces currents.
func (e *Errors) ForceI(ch *Channel, r Range) *RangeErrors {
	return e.of(ch, r, rangeUse{ch.ID, quantity.Ampere, true, r.FullScale})
}

func (e *Errors) of(ch *Channel, r Range, use rangeUse) *RangeErrors {
	if known := e.ranges[use]; known != nil {
		return known
	}
	what := "sensing"
	if use.force {
		what = "forcing"
	}
	out := &RangeErrors{Range: r, Name: fmt.Sprintf("%s, %s %s", ch.Name, what, fullScale(r, use.unit))}
	out.Gain = budget.NewSource("gain of "+out.Name, budget.Gain, budget.Rectangular, budget.Rectangular.FromHalfWidth(r.Gain))
	out.Offset = budget.NewSource("offset of "+out.Name, budget.Offset, budget.Rectangular, budget.Rectangular.FromHalfWidth(r.Offset))
	if c := e.def.Corrections.rangeOf(use); c != nil {
		out.corrected(c, e.def.Corrections.Age(c.At))
	}
	e.ranges[use] = out
	return out
}

func fullScale(r Range, unit quantity.Unit) string {
	return "±" + quantity.Format(r.FullScale, unit, 3)
}

// Systematic is what was there where x was read in the range, with the range's
// gain and offset, which are the same for whatever else is read in it. What is
// known of both is taken off.
func (r *RangeErrors) Systematic(x float64) budget.Value {
	if c := r.correction; c != nil {
		return r.withErrors((x - c.Offset) / (1 + c.Gain))
	}
	return r.stated(x)
}

// stated is x with the gain and the offset that the range is stated to keep to.
func (r *RangeErrors) stated(x float64) budget.Value {
	v := budget.Exact(x)
	if r.Range.Gain != 0 && x != 0 {
		v = v.With(r.Gain, x)
	}
	if r.Range.Offset != 0 {
		v = v.With(r.Offset, 1)
	}
	return v
}

// scatterSure is by how much the scatter of repeats must exceed what the range's
// noise explains before it counts instead: a chance of about 1 in 100.
func scatterSure(n int) float64 { return 1 + 2.33/math.Sqrt(2*float64(n-1)) }

// Reading is the mean of n readings in the range as a value of what was there:
// gain and offset of the range, the converter's step, and the range's noise or,
// where it is larger than that explains, the scatter of the repeats. sd is their
// standard deviation, NaN for one reading; cycles is the aperture in power-line
// cycles, 0 for one.
//
// Noise is a standard deviation already and taken as white, falling with the
// square root of the aperture. A step is a bound, so rectangular: s/√12 (GUM
// F.2.2.1); noise larger than half a step spreads repeats over several steps,
// so that their mean knows more. Hum counts where the aperture is no whole number
// of cycles.
func (r *RangeErrors) Reading(mean float64, n int, sd, cycles float64) budget.Value {
	once := r.noiseOf(cycles)
	v := r.hummed(r.stepped(mean, n, once), cycles)
	root := math.Sqrt(float64(max(n, 1)))
	switch explained := math.Hypot(math.Hypot(once, budget.Resolution(r.Step)), r.HumOf(cycles)/math.Sqrt2); {
	case n >= 2 && sd > explained*scatterSure(n):
		s := budget.NewSource("scatter of "+r.Name, budget.Scatter, budget.Student, sd/root)
		s.DF = float64(n - 1)
		v = v.With(s, 1)
	case once > 0:
		v = v.With(budget.NewSource("noise of "+r.Name, budget.Noise, budget.Normal, once/root), 1)
	}
	return v
}

// noiseOf is the range's noise over an aperture in power-line cycles, 0 for one.
func (r *RangeErrors) noiseOf(cycles float64) float64 {
	if cycles <= 0 {
		cycles = 1
	}
	return r.Noise / math.Sqrt(cycles)
}

// AssumedHum is the amplitude of the line hum in a range, as a multiple of the
// range's noise over a line cycle. No bench states it: an assumption without a
// source, which budgets say.
const AssumedHum = 50

// HumOf is the amplitude of the line hum that is left in a reading over an
// aperture in power-line cycles, 0 for one, in the range's unit: the mean of a
// sine over N cycles is smaller by |sin(πN)/(πN)|, and nothing for whole cycles.
func (r *RangeErrors) HumOf(cycles float64) float64 {
	if whole := math.Round(cycles); whole >= 1 && math.Abs(cycles-whole) <= 1e-6*cycles || cycles <= 0 {
		return 0
	}
	x := math.Pi * cycles
	return AssumedHum * r.Noise * math.Abs(math.Sin(x)/x)
}

// hummed is a value with the hum that the aperture leaves in it. Readings at
// whole cycles from each other all have it alike, so that repeats lower none of it.
func (r *RangeErrors) hummed(v budget.Value, cycles float64) budget.Value {
	h := r.HumOf(cycles)
	if h == 0 {
		return v
	}
	s := budget.NewSource("hum in "+r.Name, budget.Hum, budget.Arcsine, budget.Arcsine.FromHalfWidth(h))
	s.Assumed = true
	return v.With(s, 1)
}

// Independent is what differs from one reading to the next by the range: the
// standard deviation of one reading's noise with its hum, and the standard uncertainty that
// the converter's step leaves in the mean of n readings. cycles is the aperture
// in power-line cycles, 0 for one.
func (r *RangeErrors) Independent(n int, cycles float64) (noise, step float64) {
	noise, step = r.noiseOf(cycles), budget.Resolution(r.Step)
	if noise >= r.Step/2 {
		step /= math.Sqrt(float64(max(n, 1)))
	}
	return math.Hypot(noise, r.HumOf(cycles)/math.Sqrt2), step
}

// stepped is the mean of n readings with the errors of its range that repeats do
// not lower, and what is left of the converter's step.
func (r *RangeErrors) stepped(mean float64, n int, once float64) budget.Value {
	v := r.Systematic(mean)
	step := budget.Resolution(r.Step)
	if once >= r.Step/2 {
		step /= math.Sqrt(float64(max(n, 1)))
	}
	if step > 0 {
		v = v.With(budget.NewSource("converter step of "+r.Name, budget.Step, budget.Rectangular, step), 1)
	}
	return v
}

// SeriesLeast is the number of readings from which their scatter is told from
// themselves alone, whatever the range's noise.
const SeriesLeast = 10

// Series is the mean of many successive readings in the range as a value of what
// was there. sd is their standard deviation and lag1 their autocorrelation:
// readings that resemble their neighbours know less of their mean.
func (r *RangeErrors) Series(mean float64, n int, sd, lag1, cycles float64) budget.Value {
	once := r.noiseOf(cycles)
	u, df := budget.MeanOfSeries(n, sd, lag1)
	if n < SeriesLeast || !(u > once/math.Sqrt(float64(n))) {
		return r.Reading(mean, n, sd, cycles)
	}
	s := budget.NewSource("scatter of "+r.Name, budget.Scatter, budget.Student, u)
	s.DF = df
	return r.hummed(r.stepped(mean, n, max(once, sd)), cycles).With(s, 1)
}

// Chosen is what the noise of one reading that was taken out of n as the lowest or
// the highest adds to that of any one reading, in the range's unit. noise is the
// standard deviation of one reading as its neighbours show it: that of the
// range where that is larger. A reading chosen for its size has its noise drawn
// out: both together allow for what the largest of n reaches with 95 %.
func (r *RangeErrors) Chosen(n int, noise, cycles float64) *budget.Source {
	once := r.noiseOf(cycles)
	most := max(noise, once) * extremeNoise(n) / extremeNoise(1)
	return budget.NewSource("noise of the one reading of many, "+r.Name, budget.Noise, budget.Normal, math.Sqrt(max(most*most-once*once, 0)))
}

// extremeNoise is what the largest of n independent normal errors stays within
// with 95 %, in standard deviations; that of one is to both sides.
func extremeNoise(n int) float64 {
	return distuv.UnitNormal.Quantile(max((1+budget.Coverage)/2, math.Pow(budget.Coverage, 1/float64(max(n, 1)))))
}

// Level is what really comes out where level is asked for in a range that
// forces: gain, offset and step of the range.
func (r *RangeErrors) Level(level float64) budget.Value {
	v := r.stated(level)
	if c := r.correction; c != nil {
		v = r.withErrors(level*(1+c.Gain) + c.Offset)
	}
	if r.Step > 0 {
		v = v.With(budget.NewSource("converter step of "+r.Name, budget.Step, budget.Rectangular, budget.Resolution(r.Step)), 1)
	}
	return v
}

// Series is the resistance between a channel's sense point and the pin on a contact
// that a path leads to, in ohms: what a local sense does not see. Path 0 is the
// contact's strap. A path that was measured was so with its channel's output.
func (e *Errors) Series(ch *Channel, id PathID, contact int) budget.Value {
	if v, is := e.measured(id, contact); is {
		return v
	}
	out := budget.Exact(0)
	if ch.SourceR > 0 {
		out = out.Add(e.resistance(seriesUse{channel: ch.ID}, "output resistance of channel "+ch.Name, ch.SourceR, AssumedResistanceTolerance, true))
	}
	return out.Add(e.PathR(id, contact))
}

// Remote is what a path still shows of itself where a channel senses at its far
// end, in ohms: the sense wire carries what the resistor between the terminals
// makes of the drop on the force wire, R²/T. Path 0 is a strap, to both terminals.
// Of T within ±a and R within ±t of what they are taken for, all values alike, the
// mean is not that of the means: E[1/T] = ln((1+a)/(1-a))/2a, E[1/T²] = 1/(1-a²),
// E[R²] = 1+t²/3.
func (e *Errors) Remote(ch *Channel, id PathID) budget.Value {
	p, ok := e.def.PathByID(id)
	if !ok || p.Resistance == 0 {
		return budget.Exact(0)
	}
	const a = AssumedSenseTieTolerance
	t := p.ToleranceOfResistance()
	inverse := math.Log((1+a)/(1-a)) / (2 * a)
	of := math.Hypot(math.Sqrt(1/(1-a*a)/(inverse*inverse)-1), 2*t/math.Sqrt(3)) // relative
	return e.resistance(seriesUse{channel: ch.ID, path: id}, "what remote sense of channel "+ch.Name+" leaves of path "+p.Address,
		p.Resistance*p.Resistance/AssumedSenseTie*inverse*(1+t*t/3), of*math.Sqrt(3), true)
}

// PathR is the resistance of a closed path to a contact, in ohms. Path 0 is the
// contact's strap, each of which is another piece of wire: that all have one
// resistance is what is assumed, not what is known. A channel's path that was
// measured has the channel's output in it.
func (e *Errors) PathR(id PathID, contact int) budget.Value {
	if id == 0 {
		return e.resistance(seriesUse{strap: contact}, fmt.Sprintf("resistance of the strap at contact %d", contact), AssumedStrap, AssumedStrapTolerance, true)
	}
	if v, is := e.measured(id, contact); is {
		return v
	}
	p, ok := e.def.PathByID(id)
	if !ok || p.Resistance == 0 {
		return budget.Exact(0)
	}
	return e.resistance(seriesUse{path: id}, "resistance of path "+p.Address, p.Resistance,
		p.ToleranceOfResistance(), p.ResistanceTolerance == 0)
}

func (e *Errors) resistance(use seriesUse, name string, ohms, part float64, assumed bool) budget.Value {
	s := e.series[use]
	if s == nil {
		s = budget.NewSource(name, budget.Path, budget.Rectangular, budget.Rectangular.FromHalfWidth(part*ohms))
		s.Assumed = assumed
		e.series[use] = s
	}
	return budget.Of(ohms, s)
}
