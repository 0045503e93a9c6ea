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
