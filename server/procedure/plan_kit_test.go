package procedure

import (
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
)

// planOf is the plan of measurements of a device, pin n on contact n of the bench
// of the check.
func planOf(t testing.TB, d *dut.Device, b *bench.Definition, ms ...Measurement) *Plan {
	t.Helper()
	p, err := MakePlan(&Procedure{Measurements: ms}, d, straight(d), b, KindByKey)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// straight puts every pin on the contact of its number.
func straight(d *dut.Device) *bench.PinMap {
	pm := &bench.PinMap{Device: d.Key, Bench: "bench", Contacts: map[int]int{}}
	for _, p := range d.Pins {
		pm.Contacts[p.Number] = p.Number
	}
	return pm
}

// twoSupplies is two inverters with a second supply on pin 2, up after pin 6.
func twoSupplies() *dut.Device {
	d := inverterDevice()
	d.Pins[1] = dut.Pin{Number: 2, Name: "VIO", Function: dut.Supply, MinV: -0.5, MaxV: 7, MaxI: 50e-3}
	d.Power = append(d.Power, dut.PowerStep{Pin: 2, Level: 3.3, Limit: 10e-3, Ramp: 20e-3, Delay: 7e-3})
	return d
}

// leaking is a leakage of pins with the supplies up.
func leaking(pins ...int) Measurement {
	m := base("leakage")
	m.Pins, m.Level, m.Compliance, m.Powered = pins, 3, 1e-6, true
	return m
}

// drivePins is the pins of drives in the order in which they come up.
func drivePins(s *Segment) (out []int) {
	for _, d := range s.Drives {
		out = append(out, d.Pin)
	}
	return out
}
