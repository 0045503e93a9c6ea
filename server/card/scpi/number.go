package scpi

import (
	"errors"
	"math"
	"strconv"
)

// Values of the standard that stand for no number: SCPI-1999 volume 1, 7.2.1.4
// and 7.2.1.5.
const (
	infinity  = 9.9e37
	notNumber = 9.91e37
)

// Limits of decimal numeric data: SCPI-1999 volume 2, 21.8.9, from memory.
const (
	maxDigits   = 255   // of a mantissa, without leading zeros
	maxExponent = 32000 // magnitude
)

// ErrAnswer is an answer, or a part of one, that cannot be what it should be.
var ErrAnswer = errors.New("scpi: not an answer")

// FormatNR3 writes a number with the fewest digits that read back the same
// float64. Infinities are ±9.9E37, as is what is beyond; not-a-number 9.91E37.
func FormatNR3(v float64) string { return string(AppendNR3(nil, v)) }

// AppendNR3 is FormatNR3 to the end of dst. A mantissa has its decimal point,
// as IEEE 488.2, 8.7.4 wants it of an answer.
func AppendNR3(dst []byte, v float64) []byte {
	switch {
	case math.IsNaN(v):
		return append(dst, "9.91E+37"...)
	case v >= infinity:
		return append(dst, "9.9E+37"...)
	case v <= -infinity:
		return append(dst, "-9.9E+37"...)
	}
	var room [32]byte
	b := strconv.AppendFloat(room[:0], v, 'E', -1, 64)
	point := false
	for i, c := range b {
		switch c {
		case '.':
			point = true
		case 'E':
			if !point {
				dst = append(dst, ".0"...)
			}
			dst = append(dst, 'E', b[i+1])
			b = b[i+2:]
			if b[0] == '0' { // strconv writes two digits at least
				b = b[1:]
			}
			return append(dst, b...)
		}
		dst = append(dst, c)
	}
	return dst
}

// ParseNumber reads a number of an answer: NR1, NR2 or NR3, white space
// around it allowed. ±9.9E37 and beyond are infinities, 9.91E37 is
// not-a-number. What is none of these is ErrAnswer.
func ParseNumber(text string) (float64, error) {
	text = trim(text)
	d, err := scanDecimal(text)
	if err != nil || d.end != len(text) || d.spaced {
		return 0, ErrAnswer
	}
	return d.value(text, 0), nil
}

// ParseInteger reads an NR1 of an answer.
func ParseInteger(text string) (int, error) {
	text = trim(text)
	d, err := scanDecimal(text)
	if err != nil || d.end != len(text) || d.mantissa != d.end || d.point {
		return 0, ErrAnswer
	}
	n, err := strconv.Atoi(text)
	if err != nil {
		return 0, ErrAnswer
	}
	return n, nil
}

// ParseBoolean reads a Boolean of an answer: 1 or 0.
func ParseBoolean(text string) (bool, error) {
	switch trim(text) {
	case "0":
		return false, nil
	case "1":
		return true, nil
	}
	return false, ErrAnswer
}

// decimal is where a number was found at the beginning of a text.
type decimal struct {
	mantissa int // end of the mantissa
	exponent int
	end      int  // end of the number
	point    bool // the mantissa has a decimal point
	spaced   bool // white space before or after the E
}

// scanDecimal finds an NRf: a mantissa, and an exponent with white space
// allowed around its E. What follows is the caller's.
func scanDecimal(s string) (decimal, error) {
	var d decimal
	i := sign(s, 0)
	start, digits, leading := i, 0, 0
	for ; i < len(s); i++ {
		switch c := s[i]; {
		case isDigit(c):
			digits++
			if c == '0' && leading == digits-1 {
				leading++
			}
			continue
		case c == '.' && !d.point:
			d.point = true
			continue
		}
		break
	}
	if digits == 0 {
		return d, InvalidCharInNumber
	}
	if i-start > maxDigits && digits-leading > maxDigits {
		return d, TooManyDigits
	}
	d.mantissa, d.end = i, i
	return d, d.scanExponent(s)
}

// scanExponent finds the exponent after a mantissa. Without a digit after it
// an E is none: it may be the beginning of a suffix.
func (d *decimal) scanExponent(s string) error {
	e := skip(s, d.mantissa)
	if e >= len(s) || s[e]|0x20 != 'e' {
		return nil
	}
	from := skip(s, e+1)
	i := sign(s, from)
	if i >= len(s) || !isDigit(s[i]) {
		return nil
	}
	n := 0
	for ; i < len(s) && isDigit(s[i]); i++ {
		n = min(n*10+int(s[i]-'0'), maxExponent+1)
	}
	if n > maxExponent {
		return ExponentTooLarge
	}
	if s[from] == '-' {
		n = -n
	}
	d.exponent, d.end, d.spaced = n, i, from != d.mantissa+1
	return nil
}

// value is the number times ten to the power of shift, correctly rounded.
func (d *decimal) value(s string, shift int) float64 {
	var v float64
	if shift == 0 && !d.spaced {
		v, _ = strconv.ParseFloat(s[:d.end], 64) // what is beyond float64 is ±Inf
	} else {
		var room [64]byte
		b := append(room[:0], s[:d.mantissa]...)
		b = strconv.AppendInt(append(b, 'e'), int64(d.exponent+shift), 10)
		v, _ = strconv.ParseFloat(string(b), 64)
	}
	return special(v)
}

// special gives the standard's special values their meaning.
func special(v float64) float64 {
	switch {
	case v == notNumber:
		return math.NaN()
	case v >= infinity:
		return math.Inf(1)
	case v <= -infinity:
		return math.Inf(-1)
	}
	return v
}

// scanRadix reads #H, #Q or #B and returns what follows.
func scanRadix(s string) (float64, string, error) {
	base, width := uint64(0), 0
	if len(s) > 1 {
		switch s[1] | 0x20 {
		case 'h':
			base, width = 16, 4
		case 'q':
			base, width = 8, 3
		case 'b':
			base, width = 2, 1
		}
	}
	if base == 0 {
		return 0, s, InvalidCharInNumber
	}
	i, n := 2, uint64(0)
	for ; i < len(s); i++ {
		digit := hexDigit(s[i])
		if digit >= base {
			break
		}
		if n>>(64-width) != 0 {
			return 0, s, TooManyDigits
		}
		n = n<<width | digit
	}
	if i == 2 {
		return 0, s, InvalidCharInNumber
	}
	return float64(n), s[i:], nil
}

func hexDigit(c byte) uint64 {
	switch {
	case isDigit(c):
		return uint64(c - '0')
	case c|0x20 >= 'a' && c|0x20 <= 'f':
		return uint64(c|0x20-'a') + 10
	}
	return 16
}
