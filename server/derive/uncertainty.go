package derive

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Standard uncertainty of an input known only by the half-width a of its
// distribution (unit of a). Source: GUM (JCGM 100:2008) 4.3.

// Rectangular is a/√3: any value within ±a is as likely.
func Rectangular(a float64) float64 { return a / math.Sqrt(3) }

// Triangular is a/√6: values near the middle are likelier.
func Triangular(a float64) float64 { return a / math.Sqrt(6) }

// Arcsine is a/√2: the value swings between ±a (U-shaped).
func Arcsine(a float64) float64 { return a / math.Sqrt2 }

// Resolution is q/√12: the last step of a converter or display is q wide.
func Resolution(q float64) float64 { return q / math.Sqrt(12) }

// Component is one line of an uncertainty budget: standard uncertainty U of an
// input, its sensitivity coefficient C (unit of the result per unit of the
// input) and degrees of freedom DF (+Inf for one that is known exactly).
type Component struct {
	Name  string
	C, U  float64
	DF    float64
	Share float64 // fraction of the variance, filled in by Budget
}

// Combined is the result of a budget: combined standard uncertainty Uc,
// effective degrees of freedom DF, coverage factor K and expanded uncertainty
// U = K·Uc.
type Combined struct {
	Uc, DF, K, U float64
	Components   []Component
}

// Budget combines independent components and expands to the coverage probability
// p (0.9545 for the usual k = 2). Source: GUM 5.1.2, G.4, G.6.4.
func Budget(p float64, components ...Component) Combined {
	u, df := make([]float64, len(components)), make([]float64, len(components))
	for i, c := range components {
		u[i], df[i] = c.C*c.U, c.DF
	}
	b := Combined{Uc: RootSumSquares(u...), DF: EffectiveDF(u, df)}
	for i, c := range components {
		if b.Uc > 0 {
			r := u[i] / b.Uc
			c.Share = r * r
		}
		b.Components = append(b.Components, c)
	}
	b.K = CoverageFactor(p, b.DF)
	b.U = b.K * b.Uc
	return b
}

// RootSumSquares combines independent standard uncertainties (GUM 5.1.2).
func RootSumSquares(u ...float64) float64 {
	var r float64
	for _, v := range u {
		r = math.Hypot(r, v)
	}
	return r
}

// EffectiveDF is the Welch-Satterthwaite formula uc⁴/Σ(uᵢ⁴/νᵢ) for independent
// uᵢ (already times their sensitivities) with νᵢ degrees of freedom: GUM G.4.1.
// It is +Inf where every νᵢ is, and NaN for unequal lengths or a νᵢ not above 0.
func EffectiveDF(u, df []float64) float64 {
	if len(u) != len(df) {
		return math.NaN()
	}
	uc := RootSumSquares(u...)
	if uc == 0 {
		return math.Inf(1)
	}
	var sum float64
	for i, v := range u {
		if !(df[i] > 0) {
			return math.NaN()
		}
		r := v / uc
		sum += r * r * r * r / df[i]
	}
	return 1 / sum
}

// CoverageFactor is the two-sided Student factor t for the coverage probability
// p and df degrees of freedom, truncated to a whole number first: GUM G.4.2 note
// 1 and Table G.2. NaN below one degree of freedom or for p outside (0, 1).
func CoverageFactor(p, df float64) float64 {
	if !(p > 0 && p < 1) || !(df >= 1) {
		return math.NaN()
	}
	q := (1 + p) / 2
	if math.IsInf(df, 1) {
		return distuv.UnitNormal.Quantile(q)
	}
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: math.Floor(df)}.Quantile(q)
}

// DFOfRelative is the degrees of freedom of a standard uncertainty that is itself
// known to the relative uncertainty r: 1/(2r²). Source: GUM G.4.2.
func DFOfRelative(r float64) float64 { return 0.5 / (r * r) }

// Propagate is the law of propagation for correlated inputs: the standard
// uncertainty √(ΣΣ cᵢcⱼuᵢuⱼrᵢⱼ) of a result with sensitivities c, standard
// uncertainties u and correlation coefficients r (nil for independent inputs;
// only r[i][j] with i < j is read). Source: GUM 5.2.2. NaN for unequal lengths.
func Propagate(c, u []float64, r [][]float64) float64 {
	return math.Sqrt(max(Covariance(c, c, u, r), 0))
}

// Covariance of two results of the same inputs, with sensitivities c1 and c2:
// GUM H.2.3. With c1 = c2 it is the variance.
func Covariance(c1, c2, u []float64, r [][]float64) float64 {
	if len(c1) != len(u) || len(c2) != len(u) || r != nil && len(r) != len(u) {
		return math.NaN()
	}
	var sum float64
	for i := range u {
		sum += c1[i] * c2[i] * u[i] * u[i]
		for j := i + 1; r != nil && j < len(u); j++ {
			sum += (c1[i]*c2[j] + c1[j]*c2[i]) * u[i] * u[j] * r[i][j]
		}
	}
	return sum
}

// Sensitivities estimates the sensitivity coefficients of f at x by the central
// difference over ±u, the standard uncertainties (a zero u gives zero): GUM
// 5.1.3, note 2. x is used as scratch and restored.
func Sensitivities(f func(x []float64) float64, x, u []float64) []float64 {
	c := make([]float64, len(x))
	for i, v := range x {
		if u[i] == 0 {
			continue
		}
		x[i] = v + u[i]
		up := f(x)
		x[i] = v - u[i]
		c[i] = (up - f(x)) / (2 * u[i])
		x[i] = v
	}
	return c
}

// RatioUncertainty returns v/i and its standard uncertainty for standard
// uncertainties uv and ui and correlation r (-1 to 1): a resistance in Ω from V
// and A. NaN where i is 0.
func RatioUncertainty(v, uv, i, ui, r float64) (ratio, u float64) {
	if i == 0 {
		return math.NaN(), math.NaN()
	}
	ratio = v / i
	c := []float64{1 / i, -ratio / i}
	return ratio, Propagate(c, []float64{uv, ui}, [][]float64{{1, r}, {r, 1}})
}
