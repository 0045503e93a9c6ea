package lab

import (
	"strings"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
)

// between measures a resistance between two contacts.
func between(level float64) procedure.Measurement {
	return procedure.Measurement{ID: "manual", Name: "Resistance", Kind: "resistance", Use: procedure.UseCurrent, Method: procedure.TwoWire,
		Pins: []int{1}, Against: 2, Level: level, Compliance: 5, Aperture: procedure.Aperture{Cycles: 1}}
}

// TestBareContacts: a check load that no device describes is measured by its contacts,
// within limits that harm none, and is not kept.
func TestBareContacts(t *testing.T) {
	r := newRig(t)
	must(t, r.Seat(t.Context(), r.b, ada, bench.Seating{Model: "check-load", Options: map[string]float64{"ohms": 470}}))
	d, err := r.ByHand(t.Context(), r.b, BareContacts)
	must(t, err)
	if len(d.Body.Pins) != r.b.Definition.Contacts {
		t.Fatalf("%d pins, want a pin for each of %d contacts", len(d.Body.Pins), r.b.Definition.Contacts)
	}
	_, err = r.Measure(t.Context(), r.b, ada, d, between(20e-3), nil, nil)
	if err == nil || !strings.Contains(err.Error(), "10 mA") {
		t.Errorf("20 mA on a bare contact: %v", err)
	}
	id, err := r.Measure(t.Context(), r.b, ada, d, between(1e-3), nil, nil)
	must(t, err)
	r.wait(t)
	h, _, err := r.b.Held()
	must(t, err)
	if h.Record.ID != id || h.Record.PinMap.Contacts[2] != 2 || len(h.Results) == 0 {
		t.Errorf("held %+v", h)
	}
	_, err = r.KeepManual(t.Context(), r.b, ada, dut.Unit{Serial: "L1"}, "")
	refused(t, err, problem.Conflict, "belongs to no device")
}
