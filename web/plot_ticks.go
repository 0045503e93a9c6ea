package web

import (
	"math"
	"strconv"
	"strings"

	"ohmkeep/server/quantity"
)

// tick is one labelled line of an axis, at v as the scale counts it.
type tick struct {
	v     float64
	label string
}

// fit chooses ends, steps and labels for an axis that must show e with about
// n major steps.
func (s *scale) fit(e extent, n int) {
	if s.axis.Log {
		s.fitLog(e)
		return
	}
	lo, hi := e.lo, e.hi
	if span := hi - lo; span <= 1e-12*max(math.Abs(lo), math.Abs(hi)) {
		pad := max(math.Abs(lo)*0.1, 1e-15)
		lo, hi = lo-pad, hi+pad
	}
	s.step, s.minor = niceStep((hi - lo) / float64(n))
	if s.axis.Whole {
		lo, hi = math.Floor(lo)-0.5, math.Ceil(hi)+0.5
		if s.step <= 1 {
			s.step, s.minor = 1, 1
		}
	}
	fine := s.step / float64(s.minor)
	// A fifth of a minor space stays free at each end, so that no mark is cut.
	s.lo = math.Floor(lo/fine-0.2) * fine
	s.hi = math.Ceil(hi/fine+0.2) * fine
	if s.axis.Whole {
		s.lo, s.hi = lo, hi
	}
	if top := max(math.Abs(s.lo), math.Abs(s.hi)); s.step < 2e-4*top {
		coarse := s.step * 10
		s.offset = math.Floor(lo/coarse) * coarse
	}
	s.unit, s.factor = axisUnit(max(math.Abs(s.lo-s.offset), math.Abs(s.hi-s.offset)), s.axis.Unit)
}

func (s *scale) fitLog(e extent) {
	s.lo, s.hi = math.Floor(e.lo+1e-9), math.Ceil(e.hi-1e-9)
	if s.hi <= s.lo {
		s.lo, s.hi = math.Floor(e.lo)-1, math.Floor(e.lo)+1
	}
	s.unit, s.factor = string(s.axis.Unit), 1
}

// niceStep rounds a step up to 1, 2 or 5 times a power of ten, and says into
// how many minor spaces it divides.
func niceStep(raw float64) (step float64, minor int) {
	p := math.Pow(10, math.Floor(math.Log10(raw)))
	switch f := raw / p; {
	case f <= 1:
		return p, 5
	case f <= 2:
		return 2 * p, 4
	case f <= 5:
		return 5 * p, 5
	}
	return 10 * p, 5
}

// axisUnit returns the prefixed unit that suits an axis that reaches top, and
// the factor from the base unit to it. The prefix is quantity's choice.
func axisUnit(top float64, unit quantity.Unit) (string, float64) {
	if top <= 0 || unit == quantity.One {
		return string(unit), 1
	}
	exp := 3 * int(math.Floor(math.Log10(top*(1+1e-9))/3))
	exp = min(max(exp, -15), 12)
	name, ok := strings.CutPrefix(quantity.Format(math.Pow10(exp), unit, 1), "1 ")
	if !ok || name == string(unit) {
		return string(unit), 1
	}
	return name, math.Pow10(-exp)
}

// title returns the caption of the axis: quantity and unit, and the offset
// that was taken off.
func (s *scale) title() string {
	t := s.axis.Label
	if s.offset != 0 {
		t += " − " + quantity.Format(s.offset, s.axis.Unit, s.offsetDigits())
	}
	if s.unit != "" {
		t += " / " + s.unit
	}
	return t
}

// offsetDigits returns how many digits print the offset exactly: it is a
// multiple of ten steps.
func (s *scale) offsetDigits() int {
	if s.offset == 0 {
		return 1
	}
	return max(1, int(math.Floor(math.Log10(math.Abs(s.offset))+1e-9)-math.Floor(math.Log10(s.step*10)+1e-9))+1)
}

// ticks returns the major lines with labels and the minor lines without.
func (s *scale) ticks() (major []tick, minor []float64) {
	if s.axis.Log {
		return s.ticksLog()
	}
	fine := s.step / float64(s.minor)
	first, last := math.Ceil(s.lo/fine-1e-9), math.Floor(s.hi/fine+1e-9)
	places := max(0, int(math.Ceil(-math.Log10(s.step*s.factor)-1e-9)))
	for k := first; k <= last && len(minor) < 400; k++ {
		if math.Mod(k, float64(s.minor)) != 0 {
			minor = append(minor, k*fine)
			continue
		}
		v := k * fine
		major = append(major, tick{v, number((v-s.offset)*s.factor, places)})
	}
	return major, minor
}

func (s *scale) ticksLog() (major []tick, minor []float64) {
	decades := int(s.hi - s.lo)
	every := max(1, (decades+7)/8)
	for d := range decades + 1 {
		e := s.lo + float64(d)
		t := tick{v: e}
		if d%every == 0 {
			t.label = quantity.Format(math.Pow(10, e), s.axis.Unit, 1)
		}
		major = append(major, t)
		if decades > 8 || d == decades {
			continue
		}
		for m := 2.0; m < 10; m++ {
			minor = append(minor, e+math.Log10(m))
		}
	}
	return major, minor
}

// number formats v with a true minus sign; a rounded zero has none.
func number(v float64, places int) string {
	t := strconv.FormatFloat(v, 'f', min(places, 12), 64)
	if len(t) > 9 {
		t = strconv.FormatFloat(v, 'g', 4, 64)
	}
	if strings.Trim(t, "-0.") == "" {
		return strings.TrimPrefix(t, "-")
	}
	return strings.Replace(t, "-", "−", 1)
}
