package demo

import (
	"fmt"

	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

// TarnelKey is the device that the lot is made of.
const TarnelKey = "tarnel-6"

// Pins of tarnel-6.
const (
	tarnelGND = 7
	tarnelVCC = 14
	tarnelV   = 5.0 // V
)

// gate is one inverter of tarnel-6 by its pins.
type gate struct{ in, out int }

var gates = [6]gate{{1, 2}, {3, 4}, {5, 6}, {9, 8}, {11, 10}, {13, 12}}

func tarnelInputs() []int  { return []int{1, 3, 5, 9, 11, 13} }
func tarnelOutputs() []int { return []int{2, 4, 6, 8, 10, 12} }

func tarnel6() dut.Device {
	d := dut.Device{
		Key: TarnelKey, Name: "Tarnel 6", Model: "hex-inverter-schmitt",
		Description: "Six inverters in one package: each output is the opposite of its input. " +
			"The inputs have hysteresis, so that a slow or noisy edge switches them only once.",
		Package: dut.Package{Family: dut.DualRow, Pins: 14},
		Pins:    []dut.Pin{rail(tarnelGND, "GND", dut.Ground), rail(tarnelVCC, "VCC", dut.Supply)},
		Power:   []dut.PowerStep{{Pin: tarnelVCC, Level: tarnelV, Limit: 20e-3, Ramp: 10e-3, Delay: 10e-3}},
	}
	for i, g := range gates {
		d.Pins = append(d.Pins,
			signal(g.in, fmt.Sprintf("A%d", i+1), dut.Input, tarnelVCC),
			signal(g.out, fmt.Sprintf("Y%d", i+1), dut.Output, tarnelVCC))
	}
	return d
}

// tarnelContact is the contact of all pins; ground is where the current returns.
func tarnelContact() procedure.Measurement {
	return contactOf([]int{1, 2, 3, 4, 5, 6, 8, 9, 10, 11, 12, 13, tarnelVCC})
}

func tarnelShorts() procedure.Measurement {
	return shortsOf([]int{1, 2, 3, 4, 5, 6, 8, 9, 10, 11, 12, 13, tarnelVCC})
}

func tarnelLeakage(repeats int) procedure.Measurement {
	return procedure.Measurement{ID: "leakage", Name: "Input leakage", Kind: "leakage",
		Note: "On the 1 µA range; about 1 nA of it is what the bench's own open switches draw.",
		Pins: tarnelInputs(), Level: tarnelV, Compliance: 1e-6, Powered: true,
		Settle: settleSlow, Aperture: oneCycle, Repeats: repeats,
		Limits: limits{"high": within(100e-9), "low": within(100e-9)}}
}

func tarnelSupply(repeats int) procedure.Measurement {
	return procedure.Measurement{ID: "supply", Name: "Supply current, inputs low", Kind: "supply-current",
		Pins: []int{tarnelVCC}, Compliance: 100e-6, Powered: true, Rest: procedure.UseReturn,
		Settle: procedure.Settle{Time: 20e-3}, Aperture: oneCycle, Repeats: repeats,
		Limits: limits{"current": atMost(2e-6)}}
}

// loadCurrent is the load of an output, A.
const loadCurrent = 4e-3

// loadNote is the note on what the bench itself adds to the result: 4 Ω of
// switch and 0.5 Ω of channel at the output, and another switch at the part's
// own supply or ground.
const loadNote = "Sensed at the channel: the bench's own way there and back, about 8.5 Ω, is in it and in its uncertainty, 34 mV at 4 mA."

func tarnelHigh() procedure.Measurement {
	return procedure.Measurement{ID: "output-high", Name: "Output high, 4 mA out of it", Kind: "output-level", Note: loadNote,
		Pins: tarnelOutputs(), Level: -loadCurrent, Compliance: 6, Powered: true, Rest: procedure.UseReturn,
		Settle: settleSlow, Aperture: oneCycle,
		Limits: limits{"unloaded": between(4.9, 5.1), "loaded": atLeast(4.5), "output-resistance": atMost(110)}}
}

// tarnelLow is one measurement an output, since only its own input is high.
func tarnelLow() []procedure.Measurement {
	var out []procedure.Measurement
	for i, g := range gates {
		out = append(out, procedure.Measurement{
			ID: fmt.Sprintf("output-low-%d", i+1), Name: fmt.Sprintf("Output Y%d low, 4 mA into it", i+1), Kind: "output-level", Note: loadNote,
			Pins: []int{g.out}, Level: loadCurrent, Compliance: 6, Powered: true, Rest: procedure.UseReturn,
			Hold:   []procedure.Hold{{Pin: g.in, Use: procedure.UseVoltage, Level: tarnelV, Compliance: 1e-3}},
			Settle: settleSlow, Aperture: oneCycle,
			Limits: limits{"unloaded": within(0.1), "loaded": atMost(0.5), "output-resistance": atMost(110)}})
	}
	return out
}

// tarnelThreshold finds where an inverter switches. The watched output is read
// by a channel that forces 0 A on its 1 µA range, 2 ms a time constant: three
// of them are enough to tell on which side of the middle it stands.
func tarnelThreshold(i, points int) procedure.Measurement {
	g := gates[i]
	return procedure.Measurement{
		ID: fmt.Sprintf("threshold-%d", i+1), Name: fmt.Sprintf("Thresholds of inverter %d", i+1), Kind: "threshold",
		Pins: []int{g.in}, Observe: g.out, Compliance: 1e-3, Powered: true, Rest: procedure.UseReturn,
		Sweep:  &procedure.Sweep{Spacing: procedure.Linear, From: 1, To: 4, Points: points, Back: true},
		Settle: procedure.Settle{Time: 6e-3}, Aperture: tenthOfCycle,
		Limits: limits{"rising": between(2.3, 3.5), "falling": between(1.5, 2.7), "hysteresis": between(0.3, 1.6)}}
}

// tarnelQuick is the procedure for incoming parts: nothing is powered that has
// a bad contact or a short.
func tarnelQuick() procedure.Procedure {
	p := procedure.Procedure{
		Key: "tarnel-6-quick", Name: "Tarnel 6, quick look", Device: TarnelKey, StopOnFail: true,
		Notes: "Incoming inspection in a few seconds: contact, shorts, leakage, supply current, output levels " +
			"and one inverter's thresholds. It stops at the first measurement that fails.",
		Measurements: []procedure.Measurement{
			tarnelContact(), tarnelShorts(), tarnelLeakage(1), tarnelSupply(1), tarnelHigh(),
		},
	}
	p.Measurements = append(p.Measurements, tarnelLow()...)
	p.Measurements = append(p.Measurements, tarnelThreshold(0, 61))
	return p
}

// tarnelFull is the procedure of the whole characterisation. A value must keep
// its expanded uncertainty away from its limits to pass.
func tarnelFull() procedure.Procedure {
	p := procedure.Procedure{
		Key: LotProcedure, Name: "Tarnel 6, characterisation", Device: TarnelKey, Guard: 1,
		Notes: "All that the lab wants to know of a Tarnel 6 at 5 V. A value passes only if it keeps its own " +
			"expanded uncertainty away from its limits.",
		Measurements: []procedure.Measurement{
			tarnelContact(), tarnelShorts(), tarnelLeakage(3), tarnelSupply(5), tarnelHigh(),
		},
	}
	p.Measurements = append(p.Measurements, tarnelLow()...)
	for i := range gates {
		p.Measurements = append(p.Measurements, tarnelThreshold(i, 121))
	}
	p.Measurements = append(p.Measurements, tarnelUpperDiode(), tarnelLowerDiode(), tarnelOutputCurves(), tarnelWatch())
	return p
}

// diodeLimits hold for both protection diodes of an input. The bench's own way
// there and back is taken off; what its switches may be off by stays in the
// series resistance, about 1.6 Ω.
func diodeLimits() limits {
	return limits{"ideality": between(0.65, 1.4), "series-resistance": between(2, 84)}
}

// tarnelQuiet holds the outputs of the part without its supply at the return, so
// that it is known where they sit: what leaks to a pin that is left open depends on
// it. Common practice.
func tarnelQuiet() []procedure.Hold {
	var out []procedure.Hold
	for _, pin := range tarnelOutputs() {
		out = append(out, procedure.Hold{Pin: pin, Use: procedure.UseReturn})
	}
	return out
}

func tarnelUpperDiode() procedure.Measurement {
	return procedure.Measurement{ID: "diode-upper", Name: "Protection diode of A1 to the supply", Kind: "sweep",
		Note: "With the supply at the return: the diode that keeps the input from rising above it.",
		Pins: []int{1}, Use: procedure.UseCurrent, Compliance: contactCompliance, Rest: procedure.UseReturn, Hold: tarnelQuiet(),
		Sweep:  &procedure.Sweep{Spacing: procedure.Log, From: 100e-9, To: 10e-3, Points: 51},
		Settle: settleSlow, Aperture: oneCycle, Limits: diodeLimits()}
}

func tarnelLowerDiode() procedure.Measurement {
	return procedure.Measurement{ID: "diode-lower", Name: "Protection diode of A1 to ground", Kind: "sweep",
		Note: "The current is drawn out of the input: the diode that keeps it from falling below ground.",
		Pins: []int{1}, Use: procedure.UseCurrent, Compliance: contactCompliance, Rest: procedure.UseReturn, Hold: tarnelQuiet(),
		Sweep:  &procedure.Sweep{Spacing: procedure.Log, From: -100e-9, To: -10e-3, Points: 51},
		Settle: settleSlow, Aperture: oneCycle, Limits: diodeLimits()}
}

// tarnelOutputCurves is a family: an output that is high, loaded more and more,
// at three supply levels.
func tarnelOutputCurves() procedure.Measurement {
	return procedure.Measurement{ID: "output-curves", Name: "Output Y2 under rising load at 3, 4 and 5 V", Kind: "sweep",
		Note: "One curve for each supply level: the higher the supply, the stiffer the output.",
		Pins: []int{4}, Use: procedure.UseCurrent, Compliance: 6, Rest: procedure.UseReturn,
		Sweep: &procedure.Sweep{Spacing: procedure.Linear, From: 0, To: -5e-3, Points: 26},
		Step: &procedure.Step{Pin: tarnelVCC, Use: procedure.UseVoltage, Compliance: 20e-3,
			Sweep: procedure.Sweep{Spacing: procedure.List, List: []float64{3, 4, 5}}},
		Settle: settleSlow, Aperture: oneCycle, // each curve begins at 0 A, on the 1 µA range
		Limits: limits{"compliance-hits": atMost(0)}}
}

// tarnelWatch is a watch of a loaded output over time.
func tarnelWatch() procedure.Measurement {
	return procedure.Measurement{ID: "watch", Name: "Output Y1 under load, watched", Kind: "watch",
		Pins: []int{2}, Use: procedure.UseCurrent, Level: -loadCurrent, Compliance: 6, Powered: true,
		Duration: 5, Interval: 0.05, Settle: settleFast, Aperture: oneCycle,
		Limits: limits{"mean": between(4.5, 5)}}
}
