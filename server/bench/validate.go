package bench

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"

	"ohmkeep/server/dut"
)

// The ceilings of any bench: low-voltage DC, and what its pages can draw.
const (
	maxVolts    = 60.0
	maxAmps     = 10.0
	maxOhms     = 1e12
	maxChannels = 64
	maxPaths    = 4096
	maxRanges   = 16
	// maxBytes bounds a definition as a document.
	maxBytes = 1 << 20
)

// ParseDefinition reads a bench from JSON and validates it. It refuses unknown
// fields and anything behind the document.
func ParseDefinition(data []byte) (*Definition, error) {
	if len(data) > maxBytes {
		return nil, fmt.Errorf("bench: the definition has %d bytes; at most %d are read", len(data), maxBytes)
	}
	dec := json.NewDecoder(bytes.NewReader(data))
	dec.DisallowUnknownFields()
	var d Definition
	if err := dec.Decode(&d); err != nil {
		return nil, fmt.Errorf("bench: reading the definition: %w", err)
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return nil, errors.New("bench: something follows the definition")
	}
	if err := d.Validate(); err != nil {
		return nil, err
	}
	return &d, nil
}

// Validate reports every fault of the definition as dut.Problems, or nil.
func (d *Definition) Validate() error {
	var ps dut.Problems
	if !dut.KeyPattern.MatchString(d.Key) {
		ps.Add("key", "use lower-case letters, digits and hyphens, at most 64")
	}
	if d.Contacts < 1 || d.Contacts > dut.MaxPins {
		ps.Add("contacts", "must be 1 to %d, not %d", dut.MaxPins, d.Contacts)
	}
	if d.LineHz != 50 && d.LineHz != 60 {
		ps.Add("lineHz", "must be 50 or 60, not %g", d.LineHz)
	}
	within(&ps, "switchTime", d.SwitchTime, 0, 10, "s")
	within(&ps, "capacitance", d.Capacitance, 0, 1e-3, "F")
	if len(d.Channels) < 1 || len(d.Channels) > maxChannels {
		ps.Add("channels", "must be 1 to %d, not %d", maxChannels, len(d.Channels))
	}
	if len(d.Paths) > maxPaths {
		ps.Add("paths", "must be at most %d, not %d", maxPaths, len(d.Paths))
	}
	seen := map[ChannelID]bool{}
	for i := range d.Channels {
		d.Channels[i].check(&ps, fmt.Sprintf("channels[%d].", i), seen)
	}
	d.checkPaths(&ps)
	d.checkConnections(&ps)
	return ps.Err()
}

// within adds a problem unless low ≤ v ≤ high; not a number is neither.
func within(ps *dut.Problems, field string, v, low, high float64, unit string) {
	if !(v >= low && v <= high) {
		ps.Add(field, "must be %g to %g %s, not %g", low, high, unit, v)
	}
}

func (c *Channel) check(ps *dut.Problems, at string, seen map[ChannelID]bool) {
	switch {
	case c.ID == 0:
		ps.Add(at+"id", "0 is the return; number channels from 1")
	case seen[c.ID]:
		ps.Add(at+"id", "channel %d is described twice", c.ID)
	}
	seen[c.ID] = true
	within(ps, at+"sourceR", c.SourceR, 0, maxOhms, "Ω")
	for _, f := range []struct {
		name   string
		ranges []Range
		most   float64
		unit   string
	}{
		{"forceV", c.ForceV, maxVolts, "V"}, {"forceI", c.ForceI, maxAmps, "A"},
		{"senseV", c.SenseV, maxVolts, "V"}, {"senseI", c.SenseI, maxAmps, "A"},
	} {
		if len(f.ranges) < 1 || len(f.ranges) > maxRanges {
			ps.Add(at+f.name, "must be 1 to %d ranges, not %d", maxRanges, len(f.ranges))
		}
		below := 0.0
		for i, r := range f.ranges {
			r.check(ps, fmt.Sprintf("%s%s[%d].", at, f.name, i), f.most, f.unit)
			if r.FullScale <= below {
				ps.Add(fmt.Sprintf("%s%s[%d].fullScale", at, f.name, i), "ranges must ascend and be above zero")
			}
			below = r.FullScale
		}
	}
}

func (r Range) check(ps *dut.Problems, at string, most float64, unit string) {
	within(ps, at+"fullScale", r.FullScale, 0, most, unit)
	within(ps, at+"step", r.Step, 0, most, unit)
	within(ps, at+"gain", r.Gain, 0, 1, "")
	within(ps, at+"offset", r.Offset, 0, most, unit)
	within(ps, at+"noise", r.Noise, 0, most, unit)
	within(ps, at+"loopTime", r.LoopTime, 0, 60, "s")
}

func (d *Definition) checkPaths(ps *dut.Problems) {
	seen := map[PathID]bool{}
	for i, p := range d.Paths {
		at := fmt.Sprintf("paths[%d].", i)
		switch {
		case p.ID == 0:
			ps.Add(at+"id", "number paths from 1")
		case seen[p.ID]:
			ps.Add(at+"id", "path %d is described twice", p.ID)
		}
		seen[p.ID] = true
		if p.Contact < 1 || p.Contact > d.Contacts {
			ps.Add(at+"contact", "contact %d is not on this bench", p.Contact)
		}
		if p.Channel != 0 {
			if ch, ok := d.ChannelByID(p.Channel); !ok {
				ps.Add(at+"channel", "channel %d is not on this bench", p.Channel)
			} else if p.Kelvin && !ch.RemoteSense {
				ps.Add(at+"kelvin", "channel %d has no sense terminals", p.Channel)
			}
		}
		within(ps, at+"resistance", p.Resistance, 0, maxOhms, "Ω")
		within(ps, at+"leakage", p.Leakage, 0, 1, "S")
		within(ps, at+"resistanceTolerance", p.ResistanceTolerance, 0, 1, "")
		within(ps, at+"leakageTolerance", p.LeakageTolerance, 0, 1, "")
		within(ps, at+"maxCurrent", p.MaxCurrent, 0, maxAmps, "A")
	}
}

// Validate reports every fault of the pin map as dut.Problems, or nil. pins
// are the numbers of the device's pins, each of which must have a contact.
func (m *PinMap) Validate(def *Definition, pins []int) error {
	var ps dut.Problems
	known := map[int]bool{}
	for _, pin := range pins {
		known[pin] = true
		if _, ok := m.Contacts[pin]; !ok {
			ps.Add(fmt.Sprintf("contacts[%d]", pin), "pin %d has no contact", pin)
		}
	}
	taken := map[int]int{}
	for pin := 1; pin <= math.MaxUint8 && len(m.Contacts) > 0; pin++ {
		contact, ok := m.Contacts[pin]
		if !ok {
			continue
		}
		at := fmt.Sprintf("contacts[%d]", pin)
		if !known[pin] {
			ps.Add(at, "pin %d is not on the device", pin)
		}
		if contact < 1 || contact > def.Contacts {
			ps.Add(at, "contact %d is not on the bench, which has %d", contact, def.Contacts)
		}
		if other, dup := taken[contact]; dup {
			ps.Add(at, "contact %d already holds pin %d", contact, other)
		}
		taken[contact] = pin
	}
	for pin := range m.Contacts {
		if pin < 1 || pin > math.MaxUint8 {
			ps.Add(fmt.Sprintf("contacts[%d]", pin), "pin %d is not on the device", pin)
		}
	}
	m.checkStraps(&ps, def)
	return ps.Err()
}

func (m *PinMap) checkStraps(ps *dut.Problems, def *Definition) {
	tied := map[int]bool{} // to the return or to a channel
	for i, s := range m.Straps {
		at := fmt.Sprintf("straps[%d].", i)
		if s.Contact < 1 || s.Contact > def.Contacts {
			ps.Add(at+"contact", "contact %d is not on the bench, which has %d", s.Contact, def.Contacts)
		}
		switch s.Kind {
		case StrapReturn, StrapChannel:
			if tied[s.Contact] {
				ps.Add(at+"contact", "contact %d is strapped to two lines", s.Contact)
			}
			tied[s.Contact] = true
			if _, ok := def.ChannelByID(s.Channel); !ok && s.Kind == StrapChannel {
				ps.Add(at+"channel", "channel %d is not on the bench", s.Channel)
			}
		case StrapResistor:
			if s.To < 0 || s.To > def.Contacts || s.To == s.Contact {
				ps.Add(at+"to", "name another contact, or 0 for the return")
			}
			if !(s.Resistance > 0 && s.Resistance <= maxOhms) {
				ps.Add(at+"resistance", "must be above 0 and at most %g Ω", maxOhms)
			}
		default:
			ps.Add(at+"kind", "%q is not one of return, channel, resistor", s.Kind)
		}
	}
}
