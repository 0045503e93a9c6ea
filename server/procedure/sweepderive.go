package procedure

import (
	"fmt"
	"math"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
)

// sweepDeriver derives one curve after another.
type sweepDeriver struct {
	kit
	curve
	layout sweepLayout
	steps  []string // labels of the stepped levels
	group  int      // at work; -1 before the first reading
	stride int      // points in a cell
	done   []Result
}

func newSweepDeriver(k kit) *sweepDeriver {
	s := &sweepDeriver{kit: k, curve: newCurve(), layout: newSweepLayout(k.m, k.d), group: -1}
	s.stride = (s.layout.n + maxCells - 1) / maxCells
	s.steps = k.m.stepLabels(&s.kit)
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
	j, held := s.layout.place(s.group, o.Point)
	if o.Flags.Has(bench.Auxiliary) {
		s.takeBeside(&o, j, held)
		return
	}
	s.n++
	s.flags |= o.Flags & untrusted
	if !finite(o.V) || !finite(o.I) {
		s.broken++
		return
	}
	if o.Flags.Has(bench.InCompliance) {
		y := o.I
		if s.m.Use == UseCurrent {
			y = o.V
		}
		s.hits++
		s.low.take(y, &o, false)
		s.high.take(y, &o, true)
		return
	}
	s.take(&o, j, s.stride)
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
	if s.broken > 0 {
		at.note = joinLabel(fmt.Sprintf("%d of %d readings were no number", s.broken, s.n), at.note)
	}
	if l := s.notHeld(); l != nil {
		at.lost = s.label(l.Segment.Drives[l.Drive].Pin) + " was at its compliance: the condition was not reached"
	}
	var p *pinPoints
	if len(s.cells) > 0 {
		p = s.atPins(s.m)
		out = s.lines(out, at, p)
	}
	out = s.extremes(out, at, p)
	if p != nil && s.complete() {
		out = s.diode(out, at, p)
	}
	hits := at
	hits.key, hits.of, hits.counted, hits.note = "compliance-hits", budget.Exact(float64(s.hits)), true, ""
	return s.add(out, hits)
}

// as fills in a copy of the value.
func (v value) as(key string, of budget.Value) value {
	v.key, v.of = key, of
	return v
}

// lines are the straight-line results: of the whole curve, and its slope at the
// start, in the middle and at the end.
func (s *sweepDeriver) lines(out []Result, at value, p *pinPoints) []Result {
	whole, ok := p.straightLine(0, len(p.nominal))
	if !ok {
		return out
	}
	slope := p.sum(whole.slope, p.nominal, whole.bySlope)
	out = s.add(out, s.slope(at, "resistance", UseCurrent, slope))
	out = s.add(out, s.slope(at, "conductance", UseVoltage, slope))
	out = s.origin(out, at, p, whole.slope)
	cut := at.as("intercept", p.sum(whole.cut, p.nominal, whole.byCut))
	cut.unit = s.m.Use.SensedUnit()
	out = s.add(out, cut)
	for _, w := range []struct {
		key string
		is  func(j float64) bool
	}{{"resistance-start", s.atStart}, {"resistance-middle", s.inMiddle}, {"resistance-end", s.atEnd}} {
		if v, ok := p.part(w.is); ok {
			out = s.add(out, s.slope(at, w.key, UseCurrent, v))
		}
	}
	return out
}

// window is how many points there are at the start, in the middle and at the end.
func (s *sweepDeriver) window() float64 { return float64(max(3, s.layout.n/20)) }

func (s *sweepDeriver) atStart(j float64) bool { return j < s.window() }
func (s *sweepDeriver) atEnd(j float64) bool   { return j >= float64(s.layout.n)-s.window() }
func (s *sweepDeriver) inMiddle(j float64) bool {
	n := float64(s.layout.n)
	return 2*j+s.window() >= n && 2*j-s.window() < n
}

// part is the slope of a stretch of the curve.
func (p *pinPoints) part(is func(j float64) bool) (budget.Value, bool) {
	var sub pinPoints
	for k := range p.points {
		if is(p.points[k].pos) {
			sub.points = append(sub.points, p.points[k])
			sub.nominal = append(sub.nominal, p.nominal[k])
		}
	}
	l, ok := sub.straightLine(0, len(sub.nominal))
	if !ok {
		return budget.Value{}, false
	}
	return p.sum(l.slope, sub.nominal, l.bySlope), true
}

// slope is a slope as a result. As it stands it belongs to the use direct, a
// resistance to a forced current; for the other use it is turned round, and may
// then be known only as a bound.
func (s *sweepDeriver) slope(at value, key string, direct Use, slope budget.Value) value {
	v := at.as(key, slope)
	if s.m.Use == direct {
		return v
	}
	said := slope.State(budget.Coverage)
	if len(slope.Terms) == 0 || said.Low > 0 || said.High < 0 {
		v.through = inverted(slope.X)
		return v
	}
	least := 0.0
	if said.Finite() {
		least = 1 / (math.Abs(slope.X) + said.U)
	}
	v.of, v.only, v.bound = budget.Exact(least), true, 1
	v.note = joinLabel("no slope to be seen: at least this", at.note)
	return v
}

// origin is the line through zero. It says nothing of a curve that does not head
// for zero, such as that of a driven output: there it is given only where a limit
// asks for it. Whether it does is known when the curve is whole.
func (s *sweepDeriver) origin(out []Result, at value, p *pinPoints, slope float64) []Result {
	through, by, ok := p.throughZero()
	if !ok || !s.complete() {
		return out
	}
	if _, limited := s.m.Limits["resistance-origin"]; !limited && !(through/slope > 0.5 && through/slope < 2) {
		return out
	}
	return s.add(out, s.slope(at, "resistance-origin", UseCurrent, p.sum(through, p.nominal, by)))
}

// complete reports whether all readings of the curve at work have come. What may
// turn out not to apply is held back until then, so that no result is left over
// that a later reading has taken back.
func (s *sweepDeriver) complete() bool { return s.n >= s.m.Sweep.Count()*s.m.repeats() }

// extremes are the lowest and highest sensed values. Readings at the compliance
// do not count, but where one lies further out and a limit on that side is set,
// the limit is judged on it: it says whether the limit is broken, or nothing.
func (s *sweepDeriver) extremes(out []Result, at value, p *pinPoints) []Result {
	for _, e := range []struct {
		key   string
		clamp *clampedAt
		side  int
	}{{"minimum", &s.low, -1}, {"maximum", &s.high, 1}} {
		v := at
		v.key, v.unit = e.key, s.m.Use.SensedUnit()
		if p != nil {
			v.of = p.extreme(float64(e.side))
		}
		lim := s.m.Limits[e.key]
		limited := e.side < 0 && lim.Low != nil || e.side > 0 && lim.High != nil
		further := e.clamp.set && (p == nil || float64(e.side)*(e.clamp.y-v.of.X) > 0)
		if further && (limited || p == nil) {
			v.of, v.bound = s.clamped(e.clamp), e.side
			v.flags |= bench.InCompliance
			v.note = fmt.Sprintf("at the %s compliance", say(s.m.Compliance, s.m.Use.SensedUnit()))
		}
		if p != nil || e.clamp.set {
			out = s.add(out, v)
		}
	}
	return out
}

// clamped is the sensed quantity of a reading at the compliance.
func (s *sweepDeriver) clamped(e *clampedAt) budget.Value {
	c := cell{sense: e.sense, v: e.v, i: e.i, n: 1}
	q := s.readBackValues().point(s.m, &c)
	u := math.Hypot(q.uy, q.qy)
	if u == 0 {
		return q.y
	}
	return q.y.With(budget.NewSource("noise of the reading", budget.Noise, budget.Normal, u), 1)
}
