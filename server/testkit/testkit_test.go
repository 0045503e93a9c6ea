package testkit

import (
	"fmt"
	"math"
	"testing"
)

// failing keeps what a check says instead of failing the test that makes it.
type failing struct {
	testing.TB
	said string
}

func (f *failing) Helper() {}
func (f *failing) Errorf(format string, args ...any) {
	f.said = fmt.Sprintf(format, args...)
}
func (f *failing) Fatal(args ...any) { panic(fmt.Sprint(args...)) }
func (f *failing) Fatalf(format string, args ...any) {
	panic(fmt.Sprintf(format, args...))
}

// fails says whether a check fails.
func fails(check func(t *failing)) (failed bool) {
	f := &failing{}
	defer func() { failed = recover() != nil || f.said != "" }()
	check(f)
	return false
}

func TestNearAndWithin(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		got, want, tolerance float64
		near, within         bool
	}{
		{1, 1, 0, true, true},
		{1000.5, 1000, 1e-3, true, false},
		{1000.5, 1000, 1, true, true},
		{1002, 1000, 1e-3, false, false},
		{-1e-3, 0, 1e-3, true, true},
		{-1.1e-3, 0, 1e-3, false, false},
		{0.5e-3, 1e-3, 1e-3, false, true},
		{nan, 1, 10, false, false},
		{1, nan, 10, false, false},
		{1, 1, nan, false, false},
	} {
		if got := !fails(func(f *failing) { Near(f, "x", c.got, c.want, c.tolerance) }); got != c.near {
			t.Errorf("%g is near %g by %g: %t, want %t", c.got, c.want, c.tolerance, got, c.near)
		}
		if got := !fails(func(f *failing) { Within(f, "x", c.got, c.want, c.tolerance) }); got != c.within {
			t.Errorf("%g is within %g of %g: %t, want %t", c.got, c.tolerance, c.want, got, c.within)
		}
	}
}

func TestLoad(t *testing.T) {
	var v struct {
		Number, Digits Num
		List           []Num
	}
	Load(t, "numbers.json", &v)
	if v.Number != 1.25 || v.Digits != 0.1 || len(v.List) != 2 || v.List[0] != -2e-3 || v.List[1] != 4 {
		t.Errorf("%+v", v)
	}
	rows := LoadCSV(t, "rows.csv")
	if len(rows) != 2 || rows[0]["y"] != 2.5 || rows[1]["x"] != -3e-2 || len(rows[1]) != 2 {
		t.Errorf("%v", rows)
	}
	for name, check := range map[string]func(f *failing){
		"no file":           func(f *failing) { Load(f, "none.json", &v) },
		"no JSON":           func(f *failing) { Load(f, "rows.csv", &v) },
		"a word for number": func(f *failing) { Load(f, "words.json", &v) },
		"no table":          func(f *failing) { LoadCSV(f, "none.csv") },
		"a word in a table": func(f *failing) { LoadCSV(f, "words.csv") },
		"an empty table":    func(f *failing) { LoadCSV(f, "empty.csv") },
	} {
		if !fails(check) {
			t.Errorf("%s: it was read", name)
		}
	}
}
