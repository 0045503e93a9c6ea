package web

import (
	"math"
	"testing"

	"ohmkeep/server/procedure"
)

// A bound has one end: no words of an interval are made of it, and its note, which
// says what it is, stays alone.
func TestWordsOfAnOpenInterval(t *testing.T) {
	nan := math.NaN()
	for _, r := range []procedure.Result{
		{Value: 10, From: 10, To: nan, Unit: "Ω", Note: "at least this"},
		{Value: 10, U: 1, K: 2, From: 9, To: nan, Unit: "V", Note: "at least this"},
		{Value: 10, U: 1, K: 2, From: nan, To: 11, Unit: "V", Note: "at least this"},
	} {
		if w := intervalWords(&r); w != "" {
			t.Errorf("interval %q", w)
		}
		if w := resultNote(r); w != "at least this" {
			t.Errorf("note %q", w)
		}
	}
	r := procedure.Result{Value: 10, U: 2, K: 2, From: 9, To: 12, Unit: "V"}
	if w := intervalWords(&r); w != "9.0 V to 12.0 V" {
		t.Errorf("interval %q", w)
	}
}
