package bench

import "fmt"

// The tolerances that are assumed where a definition states none, as parts of
// the stated value.
const (
	// AssumedResistanceTolerance is that of a closed path. The resistance of an
	// analogue switch or a small relay varies by 10 to 20 % with its kind, its
	// temperature and the level that it switches; wiring and a socket's contact
	// add some tens of milliohms that differ at each insertion.
	AssumedResistanceTolerance = 0.25
	// AssumedLeakageTolerance is that of an open switch: anything from none to
	// twice the stated. Leakage of one type spreads over decades and doubles
	// every 10 K, a data sheet states what is typical; nothing narrower is known
	// without a measurement, and nothing symmetrical can be wider.
	AssumedLeakageTolerance = 1.0
	// AssumedSenseTie is the resistor between the force and the sense terminal of
	// a channel with remote sense, which keeps an open sense wire from being fatal,
	// Ω, and its tolerance. No definition states it.
	AssumedSenseTie          = 100e3
	AssumedSenseTieTolerance = 0.5
	// AssumedStrap is a jumper on the device board, Ω: a few centimetres of wire or
	// track with its joints, anything from none to twice as much.
	AssumedStrap          = 10e-3
	AssumedStrapTolerance = 1.0
	// AssumedLoopTolerance is that of the time constants that a definition states, as
	// a part of them: those of resistors of 1 % with capacitors of 5 to 10 %, as is
	// common practice in an amplifier's compensation.
	AssumedLoopTolerance = 0.1
	// AssumedContactChange is by how much a contact of the socket differs from one
	// insertion to the next, Ω, up or down: common practice for a test socket in
	// order, whose contacts have some tens of milliohms.
	AssumedContactChange = 20e-3
	// AssumedPathChange is the part of a measured path's resistance that may have
	// changed until it is used, and AssumedPathDrift what a month adds to it. The
	// resistance of an analogue switch follows its temperature by 0.3 to 0.5 % a
	// kelvin: common practice, and a bench that has warmed up keeps within a kelvin.
	AssumedPathChange = 0.005
	AssumedPathDrift  = 0.01
)

// ToleranceOfResistance is the largest deviation of the closed path's
// resistance from the stated one, as a part of it: what is stated, or what is
// assumed.
func (p *Path) ToleranceOfResistance() float64 {
	if p.ResistanceTolerance > 0 {
		return p.ResistanceTolerance
	}
	return AssumedResistanceTolerance
}

// ToleranceOfLeakage is the same of the open switch's leakage.
func (p *Path) ToleranceOfLeakage() float64 {
	if p.LeakageTolerance > 0 {
		return p.LeakageTolerance
	}
	return AssumedLeakageTolerance
}

// AssumedTolerances lists in words what is assumed of paths whose tolerances
// are not stated; nil where all are. A resistance or leakage of 0 has none.
func (d *Definition) AssumedTolerances() []string {
	resistances, leakages := 0, 0
	for i := range d.Paths {
		p := &d.Paths[i]
		if p.Resistance > 0 && p.ResistanceTolerance == 0 {
			resistances++
		}
		if p.Leakage > 0 && p.LeakageTolerance == 0 {
			leakages++
		}
	}
	var out []string
	if resistances > 0 {
		out = append(out, fmt.Sprintf("resistance within ±%g %% of the stated, for %d of the %d paths",
			100*AssumedResistanceTolerance, resistances, len(d.Paths)))
	}
	if leakages > 0 {
		out = append(out, fmt.Sprintf("leakage anywhere from none to twice the stated, for %d of the %d paths", leakages, len(d.Paths)))
	}
	return out
}
