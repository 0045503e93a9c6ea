package procedure

import (
	"fmt"
	"math"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
	"ohmkeep/server/derive"
	"ohmkeep/server/quantity"
)

// watchDeriver derives a watch: the readings as any kind's spots, and besides the
// Allan deviation of each pin.
type watchDeriver struct {
	*spotDeriver
	over   []overTime // of the measured pins, in their order
	at     uint32     // the point that is watched
	points int
}

// overTime is what is known of one pin over time besides its statistics.
type overTime struct {
	allan derive.AllanStream
	hits  int // readings at the compliance
}

func newWatchDeriver(k Kind, kt kit) *watchDeriver {
	w := &watchDeriver{spotDeriver: newSpots(k, kt, nil), over: make([]overTime, len(kt.m.Pins))}
	for p := range k.Points(kt.m, kt.d) {
		if !p.Auxiliary {
			w.at = uint32(w.points)
		}
		w.points++
	}
	return w
}

func (w *watchDeriver) Add(o Observation) {
	w.spotDeriver.Add(o)
	if o.Point != w.at || o.Flags.Has(bench.Auxiliary) {
		return
	}
	for i, pin := range w.m.Pins {
		if pin != int(o.Pin) {
			continue
		}
		y := o.I
		if w.m.Use == UseCurrent {
			y = o.V
		}
		w.over[i].allan.Add(y)
		if o.Flags.Has(bench.InCompliance) {
			w.over[i].hits++
		}
		return
	}
}

// spot is that of a measured pin at a point.
func (w *watchDeriver) spot(point, i int) *spot { return &w.spots[point*len(w.m.Pins)+i] }

func (w *watchDeriver) Results() []Result {
	var out []Result
	for i := range w.m.Pins {
		if s := w.spot(int(w.at), i); s.read() {
			out = w.watched(out, s, i)
		}
	}
	return out
}

// conditions are those that the points beside the watch have moved, for one pin.
func (w *watchDeriver) conditions(i int) []condition {
	var after *spot
	if last := w.points - 1; last > int(w.at) {
		after = w.spot(last, i)
	}
	var moved []*spot
	for p := 1; p < int(w.at); p++ {
		moved = append(moved, w.spot(p, i))
	}
	return w.spot(int(w.at), i).conditions(w.m.Use, w.spot(0, i), after, moved)
}

func (w *watchDeriver) watched(out []Result, s *spot, i int) []Result {
	y, r := s.sensed(w.m.Use)
	over, n := &w.over[i], y.N()
	at := value{pin: s.pin, unit: w.m.Use.SensedUnit(), flags: s.flags, lost: w.lost(s)}
	if over.hits > 0 {
		at.note = fmt.Sprintf("%d of %d readings at the %s compliance", over.hits, n, say(w.m.Compliance, at.unit))
	}
	conditions := w.conditions(i)
	mean := at
	mean.key, mean.of = "mean", s.taken(w.m.Use, conditions, false)
	if over.hits == n {
		mean.bound = sign(mean.x())
	}
	out = w.add(out, mean)
	out = w.add(out, at.deviation("sd", y.SD(), scatterDF(y), r))
	for _, e := range []struct {
		key string
		x   float64
	}{{"minimum", y.Min()}, {"maximum", y.Max()}} {
		v := at
		v.key, v.bound, v.of = e.key, mean.bound, w.extreme(s, over, e.x, conditions)
		out = w.add(out, v)
	}
	if v, ok := w.drift(at, y, r); ok {
		out = w.add(out, v)
	}
	return w.allan(out, at, over, r)
}

// extreme is the lowest or highest reading, as what was at the pin when it was
// taken: the accuracy of a single reading, whose noise is that of one chosen out
// of all.
func (w *watchDeriver) extreme(s *spot, over *overTime, x float64, conditions []condition) budget.Value {
	y, r := s.sensed(w.m.Use)
	v := s.with(s.only(w.m.Use, x)).taken(w.m.Use, conditions, false)
	if r == nil {
		return v
	}
	if chosen := r.Chosen(y.N(), over.noise(), s.sense.Cycles); chosen.U > 0 {
		v = v.With(chosen, 1)
	}
	return v
}

// noise is the standard deviation of one reading as the differences of neighbours
// show it, which a drift does not touch; 0 where it is not known.
func (o *overTime) noise() float64 {
	if points := o.allan.Points(0); len(points) > 0 {
		return points[0].Dev
	}
	return 0
}

// drift is the slope of the line through the readings, per hour, with what the
// scatter about the line leaves open: readings that resemble their neighbours
// leave more. What the bench itself drifts by is in it, and not counted.
func (w *watchDeriver) drift(at value, y *derive.Accumulator, r *bench.RangeErrors) (value, bool) {
	slope, sd := y.Drift()
	if math.IsNaN(slope) {
		return at, false
	}
	at.key, at.unit = "drift", at.unit+"/h"
	at.of = budget.Exact(slope * 3600)
	at.note = joinLabel(at.note, "a drift of the bench itself is in it, and not counted")
	if r == nil {
		return at, true
	}
	if r.Range.Gain != 0 {
		at.of = at.of.With(r.Gain, slope*3600)
	}
	residual := y.ResidualSD()
	if r.Step > 0 && !(residual > r.Step/2) {
		// Any two readings may each be off by half a step.
		at.of = at.of.With(budget.NewSource("converter step of "+r.Name, budget.Step, budget.Triangular,
			budget.Triangular.FromHalfWidth(r.Step)), 3600/y.Span())
	}
	if residual > 0 {
		s := budget.NewSource("scatter of "+r.Name, budget.Scatter, budget.Student, sd)
		s.U, s.DF = slopeOfSeries(y, sd)
		at.of = at.of.With(s, 3600)
	}
	return at, true
}

// slopeOfSeries is the standard uncertainty and the degrees of freedom of the
// slope through successive readings that may resemble their neighbours. sd is the
// standard deviation that independent ones would have. A slow wave looks like a
// slope as much as like another mean, so that both widen by the same factor.
func slopeOfSeries(y *derive.Accumulator, sd float64) (u, df float64) {
	n, lag := y.N(), y.ResidualLag1()
	if n < bench.SeriesLeast || math.IsNaN(lag) {
		return sd, float64(n - 2)
	}
	// The line takes one more degree of freedom off than a mean does.
	u, df = budget.MeanOfSeries(n-1, 1, lag)
	return sd * u * math.Sqrt(float64(n-1)), df
}

// deviation is a standard or Allan deviation with df degrees of freedom as it
// tells of the true one: by χ², to which the gain of the range adds.
func (v value) deviation(key string, dev, df float64, r *bench.RangeErrors) value {
	v.key, v.of = key, budget.Exact(dev)
	low, high := budget.DeviationInterval(dev, df, budget.Coverage)
	if dev == 0 && r != nil && r.Step > 0 {
		// All read the same: what scatter there is stays within a step.
		v.of = v.of.With(budget.NewSource("converter step of "+r.Name, budget.Step, budget.Rectangular, budget.Resolution(r.Step)), 1)
	}
	if !finite(dev) || !finite(high) || dev == 0 {
		return v
	}
	s := budget.NewSource("how much so few readings tell of their scatter", budget.Scatter, budget.Student, dev/math.Sqrt(2*df))
	s.DF = df
	v.of = v.of.With(s, 1)
	below, above := dev-low, high-dev
	if r != nil && r.Range.Gain > 0 {
		v.of = v.of.With(r.Gain, dev)
		gain := dev * r.Range.Gain * budget.Coverage
		below, above = math.Hypot(below, gain), math.Hypot(above, gain)
	}
	said := v.of.State(budget.Coverage)
	said.Low, said.High, said.U = dev-below, dev+above, max(below, above)
	said.K, said.DF = said.U/said.Uc, df
	v.said = &said
	return v
}

// scatterDF is the degrees of freedom of the standard deviation of successive
// readings: fewer where they resemble their neighbours, by (1-r²)/(1+r²) for
// first-order autoregression with a lag-1 autocorrelation r. Source: Bartlett
// (1946), J. Roy. Statist. Soc. Suppl. 8, 27-41, for the variance of a sum of
// squares (from memory).
func scatterDF(y *derive.Accumulator) float64 {
	df := float64(y.N() - 1)
	if y.N() < bench.SeriesLeast {
		return df
	}
	if r := y.Lag1(); r > 0 {
		df *= (1 - r*r) / (1 + r*r)
	}
	return max(df, 1)
}

// Of the Allan deviations, those of the first octaves that rest on a few pairs.
// The type of noise is told from the next octave only where both rest on many.
const (
	allanOctaves    = 6
	allanLeastPairs = 3
	allanManyPairs  = 50
)

func (w *watchDeriver) allan(out []Result, at value, over *overTime, r *bench.RangeErrors) []Result {
	points := over.allan.Points(w.m.Interval)
	for i, a := range points {
		if i >= allanOctaves || a.Pairs < allanLeastPairs {
			break
		}
		noise := derive.WhiteNoise
		if i+1 < len(points) && points[i+1].Pairs >= allanManyPairs {
			noise = derive.NoiseOf(a, points[i+1])
		}
		v := at.deviation("allan-deviation", a.Dev, a.DF(noise), r)
		v.group = fmt.Sprintf("%d readings", a.M)
		if w.m.Interval > 0 {
			v.group = "tau " + say(a.Tau, quantity.Second)
		}
		out = w.add(out, v)
	}
	return out
}
