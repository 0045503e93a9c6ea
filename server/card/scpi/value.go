package scpi

import "math"

// Kind is the kind of a parameter.
type Kind uint8

const (
	Numeric     Kind = iota + 1 // a number, or a word that stands for one
	Boolean                     // ON, OFF or a number
	Choice                      // one of its words
	ChannelList                 // (@1,3:5)
	String                      // "text"
)

// Param is the declaration of a parameter of a command.
type Param struct {
	Kind Kind
	// Unit is the suffix that a number may have, in capitals: V, A, OHM, S or
	// HZ; "" for none.
	Unit string
	// Words are the character data that it may be instead of a number, or must
	// be, in the standards' notation: "MINimum".
	Words []string
	// Min and Max bound a number where Max > Min; outside of them it is -222.
	Min, Max float64
	Whole    bool // a number is rounded to an integer
	Optional bool // it, and what follows it, may be left out
}

// Value is a parameter, read. Not-a-number is never one: it is -222.
type Value struct {
	Kind   Kind
	Number float64 // of Numeric, in the base unit
	Word   int     // place in the parameter's Words, of Choice and Numeric; -1 for a number
	On     bool    // of Boolean
	List   []Item  // of ChannelList: at least one
	Text   string  // of String
}

// Values for messages that are generated.
func NumberValue(v float64) Value      { return Value{Kind: Numeric, Number: v, Word: -1} }
func WordValue(kind Kind, n int) Value { return Value{Kind: kind, Word: n} }
func BooleanValue(on bool) Value       { return Value{Kind: Boolean, On: on, Word: -1} }
func ListValue(items []Item) Value     { return Value{Kind: ChannelList, List: items, Word: -1} }
func StringValue(text string) Value    { return Value{Kind: String, Text: text, Word: -1} }

// param is a Param with its words ready for comparison.
type param struct {
	Param
	words []wordForms
}

type wordForms struct{ long, short key }

var booleanWords = []wordForms{{keyOf("OFF"), keyOf("OFF")}, {keyOf("ON"), keyOf("ON")}}

func compile(params []Param) []param {
	out := make([]param, len(params))
	for i, p := range params {
		out[i].Param = p
		if p.Kind == Boolean {
			out[i].words = booleanWords
			continue
		}
		for _, w := range p.Words {
			out[i].words = append(out[i].words, wordForms{keyOf(w), keyOf(ShortForm(w))})
		}
	}
	return out
}

// scanValue reads a parameter. What follows it is the caller's.
func (p *Parser) scanValue(s string, as *param) (Value, string, error) {
	switch c := s[0]; {
	case isLetter(c):
		return scanWord(s, as)
	case isDigit(c) || c == '+' || c == '-' || c == '.' || c == '#':
		return scanNumeric(s, as)
	case c == '"' || c == '\'':
		return scanString(s, as)
	case c == '(':
		return p.scanList(s, as)
	case known(c):
		return Value{}, s, SyntaxError
	}
	return Value{}, s, InvalidCharacter
}

func scanWord(s string, as *param) (Value, string, error) {
	n := word(s)
	switch {
	case len(as.words) == 0:
		return Value{}, s, DataTypeError
	case n > maxMnemonic:
		return Value{}, s, CharacterDataTooLong
	case !ends(s[n:]):
		return Value{}, s, InvalidCharacterData
	}
	k := keyOf(s[:n])
	for i, w := range as.words {
		if k != w.long && k != w.short {
			continue
		}
		if as.Kind == Boolean {
			return BooleanValue(i == 1), s[n:], nil
		}
		return WordValue(as.Kind, i), s[n:], nil
	}
	return Value{}, s, InvalidCharacterData
}

// ends reports whether a parameter may end before s.
func ends(s string) bool { return s == "" || isSpace(s[0]) || s[0] == ',' || s[0] == ';' }

func scanNumeric(s string, as *param) (Value, string, error) {
	if as.Kind != Numeric && as.Kind != Boolean || s[0] == '#' && len(s) > 1 && isDigit(s[1]) {
		return Value{}, s, DataTypeError
	}
	v, rest, err := scanNumber(s, as.Unit)
	if err != nil {
		return Value{}, s, err
	}
	if as.Whole || as.Kind == Boolean {
		v = math.Round(v)
	}
	switch {
	case math.IsNaN(v) || as.Max > as.Min && (v < as.Min || v > as.Max):
		return Value{}, s, DataOutOfRange
	case as.Kind == Boolean:
		return BooleanValue(v != 0), rest, nil
	}
	return NumberValue(v), rest, nil
}

// scanNumber reads a number with its suffix.
func scanNumber(s, unit string) (float64, string, error) {
	if s[0] == '#' {
		v, rest, err := scanRadix(s)
		if err == nil && !ends(rest) {
			err = InvalidCharInNumber
		}
		return v, rest, err
	}
	d, err := scanDecimal(s)
	if err != nil {
		return 0, s, err
	}
	from := skip(s, d.end)
	if from >= len(s) || !isLetter(s[from]) {
		if !ends(s[d.end:]) {
			return 0, s, InvalidCharInNumber
		}
		return d.value(s, 0), s[d.end:], nil
	}
	end := from
	for end < len(s) && !ends(s[end:]) {
		end++
	}
	if unit == "" {
		return 0, s, SuffixNotAllowed
	}
	shift, err := scanSuffix(s[from:end], unit)
	if err != nil {
		return 0, s, err
	}
	return d.value(s, shift), s[end:], nil
}

// maxSuffix is the largest length of a suffix, in characters: SCPI-1999 volume
// 2, 21.8.9, from memory.
const maxSuffix = 12

// multipliers are the powers of ten before a unit, IEEE 488.2, 7.7.3.
var multipliers = []struct {
	name  string
	power int
}{
	{"M", -3}, {"U", -6}, {"N", -9}, {"K", 3}, {"P", -12}, {"MA", 6},
	{"F", -15}, {"A", -18}, {"G", 9}, {"T", 12}, {"PE", 15}, {"EX", 18},
}

// scanSuffix returns the power of ten that a suffix stands for. M is milli,
// but mega before OHM and HZ.
func scanSuffix(suffix, unit string) (int, error) {
	if len(suffix) > maxSuffix {
		return 0, SuffixTooLong
	}
	n := len(suffix) - len(unit)
	if n < 0 || !same(suffix[n:], unit) {
		return 0, InvalidSuffix
	}
	prefix := suffix[:n]
	if prefix == "" {
		return 0, nil
	}
	if same(prefix, "M") && (unit == "OHM" || unit == "HZ") {
		return 6, nil
	}
	for _, m := range multipliers {
		if same(prefix, m.name) {
			return m.power, nil
		}
	}
	return 0, InvalidSuffix
}

// same compares a text with capitals, in any case.
func same(s, capitals string) bool {
	if len(s) != len(capitals) {
		return false
	}
	for i := range len(s) {
		if upper(s[i]) != capitals[i] {
			return false
		}
	}
	return true
}

func scanString(s string, as *param) (Value, string, error) {
	if as.Kind != String {
		return Value{}, s, DataTypeError
	}
	end, err := stringEnd(s)
	if err != nil {
		return Value{}, s, err
	}
	text, err := Unquote(s[:end])
	return StringValue(text), s[end:], err
}

func (p *Parser) scanList(s string, as *param) (Value, string, error) {
	if as.Kind != ChannelList {
		return Value{}, s, DataTypeError
	}
	end, err := expressionEnd(s)
	if err != nil {
		return Value{}, s, err
	}
	from := len(p.items)
	p.items, err = ParseChannelList(p.items, s[:end])
	if err == nil && len(p.items) == from {
		err = InvalidExpression // a command for nothing is a mistake
	}
	return ListValue(p.items[from:len(p.items):len(p.items)]), s[end:], err
}
