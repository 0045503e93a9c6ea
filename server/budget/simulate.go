package budget

import (
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// The trials of a simulation: batches until the ends of the interval are known.
const (
	trialsPerBatch = 10_000
	leastBatches   = 4
	mostBatches    = 50
	endTolerance   = 0.02 // of the standard deviation, two standard errors of each end
	keptQuantiles  = 2000 // what a statement keeps of the distribution
)

// Simulate is Supplement 1 of the GUM (JCGM 101:2008, 7): every source is drawn
// once a trial, so that what is shared between the arguments stays shared, and f
// is computed. X is f of the estimates; the interval holds p with equal
// probabilities beyond its ends. Seeds are fixed: the same arguments give the
// same statement. For where first order fails; see Nonlinear. f must not keep x.
func Simulate(f func(x []float64) float64, p float64, args ...Value) Statement {
	return simulate(f, p, false, args)
}

// SimulateShortest is Simulate with the shortest interval that holds p: for a
// value near a bound that it cannot pass (JCGM 101:2008, 5.3.4).
func SimulateShortest(f func(x []float64) float64, p float64, args ...Value) Statement {
	return simulate(f, p, true, args)
}

func simulate(f func(x []float64) float64, p float64, shortest bool, args []Value) Statement {
	o := newOrders(f, args)
	linear := Linear(o.centre, make([]float64, len(args)), args...)
	for k, s := range o.sources {
		if o.one[k] != 0 && s.U != 0 {
			linear.Terms = append(linear.Terms, Term{s, o.one[k] / s.U})
		}
	}
	st := Statement{X: o.centre, P: p, Uc: math.NaN(), Lines: o.lines(), Simulated: true}
	if why := o.refused(p); why != "" {
		return st.endless(why)
	}
	t := newTrials(o)
	low, high, ok := t.run(p, shortest)
	if !ok {
		return st.endless("too many trials have no finite result")
	}
	st.Low, st.High, st.Uc = low, high, t.standardUncertainty()
	st.U = max(high-st.X, st.X-low)
	st.K = st.U / st.Uc
	st.DF = math.Inf(1)
	if parts, why := linear.parts(nil); why == "" && len(parts) > 0 {
		st.DF = effectiveDF(parts)
	}
	st.dist = distribution{quantiles: t.quantiles()}
	return st
}

// refused says why nothing can be simulated.
func (o *orders) refused(p float64) string {
	if bad(o.centre) {
		return whyEstimate
	}
	if !(p > 0 && p < 1) {
		return whyProbability
	}
	for _, a := range o.args {
		if bad(a.X) {
			return whyEstimate
		}
		if _, why := a.parts(nil); why != "" {
			return why
		}
	}
	for _, s := range o.sources {
		if s.U > 0 {
			return ""
		}
	}
	return whyNothing
}

// trials draws the sources and keeps what comes of it.
type trials struct {
	*orders
	rand    *rand.Rand
	x0      []float64 // the arguments without the scatter of the degrees of freedom
	chi     []distuv.ChiSquared
	pools   map[*Pool]float64 // of this trial: √(ν/χ²)
	results []float64         // sorted once run is over; what is not finite is only counted
	bad     int
	plain   []float64 // results of the first batch with known standard uncertainties
	finite  bool      // some source has finite degrees of freedom
}

func newTrials(o *orders) *trials {
	t := &trials{orders: o, rand: rand.New(rand.NewPCG(20080101, 2008)), pools: map[*Pool]float64{}}
	t.x0 = make([]float64, len(o.x))
	t.chi = make([]distuv.ChiSquared, len(o.sources))
	for i, s := range o.sources {
		if !math.IsInf(s.DF, 1) {
			t.chi[i] = distuv.ChiSquared{K: s.DF, Src: t.rand}
			t.finite = true
		}
	}
	return t
}

// run makes batches until both ends of the interval are known well enough.
func (t *trials) run(p float64, shortest bool) (low, high float64, ok bool) {
	var lows, highs []float64
	for b := range mostBatches {
		from, wasBad := len(t.results), t.bad
		for range trialsPerBatch {
			t.trial(b == 0)
		}
		batch := slices.Clone(t.results[from:])
		slices.Sort(batch)
		l, h, ok := interval(batch, t.bad-wasBad, p, shortest)
		if !ok {
			return 0, 0, false
		}
		lows, highs = append(lows, l), append(highs, h)
		if b+1 >= leastBatches && settled(lows, highs, p) {
			break
		}
	}
	slices.Sort(t.results)
	return interval(t.results, t.bad, p, shortest)
}

// settled says that twice the standard error of each end is small against the
// interval.
func settled(lows, highs []float64, p float64) bool {
	_, sl := meanSD(lows)
	_, sh := meanSD(highs)
	ml, mh := slices.Max(lows), slices.Min(highs)
	u := (mh - ml) / (2 * quantileNormal((1+p)/2))
	return 2*max(sl, sh)/math.Sqrt(float64(len(lows))) <= endTolerance*u
}

// trial draws every source once and keeps the result.
func (t *trials) trial(first bool) {
	t.reset()
	copy(t.x0, t.x)
	clear(t.pools)
	for k, s := range t.sources {
		z := t.draw(s.spreadAs())
		e := s.U * z
		known := e
		if t.chi[k].K > 0 {
			e *= t.stretch(k, s)
		}
		for i, c := range t.sens[k] {
			if c != 0 {
				t.x[i] += c * e
				t.x0[i] += c * known
			}
		}
	}
	y := t.f(t.x)
	if bad(y) {
		t.bad++
	} else {
		t.results = append(t.results, y)
	}
	if first && t.finite {
		if y := t.f(t.x0); !bad(y) {
			t.plain = append(t.plain, y)
		}
	}
}

// stretch is √(ν/χ²), by which Student's t is wider than the normal one; the same
// for all sources of a pool.
func (t *trials) stretch(k int, s *Source) float64 {
	if v, known := t.pools[s.Pool]; known && s.Pool != nil {
		return v
	}
	v := math.Sqrt(s.DF / t.chi[k].Rand())
	if s.Pool != nil {
		t.pools[s.Pool] = v
	}
	return v
}

// draw is an error of unit standard uncertainty.
func (t *trials) draw(d Distribution) float64 {
	switch d {
	case Rectangular:
		return math.Sqrt(3) * (2*t.rand.Float64() - 1)
	case Bounded: // at one end or the other
		return math.Copysign(math.Sqrt(3), t.rand.Float64()-0.5)
	case Triangular:
		return math.Sqrt(6) * (t.rand.Float64() - t.rand.Float64())
	case Arcsine:
		return math.Sqrt2 * math.Sin(math.Pi*(t.rand.Float64()-0.5))
	}
	return t.rand.NormFloat64()
}

// standardUncertainty is the standard deviation of the results; where degrees of
// freedom are few, that with the standard uncertainties as stated, as State has it.
func (t *trials) standardUncertainty() float64 {
	of := t.results
	if t.finite {
		of = t.plain
	}
	_, sd := meanSD(of)
	return sd
}

// quantiles are the results at equal steps of probability.
func (t *trials) quantiles() []float64 {
	kept := make([]float64, keptQuantiles+1)
	for i := range kept {
		kept[i] = t.results[i*(len(t.results)-1)/keptQuantiles]
	}
	return kept
}

// interval is that of sorted results, with a number of trials beside them that
// had none: those may lie anywhere, so they count as beyond both ends. It is not
// ok where they are more than may be outside.
func interval(sorted []float64, bad int, p float64, shortest bool) (low, high float64, ok bool) {
	n := len(sorted) + bad
	inside := int(math.Ceil(p * float64(n)))
	left := len(sorted) - inside // finite results that may stay outside
	if left < 0 || inside < 2 || bad > int((1-p)*float64(n)/2) {
		return 0, 0, false
	}
	if !shortest {
		tail := max(int(math.Floor((1-p)/2*float64(n)))-bad, 0)
		return sorted[tail], sorted[len(sorted)-1-tail], true
	}
	best := 0
	for i := range left + 1 {
		if sorted[i+inside-1]-sorted[i] < sorted[best+inside-1]-sorted[best] {
			best = i
		}
	}
	return sorted[best], sorted[best+inside-1], true
}

// meanSD is the mean and the standard deviation with n-1.
func meanSD(v []float64) (mean, sd float64) {
	for i, y := range v {
		d := y - mean
		mean += d / float64(i+1)
		sd += d * (y - mean)
	}
	return mean, math.Sqrt(sd / float64(len(v)-1))
}
