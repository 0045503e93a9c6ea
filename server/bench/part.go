package bench

import (
	"errors"
	"strconv"
	"strings"

	"ohmkeep/server/quantity"
)

var errPart = errors.New("write a part such as 0.05 % or 500 ppm")

// ParsePart reads a ratio: "0.05 %" or "500 ppm"; nothing is 0. A bare number
// is refused, as nobody can tell which of the two it is.
func ParsePart(text string) (float64, error) {
	text = strings.TrimSpace(text)
	if text == "" || text == "0" {
		return 0, nil
	}
	places := 0
	switch lower := strings.ToLower(text); {
	case strings.HasSuffix(lower, "%"):
		text, places = text[:len(text)-1], -2
	case strings.HasSuffix(lower, "ppm"):
		text, places = text[:len(text)-3], -6
	default:
		return 0, errPart
	}
	if v, err := quantity.Parse(text, quantity.Percent); err != nil || v < 0 {
		return 0, errPart
	}
	// The decimal point moves in the text: moving it in the number would round
	// a second time.
	v, err := strconv.ParseFloat(shifted(strings.Replace(strings.TrimSpace(text), ",", ".", 1), places), 64)
	if err != nil {
		return 0, errPart
	}
	return v, nil
}

// smallestPlain is the smallest part that is written without an exponent: a
// number of more digits is not read.
const smallestPlain = 1e-15

// Part formats a ratio as percent or, where it is small, as ppm, so that the
// same number is read back; nothing for 0.
func Part(v float64) string {
	shortest := strconv.FormatFloat(v, 'e', -1, 64)
	switch {
	case v == 0:
		return ""
	case v >= 1e-4:
		return plain(shifted(shortest, 2)) + " %"
	case v < smallestPlain:
		return shifted(shortest, 6) + " ppm"
	}
	return plain(shifted(shortest, 6)) + " ppm"
}

// shifted moves the exponent of a decimal number.
func shifted(text string, places int) string {
	digits, exponent, _ := strings.Cut(strings.ToLower(text), "e")
	n, _ := strconv.Atoi(exponent) // "" is 0; anything else was read as a number before
	return digits + "e" + strconv.Itoa(n+places)
}

// plain writes d.ddde±n without an exponent.
func plain(text string) string {
	mantissa, exponent, _ := strings.Cut(text, "e")
	n, _ := strconv.Atoi(exponent) // written just before
	whole, fraction, _ := strings.Cut(mantissa, ".")
	digits := whole + fraction
	point := len(whole) + n
	if point <= 0 {
		digits, point = strings.Repeat("0", 1-point)+digits, 1
	}
	if point >= len(digits) {
		return digits + strings.Repeat("0", point-len(digits))
	}
	return digits[:point] + "." + digits[point:]
}
