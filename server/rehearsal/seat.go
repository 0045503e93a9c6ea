package rehearsal

import (
	"fmt"

	"ohmkeep/server/bench"
	"ohmkeep/server/rehearsal/circuit"
)

// Seat is what sits in the socket: a unit of a model, drawn from its seed,
// with its own faults, and which contact each of its pins is on.
type Seat struct {
	Model  string       `json:"model"` // empty: nothing in the socket
	Seed   uint64       `json:"seed"`
	PinMap bench.PinMap `json:"pinMap"`

	// place puts a part of a test's own into the socket.
	place func(*circuit.Circuit) map[int]circuit.Node
}

// part puts the seated unit into the circuit and returns the nodes of its pins.
func (s *Seat) part(c *circuit.Circuit) (map[int]circuit.Node, error) {
	if s.place != nil {
		return s.place(c), nil
	}
	if s.Model == "" {
		return nil, nil
	}
	return nil, fmt.Errorf("rehearsal: there is no model %q", s.Model)
}
