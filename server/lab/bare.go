package lab

import (
	"context"
	"fmt"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/problem"
	"ohmkeep/server/quantity"
	"ohmkeep/store"
)

// BareContacts stands in place of a device's key for the contacts of the socket by
// their numbers, with nothing described: a check load or a plug can be measured by
// hand without a device for it. No device can be saved under it.
const BareContacts = "bare-contacts"

// What may be put on a bare contact. Nothing is known of what is connected there: with
// both of these a resistor takes 50 mW at most, less than the eighth of a watt that the
// smallest ones with leads stand (common practice).
const (
	bareVolts   = 5.0   // V, of either sign
	bareAmperes = 10e-3 // A
)

// bareDevice is a bench's contacts as a device: pin n is contact n.
func bareDevice(def *bench.Definition) dut.Device {
	d := dut.Device{Key: BareContacts, Name: "Bare contacts",
		Description: fmt.Sprintf("Pin n is contact n of the socket. Nothing is known of what is connected there, so no more than %s and %s are put on it. Do not measure a part with supplies this way.",
			quantity.Format(bareVolts, quantity.Volt, 1), quantity.Format(bareAmperes, quantity.Ampere, 2)),
		Package: dut.Package{Family: dut.DualRow, Pins: def.Contacts}}
	for n := 1; n <= def.Contacts; n++ {
		d.Pins = append(d.Pins, dut.Pin{Number: n, Name: fmt.Sprintf("C%d", n), Function: dut.Analog, MinV: -bareVolts, MaxV: bareVolts, MaxI: bareAmperes})
	}
	return d
}

// bareMap puts pin n of bareDevice on contact n.
func bareMap(def *bench.Definition) bench.PinMap {
	pm := bench.PinMap{Bench: def.Key, Contacts: map[int]int{}}
	for n := 1; n <= def.Contacts; n++ {
		pm.Contacts[n] = n
	}
	return pm
}

// ByHand is the device of a key that is measured by hand: a stored one, or the bench's
// bare contacts. It is problem.NotFound where there is none.
func (l *Lab) ByHand(ctx context.Context, b *Bench, key string) (*store.Revised[dut.Device], error) {
	if key == BareContacts {
		return &store.Revised[dut.Device]{Body: bareDevice(&b.Definition)}, nil
	}
	return l.Store.GetDevice(ctx, key, 0)
}

// pinMap is the pin map of a device on the bench with its revision: the stored one, or
// that of the bare contacts. It is problem.NotFound where there is none.
func (l *Lab) pinMap(ctx context.Context, b *Bench, device string) (*bench.PinMap, int, error) {
	if device == BareContacts {
		pm := bareMap(&b.Definition)
		return &pm, 0, nil
	}
	pm, err := l.Store.GetPinMap(ctx, device, b.Definition.Key, 0)
	switch {
	case err != nil:
		return nil, 0, err
	case pm.Removed:
		return nil, 0, problem.NoSuch("pin map for this bench")
	}
	return &pm.Body, pm.Rev, nil
}

// bareToConfirm is what is confirmed before bare contacts of cards are energised: no
// rating is known that would protect a part there.
var bareToConfirm = ToConfirm{Name: "bare", Text: fmt.Sprintf("What is connected to the contacts stands %s and %s, and is no part with supplies.",
	quantity.Format(bareVolts, quantity.Volt, 1), quantity.Format(bareAmperes, quantity.Ampere, 2))}

// whyBareIsNotKept is said where somebody wants to keep what was read on bare contacts.
const whyBareIsNotKept = "What was read on bare contacts belongs to no device: describe one to keep its readings."
