package rehearsal

import (
	"fmt"
	"math"
	"slices"

	"ohmkeep/server/bench"
)

// The kinds of fault that a bench can have.
const (
	// EnableFloating: the enable line of Mux hangs in the air, so that some of
	// its switches conduct a little, whatever is asked.
	EnableFloating = "enable-floating"
	// StuckOpen and StuckClosed: the switch of Path does not move.
	StuckOpen   = "path-stuck-open"
	StuckClosed = "path-stuck-closed"
	// GainDrift: the current sense amplifier of Channel reads Value too high,
	// as a part of the current; the forced currents and limits, which it
	// regulates, are as much too low.
	GainDrift = "gain-drift"
	// SwappedContacts: the wires to Contact and Contact2 are exchanged.
	SwappedContacts = "swapped-contacts"
	// ContactResistance: Value ohms between Contact and the pin on it.
	ContactResistance = "contact-resistance"
)

// FaultKinds lists what can be wrong with a bench.
func FaultKinds() []bench.FaultKind {
	return []bench.FaultKind{
		{Kind: EnableFloating, Title: "multiplexer enable floating", Fields: []string{"mux"}},
		{Kind: StuckOpen, Title: "path stuck open", Fields: []string{"path"}},
		{Kind: StuckClosed, Title: "path stuck closed", Fields: []string{"path"}},
		{Kind: GainDrift, Title: "channel gain drift", Fields: []string{"channel", "value"}, Unit: "of the value"},
		{Kind: SwappedContacts, Title: "swapped contacts", Fields: []string{"contact", "contact2"}},
		{Kind: ContactResistance, Title: "contact resistance", Fields: []string{"contact", "value"}, Unit: "Ω"},
	}
}

// checkFault reports what is wrong with the fault itself on this bench.
func checkFault(f bench.BenchFault, d *bench.Definition) error {
	contact := func(c int) error {
		if c < 1 || c > d.Contacts {
			return fmt.Errorf("%s: there is no contact %d", f.Kind, c)
		}
		return nil
	}
	switch f.Kind {
	case EnableFloating:
		if !slices.ContainsFunc(d.Paths, func(p bench.Path) bool { return p.Mux == f.Mux }) {
			return fmt.Errorf("%s: there is no multiplexer %q", f.Kind, f.Mux)
		}
	case StuckOpen, StuckClosed:
		if !slices.ContainsFunc(d.Paths, func(p bench.Path) bool { return p.ID == f.Path }) {
			return fmt.Errorf("%s: there is no path %d", f.Kind, f.Path)
		}
	case GainDrift:
		if !slices.ContainsFunc(d.Channels, func(c bench.Channel) bool { return c.ID == f.Channel }) {
			return fmt.Errorf("%s: there is no channel %d", f.Kind, f.Channel)
		}
		if !(math.Abs(f.Value) <= 0.5) {
			return fmt.Errorf("%s: the drift must be within ±0.5 of the value, not %g", f.Kind, f.Value)
		}
	case SwappedContacts:
		if f.Contact == f.Contact2 {
			return fmt.Errorf("%s: two different contacts are needed", f.Kind)
		}
		if err := contact(f.Contact); err != nil {
			return err
		}
		return contact(f.Contact2)
	case ContactResistance:
		if !(f.Value > 0 && f.Value <= 1e12) {
			return fmt.Errorf("%s: the resistance must be above 0 and at most 1 TΩ, not %g", f.Kind, f.Value)
		}
		return contact(f.Contact)
	default:
		return fmt.Errorf("there is no bench fault %q", f.Kind)
	}
	return nil
}

// A floating enable leaves about this part of a multiplexer's switches
// conducting, at resistances spread evenly in decades. Invented.
const (
	floatingPart = 0.4
	floatingMin  = 2e3 // Ω
	floatingMax  = 5e6 // Ω
)

// faultEffects is the effects of the bench's faults, by the path, channel or
// contact that they act on.
type faultEffects struct {
	stuck   map[bench.PathID]bool    // true: closed
	partial map[bench.PathID]float64 // Ω through a switch that half conducts
	drift   map[bench.ChannelID]float64
	swap    []int           // contact the wire really leads to; 0-based index is the contact
	contact map[int]float64 // Ω
}

func effectsOf(d *bench.Definition, seed uint64, faults []bench.BenchFault) (faultEffects, error) {
	a := faultEffects{
		stuck: map[bench.PathID]bool{}, partial: map[bench.PathID]float64{},
		drift: map[bench.ChannelID]float64{}, contact: map[int]float64{},
		swap: make([]int, d.Contacts+1),
	}
	for i := range a.swap {
		a.swap[i] = i
	}
	for _, f := range faults {
		if err := checkFault(f, d); err != nil {
			return a, fmt.Errorf("rehearsal: %w", err)
		}
		switch f.Kind {
		case EnableFloating:
			a.float(d, seed, f.Mux)
		case StuckOpen, StuckClosed:
			a.stuck[f.Path] = f.Kind == StuckClosed
		case GainDrift:
			a.drift[f.Channel] += f.Value
		case SwappedContacts:
			a.swap[f.Contact], a.swap[f.Contact2] = a.swap[f.Contact2], a.swap[f.Contact]
		case ContactResistance:
			a.contact[f.Contact] += f.Value
		}
	}
	return a, nil
}

// float lets some switches of a multiplexer conduct, at least one.
func (a *faultEffects) float(d *bench.Definition, seed uint64, mux string) {
	rng := stream(seed, "enable/"+mux)
	var members []bench.PathID
	for _, p := range d.Paths {
		if p.Mux == mux {
			members = append(members, p.ID)
		}
	}
	certain := rng.IntN(len(members))
	for i, id := range members {
		conducts, at := rng.Float64() < floatingPart, rng.Float64()
		if conducts || i == certain {
			a.partial[id] = floatingMin * math.Pow(floatingMax/floatingMin, at)
		}
	}
}

// resistance is what a path's switch really has, in ohms: that of the switch
// closed or open, closed being whether it should be, unless a fault decides.
func (a *faultEffects) resistance(id bench.PathID, closed bool, s *contactor) float64 {
	if stuck, is := a.stuck[id]; is {
		closed = stuck
	} else if r, is := a.partial[id]; is {
		return r
	}
	if closed {
		return s.on
	}
	return s.off
}

// noLeakage stands for an open switch without leakage, Ω: 50 fA at 5 V. Ten
// times as much, and what holds a plug that joins all contacts is lost in the
// rounding of its own resistances.
const noLeakage = 1e14
