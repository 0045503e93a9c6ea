package form

import (
	"fmt"
	"net/url"
	"slices"
	"strings"
	"testing"

	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// TestReader reads each kind of field, right and wrong: what it gives, and what
// it says.
func TestReader(t *testing.T) {
	two := dut.Device{Pins: []dut.Pin{{Number: 1, Name: "A"}, {Number: 2, Name: "B"}}}
	whole := func(r *Reader, f Field) any { return r.Whole(f) }
	needWhole := func(r *Reader, f Field) any { return r.NeedWhole(f) }
	volts := func(r *Reader, f Field) any { return r.Quantity(f, quantity.Volt) }
	needVolts := func(r *Reader, f Field) any { return r.NeedQuantity(f, quantity.Volt) }
	wholes := func(r *Reader, f Field) any { return r.Wholes(f) }
	count := func(r *Reader, f Field) any { return r.Count(f, 20) }
	pin := func(r *Reader, f Field) any { return r.Pin(f, &two) }
	orReturn := func(r *Reader, f Field) any { return r.PinOrReturn(f, &two) }
	yesNo := func(r *Reader, f Field) any { return r.YesNo(f) }
	choice := func(r *Reader, f Field) any { return r.Choice(f, "choose one", "a", "b") }
	for _, c := range []struct {
		read func(*Reader, Field) any
		text string
		want any
		says string // part of the message; "": none
	}{
		{whole, "", 0, ""}, {whole, " 14 ", 14, ""}, {whole, "-3", -3, ""}, {whole, "10000", 0, `"10000" is not a whole number`},
		{whole, "1.5", 0, "is not a whole number such as 14"}, {whole, strings.Repeat("x", 99), 0, strings.Repeat("x", 40) + "…"},
		{needWhole, "", 0, "enter a number"}, {needWhole, "9999", 9999, ""},
		{volts, "", 0.0, ""}, {volts, "1.5 mV", 0.0015, ""}, {volts, "1 A", 0.0, "V"}, {needVolts, "", 0.0, "nothing given"},
		{wholes, "1, 2;3 4", []int{1, 2, 3, 4}, ""}, {wholes, "", []int(nil), ""}, {wholes, "1, x, 3", []int{1, 3}, `"x"`},
		{count, "1", 1, ""}, {count, "20", 20, ""}, {count, "21", 21, "1 to 20"}, {count, "0", 0, "1 to 20"}, {count, "", 0, "1 to 20"},
		{pin, "2", 2, ""}, {pin, "3", 3, "pick a pin"}, {pin, "", 0, "pick a pin"}, {pin, "A", 0, "pick a pin"},
		{orReturn, "", 0, ""}, {orReturn, "0", 0, ""}, {orReturn, "1", 1, ""}, {orReturn, "9", 9, "pick a pin"},
		{yesNo, "", false, ""}, {yesNo, "None", false, ""}, {yesNo, "Yes", true, ""}, {yesNo, "x", true, ""}, {yesNo, "perhaps", false, `"perhaps" is neither`},
		{choice, "b", "b", ""}, {choice, "c", "", "choose one"}, {choice, "", "", "choose one"},
	} {
		r := NewReader(url.Values{"f": {c.text}})
		f := r.Field(dut.At("f"))
		got := c.read(r, f)
		if fmt.Sprint(got) != fmt.Sprint(c.want) {
			t.Errorf("%q gives %v, want %v", c.text, got, c.want)
		}
		switch {
		case c.says == "" && len(r.Problems) > 0, c.says != "" && (len(r.Problems) != 1 || !strings.Contains(r.Problems[0].Message, c.says)):
			t.Errorf("%q: %v, want %q", c.text, r.Problems, c.says)
		case r.Failed(f.At) != (c.says != ""):
			t.Errorf("%q: failed %v", c.text, r.Failed(f.At))
		}
	}
}

// TestReaderGathers: every problem is reported, under the path of its field.
func TestReaderGathers(t *testing.T) {
	r := NewReader(url.Values{"name": {" a "}, "text": {"one\r\ntwo"}, "on": {"1"}, "off": {"0"}, "col": {"1", "x"}})
	if r.Line("name") != "a" || r.Lines("text") != "one\ntwo" || !r.Checked("on") || r.Checked("off") || r.Checked("none") {
		t.Errorf("%q, %q, %v", r.Line("name"), r.Lines("text"), r.Checked("on"))
	}
	rows := dut.At("rows")
	got := []int{r.NeedWhole(r.Cell(rows.Index(0).Name("n"), "col", 0)), r.NeedWhole(r.Cell(rows.Index(1).Name("n"), "col", 1)),
		r.NeedWhole(r.Cell(rows.Index(2).Name("n"), "col", 2)), r.NeedWhole(r.Named(rows, "name"))}
	if !slices.Equal(got, []int{1, 0, 0, 0}) {
		t.Errorf("%v", got)
	}
	var at []string
	for _, p := range r.Problems {
		at = append(at, p.Field)
	}
	if want := []string{"rows[1].n", "rows[2].n", "rows"}; !slices.Equal(at, want) {
		t.Errorf("problems at %v, want %v", at, want)
	}
}

// TestColumns: rows are as long as the longest column, empty ones go, and a
// hostile form is cut.
func TestColumns(t *testing.T) {
	c := Columns{"a", "b"}
	v := url.Values{"a": {"1", "", " ", "4"}, "b": {" x", "choice", "choice"}}
	if c.Rows(v) != 4 || !slices.Equal(c.Row(v, 0), []string{"1", "x"}) || !slices.Equal(c.Row(v, 3), []string{"4", ""}) {
		t.Errorf("%d rows, %q, %q", c.Rows(v), c.Row(v, 0), c.Row(v, 3))
	}
	c.Tidy(v, "b")
	if !slices.Equal(v["a"], []string{"1", "4"}) || !slices.Equal(v["b"], []string{"x", ""}) {
		t.Errorf("tidied to %q", v)
	}
	c.Up(v, 1)
	c.Up(v, 0)
	c.Up(v, 2)
	if !slices.Equal(v["a"], []string{"4", "1"}) || !slices.Equal(v["b"], []string{"", "x"}) {
		t.Errorf("moved to %q", v)
	}
	many := url.Values{"a": make([]string, 100_000)}
	if c.Rows(many) != maxRows {
		t.Errorf("%d rows", c.Rows(many))
	}
	c.Tidy(many)
	if len(many["a"]) != 0 {
		t.Errorf("%d empty rows stay", len(many["a"]))
	}
}
