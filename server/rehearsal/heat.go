package rehearsal

import (
	"math"

	"ohmkeep/server/rehearsal/circuit"
)

// Self-heating of the part: its junctions are all at one temperature, that of
// the room and what its power adds over its thermal resistance. Operating
// point and temperature are found in turns.
const (
	heatTurns  = 60   // at most
	heatGoal   = 1e-6 // K
	hottest    = 500  // K; a part that runs away stays there
	heatStride = 30   // K in one turn: power at the next is another
)

// power is what the part takes from the bench through its contacts, W.
func (n *network) power(sol *circuit.Solution) float64 {
	sum := 0.0
	for _, p := range n.seated {
		sum += sol.V(p.node) * n.pinCurrent(p.contact)
	}
	return sum
}

// warm finds the operating point of a part that heats itself, from one at the
// temperature that it has now.
func (n *network) warm(sol *circuit.Solution) (*circuit.Solution, error) {
	for range heatTurns {
		now := n.ckt.Temperature()
		next := math.Min(n.kelvin+n.perWatt*math.Max(n.power(sol), 0), hottest)
		if math.Abs(next-now) < heatGoal {
			break
		}
		n.ckt.SetTemperature(now + math.Max(-heatStride, math.Min(next-now, heatStride)))
		var err error
		if sol, err = n.ckt.Solve(); err != nil {
			return nil, err
		}
	}
	return sol, nil
}
