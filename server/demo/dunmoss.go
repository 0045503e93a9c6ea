package demo

import (
	"fmt"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

// dunmossOhms is the nominal resistance of each of the eight resistors, Ω.
const dunmossOhms = 10e3

func dunmoss8() dut.Device {
	d := dut.Device{
		Key: "dunmoss-8", Name: "Dunmoss 8", Model: "resistor-network",
		Description: "Eight separate resistors of 10 kΩ, 1 %, each between two pins that face each other.",
		Package:     dut.Package{Family: dut.DualRow, Pins: 16},
	}
	for pin := 1; pin <= 16; pin++ {
		name := fmt.Sprintf("R%da", pin)
		if pin > 8 {
			name = fmt.Sprintf("R%db", 17-pin)
		}
		d.Pins = append(d.Pins, dut.Pin{Number: pin, Name: name, Function: dut.Analog, MinV: -10, MaxV: 10, MaxI: 5e-3})
	}
	return d
}

// dunmossMap straps the far ends of all resistors to the second channel with
// remote sense: it stands in for the return, and holds 0 V right at the part.
func dunmossMap(d *dut.Device) bench.PinMap {
	m := seatedMap(d)
	for pin := 9; pin <= 16; pin++ {
		m.Straps = append(m.Straps, bench.Strap{Contact: m.Contacts[pin], Kind: bench.StrapChannel, Channel: 3})
	}
	return m
}

func dunmossProcedure() procedure.Procedure {
	resistance := func(id, name, note string, method procedure.Method, repeats int, r procedure.Limit) procedure.Measurement {
		m := procedure.Measurement{ID: id, Name: name, Note: note, Kind: "resistance", Method: method,
			Pins: []int{1, 2, 3, 4, 5, 6, 7, 8}, Against: 16, Use: procedure.UseCurrent, Level: 100e-6, Compliance: 2,
			Settle: settleFast, Aperture: oneCycle, Repeats: repeats, Limits: limits{"resistance": r}}
		for pin := 9; pin < 16; pin++ { // strapped together with 16
			m.Hold = append(m.Hold, procedure.Hold{Pin: pin, Use: procedure.UseReturn})
		}
		return m
	}
	tolerance := between(0.99*dunmossOhms, 1.01*dunmossOhms)
	return procedure.Procedure{
		Key: "dunmoss-8-resistances", Name: "Dunmoss 8, three ways", Device: "dunmoss-8", Guard: 1,
		Notes: "The same eight resistors measured in three ways, to see what each of them is worth. " +
			"The far ends are strapped together on the board and held at 0 V.",
		Measurements: []procedure.Measurement{
			resistance("two-wire", "Two-wire", "Includes the bench's own path, about 4.5 Ω: wider limits.",
				procedure.TwoWire, 1, between(0.99*dunmossOhms, 1.01*dunmossOhms+10)),
			resistance("four-wire", "Four-wire", "Sensed at the pin: the path falls out.",
				procedure.FourWire, 3, tolerance),
			resistance("reversal", "Current reversal", "Forward, reversed, forward: offsets of the bench fall out as well.",
				procedure.CurrentReversal, 3, tolerance),
		},
	}
}
