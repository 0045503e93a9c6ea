// Package budget is the arithmetic of measurement uncertainty: values that
// depend on named sources of error, the law of propagation with correlations by
// identity, the interval that holds a stated probability for the distributions
// at hand, simulation where first order fails, and conformity with limits. It is
// pure: no I/O, no clock. What cannot be computed becomes an interval without
// end that says why, never a narrow one.
//
// Sources: JCGM 100:2008 (GUM), JCGM 101:2008 (Supplement 1), JCGM 106:2012.
package budget

import "math"

// Coverage is the probability that every stated interval holds.
const Coverage = 0.95

// Distribution is how an error is spread about its estimate.
type Distribution uint8

// The distributions. A source with finite degrees of freedom is spread as
// Student's t whatever its distribution says.
const (
	Normal Distribution = iota
	Rectangular
	Triangular
	Arcsine
	Student
	// Bounded is an error of which only a bound is known, such as one that is
	// always the same but of unknown size. It has no distribution, so that all of
	// it is added to the interval of the rest: the whole holds whatever the error
	// is. Its standard uncertainty, a/√3, serves to compare it with others.
	// Source: GUM F.2.4.5 (from memory), for a known effect left uncorrected.
	Bounded
)

var distributionNames = [...]string{"normal", "rectangular", "triangular", "arcsine", "Student's t", "bounded"}

func (d Distribution) String() string {
	if int(d) < len(distributionNames) {
		return distributionNames[d]
	}
	return "unknown"
}

// FromHalfWidth is the standard uncertainty of an error known only by the
// half-width a of its distribution, in the unit of a: a/√3, a/√6, a/√2; for a
// normal one a is the half-width that holds 95 %. NaN for Student's t, which has
// no half-width. Source: GUM 4.3.
func (d Distribution) FromHalfWidth(a float64) float64 {
	switch d {
	case Normal:
		return a / quantileNormal((1+Coverage)/2)
	case Rectangular, Bounded:
		return a / math.Sqrt(3)
	case Triangular:
		return a / math.Sqrt(6)
	case Arcsine:
		return a / math.Sqrt2
	}
	return math.NaN()
}

// Resolution is the standard uncertainty q/√12 of a converter or display whose
// last step is q wide: any value within ±q/2 is as likely. Source: GUM F.2.2.1.
func Resolution(q float64) float64 { return q / math.Sqrt(12) }

// Class groups sources for people who look for what dominates.
type Class string

// The classes of sources.
const (
	Gain           Class = "gain"
	Offset         Class = "offset"
	Step           Class = "converter step"
	Noise          Class = "noise"
	Scatter        Class = "scatter"
	Path           Class = "path"
	Leakage        Class = "leakage"
	HeldLevel      Class = "held level"
	ForcedLevel    Class = "forced level"
	Return         Class = "return"
	Settling       Class = "settling"
	Hum            Class = "hum"
	Temperature    Class = "temperature"
	ThermalVoltage Class = "thermal voltage"
	Model          Class = "model"
	Contact        Class = "contact"    // of the socket, Ω
	Correction     Class = "correction" // what is left where an error was measured and taken off
)

// Source is one cause of error. Its identity is its pointer: the same *Source in
// two values is the same error seen twice, so that it cancels or adds as it
// really does. It must not be changed once a value refers to it.
type Source struct {
	Name    string // "gain of channel 1A, sensing 10 mA range"
	Class   Class
	Dist    Distribution
	U       float64 // standard uncertainty, in the source's own unit; +Inf for one that is unknown
	DF      float64 // degrees of freedom: +Inf for a U that is known; 0, NaN or below 1 is no knowledge at all
	Pool    *Pool   // nil, or the estimate of scatter that U shares with other sources
	Assumed bool    // rests on a stated default, not on the bench's definition
}

// Pool is one estimate of scatter behind several sources (intercept and slope of
// one line, readings taken at the same time): their errors are independent, but
// the degrees of freedom are shared. Its identity is its pointer.
type Pool struct{ Name string }

// NewSource returns a source whose standard uncertainty u is known.
func NewSource(name string, class Class, dist Distribution, u float64) *Source {
	return &Source{Name: name, Class: class, Dist: dist, U: u, DF: math.Inf(1)}
}

// Unknown returns a source of which nothing is known: whatever depends on it has
// an interval without end.
func Unknown(name string, class Class) *Source {
	return &Source{Name: name, Class: class, U: math.Inf(1), DF: math.Inf(1)}
}

// Term is how a value depends on one source.
type Term struct {
	Source *Source
	C      float64 // sensitivity: unit of the value per unit of the source
}

// Value is an estimate with its dependence on sources, to first order. Terms
// hold each source once, in order of first use; they are shared between values
// and must not be changed.
type Value struct {
	X     float64
	Terms []Term
}

// Exact is a number without error, such as a count or a definition.
func Exact(x float64) Value { return Value{X: x} }

// noSource stands for a source that was not given: it must not be lost.
var noSource = Unknown("a source that was not given", Model)

// Of is the estimate x with the error of the source s, in the same unit.
func Of(x float64, s *Source) Value { return Exact(x).With(s, 1) }

// With is a with one more source of sensitivity c (unit of a per unit of s).
func (a Value) With(s *Source, c float64) Value {
	if s == nil {
		s, c = noSource, 1
	}
	return linear2(a.X, a, 1, Value{Terms: []Term{{s, c}}}, 1)
}
