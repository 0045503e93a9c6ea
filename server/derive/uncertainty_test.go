package derive

import (
	"math"
	"testing"
)

// A ratio against the law of propagation written out (GUM 5.2.2); with equal
// relative uncertainties and full correlation nothing is left.
func TestRatioUncertainty(t *testing.T) {
	for _, r := range []float64{-1, -0.355, 0, 0.5, 1} {
		const v, uv, i, ui = 4.999, 0.0032, 0.019661, 0.0000095
		ratio, u := RatioUncertainty(v, uv, i, ui, r)
		a, b := uv/v, ui/i
		near(t, "V/I", ratio, v/i, 1e-15)
		near(t, "u(V/I)", u, v/i*math.Sqrt(a*a+b*b-2*r*a*b), 1e-12)
	}
	if _, u := RatioUncertainty(2, 0.02, 4, 0.04, 1); u > 1e-15 {
		t.Errorf("full correlation leaves %g", u)
	}
	if v, u := RatioUncertainty(1, 1, 0, 1, 0); !math.IsNaN(v) || !math.IsNaN(u) {
		t.Error("a ratio by zero is a number")
	}
	if _, u := RatioUncertainty(1, math.NaN(), 1, 1, 0); !math.IsNaN(u) {
		t.Error("an uncertainty that is not known is a number")
	}
}
