package problem

import (
	"errors"
	"fmt"
	"testing"

	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

type coded struct{ text string }

func (c *coded) Error() string     { return c.text }
func (c *coded) ProblemCode() Code { return Held }

func TestOf(t *testing.T) {
	fields := dut.Problems{{Field: "level", Message: "is too high"}}
	_, number := quantity.Parse("12 furlongs", quantity.Volt)
	cause := errors.New("row 17 of table runs")
	for _, tc := range []struct {
		name    string
		err     error
		code    Code
		message string
		field   string
	}{
		{"one of ours", New(Conflict, "It is there already."), Conflict, "It is there already.", ""},
		{"wrapped", fmt.Errorf("store: saving: %w", New(Full, "the disk is full")), Full, "the disk is full", ""},
		{"with a cause", &Error{Code: NotFound, Message: "there is no run 7", Err: cause}, NotFound, "there is no run 7", ""},
		{"the outer one", &Error{Code: Conflict, Message: "outer", Err: New(Invalid, "inner")}, Conflict, "outer", ""},
		{"faults of a document", fmt.Errorf("saving: %w", fields), Invalid, "level: is too high", "level"},
		{"faults as the cause", &Error{Code: Invalid, Message: "this document is not valid", Err: fields}, Invalid, "level: is too high", "level"},
		{"own fields before those of the cause", &Error{Code: Malformed, Message: "x", Fields: dut.Problems{{Field: "a"}}, Err: fields}, Malformed, "x", "a"},
		{"one field", Field("days", "too many"), Invalid, "days: too many", "days"},
		{"a quantity", fmt.Errorf("settle: %w", number), Invalid, number.Error(), ""},
		{"a type of its own", fmt.Errorf("start: %w", &coded{"Ada holds control"}), Held, "Ada holds control", ""},
		{"none of these", cause, "", "", ""},
		{"nothing", nil, "", "", ""},
	} {
		got := Of(tc.err)
		if CodeOf(tc.err) != tc.code || (got == nil) != (tc.code == "") {
			t.Errorf("%s: code %q, want %q", tc.name, CodeOf(tc.err), tc.code)
			continue
		}
		if got == nil {
			continue
		}
		if got.Message != tc.message {
			t.Errorf("%s: message %q, want %q", tc.name, got.Message, tc.message)
		}
		if tc.field == "" && len(got.Fields) > 0 || tc.field != "" && (len(got.Fields) != 1 || got.Fields[0].Field != tc.field) {
			t.Errorf("%s: fields %v, want %q", tc.name, got.Fields, tc.field)
		}
	}
}

func TestErrorText(t *testing.T) {
	for _, tc := range []struct {
		err  *Error
		want string
	}{
		{New(Busy, "a run is at work"), "a run is at work"},
		{NoSuch("run 7"), "There is no run 7."},
		{&Error{Title: "Not now"}, "Not now"},
		{&Error{Title: "Not now", Message: "later"}, "Not now: later"},
	} {
		if got := tc.err.Error(); got != tc.want {
			t.Errorf("%q, want %q", got, tc.want)
		}
	}
	cause := errors.New("cause")
	if !errors.Is(&Error{Code: Internal, Err: cause}, cause) {
		t.Error("the cause is not found")
	}
}

// TestSentence: only the first letter changes, whatever script it is of.
func TestSentence(t *testing.T) {
	for text, want := range map[string]string{
		"the disk is full": "The disk is full", "Already": "Already", "7 runs": "7 runs", "über 3 V": "Über 3 V", "": "", "µA is no voltage": "µA is no voltage", "a": "A", "\xffbroken": "\xffbroken",
	} {
		if got := Sentence(text); got != want {
			t.Errorf("%q became %q, want %q", text, got, want)
		}
	}
}

// TestFields: an error of entries says all of them, in their order, in its text
// and beside each.
func TestFields(t *testing.T) {
	two := dut.Problems{{Field: "pins[3].maxV", Message: "is below minV"}, {Field: "name", Message: "is empty"}}
	e := Fields(two)
	if e.Code != Invalid || e.Title == "" || len(e.Fields) != 2 || e.Fields[0] != two[0] || e.Fields[1] != two[1] {
		t.Errorf("%+v", e)
	}
	if e.Message != two.Error() || e.Error() != e.Title+": "+two.Error() {
		t.Errorf("text %q", e.Error())
	}
	if one := Field("days", "too many"); len(one.Fields) != 1 || one.Fields[0] != (dut.Problem{Field: "days", Message: "too many"}) || one.Code != Invalid {
		t.Errorf("%+v", one)
	}
}

// TestChain: the cause stays within reach of whoever looks for it, and a
// refusal that is wrapped keeps its detail.
func TestChain(t *testing.T) {
	type confirmation struct{ what string }
	cause := errors.New("row 17")
	inner := &Error{Code: Conflict, Message: "confirm first", Detail: confirmation{"the socket is empty"}, Err: cause}
	wrapped := fmt.Errorf("lab: starting: %w", fmt.Errorf("bench a: %w", inner))
	got := Of(wrapped)
	if got != inner || got.Detail != (confirmation{"the socket is empty"}) || !errors.Is(wrapped, cause) {
		t.Errorf("%+v", got)
	}
	coded := Of(fmt.Errorf("x: %w", &coded{"held by another"}))
	if coded.Code != Held || coded.Error() != "held by another" || errors.Unwrap(coded) == nil {
		t.Errorf("%+v", coded)
	}
	if got := Of(errors.Join(cause, New(Full, "no room"))); got == nil || got.Code != Full {
		t.Errorf("of two joined: %+v", got)
	}
}
