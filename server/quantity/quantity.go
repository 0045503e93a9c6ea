// Package quantity reads and writes engineering numbers such as "4.7k", "-100u"
// and "3.3 V". Everywhere else in the program a quantity is a float64 in SI base
// units; prefixes exist only here, at the screen.
package quantity

import (
	"fmt"
	"strings"
)

// Unit is the symbol of a unit as it is printed.
type Unit string

// The units of the bench. One is a number without unit.
const (
	Volt    Unit = "V"
	Ampere  Unit = "A"
	Ohm     Unit = "Ω"
	Second  Unit = "s"
	Watt    Unit = "W"
	Hertz   Unit = "Hz"
	Siemens Unit = "S"
	Farad   Unit = "F"
	Celsius Unit = "°C"
	Percent Unit = "%"
	One     Unit = ""
)

// kind is what the parser and the formatter must know of a unit.
type kind struct {
	unit     Unit
	noun     string   // for messages: "write a voltage such as ..."
	example  string   // must itself be accepted
	names    []string // other spellings, compared without regard to case
	letter   byte     // may stand for the decimal point (4R7, 3V3); 0 for none
	exact    bool     // the symbol's case carries meaning (S and s, F and f)
	noPrefix bool     // never prefixed, on input or output
	bare     bool     // prefixed on input only ("10k" readings)
}

var kinds = []kind{
	{unit: Volt, noun: "a voltage", example: "3.3 V", names: []string{"volt", "volts"}, letter: 'V'},
	{unit: Ampere, noun: "a current", example: "10 mA", names: []string{"amp", "amps", "ampere", "amperes"}, letter: 'A'},
	{unit: Ohm, noun: "a resistance", example: "4.7 kΩ", names: []string{"\u2126", "ohm", "ohms", "R"}, letter: 'R'},
	{unit: Second, noun: "a time", example: "20 ms", names: []string{"sec", "second", "seconds"}, exact: true},
	{unit: Watt, noun: "a power", example: "250 mW", names: []string{"watt", "watts"}},
	{unit: Hertz, noun: "a frequency", example: "50 Hz", names: []string{"hertz"}},
	{unit: Siemens, noun: "a conductance", example: "2 mS", names: []string{"siemens"}, exact: true},
	{unit: Farad, noun: "a capacitance", example: "100 nF", names: []string{"farad", "farads"}, letter: 'F', exact: true},
	{unit: Celsius, noun: "a temperature", example: "25 °C", names: []string{"C", "degC", "celsius"}, noPrefix: true},
	{unit: Percent, noun: "a percentage", example: "0.5 %", names: []string{"percent"}, noPrefix: true},
	{unit: One, noun: "a number", example: "1.5", bare: true},
}

// lookup returns what is known of unit; an unknown unit is printed and read
// literally, with prefixes.
func lookup(unit Unit) kind {
	for _, k := range kinds {
		if k.unit == unit {
			return k
		}
	}
	return kind{unit: unit, noun: "a number in " + string(unit), example: "1.5 " + string(unit), exact: true}
}

// spells reports whether text is a spelling of the unit.
func (k kind) spells(text string) bool {
	if text == string(k.unit) {
		return true
	}
	if !k.exact && k.unit != One && strings.EqualFold(text, string(k.unit)) {
		return true
	}
	for _, n := range k.names {
		if strings.EqualFold(text, n) {
			return true
		}
	}
	return false
}

// prefix is a power of ten with its symbol.
type prefix struct {
	symbol string
	exp    int
}

// prefixes from small to large, in steps of a thousand, as printed.
var prefixes = []prefix{
	{"f", -15}, {"p", -12}, {"n", -9}, {"µ", -6}, {"m", -3}, {"", 0},
	{"k", 3}, {"M", 6}, {"G", 9}, {"T", 12},
}

const minPrefixExp, maxPrefixExp = -15, 12

// symbolOf returns the symbol of 10^exp, exp a multiple of three in range.
func symbolOf(exp int) string { return prefixes[(exp-minPrefixExp)/3].symbol }

// cutPrefix takes a prefix from the front of s. Besides the printed symbols it
// knows u and the Greek letter for micro, and K for kilo (IEC 60062).
func cutPrefix(s string) (exp int, rest string, ok bool) {
	for _, p := range prefixes {
		if p.symbol == "" {
			continue
		}
		if rest, found := strings.CutPrefix(s, p.symbol); found {
			return p.exp, rest, true
		}
	}
	for _, p := range []prefix{{"u", -6}, {"\u03bc", -6}, {"K", 3}} {
		if rest, found := strings.CutPrefix(s, p.symbol); found {
			return p.exp, rest, true
		}
	}
	return 0, s, false
}

// Error says why a text was refused. Its message is fit for the screen.
type Error struct {
	Text   string // what was given, cut to maxText bytes
	Unit   Unit   // what was wanted
	Reason string
}

func (e *Error) Error() string {
	k := lookup(e.Unit)
	return fmt.Sprintf("%s: write %s such as %s", e.Reason, k.noun, k.example)
}
