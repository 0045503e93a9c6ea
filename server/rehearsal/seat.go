package rehearsal

import (
	"fmt"
	"maps"
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/rehearsal/circuit"
	"ohmkeep/server/rehearsal/model"
)

// Seat is the contents of the socket: a unit of a model, drawn from its seed,
// with its own faults, and which contact each of its pins is on.
type Seat struct {
	Model   string             `json:"model"` // empty: nothing in the socket
	Options map[string]float64 `json:"options,omitempty"`
	Seed    uint64             `json:"seed"`
	Faults  []bench.UnitFault  `json:"faults,omitempty"`
	PinMap  bench.PinMap       `json:"pinMap"`

	// place puts a part of a test's own into the socket.
	place func(*circuit.Circuit) map[int]circuit.Node
}

func (s Seat) clone() Seat {
	s.Options, s.Faults = maps.Clone(s.Options), slices.Clone(s.Faults)
	s.PinMap.Contacts, s.PinMap.Straps = maps.Clone(s.PinMap.Contacts), slices.Clone(s.PinMap.Straps)
	return s
}

// part puts the seated unit into the circuit and returns the nodes of its
// pins and what it really has.
func (s *Seat) part(c *circuit.Circuit) (map[int]circuit.Node, model.Truth, error) {
	if s.place != nil {
		return s.place(c), nil, nil
	}
	if s.Model == "" {
		return nil, nil, nil
	}
	seated, err := model.Seat(c, model.Unit{
		Model: s.Model, Params: model.Params{Seed: s.Seed, Options: s.Options}, Faults: s.Faults,
	})
	if err != nil {
		return nil, nil, fmt.Errorf("rehearsal: %w", err)
	}
	return seated.Pins, seated.Truth, nil
}

// Truth is the real errors of the bench and the real values of its unit. A
// measurement does not see them; they are for tests.
type Truth struct {
	Unit     model.Truth              // of the seated unit, by name
	Paths    map[bench.PathID]float64 // Ω of each closed path, faults aside
	Channels []ChannelTruth           // in the order of the definition
	Faults   []bench.BenchFault
}

// ChannelTruth is the real errors of a channel, by range as in the definition.
type ChannelTruth struct{ ForceV, ForceI, SenseV, SenseI []RangeTruth }

// RangeTruth is the real error of a range: Gain·value + Offset.
type RangeTruth struct{ Gain, Offset float64 }

// Truth returns the real errors of the bench and the real values of its unit.
func (b *Bench) Truth() Truth {
	b.mu.Lock()
	defer b.mu.Unlock()
	t := Truth{Unit: maps.Clone(b.net.truth), Paths: map[bench.PathID]float64{}, Faults: slices.Clone(b.faults)}
	for id, i := range b.index {
		t.Paths[id] = b.onR[i]
	}
	for _, c := range b.channels {
		t.Channels = append(t.Channels, ChannelTruth{
			truths(c.forceV), truths(c.forceI), truths(c.senseV), truths(c.senseI),
		})
	}
	return t
}

func truths(cs []converter) []RangeTruth {
	out := make([]RangeTruth, len(cs))
	for i, c := range cs {
		out[i] = RangeTruth{c.gain, c.offset}
	}
	return out
}
