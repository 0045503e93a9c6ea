package procedure

import (
	"fmt"
	"math"

	"ohmkeep/server/bench"
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
	ends                      []end       // of the points kept
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

func (c *curve) reset() { *c = curve{points: c.points[:0], ends: c.ends[:0]} }

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
	s.ends = make([]end, 0, maxShapePoints+1)
	return s
}

func (s *sweepDeriver) Add(o Observation) {
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
	if s.m.Use == UseCurrent {
		return o.V, o.UV
	}
	return o.I, o.UI
}

func (s *sweepDeriver) fitPoint(o *Observation) {
	x, y := o.V, o.I
	if s.m.Use == UseCurrent {
		x, y = o.I, o.V
	}
	e := end{x: x, v: o.V, i: o.I, uv: o.UV, ui: o.UI}
	s.whole.add(x, y, e)
	n := s.m.Sweep.Count()
	i := int(o.Point) % n
	if i < s.window {
		s.start.add(x, y, e)
	}
	if 2*i+s.window >= n && 2*i-s.window < n {
		s.middle.add(x, y, e)
	}
	if i >= n-s.window {
		s.curve.end.add(x, y, e)
	}
	if i%s.stride == 0 && len(s.points) < cap(s.points) {
		s.points = append(s.points, derive.IV{V: o.V, I: o.I})
		s.ends = append(s.ends, e)
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
		at.note = fmt.Sprintf("%d of %d readings at the %s compliance left out", s.hits, s.n, say(s.m.Compliance, unitSensed(s.m.Use)))
	}
	out = s.lines(out, at)
	out = s.extremes(out, at)
	out = s.diode(out, at)
	hits := at
	hits.key, hits.x, hits.note = "compliance-hits", float64(s.hits), ""
	return s.add(out, hits)
}

// with fills in a copy of the value.
func (v value) with(key string, x, u float64) value {
	v.key, v.x, v.u = key, x, u
	return v
}

// lines are the straight-line results: of the whole curve, and its slope at the
// start, in the middle and at the end.
func (s *sweepDeriver) lines(out []Result, at value) []Result {
	ohms := func(slope, u float64) (float64, float64) {
		if s.m.Use == UseCurrent {
			return slope, u
		}
		return inverse(slope, u)
	}
	if s.whole.x.N() >= 1 && s.whole.sxx > 0 {
		r, u := ohms(s.whole.origin())
		out = s.add(out, at.with("resistance-origin", r, u))
	}
	if s.whole.x.N() < 2 {
		return out
	}
	slope, us := s.whole.fit()
	r, u := ohms(slope, us)
	out = s.add(out, at.with("resistance", r, u))
	g, ug := slope, us
	if s.m.Use == UseCurrent {
		g, ug = inverse(slope, us)
	}
	out = s.add(out, at.with("conductance", g, ug))
	far := s.whole.most
	uy := far.uv
	if s.m.Use == UseVoltage {
		uy = far.ui
	}
	y, uy := s.whole.intercept(uy)
	cut := at.with("intercept", y, uy)
	cut.unit = unitSensed(s.m.Use)
	out = s.add(out, cut)
	for _, w := range []struct {
		key string
		l   *line
	}{{"resistance-start", &s.start}, {"resistance-middle", &s.middle}, {"resistance-end", &s.curve.end}} {
		if w.l.x.N() >= 2 {
			r, u := ohms(w.l.fit())
			out = s.add(out, at.with(w.key, r, u))
		}
	}
	return out
}

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
		v.unit = unitSensed(s.m.Use)
		lim := s.m.Limits[e.key]
		limited := e.side < 0 && lim.Low != nil || e.side > 0 && lim.High != nil
		further := e.clamps.set && (!e.free.set || float64(e.side)*(e.clamps.x-e.free.x) > 0)
		if further && (limited || !e.free.set) {
			v.x, v.u, v.bound = e.clamps.x, e.clamps.u, e.side
			v.flags |= bench.InCompliance
			v.note = fmt.Sprintf("at the %s compliance", say(s.m.Compliance, unitSensed(s.m.Use)))
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
	if len(s.points) < diodeLeastPoints {
		return out
	}
	most := 0
	for i, p := range s.points {
		if math.Abs(p.I) > math.Abs(s.points[most].I) {
			most = i
		}
	}
	top := s.ends[most]
	turn := 1.0
	if top.i < 0 {
		turn = -1
	}
	if top.v*turn <= 0 {
		return out
	}
	turned := make([]derive.IV, len(s.points))
	for i, p := range s.points {
		turned[i] = derive.IV{V: turn * p.V, I: turn * p.I}
	}
	d, err := derive.ExtractDiode(turned, derive.DiodeOptions{Kelvin: diodeKelvin})
	iTop := math.Abs(top.i)
	if err != nil || d.N < diodeLeastN || d.N > diodeMostN || !(d.Is < diodeKnee*iTop) ||
		!(d.Is > 0) || d.NSD > 0.2*d.N || iTop < diodeSpan*max(d.FloorA, d.Is) {
		return out
	}
	at.note = joinNotes("junction taken at 300 K", at.note)
	// A gain error scales all voltages, an offset moves them: the first goes into
	// n, the second into Is.
	slope := d.N * derive.ThermalVoltage(diodeKelvin)
	out = s.add(out, at.with("ideality", d.N, math.Hypot(finiteOr(d.NSD, 0), d.N*relative(top.uv, top.v))))
	lnIs := derive.RootSumSquares(finiteOr(d.LnIsSD, 0), top.uv/slope, relative(top.ui, top.i))
	out = s.add(out, at.with("saturation-current", d.Is, d.Is*lnIs))
	if finite(d.RsSD) && d.Rs > 0 {
		out = s.add(out, at.with("series-resistance", d.Rs, math.Hypot(d.RsSD, top.uv/iTop)))
	}
	return out
}

func finiteOr(v, other float64) float64 {
	if finite(v) {
		return v
	}
	return other
}

func joinNotes(a, b string) string {
	if b == "" {
		return a
	}
	return a + "; " + b
}
