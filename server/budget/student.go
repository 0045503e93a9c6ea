package budget

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

func quantileNormal(p float64) float64 { return math.Sqrt2 * math.Erfinv(2*p-1) }

// CoverageFactor is the two-sided Student factor t for the coverage probability
// p and df degrees of freedom, truncated to a whole number first: GUM G.4.2 note
// 1 and Table G.2. NaN below one degree of freedom or for p outside (0, 1).
func CoverageFactor(p, df float64) float64 { return studentFactor(p, math.Floor(df)) }

// studentFactor is CoverageFactor without the truncation.
func studentFactor(p, df float64) float64 {
	if !(p > 0 && p < 1) || !(df >= 1) {
		return math.NaN()
	}
	if math.IsInf(df, 1) {
		return quantileNormal((1 + p) / 2)
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}.Quantile((1 + p) / 2)
}

// DFOfRelative is the degrees of freedom of a standard uncertainty that is itself
// known to the relative uncertainty r: 1/(2r²). Source: GUM G.4.2.
func DFOfRelative(r float64) float64 { return 0.5 / (r * r) }

// effectiveDF is the Welch-Satterthwaite formula uc⁴/Σ(u⁴/ν): GUM G.4.1. It is
// +Inf where every ν is.
func effectiveDF(parts []part) float64 {
	var uc, sum float64
	for _, p := range parts {
		uc = math.Hypot(uc, p.u)
	}
	for _, p := range parts {
		r := p.u / uc
		sum += r * r * r * r / p.df
	}
	return 1 / sum
}

// node is one member of a mixture of normal distributions about zero: its
// probability and its variance.
type node struct{ weight, variance float64 }

// The mixture of normals that stands for a sum of scaled Student distributions.
const (
	mixtureBins   = 128
	leastWeight   = 1e-7 // relative to the largest, in Student's t
	nodesInSigmas = 0.6  // distance of nodes, in standard deviations of ln χ²
)

// appendStudent appends the mixture of normals that is scale·t with df degrees of
// freedom: variance scale²·df/w, w as χ² with df. The trapezoid rule in ln w
// converges faster than any power.
func appendStudent(nodes []node, scale, df float64) []node {
	first := len(nodes)
	step := nodesInSigmas * math.Sqrt(trigammaHalf(df))
	var sum float64
	add := func(k int) bool {
		u := float64(k) * step // ln(w/df)
		weight := math.Exp(df / 2 * (u - math.Exp(u) + 1))
		sum += weight
		nodes = append(nodes, node{weight, scale * scale * math.Exp(-u)})
		return weight > leastWeight
	}
	for k := 0; add(k); k++ {
	}
	for k := -1; add(k); k-- {
	}
	for i := first; i < len(nodes); i++ {
		nodes[i].weight /= sum
	}
	return nodes
}

// trigammaHalf is the variance of ln χ² with df degrees of freedom, ψ'(df/2), to
// some percent.
func trigammaHalf(df float64) float64 {
	x := df / 2
	return 1/x + 1/(2*x*x) + 1/(6*x*x*x+x)
}

// convolved returns the mixture of the sum of two, gathered into bins that are
// even in the logarithm of the variance when there are more than that. scratch is
// the room it may use.
func convolved(a, b []node, scratch *[mixtureBins]node, into []node) []node {
	into = into[:0]
	if len(a)*len(b) <= mixtureBins {
		for _, p := range a {
			for _, q := range b {
				into = append(into, node{p.weight * q.weight, p.variance + q.variance})
			}
		}
		return into
	}
	leastA, mostA := rangeOf(a)
	leastB, mostB := rangeOf(b)
	// The leading bits of a positive number are its logarithm, near enough.
	shift := uint(48) // 16 bins an octave
	first, last := math.Float64bits(leastA+leastB), math.Float64bits(mostA+mostB)
	for last>>shift-first>>shift >= mixtureBins {
		shift++
	}
	*scratch = [mixtureBins]node{}
	for _, p := range a {
		for _, q := range b {
			v, w := p.variance+q.variance, p.weight*q.weight
			k := math.Float64bits(v)>>shift - first>>shift
			scratch[k].weight += w
			scratch[k].variance += w * v
		}
	}
	for _, n := range scratch {
		if n.weight > 0 {
			into = append(into, node{n.weight, n.variance / n.weight})
		}
	}
	return into
}

// rangeOf gives the smallest and the largest variance of a mixture.
func rangeOf(nodes []node) (least, most float64) {
	least = math.Inf(1)
	for _, n := range nodes {
		least, most = min(least, n.variance), max(most, n.variance)
	}
	return least, most
}
