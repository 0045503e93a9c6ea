package scpi

import (
	"errors"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// Each target for a while:
//
//	for f in Message Answer ChannelList Number; do
//		go test ./server/card/scpi -run xxx -fuzz "Fuzz$f\$" -fuzztime 10m
//	done

// FuzzMessage: nothing panics, and the units that were read, all of them or
// those before a mistake, are written as a message that reads the same.
func FuzzMessage(f *testing.F) {
	for _, seed := range []string{
		"", ";", "*RST", "*ESE 97;*ESE?;*ESE 41;*ESE?;*ESE 0", aMessage, aLevel, aRead, "ABOR;*RST", "OUTP2 ON;:OUTP OFF;:outp1:stat?",
		"SOUR2:VOLT:RANG 5;LEV MAX;*RST;AMPL #HFF", "ROUT:CLOS (@1!12,0!7:0!9)", `DISP:TEXT "a;b,""c'";TEXT 'd'`, "SYST:PAIR 2 MHZ , 3MS",
		"SENS2:CURR:DC:RANG 1E-3;PROT 1.5 MA;:READ?", "VOLT 9.9E37;VOLT 9.91E37", "VOLT 1 E 3 uV", "VOLT 1.2.3", "SOUR3:VOLT 1", "VOLT\x00", "\xff",
		"ABCDEFGHIJKLM:N", "FUNC:MODE VOLTAGE;MODE?\r", "*ese 254.6", "OUTP 1E-400", "VOLT -0",
	} {
		f.Add(seed)
	}
	tree := testTree(f)
	f.Fuzz(func(t *testing.T, message string) {
		if len(message) > 1024 {
			return // as a card does
		}
		p := NewParser(tree)
		units, err := read(p, message)
		if err != nil && CodeOf(err).Class() != EventCommand && CodeOf(err).Class() != EventExecution {
			t.Fatalf("%q: %v is none of a message", message, err)
		}
		text := string(tree.AppendMessage(nil, units...))
		back, err := read(p, text)
		if err != nil || !alike(back, units) {
			t.Fatalf("%q is %+v, written %q, which is %+v, %v", message, units, text, back, err)
		}
		if again := string(tree.AppendMessage(nil, back...)); again != text {
			t.Fatalf("%q is written %q, and then %q", message, text, again)
		}
		lower, err := read(p, strings.ToLower(text))
		if !strings.ContainsAny(text, `"`) && (err != nil || !alike(lower, units)) {
			t.Fatalf("%q in small letters is %+v, %v", text, lower, err)
		}
	})
}

// FuzzAnswer: nothing panics, values that were split are whole, and what a
// value reads as is written so that it reads the same.
func FuzzAnswer(f *testing.F) {
	for _, seed := range []string{
		"", anAnswer, `-113,"Undefined header;a,b"`, "(@1!12,0!7)", "(@)", "1;0;97;41", "Ohmkeep,Rehearsal card,R-1,1", `"a""b";'c;d'`,
		"9.9E37,-9.9E37,9.91E37,4,1", "CHANNELS 2,WATCHDOG 2,MESSAGE 1024", `(a,(b,")"),c),d`, `"`, "(", ")", "1,,2", "\xff\x00", "nan,inf,0x1p3",
	} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, line string) {
		values, err := SplitAnswer(nil, line)
		if err != nil {
			if !errors.Is(err, ErrAnswer) {
				t.Fatal(err)
			}
			return
		}
		again, err := SplitAnswer(nil, strings.Join(values, ","))
		if err != nil || !slices.Equal(again, values) {
			t.Fatalf("%q is %q, and then %q, %v", line, values, again, err)
		}
		units, err := SplitUnits(nil, line)
		if err != nil {
			t.Fatalf("%q: %v", line, err)
		}
		n := 0
		for _, u := range units {
			inside, err := SplitAnswer(nil, u)
			if err != nil {
				t.Fatalf("%q: %q: %v", line, u, err)
			}
			n += len(inside)
		}
		if n != len(values) {
			t.Fatalf("%q: %d values, by units %d", line, len(values), n)
		}
		for _, v := range values {
			checkValue(t, v)
		}
		if e, err := ParseError(line); err == nil {
			if back, err := ParseError(e.String()); err != nil || back != e {
				t.Fatalf("%q is %+v, and then %+v, %v", line, e, back, err)
			}
		}
	})
}

// checkValue reads a value in every way and holds that it reads back.
func checkValue(t *testing.T, v string) {
	if x, err := ParseNumber(v); err == nil {
		back, err := ParseNumber(FormatNR3(x))
		if err != nil || math.Float64bits(back) != math.Float64bits(x) && !math.IsNaN(x) {
			t.Fatalf("%q is %v, and then %v, %v", v, x, back, err)
		}
	}
	if n, err := ParseInteger(v); err == nil {
		if x, err := ParseNumber(v); err != nil || x != float64(n) {
			t.Fatalf("%q is %d and %v, %v", v, n, x, err)
		}
	}
	if on, err := ParseBoolean(v); err == nil && on != (v == "1") {
		t.Fatalf("%q is %t", v, on)
	}
	if text, err := Unquote(v); err == nil {
		if back, err := Unquote(Quote(text)); err != nil || back != text {
			t.Fatalf("%q is %q, and then %q, %v", v, text, back, err)
		}
	}
}

// FuzzChannelList: a list that is accepted is written so that it reads the
// same, one that is not has one of three errors.
func FuzzChannelList(f *testing.F) {
	for _, seed := range []string{
		"(@)", "(@1)", "(@1,3:5)", "(@5:3)", "(@1:3,2)", "(@1!12,0!7)", "(@1!1:2!3)", " ( @ 1 ! 2 : 1 ! 2 , 65535 ) ",
		"(@1:1024)", "(@1:1025)", "(@65536)", "(@0!0:65535!65535)", "(@1!2:3)", "(@-1)", "(1)", "(@1,)", "(@1!2!3)", "",
	} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		before := []Item{{7, 7}}
		items, err := ParseChannelList(before, text)
		if items[0] != before[0] || len(items) > 1+maxItems {
			t.Fatalf("%q: %d items", text, len(items))
		}
		if err != nil {
			if !slices.Contains([]Code{InvalidExpression, DataOutOfRange, TooMuchData}, CodeOf(err)) {
				t.Fatalf("%q: %v", text, err)
			}
			return
		}
		items = items[1:]
		for _, i := range items {
			if i.A < 0 || i.A > maxChannel || i.B < -1 || i.B > maxChannel {
				t.Fatalf("%q: %v", text, i)
			}
		}
		back, err := ParseChannelList(nil, FormatChannelList(items))
		if err != nil || !slices.Equal(back, items) {
			t.Fatalf("%q is %v, and then %v, %v", text, items, back, err)
		}
	})
}

// nrf is the form of decimal numeric data: IEEE 488.2, 7.7.2.
var nrf = regexp.MustCompile(`^[ \t]*([+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([Ee]([+-]?[0-9]+))?)[ \t]*$`)

// FuzzNumber: a number is accepted when it has the form of one and is within
// the limits, and is then the number that strconv reads.
func FuzzNumber(f *testing.F) {
	for _, seed := range []string{
		"0", "-0", "1", "+1.", ".5", "1e3", "2.73E+2", "9.9E37", "-9.9E37", "9.91E37", "9.905E37", "1E400", "1e-400", "1E32000", "1E32001",
		"0x10", "1_0", "inf", "NaN", "1 E3", " 7\t", "1.2.3", "", ".", "e3", "4.9406564584124654e-324", "1.7976931348623157e308", strings.Repeat("0", 300) + "1", strings.Repeat("1", 256),
	} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		got, err := ParseNumber(text)
		form := nrf.FindStringSubmatch(text)
		if form == nil {
			if !errors.Is(err, ErrAnswer) {
				t.Fatalf("%q is %v, %v", text, got, err)
			}
			return
		}
		exponent, wide := strconv.Atoi(form[4])
		digits := strings.TrimLeft(strings.ReplaceAll(form[2], ".", ""), "0")
		within := len(digits) <= maxDigits && (form[4] == "" || wide == nil && exponent <= maxExponent && exponent >= -maxExponent)
		if within != (err == nil) {
			t.Fatalf("%q: within the limits %t, %v, %v", text, within, got, err)
		}
		if err != nil {
			return
		}
		want, _ := strconv.ParseFloat(form[1], 64) // beyond float64 is ±Inf
		same := got == want
		if math.IsNaN(got) {
			same = want == notNumber
		} else if math.IsInf(got, 0) {
			same = math.Abs(want) >= infinity && math.Signbit(want) == math.Signbit(got)
		}
		if !same {
			t.Fatalf("%q is %v; want %v", text, got, want)
		}
	})
}
