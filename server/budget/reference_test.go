package budget

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
)

// num is a JSON number that may be written as a string to keep its digits.
type num float64

func (n *num) UnmarshalJSON(b []byte) error {
	v, err := strconv.ParseFloat(strings.Trim(string(b), `"`), 64)
	*n = num(v)
	return err
}

// load reads testdata/name into v.
func load(t testing.TB, name string, v any) {
	t.Helper()
	b, err := os.ReadFile("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, v); err != nil {
		t.Fatalf("%s: %v", name, err)
	}
}

// loadCSV reads testdata/name as rows by column name.
func loadCSV(t testing.TB, name string) []map[string]float64 {
	t.Helper()
	f, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	records, err := csv.NewReader(f).ReadAll()
	if err != nil || len(records) < 2 {
		t.Fatalf("%s: %v", name, err)
	}
	var rows []map[string]float64
	for _, r := range records[1:] {
		row := map[string]float64{}
		for i, text := range r {
			if row[records[0][i]], err = strconv.ParseFloat(text, 64); err != nil {
				t.Fatalf("%s: %v", name, err)
			}
		}
		rows = append(rows, row)
	}
	return rows
}

// reporter is what a test and a property check have in common.
type reporter interface {
	Helper()
	Errorf(format string, args ...any)
}

// near fails unless got is within the relative tolerance of want (absolute, for
// a want of zero).
func near(t reporter, what string, got, want, tolerance float64) {
	t.Helper()
	scale := math.Abs(want)
	if scale == 0 {
		scale = 1
	}
	if !(math.Abs(got-want) <= tolerance*scale) {
		t.Errorf("%s = %.17g, want %.17g within %g", what, got, want, tolerance)
	}
}

// printed fails unless got rounds to the printed figure.
func printed(t reporter, what string, got float64, figure string) {
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
