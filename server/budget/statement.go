package budget

import (
	"math"
	"slices"
)

// Statement is what is said of a value: the interval Low to High holds the true
// value with probability P.
type Statement struct {
	X, Low, High float64
	P            float64
	U            float64 // half-width of the interval, the larger side of X; +Inf where there is none
	K            float64 // coverage factor U/Uc; NaN where U is not finite
	Uc           float64 // combined standard uncertainty
	DF           float64 // effective degrees of freedom (Welch-Satterthwaite, GUM G.4)
	Lines        []Line  // one for each source, the largest share first
	Simulated    bool    // from trials, not from first order
	Why          string  // why the interval has no end; empty where it has
	dist         distribution
}

// Line is what one source contributes.
type Line struct {
	Source       *Source
	C            float64 // sensitivity
	Contribution float64 // |C·U|, in the unit of the value; for a simulated one with the second order
	Share        float64 // of the variance, 0 to 1; NaN where that is not known
}

// Finite says that the interval has both ends.
func (s Statement) Finite() bool { return s.Why == "" }

// Why an interval has no end.
const (
	whyEstimate    = "the estimate is not a finite number"
	whyProbability = "the probability asked for is not between 0 and 1"
	whyNothing     = "nothing is known of its uncertainty"
	whySensitivity = "a sensitivity that cannot be computed: "
	whySource      = "an uncertainty that is not known: "
	whyDF          = "less than one degree of freedom: "
)

// State says of the value what holds with probability p, with the distributions
// and degrees of freedom of its sources and to first order: K is the factor of
// the convolved distribution, 0.95·√3 for one rectangular source, Student's t
// for one of scatter, 1.96 for many. Of a source that only has a bound, all of it
// is added to the interval of the others. What is not known makes an interval without
// end, and so does a value without any uncertainty.
func (v Value) State(p float64) Statement {
	s := spreads.Get().(*spread)
	defer spreads.Put(s)
	st := Statement{X: v.X, P: p, Uc: v.Uc(), Lines: v.lines(), dist: distribution{terms: v.Terms}}
	var why string
	s.parts, why = v.parts(s.parts[:0])
	switch {
	case bad(v.X):
		why = whyEstimate
	case !(p > 0 && p < 1):
		why = whyProbability
	case why == "" && st.Uc == 0:
		why = whyNothing
	}
	if why != "" {
		return st.endless(why)
	}
	bound, uc := s.takeBounded(st.Uc)
	st.DF = effectiveDF(s.parts)
	switch {
	case len(s.parts) == 0:
		uc = 0
	case len(s.parts) == 1 && !math.IsInf(st.DF, 1):
		st.K = studentFactor(p, st.DF)
	default:
		s.build(s.parts, uc)
		st.K = s.factor(p)
	}
	st.U = st.K*uc + bound
	if bound > 0 {
		st.K = st.U / st.Uc
	}
	st.Low, st.High = v.X-st.U, v.X+st.U
	if bad(st.Low) || bad(st.High) {
		return st.endless(whyEstimate)
	}
	return st
}

// takeBounded takes the parts that only have a bound off the parts, whose standard
// uncertainties add up to uc. It returns the sum of their bounds, and what the
// others add up to.
func (s *spread) takeBounded(uc float64) (bound, rest float64) {
	square := 0.0
	s.parts = slices.DeleteFunc(s.parts, func(p part) bool {
		if p.dist != Bounded {
			square += p.u * p.u
			return false
		}
		bound += math.Sqrt(3) * p.u
		return true
	})
	if bound == 0 {
		return 0, uc
	}
	return bound, math.Sqrt(square)
}

// endless is s with an interval that has no end, and the reason.
func (s Statement) endless(why string) Statement {
	s.Low, s.High, s.U = math.Inf(-1), math.Inf(1), math.Inf(1)
	s.K, s.DF, s.Why, s.dist = math.NaN(), math.NaN(), why, distribution{}
	return s
}

// parts appends the independent contributions of the value: each source, those
// of one pool together. why says which of them is not known.
func (v Value) parts(into []part) (parts []part, why string) {
	for i, t := range v.Terms {
		u := t.contribution()
		switch {
		case bad(t.C):
			return into, whySensitivity + t.Source.Name
		case bad(u):
			return into, whySource + t.Source.Name
		case u == 0:
			continue
		case !(t.Source.DF >= 1):
			return into, whyDF + t.Source.Name
		}
		if t.Source.Pool == nil {
			into = append(into, part{t.Source.Dist, u, t.Source.DF})
			continue
		}
		first := true
		for _, before := range v.Terms[:i] {
			first = first && (before.Source.Pool != t.Source.Pool || before.contribution() == 0)
		}
		if first {
			into = append(into, v.pooled(t.Source))
		}
	}
	return into, ""
}

// pooled is the contribution of all sources in the pool of the one given. They
// are normal, and share the degrees of freedom.
func (v Value) pooled(of *Source) part {
	p := part{Normal, 0, of.DF}
	for _, t := range v.Terms {
		if t.Source.Pool == of.Pool {
			p.u = math.Hypot(p.u, t.contribution())
			p.df = min(p.df, t.Source.DF)
		}
	}
	return p
}

// lines are the contributions of the sources, the largest first.
func (v Value) lines() []Line {
	if len(v.Terms) == 0 {
		return nil
	}
	lines := make([]Line, len(v.Terms))
	uc := v.Uc()
	for i, t := range v.Terms {
		u := t.contribution()
		lines[i] = Line{t.Source, t.C, u, (u / uc) * (u / uc)}
	}
	sortLines(lines)
	return lines
}

// sortLines puts the largest contribution first; one that is not known comes
// before all.
func sortLines(lines []Line) {
	slices.SortStableFunc(lines, func(a, b Line) int {
		switch {
		case math.IsNaN(a.Contribution) && math.IsNaN(b.Contribution):
			return 0
		case math.IsNaN(a.Contribution) || a.Contribution > b.Contribution:
			return -1
		case math.IsNaN(b.Contribution) || a.Contribution < b.Contribution:
			return 1
		}
		return 0
	})
}
