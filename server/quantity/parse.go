package quantity

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode/utf8"
)

// maxText is the longest text that is read, in bytes.
const maxText = 64

// Parse reads a number with an optional prefix and an optional unit and returns
// it in the base unit. It accepts
//
//	4700   4.7e3   4.7k   4.7 kΩ   4.7kohm   -100u   −100 µA   3.3 V
//	4k7  4R7  R47  3V3        prefix or unit letter as decimal point (IEC 60062)
//	4,7k                      a comma, where it cannot be a thousands mark
//
// m is milli and M is mega, always. The result is finite. A text with another
// unit, a number beyond float64, both an exponent and a prefix, or anything left
// over is refused with an *Error.
func Parse(text string, unit Unit) (float64, error) {
	v, reason := parse(text, lookup(unit))
	if reason != "" {
		return 0, &Error{Text: clip(text), Unit: unit, Reason: reason}
	}
	return v, nil
}

func parse(text string, k kind) (v float64, reason string) {
	if len(text) > maxText {
		return 0, fmt.Sprintf("longer than %d characters", maxText)
	}
	if !utf8.ValidString(text) {
		return 0, "not readable text"
	}
	s := strings.TrimSpace(normal.Replace(text))
	if s == "" {
		return 0, "nothing given"
	}
	sign, s := cutSign(s)
	n, reason := scan(s, k)
	if reason != "" {
		return 0, reason
	}
	exp, reason := scale(n, k)
	if reason != "" {
		return 0, reason
	}
	return convert(sign+n.digits, exp)
}

// normal maps the other minus sign, and the spaces that number formatting uses,
// to the plain ones.
var normal = strings.NewReplacer("\u2212", "-", "\u00a0", " ", "\u202f", " ", "\u2009", " ")

func cutSign(s string) (sign, rest string) {
	if s[0] == '-' || s[0] == '+' {
		return s[:1], strings.TrimLeft(s[1:], " ")
	}
	return "", s
}

// number is a scanned text: digits with at most one point, then what scales it.
type number struct {
	digits string // "4.7"
	exp    string // "e-6" without the e, or empty
	letter string // the prefix or unit letter that stood for the point, or empty
	tail   string // what follows: prefix and unit
}

// scan splits s into the parts of a number.
func scan(s string, k kind) (n number, reason string) {
	whole, rest := cutDigits(s)
	mark, after := "", rest
	switch {
	case strings.HasPrefix(rest, ".") || strings.HasPrefix(rest, ","):
		mark, after = rest[:1], rest[1:]
	default:
		mark, after = cutLetter(rest, k)
	}
	frac := ""
	if mark != "" {
		frac, after = cutDigits(after)
	}
	if whole == "" && frac == "" {
		return n, notNumber(s)
	}
	if mark != "" && mark != "." && mark != "," {
		if frac == "" { // a letter at the end is a prefix or a unit
			return number{digits: whole, tail: strings.TrimSpace(rest)}, ""
		}
		n = number{digits: whole + "." + frac, letter: mark, tail: strings.TrimSpace(after)}
		return n, leftover(n.tail)
	}
	if mark == "," && thousands(whole, frac, after) {
		return n, "a comma here can be read as a decimal or a thousands mark"
	}
	n = number{digits: whole + "." + frac}
	n.exp, after = cutExponent(after)
	n.tail = strings.TrimSpace(after)
	return n, leftover(n.tail)
}

// cutLetter takes one prefix or unit letter that could stand for the point.
func cutLetter(s string, k kind) (mark, rest string) {
	if k.letter != 0 && s != "" && s[0] == k.letter {
		return s[:1], s[1:]
	}
	if _, rest, ok := cutPrefix(s); ok && !k.noPrefix {
		return s[:len(s)-len(rest)], rest
	}
	return "", s
}

// thousands reports whether a comma between whole and frac could group
// thousands: one to three digits not starting with zero, then exactly three.
func thousands(whole, frac, after string) bool {
	grouped := len(whole) >= 1 && len(whole) <= 3 && whole[0] != '0' && len(frac) == 3
	return grouped || strings.HasPrefix(after, ",") || strings.HasPrefix(after, ".")
}

// leftover refuses what can only be a second number.
func leftover(tail string) string {
	if tail == "" {
		return ""
	}
	if c := tail[0]; c == '.' || c == ',' || c >= '0' && c <= '9' {
		return "more than one number, or digits grouped by a mark or a space"
	}
	return ""
}

func notNumber(s string) string {
	for _, w := range []string{"nan", "inf", "infinity", "∞"} {
		if strings.EqualFold(s, w) {
			return "not a finite number"
		}
	}
	return "not a number"
}

func cutDigits(s string) (digits, rest string) {
	i := 0
	for i < len(s) && s[i] >= '0' && s[i] <= '9' {
		i++
	}
	return s[:i], s[i:]
}

// cutExponent takes e-6 from the front of s, if it is whole.
func cutExponent(s string) (exp, rest string) {
	if s == "" || s[0] != 'e' && s[0] != 'E' {
		return "", s
	}
	t := s[1:]
	sign := ""
	if t != "" && (t[0] == '-' || t[0] == '+') {
		sign, t = t[:1], t[1:]
	}
	digits, t := cutDigits(t)
	if digits == "" {
		return "", s
	}
	return sign + digits, t
}

// scale returns the power of ten of n as text, from its exponent, its letter or
// the prefix in its tail, and checks the unit.
func scale(n number, k kind) (exp, reason string) {
	if n.letter != "" {
		if n.tail != "" && !k.spells(n.tail) {
			return "", wrongTail(n.tail, k)
		}
		e, _, _ := cutPrefix(n.letter)
		if k.letter != 0 && n.letter[0] == k.letter {
			e = 0
		}
		return strconv.Itoa(e), ""
	}
	if n.tail == "" || k.spells(n.tail) {
		return n.exp, ""
	}
	e, rest, ok := cutPrefix(n.tail)
	rest = strings.TrimLeft(rest, " ")
	switch {
	case !ok || rest != "" && !k.spells(rest):
		return "", wrongTail(n.tail, k)
	case k.noPrefix:
		return "", fmt.Sprintf("no prefix goes with %s", k.unit)
	case n.exp != "":
		return "", "give either an exponent or a prefix, not both"
	}
	return strconv.Itoa(e), ""
}

// wrongTail says what is wrong with a text behind the number.
func wrongTail(tail string, k kind) string {
	for _, other := range kinds {
		if other.unit == k.unit {
			continue
		}
		_, rest, _ := cutPrefix(tail)
		if other.unit != One && (other.spells(tail) || other.spells(rest)) {
			return fmt.Sprintf("this is %s in %s", other.noun, other.unit)
		}
	}
	return fmt.Sprintf("%q is no known prefix or unit", tail)
}

// convert makes one correctly rounded float64 of the decimal digits and exponent.
func convert(digits, exp string) (v float64, reason string) {
	if exp == "" {
		exp = "0"
	}
	v, err := strconv.ParseFloat(digits+"e"+exp, 64)
	switch {
	case errors.Is(err, strconv.ErrRange) || math.IsInf(v, 0):
		return 0, "too large a number"
	case err != nil:
		return 0, "not a number"
	case v == 0 && strings.ContainsAny(digits, "123456789"):
		return 0, "too small a number"
	}
	return v + 0, "" // +0 turns a negative zero into zero
}

// clip bounds what an Error carries, at a rune boundary.
func clip(s string) string {
	if len(s) <= maxText {
		return s
	}
	cut := maxText
	for cut > 0 && !utf8.RuneStart(s[cut]) {
		cut--
	}
	return s[:cut]
}
