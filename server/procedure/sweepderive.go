package procedure

import (
	"fmt"
	"math"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
	"ohmkeep/server/derive"
)

// maxShapePoints is how many points of a curve are kept for the diode fit; a
// longer curve is thinned evenly.
const maxShapePoints = 512

// curve gathers one curve of a sweep. It is filled without allocation and used
// again for the next curve.
type curve struct {
	whole, start, middle, end line
	points                    []derive.IV // thinned, for the diode
	uv, ui                    []float64   // of the points kept
	low, high                 extreme     // of readings that count
	clampLow, clampHigh       extreme     // of readings at the compliance
	hits, n                   int
	flags                     bench.Flags
}

// extreme is the lowest or highest sensed value so far.
type extreme struct {
	x, u float64
	set  bool
}

func (e *extreme) take(x, u float64, high bool) {
	if !e.set || (high && x > e.x) || (!high && x < e.x) {
		*e = extreme{x, u, true}
	}
}

func (c *curve) reset() { *c = curve{points: c.points[:0], uv: c.uv[:0], ui: c.ui[:0]} }

// sweepDeriver derives one curve after another.
type sweepDeriver struct {
	kit
	curve
	steps  []string // labels of the stepped levels
	group  int      // at work; -1 before the first reading
	stride int      // of the points kept
	window int      // points at the start, in the middle and at the end
	done   []Result
}

func newSweepDeriver(k kit) *sweepDeriver {
	n := k.m.Sweep.Count()
	s := &sweepDeriver{kit: k, group: -1, stride: (n + maxShapePoints - 1) / maxShapePoints, window: max(3, n/20)}
	s.steps = k.m.stepLabels(&s.kit)
	s.points = make([]derive.IV, 0, maxShapePoints+1)
	s.uv, s.ui = make([]float64, 0, maxShapePoints+1), make([]float64, 0, maxShapePoints+1)
	return s
}

func (s *sweepDeriver) Add(o Observation) {
	if o.Flags.Has(bench.Auxiliary) {
		return
	}
	if g := int(o.Group); g != s.group {
		if g >= s.m.curves() {
			return
		}
		s.finish()
		s.group = g
	}
	s.n++
	s.flags |= o.Flags & untrusted
	y, u := s.sensed(&o)
	if o.Flags.Has(bench.InCompliance) {
		s.hits++
		s.clampLow.take(y, u, false)
		s.clampHigh.take(y, u, true)
		return
	}
	s.low.take(y, u, false)
	s.high.take(y, u, true)
	s.fitPoint(&o)
}

// sensed is the quantity that was not forced, with its standard uncertainty.
func (s *sweepDeriver) sensed(o *Observation) (y, u float64) {
	uv, ui := o.standard()
	if s.m.Use == UseCurrent {
		return o.V, uv
	}
	return o.I, ui
}

func (s *sweepDeriver) fitPoint(o *Observation) {
	uv, ui := o.standard()
	e := end{x: o.V, y: o.I, ux: uv, uy: ui}
	if s.m.Use == UseCurrent {
		e = end{x: o.I, y: o.V, ux: ui, uy: uv}
	}
	s.whole.add(e)
	n := s.m.Sweep.Count()
	i := int(o.Point) % n
	if i < s.window {
		s.start.add(e)
	}
	if 2*i+s.window >= n && 2*i-s.window < n {
		s.middle.add(e)
	}
	if i >= n-s.window {
		s.curve.end.add(e)
	}
	if i%s.stride == 0 && len(s.points) < cap(s.points) {
		s.points = append(s.points, derive.IV{V: o.V, I: o.I})
		s.uv, s.ui = append(s.uv, uv), append(s.ui, ui)
	}
}

// finish keeps the results of the curve at work and makes room for the next.
func (s *sweepDeriver) finish() {
	if s.group < 0 {
		return
	}
	s.done = s.current(s.done)
	s.reset()
}

func (s *sweepDeriver) Results() []Result {
	out := append([]Result(nil), s.done...)
	if s.group >= 0 {
		out = s.current(out)
	}
	return out
}

// current appends what can be said of the curve at work.
func (s *sweepDeriver) current(out []Result) []Result {
	if s.n == 0 {
		return out
	}
	pin, _, _ := s.m.curve(s.group)
	at := value{pin: pin, group: s.m.curveLabel(s.steps, s.group), flags: s.flags}
	if s.hits > 0 {
		at.note = fmt.Sprintf("%d of %d readings at the %s compliance left out", s.hits, s.n, say(s.m.Compliance, s.m.Use.SensedUnit()))
	}
	out = s.lines(out, at)
	out = s.extremes(out, at)
	out = s.diode(out, at)
	hits := at
	hits.key, hits.of, hits.counted, hits.note = "compliance-hits", budget.Exact(float64(s.hits)), true, ""
	return s.add(out, hits)
}

// with fills in a copy of the value.
func (v value) with(key string, x, u float64) value {
	v.key, v.of = key, guessed(x, u)
	return v
}

// lines are the straight-line results: of the whole curve, and its slope at the
// start, in the middle and at the end.
func (s *sweepDeriver) lines(out []Result, at value) []Result {
	if s.whole.x.N() < 2 {
		return out
	}
	slope, u := s.whole.fit()
	out = s.add(out, s.slope(at, "resistance", UseCurrent, slope, u))
	out = s.add(out, s.slope(at, "conductance", UseVoltage, slope, u))
	out = s.origin(out, at, slope)
	y, uy := s.whole.intercept()
	cut := at.with("intercept", y, uy)
	cut.unit = s.m.Use.SensedUnit()
	out = s.add(out, cut)
	for _, w := range []struct {
		key string
		l   *line
	}{{"resistance-start", &s.start}, {"resistance-middle", &s.middle}, {"resistance-end", &s.curve.end}} {
		if w.l.x.N() >= 2 {
			slope, u := w.l.fit()
			out = s.add(out, s.slope(at, w.key, UseCurrent, slope, u))
		}
	}
	return out
}

// slope is a slope as a result. As it stands it belongs to the use direct, a
// resistance to a forced current; for the other use it is turned round, and may
// then be known only as a bound.
func (s *sweepDeriver) slope(at value, key string, direct Use, slope, u float64) value {
	if s.m.Use == direct {
		return at.with(key, slope, u)
	}
	x, ux, known := inverse(slope, u)
	v := at.with(key, x, ux)
	if !known {
		v.only, v.bound = true, 1
		v.note = joinLabel("no slope to be seen: at least this", at.note)
	}
	return v
}

// origin is the line through zero. It says nothing of a curve that does not head
// for zero, such as that of a driven output: there it is given only where a limit
// asks for it. Whether it does is known when the curve is whole.
func (s *sweepDeriver) origin(out []Result, at value, slope float64) []Result {
	if s.whole.sxx == 0 || !s.complete() {
		return out
	}
	through, u := s.whole.origin()
	if _, limited := s.m.Limits["resistance-origin"]; !limited && !(through/slope > 0.5 && through/slope < 2) {
		return out
	}
	return s.add(out, s.slope(at, "resistance-origin", UseCurrent, through, u))
}

// complete reports whether all readings of the curve at work have come. What may
// turn out not to apply is held back until then, so that no result is left over
// that a later reading has taken back.
func (s *sweepDeriver) complete() bool { return s.n >= s.m.Sweep.Count()*s.m.repeats() }

// extremes are the lowest and highest sensed values. Readings at the compliance
// do not count, but where one lies further out and a limit on that side is set,
// the limit is judged on it: it says whether the limit is broken, or nothing.
func (s *sweepDeriver) extremes(out []Result, at value) []Result {
	for _, e := range []struct {
		key          string
		free, clamps extreme
		side         int
	}{{"minimum", s.low, s.clampLow, -1}, {"maximum", s.high, s.clampHigh, 1}} {
		v := at.with(e.key, e.free.x, e.free.u)
		v.unit = s.m.Use.SensedUnit()
		lim := s.m.Limits[e.key]
		limited := e.side < 0 && lim.Low != nil || e.side > 0 && lim.High != nil
		further := e.clamps.set && (!e.free.set || float64(e.side)*(e.clamps.x-e.free.x) > 0)
		if further && (limited || !e.free.set) {
			v.of, v.bound = guessed(e.clamps.x, e.clamps.u), e.side
			v.flags |= bench.InCompliance
			v.note = fmt.Sprintf("at the %s compliance", say(s.m.Compliance, s.m.Use.SensedUnit()))
		}
		if e.free.set || e.clamps.set {
			out = s.add(out, v)
		}
	}
	return out
}

// What a curve must be like to be called a diode: the law holds over two decades
// of current, with a believable ideality and a knee. Common practice.
const (
	diodeLeastPoints = 5
	diodeLeastN      = 0.7
	diodeMostN       = 3.0
	diodeSpan        = 100.0
	diodeKnee        = 1e-3 // Is against the largest current
	diodeKelvin      = 300.0
)

// diode fits the diode law where the curve looks like one. A curve taken on the
// other side of zero is turned round.
func (s *sweepDeriver) diode(out []Result, at value) []Result {
	if len(s.points) < diodeLeastPoints || !s.complete() {
		return out
	}
	most := 0
	for i, p := range s.points {
		if math.Abs(p.I) > math.Abs(s.points[most].I) {
			most = i
		}
	}
	top, uv, ui := s.points[most], s.uv[most], s.ui[most]
	turn := 1.0
	if top.I < 0 {
		turn = -1
	}
	if top.V*turn <= 0 {
		return out
	}
	turned := make([]derive.IV, len(s.points))
	for i, p := range s.points {
		turned[i] = derive.IV{V: turn * p.V, I: turn * p.I}
	}
	d, err := derive.ExtractDiode(turned, derive.DiodeOptions{Kelvin: diodeKelvin})
	iTop := math.Abs(top.I)
	if err != nil || d.N < diodeLeastN || d.N > diodeMostN || !(d.Is < diodeKnee*iTop) ||
		!(d.Is > 0) || d.NSD > 0.2*d.N || iTop < diodeSpan*max(d.FloorA, d.Is) {
		return out
	}
	at.note = joinLabel("junction taken at 300 K", at.note)
	// A gain error scales all voltages, an offset moves them: the first goes into
	// n, the second into Is.
	slope := d.N * derive.ThermalVoltage(diodeKelvin)
	out = s.add(out, at.with("ideality", d.N, math.Hypot(finiteOr(d.NSD, 0), d.N*relative(uv, top.V))))
	lnIs := budget.RootSumSquares(finiteOr(d.LnIsSD, 0), uv/slope, relative(ui, top.I))
	out = s.add(out, at.with("saturation-current", d.Is, d.Is*lnIs))
	if finite(d.RsSD) && d.Rs > 0 {
		out = s.add(out, at.with("series-resistance", d.Rs, math.Hypot(d.RsSD, uv/iTop)))
	}
	return out
}

func finiteOr(v, other float64) float64 {
	if finite(v) {
		return v
	}
	return other
}
