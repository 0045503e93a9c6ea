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
	// Insertion numbers how often the part was put into the socket: each time
	// its contacts are others.
	Insertion uint64 `json:"insertion,omitempty"`

	// place puts a part of a test's own into the socket.
	place func(*circuit.Circuit) map[int]circuit.Node
	// perWatt is the thermal resistance of that part, K/W.
	perWatt float64
}

func (s Seat) clone() Seat {
	s.Options, s.Faults = maps.Clone(s.Options), slices.Clone(s.Faults)
	s.PinMap.Contacts, s.PinMap.Straps = maps.Clone(s.PinMap.Contacts), slices.Clone(s.PinMap.Straps)
	return s
}

// insertion names this insertion of this unit, for what is drawn with it.
func (s *Seat) insertion() string { return fmt.Sprintf("%s/%d/%d", s.Model, s.Seed, s.Insertion) }

// part puts the seated unit into the circuit, tells the network what it really
// has, and returns the nodes of its pins.
func (s *Seat) part(c *circuit.Circuit, n *network) (map[int]circuit.Node, error) {
	if s.place != nil {
		n.perWatt = s.perWatt
		return s.place(c), nil
	}
	if s.Model == "" {
		return nil, nil
	}
	seated, err := model.Seat(c, model.Unit{
		Model: s.Model, Params: model.Params{Seed: s.Seed, Options: s.Options}, Faults: s.Faults,
	})
	if err != nil {
		return nil, fmt.Errorf("rehearsal: %w", err)
	}
	n.truth, n.perWatt = seated.Truth, seated.Model.PerWatt
	return seated.Pins, nil
}

// Truth is the real errors of the bench and the real values of its unit. A
// measurement does not see them; they are for tests.
type Truth struct {
	Unit     model.Truth                // of the seated unit, by name
	Junction float64                    // °C, of the part's junctions at the last operating point
	Paths    map[bench.PathID]PathTruth // of each path, faults aside
	Channels []ChannelTruth             // in the order of the definition
	Faults   []bench.BenchFault
}

// PathTruth is what a path really has: the resistance of its force wire and of
// its sense wire when closed (Ω), their leakage when open (S), and the thermal
// voltage of the force wire (V).
type PathTruth struct{ Force, Sense, ForceLeakage, SenseLeakage, Thermal float64 }

// ChannelTruth is the real errors of a channel, by range as in the definition, and
// what its output has.
type ChannelTruth struct {
	ForceV, ForceI, SenseV, SenseI []RangeTruth
	SourceR, Tie                   float64   // Ω, outside the local sense point and between the terminals
	LoopV, LoopI                   []float64 // s, time constants where it forces a voltage or a current, by range of current
}

// RangeTruth is the real error of a range now: Gain·value + Offset.
type RangeTruth struct{ Gain, Offset float64 }

// Truth returns the real errors of the bench and the real values of its unit.
func (b *Bench) Truth() Truth {
	b.mu.Lock()
	defer b.mu.Unlock()
	t := Truth{Unit: maps.Clone(b.net.truth), Paths: map[bench.PathID]PathTruth{}, Faults: slices.Clone(b.faults),
		Junction: b.net.ckt.Temperature() - bench.ZeroCelsius}
	now := b.time()
	for id, i := range b.index {
		s := &b.hw.switches[i]
		t.Paths[id] = PathTruth{s.force.on, s.sense.on, 1 / s.force.off, 1 / s.sense.off, s.force.emf.at(now)}
	}
	for k, c := range b.channels {
		out := b.hw.outputs[k]
		t.Channels = append(t.Channels, ChannelTruth{
			truths(c.forceV, now), truths(c.forceI, now), truths(c.senseV, now), truths(c.senseI, now),
			out.series, out.tie, slices.Clone(c.loopV), slices.Clone(c.loopI),
		})
	}
	return t
}

func truths(cs []converter, t float64) []RangeTruth {
	out := make([]RangeTruth, len(cs))
	for i, c := range cs {
		out[i] = RangeTruth{c.gain.at(t), c.offset.at(t)}
	}
	return out
}
