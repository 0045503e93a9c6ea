package scpi

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// TestErrorTable holds the texts and classes against the collected table:
// SCPI-1999 volume 2, chapter 21; see testdata/README.md.
func TestErrorTable(t *testing.T) {
	f, err := os.Open("testdata/error-numbers.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows)-1 != len(texts) || len(texts) < 100 {
		t.Errorf("%d numbers in the table, %d here", len(rows)-1, len(texts))
	}
	checked := 0
	for _, row := range rows[1:] {
		n, err := strconv.Atoi(row[0])
		if err != nil {
			t.Fatal(err)
		}
		if got := Code(n).Text(); got != row[1] {
			t.Errorf("%d: %q; want %q", n, got, row[1])
		}
		// The class is written "execution error (SESR bit 4 EXE)".
		_, rest, found := strings.Cut(row[2], "SESR bit ")
		if !found || n <= -500 {
			continue
		}
		bit, err := strconv.Atoi(rest[:1])
		if err != nil || Code(n).Class() != 1<<bit {
			t.Errorf("%d: class %08b; want bit %d (%v)", n, Code(n).Class(), bit, err)
		}
		checked++
	}
	if checked < 100 || Code(1).Class() != EventDevice || NoError.Class() != 0 {
		t.Errorf("%d classes checked", checked)
	}
}

// syntax is what is used of testdata/syntax-and-status.json.
type syntax struct {
	ShortForms map[string]string `json:"short_form_examples"`
	Numbers    struct {
		Infinity  string `json:"infinity"`
		Negative  string `json:"negative_infinity"`
		NotNumber string `json:"not_a_number"`
		NR1, NR2  string
		NR3       string
	} `json:"numbers"`
	Lists struct {
		Examples map[string][]int `json:"examples"`
	} `json:"channel_list"`
	Event        map[string]string `json:"standard_event_bits"`
	Byte         map[string]string `json:"status_byte_bits"`
	Questionable map[string]string `json:"questionable_bits"`
	Operation    map[string]string `json:"operation_bits"`
}

func standard(t *testing.T) syntax {
	t.Helper()
	text, err := os.ReadFile("testdata/syntax-and-status.json")
	if err != nil {
		t.Fatal(err)
	}
	var s syntax
	if err := json.Unmarshal(text, &s); err != nil {
		t.Fatal(err)
	}
	return s
}

// TestShortForms holds the rule against SCPI-1999 volume 1, 6.2.1: the
// examples, and every mnemonic of the headers of volume 2.
func TestShortForms(t *testing.T) {
	examples := standard(t).ShortForms
	if len(examples) < 20 {
		t.Fatalf("%d examples", len(examples))
	}
	for long, short := range examples {
		if got := ShortForm(long); got != short {
			t.Errorf("%s: %s; want %s", long, got, short)
		}
	}
	f, err := os.ReadFile("testdata/subsystem-headers.csv")
	if err != nil {
		t.Fatal(err)
	}
	checked := 0
	for line := range strings.Lines(string(f)) {
		header, _, _ := strings.Cut(line, ",")
		if header == "header" {
			continue
		}
		for _, name := range strings.FieldsFunc(header, func(r rune) bool { return strings.ContainsRune("[]:?", r) }) {
			capitals := strings.TrimRightFunc(name, func(r rune) bool { return r >= 'a' && r <= 'z' })
			if got := ShortForm(name); got != capitals {
				t.Errorf("%s: %s", name, got)
			}
			checked++
		}
	}
	if checked < 200 {
		t.Errorf("%d mnemonics", checked)
	}
}

// TestHeadersOfTheStandard reads every header of the collected list with
// everything in it that may be. Two of them have brackets within brackets,
// which a Command cannot have.
func TestHeadersOfTheStandard(t *testing.T) {
	f, err := os.Open("testdata/subsystem-headers.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	nested := 0
	for i, row := range rows[1:] {
		header, query := strings.CutSuffix(row[0], "?")
		c := Command{ID: ID(i + 1), Header: header, Form: Sets}
		if query {
			c.Form = Asks
		}
		tree, err := NewTree([]Command{c})
		if strings.HasSuffix(header, "]]") {
			nested++
			if err == nil {
				t.Errorf("%s was taken", row[0])
			}
			continue
		}
		if err != nil {
			t.Errorf("%s: %v", row[0], err)
			continue
		}
		text := strings.NewReplacer("[", "", "]", "").Replace(row[0])
		got, err := read(NewParser(tree), text)
		if err != nil || len(got) != 1 || got[0].ID != c.ID {
			t.Errorf("%s: %+v, %v", text, got, err)
		}
	}
	if nested != 2 || len(rows) < 70 {
		t.Errorf("%d headers, %d of them nested", len(rows)-1, nested)
	}
}

// TestStandardNumbers reads the examples of SCPI-1999 volume 1, 7.2.1.
func TestStandardNumbers(t *testing.T) {
	n := standard(t).Numbers
	for text, want := range map[string]float64{n.Infinity: math.Inf(1), n.Negative: math.Inf(-1), "273": 273, "0.273": 0.273, "2.73E+2": 273} {
		if got, err := ParseNumber(text); err != nil || got != want {
			t.Errorf("%s: %v, %v; want %v", text, got, err, want)
		}
	}
	if got, err := ParseNumber(n.NotNumber); err != nil || !math.IsNaN(got) {
		t.Errorf("%s: %v, %v", n.NotNumber, got, err)
	}
}

// TestStandardChannelLists reads the examples of SCPI-1999 volume 1, 8.3.2.
func TestStandardChannelLists(t *testing.T) {
	examples := standard(t).Lists.Examples
	if len(examples) < 4 {
		t.Fatalf("%d examples", len(examples))
	}
	for text, want := range examples {
		got, err := ParseChannelList(nil, text)
		if err != nil || !slices.EqualFunc(got, want, func(i Item, n int) bool { return i == Plain(n) }) {
			t.Errorf("%s: %v, %v; want %v", text, got, err, want)
		}
	}
}

// TestStandardBits holds the bits against IEEE 488.2, 11 and SCPI-1999
// volume 1, 9.
func TestStandardBits(t *testing.T) {
	s := standard(t)
	for _, c := range []struct {
		bits map[string]string
		bit  uint16
		says string
	}{
		{s.Event, uint16(EventComplete), "OPC"}, {s.Event, uint16(EventRequest), "RQC"}, {s.Event, uint16(EventQuery), "QYE"},
		{s.Event, uint16(EventDevice), "DDE"}, {s.Event, uint16(EventExecution), "EXE"}, {s.Event, uint16(EventCommand), "CME"},
		{s.Event, uint16(EventUser), "URQ"}, {s.Event, uint16(EventPowerOn), "PON"},
		{s.Byte, uint16(ByteErrors), "queue"}, {s.Byte, uint16(ByteQuestionable), "QUEStionable"}, {s.Byte, uint16(ByteAnswer), "MAV"},
		{s.Byte, uint16(ByteEvent), "ESB"}, {s.Byte, uint16(ByteMaster), "MSS"}, {s.Byte, uint16(ByteOperation), "OPERation"},
		{s.Questionable, QuestionableVoltage, "VOLTage"}, {s.Questionable, QuestionableCurrent, "CURRent"},
		{s.Operation, OperationSettling, "SETTling"}, {s.Operation, OperationMeasuring, "MEASuring"},
	} {
		n := 0
		for 1<<n != c.bit {
			n++
		}
		if said := c.bits[strconv.Itoa(n)]; !strings.Contains(said, c.says) {
			t.Errorf("bit %d is %q, not %s", n, said, c.says)
		}
	}
}
