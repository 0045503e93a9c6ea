// Package testkit is what tests of several packages share: published values read
// from testdata, and numbers held against them. Nothing but tests imports it.
package testkit

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
)

// Num is a JSON number that may be written as a string to keep its digits.
type Num float64

// UnmarshalJSON reads 1.5 and "1.5".
func (n *Num) UnmarshalJSON(b []byte) error {
	v, err := strconv.ParseFloat(strings.Trim(string(b), `"`), 64)
	*n = Num(v)
	return err
}

// Load reads the JSON file testdata/name of the package under test into v.
func Load(t testing.TB, name string, v any) {
	t.Helper()
	b, err := os.ReadFile("testdata/" + name)
	if err == nil {
		err = json.Unmarshal(b, v)
	}
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
}

// LoadCSV reads testdata/name of the package under test as rows of numbers by
// column name.
func LoadCSV(t testing.TB, name string) []map[string]float64 {
	t.Helper()
	f, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	records, err := csv.NewReader(f).ReadAll()
	if err != nil || len(records) < 2 {
		t.Fatalf("%s: %d lines, %v", name, len(records), err)
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

// Reporter is what a test and a property check have in common.
type Reporter interface {
	Helper()
	Errorf(format string, args ...any)
}

// Near fails unless got is within the relative tolerance of want (absolute, for
// a want of zero). What is no number is near nothing.
func Near(t Reporter, what string, got, want, tolerance float64) {
	t.Helper()
	scale := math.Abs(want)
	if scale == 0 {
		scale = 1
	}
	Within(t, what, got, want, tolerance*scale)
}

// Within fails unless got is within so much of want, in their unit. What is no
// number is within nothing.
func Within(t Reporter, what string, got, want, half float64) {
	t.Helper()
	if !(math.Abs(got-want) <= half) {
		t.Errorf("%s = %.17g, want %.17g within %g", what, got, want, half)
	}
}
