package rehearsal

import "ohmkeep/server/bench"

// ServedWorld is the world of a bench whose configuration names none, and so
// of the served program and of the demonstration. Errors reach as far as the
// definition states, paths spread within their tolerances, contacts differ
// from one insertion to the next, and a path has a small thermal voltage: all
// of it is drawn once and costs nothing afterwards. What must be worked out
// again at every reading or level (1/f noise, drift, ripple, thermal voltages
// that change, self-heating) is off. Ambient is the 300 K at which the models
// and the textbook state their parts. Sizes beside those of the definition are
// invented, of the order of an unshielded low-cost bench on a desk.
func ServedWorld() bench.World {
	return bench.World{
		Distribution: bench.Rectangular, Errors: 1, Steps: 1, Noise: 1, Hum: bench.AssumedHum,
		Paths: 1, Leakage: 1, Tolerance: 1, Contact: 20e-3, Thermal: 1e-6,
		Ambient: 26.85, Settling: 1,
	}
}

// RealWorld is a world with everything that a low-cost bench has, in a room
// that is not the one it was adjusted in. Sizes are invented.
func RealWorld() bench.World {
	w := ServedWorld()
	w.Flicker, w.Drift = 0.5, 0.05
	w.LineRipple, w.SwitchingRipple = 20e-6, 50e-6
	w.Thermal, w.ThermalChange = 5e-6, 0.3
	w.Ambient, w.SelfHeating = 23, 1
	return w
}

// NominalWorld is a world in which everything is exactly as the definition
// states it, and nothing is noisy.
func NominalWorld() bench.World {
	return bench.World{Distribution: bench.Rectangular, Paths: 1, Leakage: 1, Ambient: nominalRoom, Settling: 1}
}

// IdealWorld is a world that shows a unit as it is under its nominal
// conditions: no errors, no steps, no noise, no leakage, wires for paths, an
// immediate approach to every level, a part that keeps at 25 °C. What the same
// unit measures here is the truth that a stated interval is held against. It is
// for tests and none of those to choose from: paths that are wires leave the
// solver without an operating point where channels fight each other.
func IdealWorld() bench.World {
	return bench.World{Distribution: bench.Rectangular, Ambient: nominalRoom}
}

// nominalRoom is the temperature that data of parts are stated at, °C.
const nominalRoom = 25

// Worlds lists the worlds to choose from, the default first.
func Worlds() []bench.NamedWorld {
	return []bench.NamedWorld{
		{Key: "served", Title: "a quiet desk: errors, noise, hum, spread of paths", World: ServedWorld()},
		{Key: "real", Title: "everything: drift, 1/f noise, ripple, self-heating as well", World: RealWorld()},
		{Key: "nominal", Title: "exactly as stated: no errors, no noise", World: NominalWorld()},
	}
}
