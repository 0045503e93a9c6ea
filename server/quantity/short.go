package quantity

// Short prints a value that somebody has set: with as many digits as it was set
// with, at most six.
func Short(v float64, unit Unit) string {
	for digits := 1; digits < 6; digits++ {
		s := Format(v, unit, digits)
		if back, err := Parse(s, unit); err == nil && near(back, v) {
			return s
		}
	}
	return Format(v, unit, 6)
}

// near reports whether a is b but for what a decimal number cannot carry.
func near(a, b float64) bool {
	d := a - b
	if d < 0 {
		d = -d
	}
	if b < 0 {
		b = -b
	}
	return d <= 1e-9*b
}
