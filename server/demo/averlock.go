package demo

import (
	"fmt"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

// averlockBanks are alike: bank k has pins 12k+1 to 12k+12.
const averlockBanks = 4

// Places within a bank of averlock-48.
const (
	bankDirection = 1
	bankGround    = 11
	bankSupply    = 12
)

func averlock48() dut.Device {
	d := dut.Device{
		Key: "averlock-48", Name: "Averlock 48", Model: "io48",
		Description: "Four banks of inputs and two-way pins, each bank with a supply and a ground of its own. " +
			"A bank's direction pin decides which way its A and B pins drive.",
		Package: dut.Package{Family: dut.Quad, Pins: 48},
	}
	for bank := range averlockBanks {
		pin := func(k int) int { return 12*bank + k }
		add := func(k int, name string, f dut.Function) {
			d.Pins = append(d.Pins, signal(pin(k), fmt.Sprintf("%s%d", name, bank+1), f, pin(bankSupply)))
		}
		add(bankDirection, "DIR", dut.Input)
		for i, name := range []string{"1A", "1B", "2A", "2B"} {
			add(2+i, name, dut.Bidirectional)
		}
		for i := range 5 {
			add(6+i, fmt.Sprintf("%dIN", i+1), dut.Input)
		}
		d.Pins = append(d.Pins,
			rail(pin(bankGround), fmt.Sprintf("GND%d", bank+1), dut.Ground),
			rail(pin(bankSupply), fmt.Sprintf("VCC%d", bank+1), dut.Supply))
		d.Power = append(d.Power, dut.PowerStep{Pin: pin(bankSupply), Level: 5, Limit: 20e-3, Ramp: 20e-3, Delay: 10e-3})
	}
	return d
}

// averlockMap straps all grounds to the return and all supplies to the fourth
// channel, which leaves three channels for the other 40 pins.
func averlockMap(d *dut.Device) bench.PinMap {
	m := seatedMap(d)
	for _, pin := range d.PinsOf(dut.Ground) {
		m.Straps = append(m.Straps, bench.Strap{Contact: m.Contacts[pin], Kind: bench.StrapReturn})
	}
	for _, pin := range d.PinsOf(dut.Supply) {
		m.Straps = append(m.Straps, bench.Strap{Contact: m.Contacts[pin], Kind: bench.StrapChannel, Channel: 4})
	}
	return m
}

// averlockPlaces lists the pins at the given places of every bank.
func averlockPlaces(places ...int) []int {
	var out []int
	for bank := range averlockBanks {
		for _, k := range places {
			out = append(out, 12*bank+k)
		}
	}
	return out
}

// averlockQuiet ties the B pins low: with the direction pins low they are
// inputs, and a floating one would draw current.
func averlockQuiet() []procedure.Hold {
	var out []procedure.Hold
	for _, pin := range averlockPlaces(3, 5) {
		out = append(out, procedure.Hold{Pin: pin, Use: procedure.UseReturn})
	}
	return out
}

func averlockProcedure() procedure.Procedure {
	signals := averlockPlaces(1, 2, 3, 4, 5, 6, 7, 8, 9, 10)
	return procedure.Procedure{
		Key: "averlock-48-basics", Name: "Averlock 48, basics", Device: "averlock-48", Guard: 1,
		Notes: "Contact of all 40 signals, shorts, leakage and supply current. Grounds and supplies are strapped on the " +
			"board, so that four channels are enough; a single supply pin without contact cannot be seen.",
		Measurements: []procedure.Measurement{
			contactOf(signals),
			shortsOf(signals),
			{ID: "leakage", Name: "Leakage of the 20 plain inputs", Kind: "leakage",
				Pins: averlockPlaces(6, 7, 8, 9, 10), Compliance: 1e-6, Powered: true, Rest: procedure.UseReturn,
				Hold: averlockQuiet(), Settle: settleSlow, Aperture: oneCycle,
				Limits: limits{"high": within(100e-9), "low": within(100e-9)}},
			{ID: "supply", Name: "Supply current, all four banks together", Kind: "supply-current",
				Note: "The four supplies are strapped to one channel: the current read is their sum.",
				Pins: []int{bankSupply}, Powered: true, Rest: procedure.UseReturn, Hold: averlockQuiet(),
				Settle: procedure.Settle{Time: 20e-3}, Aperture: oneCycle, Repeats: 5,
				Limits: limits{"current": within(100e-6)}},
		},
	}
}
