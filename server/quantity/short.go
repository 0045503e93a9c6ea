package quantity

import (
	"bytes"
	"math"
	"strconv"
)

// Short prints a value that somebody has set: with as many digits as it was set
// with, at most six.
func Short(v float64, unit Unit) string {
	for digits := leastDigits(v); digits < 6; digits++ {
		s := Format(v, unit, digits)
		if back, err := Parse(s, unit); err == nil && near(back, v) {
			return s
		}
	}
	return Format(v, unit, 6)
}

// leastDigits returns the number of digits that v has when it is rounded to six
// and its trailing zeros are dropped: fewer cannot say what it is.
func leastDigits(v float64) int {
	var buf [32]byte
	text := strconv.AppendFloat(buf[:0], v, 'e', 5, 64)
	mantissa, _, found := bytes.Cut(text, []byte("e"))
	if !found || math.Abs(v) < 1e-300 { // no number, or one that has not six digits itself
		return 1
	}
	n := 0
	for i, c := range bytes.TrimLeft(mantissa, "-") {
		if c != '0' && c != '.' {
			n = max(i, 1) // behind the point, which is counted and so stands for the first digit
		}
	}
	return max(n, 1)
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
