package web

import (
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"

	"ohmkeep/server/procedure"
)

func stripText(t *testing.T, values []float64) string {
	t.Helper()
	var b strings.Builder
	if err := strip(values, procedure.Limit{}).Render(t.Context(), &b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// TestStripOfALargeLot: the picture of thousands of units has a bounded size
// and still shows the units that lie apart from all others.
func TestStripOfALargeLot(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 5))
	values := make([]float64, 20_000)
	for i := range values {
		values[i] = random.NormFloat64()
	}
	values[17], values[18] = -40, math.NaN()
	got := stripText(t, values)
	if len(got) > 6000 {
		t.Errorf("%d bytes", len(got))
	}
	lowest, next := math.Inf(1), math.Inf(1)
	for _, x := range dots(t, got) {
		lowest, next = min(lowest, x), min(next, max(x, lowest))
	}
	if lowest > 12 || next < 60 || next > stripW { // 5 % from the left, the others far from it
		t.Errorf("the lowest is drawn at %v, the next at %v: %s", lowest, next, got)
	}
	// Few units are all drawn, equal ones too.
	if n := len(dots(t, stripText(t, []float64{1, 1, 1, 1, 1, 1, 1, 2}))); n != 8 {
		t.Errorf("%d dots for 8 units", n)
	}
}

// dots are where a strip's dots lie from left to right.
func dots(t *testing.T, svg string) (out []float64) {
	t.Helper()
	_, path, _ := strings.Cut(svg, `class="dots" d="`)
	path, _, _ = strings.Cut(path, `"`)
	for _, d := range strings.Split(strings.TrimSuffix(path, "h0"), "h0") {
		x, _, _ := strings.Cut(strings.TrimPrefix(d, "M"), " ")
		v, err := strconv.ParseFloat(x, 64)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, v)
	}
	return out
}
