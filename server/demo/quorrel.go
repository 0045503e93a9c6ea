package demo

import (
	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

// Pins of quorrel-2.
const (
	quorrelOut1  = 1
	quorrelInv1  = 2
	quorrelPlus1 = 3
	quorrelLow   = 4
	quorrelPlus2 = 5
	quorrelInv2  = 6
	quorrelOut2  = 7
	quorrelHigh  = 8
)

func quorrel2() dut.Device {
	analog := func(n int, name string) dut.Pin { return signal(n, name, dut.Analog, quorrelHigh) }
	return dut.Device{
		Key: "quorrel-2", Name: "Quorrel 2", Model: "dual-amplifier",
		Description: "Two amplifiers in one package: each raises the difference of its two inputs many thousand times. " +
			"On the lab's board each output is fed back to its inverting input, so that it follows the other one.",
		Package: dut.Package{Family: dut.DualRow, Pins: 8},
		Pins: []dut.Pin{
			analog(quorrelOut1, "OUT1"), analog(quorrelInv1, "IN1-"), analog(quorrelPlus1, "IN1+"),
			rail(quorrelLow, "V-", dut.Ground), analog(quorrelPlus2, "IN2+"), analog(quorrelInv2, "IN2-"),
			analog(quorrelOut2, "OUT2"), rail(quorrelHigh, "V+", dut.Supply),
		},
		Power: []dut.PowerStep{{Pin: quorrelHigh, Level: 5, Limit: 20e-3, Ramp: 10e-3, Delay: 10e-3}},
	}
}

// quorrelFeedback joins each output with its inverting input on the board, Ω.
const quorrelFeedback = 10e3

func quorrelMap(d *dut.Device) bench.PinMap {
	m := seatedMap(d)
	for _, pair := range [2][2]int{{quorrelOut1, quorrelInv1}, {quorrelOut2, quorrelInv2}} {
		m.Straps = append(m.Straps, bench.Strap{Contact: m.Contacts[pair[0]], Kind: bench.StrapResistor,
			To: m.Contacts[pair[1]], Resistance: quorrelFeedback})
	}
	return m
}

// follow returns the conditions that hold both inputs of the followers, the
// first at level and the second halfway between the rails.
func follow(level float64) []procedure.Hold {
	return []procedure.Hold{
		{Pin: quorrelPlus1, Use: procedure.UseVoltage, Level: level, Compliance: 1e-3},
		{Pin: quorrelPlus2, Use: procedure.UseVoltage, Level: 2.5, Compliance: 1e-3},
	}
}

func quorrelProcedure() procedure.Procedure {
	outs := []int{quorrelOut1, quorrelOut2}
	contact := contactOf([]int{quorrelOut1, quorrelInv1, quorrelPlus1, quorrelPlus2, quorrelInv2, quorrelOut2, quorrelHigh})
	contact.Rest = procedure.UseOpen // through 10 kΩ on the board the current would go back by another pin
	m := []procedure.Measurement{
		contact,
		quorrelLeakage("leakage-1", "Bias current of IN1+", quorrelPlus1, quorrelPlus2),
		quorrelLeakage("leakage-2", "Bias current of IN2+", quorrelPlus2, quorrelPlus1),
		{ID: "supply", Name: "Supply current, both at half supply", Kind: "supply-current",
			Pins: []int{quorrelHigh}, Compliance: 10e-3, Powered: true, Hold: follow(2.5),
			Settle: settleSlow, Aperture: oneCycle, Repeats: 5, Limits: limits{"current": between(0.6e-3, 1.5e-3)}},
		{ID: "follow", Name: "Followers at 2.5 V, no load", Kind: "voltage",
			Note: "The limits leave room for the accuracy of the 2.5 V itself, 3.3 mV, and the offset of the amplifier.",
			Pins: outs, Compliance: 6, Powered: true, Hold: follow(2.5),
			Settle: settleSlow, Aperture: oneCycle, Repeats: 5, Limits: limits{"voltage": between(2.49, 2.51)}},
		{ID: "follow-low", Name: "Followers, the first at 0.5 V", Kind: "voltage",
			Pins: outs[:1], Compliance: 6, Powered: true, Hold: follow(0.5),
			Settle: settleSlow, Aperture: oneCycle, Repeats: 5, Limits: limits{"voltage": between(0.49, 0.51)}},
		{ID: "source", Name: "Outputs at 2.5 V, 1 mA out of them", Kind: "output-level",
			Note: "Feedback makes the amplifier itself all but stiff: what is left is the bench's own way there and back, about 8.5 Ω, and how well that is known sets the limits.",
			Pins: outs, Level: -1e-3, Compliance: 6, Powered: true, Hold: follow(2.5),
			Settle: settleSlow, Aperture: oneCycle,
			Limits: limits{"unloaded": between(2.49, 2.51), "loaded": between(2.44, 2.54), "output-resistance": within(45)}},
		{ID: "sink", Name: "Outputs at 2.5 V, 1 mA into them", Kind: "output-level",
			Pins: outs, Level: 1e-3, Compliance: 6, Powered: true, Hold: follow(2.5),
			Settle: settleSlow, Aperture: oneCycle,
			Limits: limits{"unloaded": between(2.49, 2.51), "loaded": between(2.46, 2.56), "output-resistance": within(45)}},
	}
	return procedure.Procedure{
		Key: "quorrel-2-followers", Name: "Quorrel 2 as followers", Device: "quorrel-2",
		Notes:        "Both amplifiers at 5 V with their outputs fed back through 10 kΩ on the board.",
		Measurements: m,
	}
}

// quorrelLeakage is the current into one input while the other rests at the return.
func quorrelLeakage(id, name string, pin, other int) procedure.Measurement {
	return procedure.Measurement{ID: id, Name: name, Kind: "leakage",
		Pins: []int{pin}, Level: 5, Compliance: 1e-6, Powered: true,
		Hold:   []procedure.Hold{{Pin: other, Use: procedure.UseReturn}},
		Settle: settleSlow, Aperture: oneCycle, Repeats: 2, Own: map[string]any{"slope": true},
		Limits: limits{"high": within(50e-9), "low": within(50e-9)}}
}
