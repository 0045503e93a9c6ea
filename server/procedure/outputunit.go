package procedure

import "ohmkeep/server/quantity"

// OutputUnit is the unit of one of the measurement's outputs: the output's own,
// or, where that leaves it open, what the forced quantity decides.
func (m *Measurement) OutputUnit(o Output) quantity.Unit {
	switch {
	case o.Unit != "" || o.Key == "ideality" || o.Key == "compliance-hits":
		return o.Unit
	case m.Kind == watchKind.key && o.Key == "drift":
		return unitSensed(m.Use) + "/h"
	case m.Kind == watchKind.key || m.Kind == sweepKind.key:
		return unitSensed(m.Use)
	}
	return o.Unit
}
