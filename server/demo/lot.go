package demo

import (
	"fmt"

	"ohmkeep/server/bench"
)

// The lot that the lab has measured.
const (
	LotName      = "ML-07"
	LotDevice    = TarnelKey
	LotProcedure = "tarnel-6-characterisation"
)

// LotUnit is one rehearsed unit of the lot.
type LotUnit struct {
	Serial     string            `json:"serial"`
	Seed       uint64            `json:"seed"` // of the unit's own parameters
	UnitFaults []bench.UnitFault `json:"unitFaults,omitempty"`
}

// Kinds of fault that a unit of the lot has.
const (
	openBond          = "open-bond"
	pinsShorted       = "pins-shorted"
	leakyPin          = "leaky-pin"
	contactResistance = "contact-resistance"
)

// lotSize is the number of units of the lot.
const lotSize = 24

// lotFaults are the faulty units by their place in the lot.
var lotFaults = map[int]bench.UnitFault{
	4:  {Kind: openBond, Pin: 9},                        // input A4 has no wire to the die
	9:  {Kind: leakyPin, Pin: 5, Value: 12e6},           // input A3 leaks 0.4 µA at 5 V
	13: {Kind: pinsShorted, Pin: 2, Pin2: 3, Value: 15}, // a whisker between Y1 and A2
	18: {Kind: contactResistance, Pin: 8, Value: 150},   // a dirty lead at Y4
	22: {Kind: leakyPin, Pin: tarnelVCC, Value: 600e3},  // a damaged die draws 8 µA
}

// Lot returns the units of the lot in the order that they were measured. Each
// has its own spread; five are faulty.
func Lot() []LotUnit {
	units := make([]LotUnit, lotSize)
	for i := range units {
		units[i] = LotUnit{Serial: fmt.Sprintf("%s-%02d", LotName, i+1), Seed: lotSeed + uint64(i)}
		if f, faulty := lotFaults[i+1]; faulty {
			units[i].UnitFaults = []bench.UnitFault{f}
		}
	}
	return units
}

// lotSeed is the seed of the first unit.
const lotSeed = 7001
