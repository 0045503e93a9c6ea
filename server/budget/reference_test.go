package budget

import (
	"math"
	"strconv"
	"strings"

	"ohmkeep/server/testkit"
)

// num is a number of a reference file.
type num = testkit.Num

var (
	load    = testkit.Load
	loadCSV = testkit.LoadCSV
	near    = testkit.Near
)

// printed fails unless got rounds to the printed figure.
func printed(t testkit.Reporter, what string, got float64, figure string) {
	t.Helper()
	want, err := strconv.ParseFloat(figure, 64)
	decimals := 0
	if _, after, found := strings.Cut(figure, "."); found {
		decimals = len(after)
	}
	if err != nil || !(math.Abs(got-want) <= 0.50001*math.Pow(10, -float64(decimals))) {
		t.Errorf("%s = %.9g, printed %s", what, got, figure)
	}
}

// ptr is a limit.
func ptr(v float64) *float64 { return &v }

// independent are values of estimate x with one source of its own each.
func independent(dist Distribution, u float64, x ...float64) []Value {
	var v []Value
	for _, x := range x {
		v = append(v, Of(x, NewSource("input", Model, dist, u)))
	}
	return v
}
