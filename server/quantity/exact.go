package quantity

// Exact prints a value with as few digits as give the same number when they are
// read back, so that a form that is saved untouched changes nothing.
func Exact(v float64, unit Unit) string {
	for digits := 1; digits <= 17; digits++ {
		s := Format(v, unit, digits)
		if back, err := Parse(s, unit); err == nil && back == v {
			return s
		}
	}
	return Plain(v)
}

// ExactOrEmpty prints a value as Exact does, and nothing where it is 0: the
// field of what is not given stays empty.
func ExactOrEmpty(v float64, unit Unit) string {
	if v == 0 {
		return ""
	}
	return Exact(v, unit)
}
