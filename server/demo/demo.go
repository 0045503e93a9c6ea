// Package demo is the demonstration lab that a fresh start has: four invented
// parts with their pin maps and procedures for the default rehearsal bench,
// and a lot of 24 units of one of them. No part, lab or name in it exists.
// All values are in SI base units.
package demo

import (
	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

// Lab is the name of the demonstration lab.
const Lab = "Mossgate lab"

// BenchKey is the bench that the pin maps are for.
const BenchKey = "rehearsal"

// contacts is the number of contacts of the socket: two rows of half as many,
// 1 to 24 going down on the left, 25 to 48 going up on the right.
const contacts = 48

// Documents are the documents of the demonstration lab: everything that a
// person would have entered by hand.
type Documents struct {
	Devices    []dut.Device
	PinMaps    []bench.PinMap
	Procedures []procedure.Procedure
}

// Scenario returns the demonstration lab's documents, made anew for each
// caller. A device may have several procedures and has one pin map.
func Scenario() Documents {
	tarnel, quorrel, dunmoss, averlock := tarnel6(), quorrel2(), dunmoss8(), averlock48()
	return Documents{
		Devices: []dut.Device{tarnel, quorrel, dunmoss, averlock},
		PinMaps: []bench.PinMap{
			seatedMap(&tarnel), quorrelMap(&quorrel), dunmossMap(&dunmoss), averlockMap(&averlock),
		},
		Procedures: []procedure.Procedure{
			tarnelQuick(), tarnelFull(), quorrelProcedure(), dunmossProcedure(), averlockProcedure(),
		},
	}
}

// seatedMap returns the pin map that is proposed for a part's package, without
// straps.
func seatedMap(d *dut.Device) bench.PinMap {
	var pins []int
	for n := 1; n <= d.Package.Pins; n++ {
		pins = append(pins, n)
	}
	m, _, err := bench.Seat(contacts, d.Package, pins)
	if err != nil {
		panic("a part of the demonstration lab does not fit: " + err.Error())
	}
	return bench.PinMap{Device: d.Key, Bench: BenchKey, Contacts: m}
}

// signal is a pin with the ratings that a part's signals share, behind
// protection diodes to ground and to the supply on pin clamp.
func signal(number int, name string, f dut.Function, clamp int) dut.Pin {
	return dut.Pin{Number: number, Name: name, Function: f, Clamp: clamp,
		MinV: -0.5, MaxV: 7, AboveClamp: 0.5, MaxI: 25e-3}
}

// rail is a supply or ground pin, rated as the parts of the lab are.
func rail(number int, name string, f dut.Function) dut.Pin {
	p := dut.Pin{Number: number, Name: name, Function: f, MaxI: 60e-3}
	if f == dut.Supply {
		p.MinV, p.MaxV = -0.5, 7
	}
	return p
}

// between, atMost, atLeast and within are limits.
func between(low, high float64) procedure.Limit {
	return procedure.Limit{Low: &low, High: &high}
}
func atMost(high float64) procedure.Limit  { return procedure.Limit{High: &high} }
func atLeast(low float64) procedure.Limit  { return procedure.Limit{Low: &low} }
func within(bound float64) procedure.Limit { return between(-bound, bound) }

// limits is shorthand for a measurement's limits by result key.
type limits = map[string]procedure.Limit

// Settle times. A channel's loop needs 2 ms a time constant on the 1 µA range,
// 0.2 ms on 10 µA and 20 µs above; the contacts and cables add 150 pF to the
// resistance of what drives them. Twelve time constants leave 6 parts in a
// million of a step.
var (
	settleFast   = procedure.Settle{Time: 2e-3}  // ranges from 100 µA up
	settleSlow   = procedure.Settle{Time: 30e-3} // the 1 µA range, also that of 0 A
	oneCycle     = procedure.Aperture{Cycles: 1}
	tenthOfCycle = procedure.Aperture{Cycles: 0.1} // where only a switching point is looked for
)

// Common practice, without a source: a silicon junction at ±100 µA and room
// temperature reads 0.3 V to 0.9 V.
const (
	contactCurrent    = 100e-6
	contactCompliance = 2.0
	junctionLow       = 0.3
	junctionHigh      = 0.9
)

// contactOf is a contact measurement of the pins.
func contactOf(pins []int) procedure.Measurement {
	return procedure.Measurement{ID: "contact", Name: "Contact", Kind: "contact",
		Note: "Every pin must show its protection diodes before anything is powered.",
		Pins: pins, Level: contactCurrent, Compliance: contactCompliance, Rest: procedure.UseReturn,
		Settle: settleFast, Aperture: oneCycle,
		Limits: limits{"upper": between(junctionLow, junctionHigh), "lower": between(-junctionHigh, -junctionLow)}}
}

// shortsOf looks for shorts between neighbours: pins in their order around the
// package, 0.2 V being too little for any junction.
func shortsOf(pins []int) procedure.Measurement {
	return procedure.Measurement{ID: "shorts", Name: "Shorts between neighbours", Kind: "shorts",
		Note: "Less than 10 kΩ between neighbours counts as a short.",
		Pins: pins, Method: procedure.Neighbours, Level: 0.2, Compliance: 1e-3,
		Settle: settleFast, Aperture: oneCycle, Limits: limits{"current": within(0.2 / 10e3)}}
}
