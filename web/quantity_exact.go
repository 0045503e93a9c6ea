package web

import "ohmkeep/server/quantity"

// Exact prints a value with as few digits as give the same number when they are
// read back, so that a form that is saved untouched changes nothing.
func Exact(v float64, unit quantity.Unit) string {
	for digits := 1; digits <= 17; digits++ {
		s := quantity.Format(v, unit, digits)
		if back, err := quantity.Parse(s, unit); err == nil && back == v {
			return s
		}
	}
	return quantity.Plain(v)
}
