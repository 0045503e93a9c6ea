package scpi

import (
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"
)

// Commands of the tests: some of each kind.
const (
	idESE ID = iota + 1
	idRST
	idIDN
	idMode
	idVoltage
	idCurrent
	idVoltageRange
	idSense
	idSenseRange
	idProtection
	idOutput
	idCount
	idRead
	idClose
	idLabel
	idPair
	idSourceTripped
)

var limits = []string{"MINimum", "MAXimum", "DEFault"}

func testTree(t testing.TB) *Tree {
	t.Helper()
	tree, err := NewTree([]Command{
		{ID: idESE, Header: "*ESE", Form: Both, Params: []Param{{Kind: Numeric, Max: 255, Whole: true}}},
		{ID: idRST, Header: "*RST", Form: Sets},
		{ID: idIDN, Header: "*IDN", Form: Asks},
		{ID: idMode, Header: "[SOURce<n>]:FUNCtion:MODE", Form: Both, Params: []Param{{Kind: Choice, Words: []string{"VOLTage", "CURRent"}}}},
		{ID: idVoltage, Header: "[SOURce<n>]:VOLTage[:LEVel][:IMMediate][:AMPLitude]", Form: Both, Params: []Param{{Kind: Numeric, Unit: "V", Words: limits}}},
		{ID: idCurrent, Header: "[SOURce<n>]:CURRent[:LEVel][:IMMediate][:AMPLitude]", Form: Both, Params: []Param{{Kind: Numeric, Unit: "A", Words: limits}}},
		{ID: idVoltageRange, Header: "[SOURce<n>]:VOLTage:RANGe", Form: Both, Params: []Param{{Kind: Numeric, Unit: "V"}}},
		{ID: idSourceTripped, Header: "[SOURce<n>]:CURRent:PROTection:TRIPped", Form: Asks},
		{ID: idSenseRange, Header: "[SENSe<n>]:CURRent[:DC]:RANGe[:UPPer]", Form: Both, Params: []Param{{Kind: Numeric, Unit: "A"}}},
		{ID: idProtection, Header: "[SENSe<n>]:CURRent[:DC]:PROTection[:LEVel]", Form: Both, Params: []Param{{Kind: Numeric, Unit: "A"}}},
		{ID: idSense, Header: "[SENSe<n>]:RESistance:RANGe", Form: Both, Params: []Param{{Kind: Numeric, Unit: "OHM"}}},
		{ID: idOutput, Header: "OUTPut<n>[:STATe]", Form: Both, Params: []Param{{Kind: Boolean}}},
		{ID: idCount, Header: "[SENSe<n>]:AVERage:COUNt", Form: Both, Params: []Param{{Kind: Numeric, Min: 1, Max: 1000, Whole: true}}},
		{ID: idRead, Header: "READ[:SCALar]", Form: Asks, Query: []Param{{Kind: ChannelList, Optional: true}}},
		{ID: idClose, Header: "ROUTe:CLOSe", Form: Both, Params: []Param{{Kind: ChannelList}}, Query: []Param{{Kind: ChannelList}}},
		{ID: idLabel, Header: "DISPlay:TEXT", Form: Both, Params: []Param{{Kind: String}}},
		{ID: idPair, Header: "SYSTem:PAIR", Form: Sets, Params: []Param{{Kind: Numeric, Unit: "HZ"}, {Kind: Numeric, Unit: "S", Optional: true}}},
	})
	if err != nil {
		t.Fatal(err)
	}
	return tree.WithSuffixes(2)
}

// read reads a message to its end or its first mistake. What it returns is
// its own.
func read(p *Parser, message string) ([]Unit, error) {
	var units []Unit
	for p.Start(message); p.Next(); {
		u := *p.Unit()
		u.Values = append([]Value(nil), u.Values...)
		for i := range u.Values {
			u.Values[i].List = append([]Item(nil), u.Values[i].List...)
		}
		units = append(units, u)
	}
	return units, p.Err()
}

func TestUnits(t *testing.T) {
	number := func(v float64) []Value { return []Value{NumberValue(v)} }
	list := func(items ...Item) []Value { return []Value{ListValue(items)} }
	for _, c := range []struct {
		message string
		want    []Unit
	}{
		{"", nil},
		{" \t ", nil},
		{"*RST", []Unit{{ID: idRST}}},
		{"*rst\r", []Unit{{ID: idRST}}},
		{" *ESE 5.4 ; *ese?", []Unit{{ID: idESE, Values: number(5)}, {ID: idESE, Query: true}}},
		{"VOLT 5", []Unit{{ID: idVoltage, Suffix: 1, Values: number(5)}}},
		{"sour2:volt 5", []Unit{{ID: idVoltage, Suffix: 2, Values: number(5)}}},
		{":SOURCE2:VOLTAGE:LEVEL:IMMEDIATE:AMPLITUDE?", []Unit{{ID: idVoltage, Suffix: 2, Query: true}}},
		{"SOUR2:VOLT:AMPL MAX", []Unit{{ID: idVoltage, Suffix: 2, Values: []Value{WordValue(Numeric, 1)}}}},
		{"VOLT minimum", []Unit{{ID: idVoltage, Suffix: 1, Values: []Value{WordValue(Numeric, 0)}}}},
		// The path rule: the next header goes on where the last one stood.
		{"SOUR2:VOLT 1;CURR 2", []Unit{{ID: idVoltage, Suffix: 2, Values: number(1)}, {ID: idCurrent, Suffix: 2, Values: number(2)}}},
		{"SOUR2:VOLT:RANG 5;LEV 1", []Unit{{ID: idVoltageRange, Suffix: 2, Values: number(5)}, {ID: idVoltage, Suffix: 2, Values: number(1)}}},
		{"SOUR2:VOLT 1;:VOLT 2", []Unit{{ID: idVoltage, Suffix: 2, Values: number(1)}, {ID: idVoltage, Suffix: 1, Values: number(2)}}},
		{"SOUR2:VOLT 1;*RST;CURR 2", []Unit{{ID: idVoltage, Suffix: 2, Values: number(1)}, {ID: idRST}, {ID: idCurrent, Suffix: 2, Values: number(2)}}},
		{"SENS2:CURR:DC:RANG 1;PROT 1MA", []Unit{{ID: idSenseRange, Suffix: 2, Values: number(1)}, {ID: idProtection, Suffix: 2, Values: number(1e-3)}}},
		// What may be left out of two headers means the first one.
		{"CURR:PROT:TRIP?", []Unit{{ID: idSourceTripped, Suffix: 1, Query: true}}},
		{"OUTP2 ON;:OUTP 0;:OUTP1:STAT 0.6;:OUTP off", []Unit{
			{ID: idOutput, Suffix: 2, Values: []Value{BooleanValue(true)}}, {ID: idOutput, Suffix: 1, Values: []Value{BooleanValue(false)}},
			{ID: idOutput, Suffix: 1, Values: []Value{BooleanValue(true)}}, {ID: idOutput, Suffix: 1, Values: []Value{BooleanValue(false)}}}},
		{"READ?", []Unit{{ID: idRead, Query: true}}},
		{"READ:SCAL? (@1,2)", []Unit{{ID: idRead, Query: true, Values: list(Plain(1), Plain(2))}}},
		{"ROUT:CLOS ( @ 1!12 , 0!7 )", []Unit{{ID: idClose, Values: list(Item{1, 12}, Item{0, 7})}}},
		{`DISP:TEXT "a;b,""c'"`, []Unit{{ID: idLabel, Values: []Value{StringValue(`a;b,"c'`)}}}},
		{`DISP:TEXT 'it''s'`, []Unit{{ID: idLabel, Values: []Value{StringValue(`it's`)}}}},
		{"SYST:PAIR 2 MHZ , 3MS", []Unit{{ID: idPair, Values: []Value{NumberValue(2e6), NumberValue(3e-3)}}}},
		{"SYST:PAIR #HfF", []Unit{{ID: idPair, Values: number(255)}}},
		{"RES:RANG 1.1 MOHM;RANG 1.1kohm", []Unit{{ID: idSense, Suffix: 1, Values: number(1.1e6)}, {ID: idSense, Suffix: 1, Values: number(1.1e3)}}},
	} {
		p := NewParser(testTree(t))
		got, err := read(p, c.message)
		if err != nil || !alike(got, c.want) {
			t.Errorf("%q: %+v, %v; want %+v", c.message, got, err, c.want)
		}
	}
}

// alike compares units to the last bit, without distinguishing nil from empty.
func alike(a, b []Unit) bool {
	return slices.EqualFunc(a, b, func(a, b Unit) bool {
		return a.ID == b.ID && a.Query == b.Query && a.Suffix == b.Suffix && slices.EqualFunc(a.Values, b.Values, sameValue)
	})
}

func sameValue(a, b Value) bool {
	return a.Kind == b.Kind && math.Float64bits(a.Number) == math.Float64bits(b.Number) && a.Word == b.Word && a.On == b.On &&
		slices.Equal(a.List, b.List) && a.Text == b.Text
}

func TestMistakes(t *testing.T) {
	for _, c := range []struct {
		message string
		before  int // units carried out before
		want    Code
	}{
		{"VOLT 1;FOO;VOLT 2", 1, UndefinedHeader},
		{"VOLTA 1", 0, UndefinedHeader},
		{"VOL 1", 0, UndefinedHeader},
		{"VOLTAG 1", 0, UndefinedHeader},
		{"SOUR:VOLT 1;SOUR:VOLT 2", 1, UndefinedHeader},
		{"*RST?", 0, UndefinedHeader},
		{"*IDN", 0, UndefinedHeader},
		{"*ESE1", 0, UndefinedHeader},
		{"READ", 0, UndefinedHeader},
		{"SOUR", 0, UndefinedHeader},
		{"SOUR3:VOLT 1", 0, SuffixOutOfRange},
		{"SOUR0:VOLT 1", 0, SuffixOutOfRange},
		{"VOLT2 1", 0, SuffixOutOfRange},
		{"OUTP99999999 ON", 0, SuffixOutOfRange},
		{"SOUR3:FOO 1", 0, UndefinedHeader},
		{"ABCDEFGHIJKLM", 0, MnemonicTooLong},
		{"ABCDEFGHIJKL", 0, UndefinedHeader},
		{"VOLT&", 0, InvalidCharacter},
		{"&", 0, InvalidCharacter},
		{"VOLT\x01", 0, InvalidCharacter},
		{"VOLT 1;VOLT 2\xff", 0, InvalidCharacter},
		{"VOLT\n1", 0, InvalidCharacter},
		{"VOLT(1)", 0, HeaderSeparatorError},
		{"VOLT,1", 0, HeaderSeparatorError},
		{"VOLT?1", 0, HeaderSeparatorError},
		{"VOLT ?", 0, SyntaxError},
		{";", 0, SyntaxError},
		{"*RST;", 1, SyntaxError},
		{"*RST;;*RST", 1, SyntaxError},
		{"::VOLT 1", 0, SyntaxError},
		{"VOLT:", 0, SyntaxError},
		{"5", 0, SyntaxError},
		{"*", 0, SyntaxError},
		{"VOLT ,1", 0, SyntaxError},
		{"SYST:PAIR 1,", 0, SyntaxError},
		{"SYST:PAIR 1,;*RST", 0, SyntaxError},
		{"VOLT 1 2", 0, InvalidSeparator},
		{"SYST:PAIR 1 2", 0, InvalidSeparator},
		{"VOLT 1,2", 0, ParameterNotAllowed},
		{"*RST 1", 0, ParameterNotAllowed},
		{"VOLT? MAX", 0, ParameterNotAllowed},
		{"VOLT", 0, MissingParameter},
		{"VOLT ;*RST", 0, MissingParameter},
		{"ROUT:CLOS?", 0, MissingParameter},
		{"VOLT (@1)", 0, DataTypeError},
		{`VOLT "1"`, 0, DataTypeError},
		{"VOLT #15ABCDE", 0, DataTypeError},
		{"ROUT:CLOS 1", 0, DataTypeError},
		{"*ESE MAX", 0, DataTypeError},
		{"FUNC:MODE 1", 0, DataTypeError},
		{"FUNC:MODE VOL", 0, InvalidCharacterData},
		{"FUNC:MODE RES", 0, InvalidCharacterData},
		{"FUNC:MODE VOLT$", 0, InvalidCharacterData},
		{"OUTP MAYBE", 0, InvalidCharacterData},
		{"OUTP ABCDEFGHIJKLM", 0, CharacterDataTooLong},
		{"VOLT 1.2.3", 0, InvalidCharInNumber},
		{"VOLT 1$", 0, InvalidCharInNumber},
		{"VOLT +", 0, InvalidCharInNumber},
		{"VOLT -.", 0, InvalidCharInNumber},
		{"VOLT #Q8", 0, InvalidCharInNumber},
		{"VOLT #Q78", 0, InvalidCharInNumber},
		{"VOLT #X8", 0, InvalidCharInNumber},
		{"VOLT #", 0, InvalidCharInNumber},
		{"VOLT #HFFFFFFFFFFFFFFFFF", 0, TooManyDigits},
		{"VOLT 1" + strings.Repeat("1", 255), 0, TooManyDigits},
		{"VOLT 1E32001", 0, ExponentTooLarge},
		{"VOLT 1E-99999999999999999999", 0, ExponentTooLarge},
		{"VOLT 1 A", 0, InvalidSuffix},
		{"VOLT 1XV", 0, InvalidSuffix},
		{"VOLT 1E", 0, InvalidSuffix},
		{"VOLT 1 V/S", 0, InvalidSuffix},
		{"VOLT 1 ABCDEFGHIJKLM", 0, SuffixTooLong},
		{"*ESE 1 V", 0, SuffixNotAllowed},
		{"OUTP 1V", 0, SuffixNotAllowed},
		{"VOLT $", 0, InvalidCharacter},
		{"VOLT @", 0, SyntaxError},
		{`DISP:TEXT "a`, 0, InvalidStringData},
		{`DISP:TEXT "a" "b"`, 0, InvalidSeparator},
		{"READ? (1)", 0, InvalidExpression},
		{"READ? (@1", 0, InvalidExpression},
		{"READ? (@)", 0, InvalidExpression},
		{"READ? (@1)2", 0, InvalidSeparator},
		{"READ? (@1:99999)", 0, DataOutOfRange},
		{"READ? (@1:9999)", 0, TooMuchData},
		{"*ESE 256", 0, DataOutOfRange},
		{"*ESE -1", 0, DataOutOfRange},
		{"AVER:COUN 0", 0, DataOutOfRange},
		{"AVER:COUN 9.9E37", 0, DataOutOfRange},
		{"VOLT 9.91E37", 0, DataOutOfRange},
		{"OUTP 9.91E37", 0, DataOutOfRange},
	} {
		got, err := read(NewParser(testTree(t)), c.message)
		if CodeOf(err) != c.want || len(got) != c.before {
			t.Errorf("%q: after %d units: %v; want after %d: %v", c.message, len(got), err, c.before, c.want)
		}
	}
}

func TestGeneratedMessage(t *testing.T) {
	tree := testTree(t)
	units := []Unit{
		{ID: idMode, Suffix: 2, Values: []Value{WordValue(Choice, 1)}},
		{ID: idVoltage, Suffix: 1, Values: []Value{NumberValue(-2.5e-3)}},
		{ID: idESE, Values: []Value{NumberValue(32)}},
		{ID: idOutput, Suffix: 2, Values: []Value{BooleanValue(true)}},
		{ID: idRead, Query: true, Values: []Value{ListValue([]Item{Plain(1), Plain(2)})}},
	}
	got := string(tree.AppendMessage(nil, units...))
	want := ":SOUR2:FUNC:MODE CURR;:SOUR1:VOLT -2.5E-3;*ESE 3.2E+1;:OUTP2 ON;:READ? (@1,2)"
	if got != want {
		t.Errorf("%s; want %s", got, want)
	}
	back, err := read(NewParser(tree), got)
	if err != nil || !alike(back, units) {
		t.Errorf("reads back as %+v, %v", back, err)
	}
}

func TestTreeRefuses(t *testing.T) {
	for _, header := range []string{"", "*", ":VOLT", "VOLTage:", "VOLtage", "[VOLTage]", "A<n>:B<n>", "VOLTage[DC]", "[VOLTage:DC]", "VOLTage[:DC", "CHAN1", "VERYlongmnemonic", "*VERYlongmnemonic"} {
		if _, err := NewTree([]Command{{ID: 1, Header: header, Form: Both}}); err == nil {
			t.Errorf("%q was taken", header)
		}
	}
	for name, commands := range map[string][]Command{
		"no ID":     {{Header: "ABORt", Form: Sets}},
		"no form":   {{ID: 1, Header: "ABORt"}},
		"same ID":   {{ID: 1, Header: "ABORt", Form: Sets}, {ID: 1, Header: "READ", Form: Asks}},
		"same way":  {{ID: 1, Header: "ABORt", Form: Sets}, {ID: 2, Header: "ABORt", Form: Both}},
		"bad words": {{ID: 1, Header: "ABORt", Form: Sets, Params: []Param{{Kind: Choice, Words: []string{"Now"}}}}},
	} {
		if _, err := NewTree(commands); err == nil {
			t.Errorf("%s: was taken", name)
		}
	}
}

func TestCommandOfTree(t *testing.T) {
	tree := testTree(t)
	c, ok := tree.Command(idOutput)
	if !ok || c.Header != "OUTPut<n>[:STATe]" || !reflect.DeepEqual(c.Params, []Param{{Kind: Boolean}}) {
		t.Errorf("%+v, %t", c, ok)
	}
	if _, ok := tree.Command(999); ok {
		t.Error("a command that is not there")
	}
}
