package budget

import (
	"math"
	"strconv"
	"testing"
)

// Two sources of scatter with equal degrees of freedom. The factors are those of
// the Behrens-Fisher distribution at 5 %: Fisher and Yates, Statistical Tables, 6th
// ed. (1963), Table VI (from memory, so the last digit counts for nothing).
func TestTwoSourcesOfScatter(t *testing.T) {
	for df, row := range map[float64][4]string{
		6: {"2.447", "2.440", "2.435", "2.435"}, 8: {"2.306", "2.300", "2.294", "2.292"},
		12: {"2.179", "2.175", "2.169", "2.167"}, 24: {"2.064", "2.062", "2.058", "2.056"},
	} {
		for i, figure := range row {
			sin, cos := math.Sincos(float64(i) * 15 * math.Pi / 180)
			v := Of(0, &Source{U: sin, DF: df}).With(&Source{U: cos, DF: df}, 1)
			want, err := strconv.ParseFloat(figure, 64)
			if got := v.State(Coverage).K; err != nil || math.Abs(got-want) > 0.001 {
				t.Errorf("%g degrees of freedom, %d°: k = %.4f, printed %s", df, 15*i, got, figure)
			}
		}
	}
}

// The sum of two Student distributions with one degree of freedom is one of the
// summed width: the heaviest tails there are.
func TestSumOfCauchy(t *testing.T) {
	for _, ratio := range []float64{0.06, 0.3, 1} {
		v := Of(0, &Source{U: 1, DF: 1}).With(&Source{U: ratio, DF: 1}, 1)
		near(t, "U", v.State(Coverage).U, 12.7062047*(1+ratio), 5e-3)
	}
}
