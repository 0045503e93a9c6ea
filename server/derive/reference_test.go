package derive

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"strconv"
	"testing"
)

// num is a JSON number that may be written as a string to keep its digits.
type num float64

func (n *num) UnmarshalJSON(b []byte) error {
	if len(b) > 1 && b[0] == '"' {
		b = b[1 : len(b)-1]
	}
	v, err := strconv.ParseFloat(string(b), 64)
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
			v, err := strconv.ParseFloat(text, 64)
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			row[records[0][i]] = v
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

// columns splits [[y, x], ...] rows.
func columns(rows [][]num) (y, x []float64) {
	for _, r := range rows {
		y, x = append(y, float64(r[0])), append(x, float64(r[1]))
	}
	return y, x
}
