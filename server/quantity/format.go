package quantity

import (
	"math"
	"strconv"
	"strings"
)

const (
	noValue       = "—"
	minus         = "−" // U+2212, as wide as the plus sign; Parse reads it
	defaultDigits = 6   // where no uncertainty says how many
	maxDigits     = 17  // what a float64 can carry
)

// Format prints v with the given number of significant digits (1 to 17) and an
// engineering prefix: Format(4700, Ohm, 4) is "4.700 kΩ". Percent, Celsius and
// One carry no prefix. NaN is "—", an infinity "∞". The minus sign is U+2212.
func Format(v float64, unit Unit, digits int) string {
	if s, special := notFinite(v, unit); special {
		return s
	}
	digits = min(max(digits, 1), maxDigits)
	exp := exponent(v, digits)
	return render(v, lookup(unit), exp, exp-digits+1, false)
}

// FormatU prints v with only as many digits as its uncertainty u (standard or
// expanded, in the same unit) carries with two significant digits. Without a
// usable u (zero, negative, NaN, infinite) six digits are printed.
func FormatU(v, u float64, unit Unit) string {
	if s, special := notFinite(v, unit); special {
		return s
	}
	if !usable(u) {
		return Format(v, unit, defaultDigits)
	}
	top, res := span(v, u)
	return render(v, lookup(unit), top, res, true)
}

// Pair prints v and its uncertainty u with the same prefix and resolution:
// "4.7021 kΩ ± 0.0012 kΩ". Without a usable u it ends in "± —".
func Pair(v, u float64, unit Unit) string {
	if s, special := notFinite(v, unit); special {
		return s
	}
	if !usable(u) {
		return Format(v, unit, defaultDigits) + " ± " + noValue
	}
	k := lookup(unit)
	top, res := span(v, u)
	return render(v, k, top, res, true) + " ± " + render(u, k, top, res, true)
}

// Plain prints v so that reading it back gives the same float64, in the shortest
// way, for JSON and CSV. NaN and infinities are "", as neither has a number for them.
func Plain(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return ""
	}
	abs := math.Abs(v)
	if abs != 0 && (abs < 1e-6 || abs >= 1e21) {
		return strconv.FormatFloat(v, 'e', -1, 64)
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}

func usable(u float64) bool { return u > 0 && !math.IsInf(u, 0) }

func notFinite(v float64, unit Unit) (string, bool) {
	switch {
	case math.IsNaN(v):
		return noValue, true
	case math.IsInf(v, 1):
		return join("∞", "", unit), true
	case math.IsInf(v, -1):
		return join(minus+"∞", "", unit), true
	}
	return "", false
}

// exponent returns the decimal exponent of v rounded to digits digits; 0 for 0.
func exponent(v float64, digits int) int {
	s := strconv.FormatFloat(v, 'e', digits-1, 64)
	e, _ := strconv.Atoi(s[strings.IndexByte(s, 'e')+1:])
	return e
}

// span returns the decimal exponents of the leading digit to be printed (of the
// larger of v and u) and of the last one (the second digit of u).
func span(v, u float64) (top, res int) {
	res = exponent(u, 2) - 1
	digits := 2
	if math.Abs(v) > u {
		digits = min(max(exponent(v, maxDigits)-res+1, 1), maxDigits)
		top = exponent(v, digits)
	} else {
		top = res + 1
	}
	return top, max(res, top-maxDigits+1)
}

// render prints v rounded to 10^res with the prefix that suits 10^top. With
// strict, the prefix is raised where zeros before the point would look like
// figures that the uncertainty does not carry: 0.47 kΩ ± 0.12 kΩ.
func render(v float64, k kind, top, res int, strict bool) string {
	plain := k.noPrefix || k.bare
	if plain && (top < -5 || top > 14) || top < minPrefixExp-3 || top > maxPrefixExp+2 {
		s := strconv.FormatFloat(v, 'e', max(exponent(v, maxDigits)-res, 0), 64)
		return join(strings.Replace(s, "-", minus, 2), "", k.unit)
	}
	exp := 0
	if !plain {
		exp = floor3(top)
		if strict {
			exp = max(exp, floor3(res+2))
		}
		exp = min(max(exp, minPrefixExp), maxPrefixExp)
	}
	return join(fixed(v, res, exp), prefixIf(!plain, exp), k.unit)
}

func prefixIf(on bool, exp int) string {
	if !on {
		return ""
	}
	return symbolOf(exp)
}

// floor3 rounds down to a multiple of three.
func floor3(e int) int { return e - ((e%3)+3)%3 }

// fixed prints v rounded to 10^res in units of 10^exp, by moving the point in the
// decimal text, so that no second rounding happens.
func fixed(v float64, res, exp int) string {
	var d string // |v| / 10^res as an integer
	if abs := math.Abs(v); res > 0 {
		d = strconv.FormatFloat(math.RoundToEven(abs/math.Pow10(res)), 'f', 0, 64)
	} else {
		d = strings.Replace(strconv.FormatFloat(abs, 'f', -res, 64), ".", "", 1)
	}
	d = strings.TrimLeft(d, "0")
	sign := ""
	if v < 0 && d != "" {
		sign = minus
	}
	if res > exp {
		if d != "" {
			d += strings.Repeat("0", res-exp)
		}
		res = exp
	}
	places := exp - res
	if len(d) <= places {
		d = strings.Repeat("0", places+1-len(d)) + d
	}
	if places == 0 {
		return sign + d
	}
	return sign + d[:len(d)-places] + "." + d[len(d)-places:]
}

func join(number, prefix string, unit Unit) string {
	if prefix == "" && unit == One {
		return number
	}
	return number + " " + prefix + string(unit)
}
