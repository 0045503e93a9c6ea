package rehearsal

import (
	"fmt"

	"ohmkeep/server/bench"
	"ohmkeep/server/rehearsal/circuit"
	"ohmkeep/server/rehearsal/model"
)

// Invented figures of what joins the parts of the bench.
const (
	senseTieR = bench.AssumedSenseTie // Ω, from a channel's force line to its sense line, so that an open sense wire is not fatal
	// headroom is the reach of an output beyond its largest voltage range, to make
	// up for the drop on the way to a remote sense point.
	headroom = 1.2
	// conducting is the largest resistance of a switch that counts as a
	// connection, Ω.
	conducting = 10e6
)

// network is the circuit of the bench with the seated part in it. Its switches
// are resistors whose values change; contacts that nothing has reached yet are
// left out of it.
type network struct {
	def      *bench.Definition
	ill      *faultEffects
	switches []switches                                              // by path index
	join     func(a, b circuit.Node, ohms float64) *circuit.Resistor // places a switch
	kelvin   float64                                                 // the room's temperature
	ckt      *circuit.Circuit
	lines    []circuit.Node     // by channel; 0 is the return
	senses   []circuit.Node     // by channel; the line itself without remote sense
	channels []*circuit.Channel // by channel; 0 is nil
	contacts []place            // by contact
	force    []*circuit.Resistor
	sense    []*circuit.Resistor
	closed   []bool               // by path index, as asked
	pins     map[int]int          // contact by pin
	pinNodes map[int]circuit.Node // of the pins that sit on a contact
	seated   []seatedPin          // the same, by contact
	perWatt  float64              // K/W from the part's junctions to the room
	truth    model.Truth
	reach    [][]circuit.Node // contact nodes that a line is joined with
	empty    empties
}

// place is a contact in the circuit.
type place struct {
	node  circuit.Node
	there bool
	edges []edge // what carries current into it from the bench
}

// seatedPin is a pin of the part that sits on a contact.
type seatedPin struct {
	contact int
	node    circuit.Node
}

type edge struct {
	r    *circuit.Resistor
	sign float64
}

// build places the part, the channels, the straps and what is closed.
func build(hw *hardware, ill *faultEffects, seat *Seat, straps []bench.Strap, closed []bool) (*network, error) {
	def := hw.def
	n := &network{
		def: def, ill: ill, switches: hw.switches, ckt: circuit.New(hw.world.Kelvin()), kelvin: hw.world.Kelvin(),
		contacts: make([]place, def.Contacts+1), closed: closed,
		force: make([]*circuit.Resistor, len(def.Paths)), sense: make([]*circuit.Resistor, len(def.Paths)),
		pins: seat.PinMap.Contacts, reach: make([][]circuit.Node, len(def.Channels)+1),
	}
	n.join = n.ckt.Resistor
	if hw.world.Paths == 0 {
		n.join = n.ckt.Wire
	}
	n.placeChannels(hw.outputs)
	if hw.world.Leakage > 0 {
		n.placeEmpties()
	}
	pins, err := seat.part(n.ckt, n)
	n.perWatt *= hw.world.SelfHeating
	if err != nil {
		return nil, err
	}
	if err := n.placePins(pins); err != nil {
		return nil, err
	}
	if err := n.placeStraps(straps, hw); err != nil {
		return nil, err
	}
	n.switchPaths()
	return n, nil
}

func (n *network) placeChannels(outputs []output) {
	count := len(n.def.Channels) + 1
	n.lines, n.senses = make([]circuit.Node, count), make([]circuit.Node, count)
	n.channels = make([]*circuit.Channel, count)
	for i, ch := range n.def.Channels {
		k := i + 1
		n.lines[k] = n.ckt.Node("line " + ch.Name)
		n.senses[k] = n.lines[k]
		if ch.RemoteSense {
			n.senses[k] = n.ckt.Node("sense " + ch.Name)
			n.ckt.Resistor(n.lines[k], n.senses[k], outputs[i].tie)
		}
		n.channels[k] = n.ckt.Channel(n.lines[k], n.senses[k], outputs[i].series)
		n.channels[k].Headroom = headroom * ch.ForceV[len(ch.ForceV)-1].FullScale
	}
}

// placePins joins each pin of the part with its contact: directly, the contact
// being part of the path's resistance, or through a bad contact.
func (n *network) placePins(pins map[int]circuit.Node) error {
	on := map[int]int{}
	n.pinNodes = map[int]circuit.Node{}
	for pin, contact := range n.pins {
		if contact < 1 || contact > n.def.Contacts {
			return fmt.Errorf("rehearsal: pin %d: there is no contact %d", pin, contact)
		}
		if other, taken := on[contact]; taken {
			return fmt.Errorf("rehearsal: pins %d and %d are both on contact %d", min(pin, other), max(pin, other), contact)
		}
		on[contact] = pin
	}
	for contact := 1; contact <= n.def.Contacts; contact++ {
		pin, is := on[contact]
		if !is {
			continue
		}
		node, is := pins[pin]
		if !is {
			continue // the part has no such pin: the contact touches nothing
		}
		n.pinNodes[pin] = node
		n.seated = append(n.seated, seatedPin{contact, node})
		at := &n.contacts[contact]
		if r := n.ill.contact[contact]; r > 0 {
			*at = place{node: n.ckt.NewNode()}
			n.ckt.Resistor(at.node, node, r)
		} else {
			at.node = node
		}
		n.attach(contact)
	}
	return nil
}

// placeStraps places the jumpers. One to a channel with remote sense takes the
// sense wire along.
func (n *network) placeStraps(straps []bench.Strap, hw *hardware) error {
	for i, s := range straps {
		fail := func(format string, args ...any) error {
			return fmt.Errorf("rehearsal: strap %d: %s", i+1, fmt.Sprintf(format, args...))
		}
		if s.Contact < 1 || s.Contact > n.def.Contacts {
			return fail("there is no contact %d", s.Contact)
		}
		ohms := s.Resistance
		if !(ohms >= 0 && ohms <= 1e15) {
			return fail("%g Ω is no resistance", ohms)
		}
		ohms = max(ohms, hw.strap(s.Contact))
		n.need(s.Contact)
		from := n.contacts[s.Contact].node
		switch s.Kind {
		case bench.StrapReturn:
			n.edge(s.Contact, -1, n.ckt.Resistor(from, circuit.Ground, ohms))
		case bench.StrapChannel:
			if s.Channel < 1 || int(s.Channel) >= len(n.lines) {
				return fail("there is no channel %d", s.Channel)
			}
			n.edge(s.Contact, -1, n.ckt.Resistor(from, n.lines[s.Channel], ohms))
			if sense := n.senses[s.Channel]; sense != n.lines[s.Channel] {
				n.edge(s.Contact, -1, n.ckt.Resistor(from, sense, ohms))
			}
		case bench.StrapResistor:
			if s.To < 0 || s.To > n.def.Contacts || s.To == s.Contact {
				return fail("it cannot lead to contact %d", s.To)
			}
			to := circuit.Ground
			if s.To > 0 {
				n.need(s.To)
				to = n.contacts[s.To].node
			}
			r := n.ckt.Resistor(from, to, ohms)
			n.edge(s.Contact, -1, r)
			if s.To > 0 {
				n.edge(s.To, 1, r)
			}
		default:
			return fail("there is no kind %q", s.Kind)
		}
	}
	return nil
}

func (n *network) edge(contact int, sign float64, r *circuit.Resistor) {
	at := &n.contacts[contact]
	at.edges = append(at.edges, edge{r, sign})
}

// need puts a contact into the circuit.
func (n *network) need(contact int) {
	if !n.contacts[contact].there {
		n.contacts[contact].node = n.ckt.NewNode()
		n.attach(contact)
	}
}

// attach gives a contact the switches that lead to it. They are made as large
// resistors, so that they stay conductances of the matrix when they close;
// where paths are wires they are unknowns of their own.
func (n *network) attach(contact int) {
	at := &n.contacts[contact]
	at.there = true
	for i := range n.def.Paths {
		p := &n.def.Paths[i]
		if n.ill.swap[p.Contact] != contact {
			continue
		}
		n.force[i] = n.join(n.lines[p.Channel], at.node, noLeakage)
		at.edges = append(at.edges, edge{n.force[i], 1})
		if p.Kelvin && p.Channel > 0 && n.senses[p.Channel] != n.lines[p.Channel] {
			n.sense[i] = n.join(n.senses[p.Channel], at.node, noLeakage)
			at.edges = append(at.edges, edge{n.sense[i], 1})
		}
	}
}

// switchPaths gives every switch the resistance that it now has.
func (n *network) switchPaths() {
	for k := range n.reach {
		n.reach[k] = n.reach[k][:0]
	}
	for i := range n.def.Paths {
		p := &n.def.Paths[i]
		s := &n.switches[i]
		ohms := n.ill.resistance(p.ID, n.closed[i], &s.force)
		contact := n.ill.swap[p.Contact]
		if ohms < conducting {
			n.need(contact)
			n.reach[p.Channel] = append(n.reach[p.Channel], n.contacts[contact].node)
		}
		if n.force[i] != nil {
			n.force[i].SetR(ohms)
		}
		if n.sense[i] != nil {
			n.sense[i].SetR(n.ill.resistance(p.ID, n.closed[i], &s.sense))
		}
	}
	n.bridgeEmpties()
}

// pinCurrent is what flows into the contact from the bench, A.
func (n *network) pinCurrent(contact int) float64 {
	sum := 0.0
	for _, e := range n.contacts[contact].edges {
		sum += e.sign * e.r.I()
	}
	return sum
}

// warmJoints gives every path the thermal voltage that it has t seconds after
// the bench was drawn.
func (n *network) warmJoints(t float64) {
	for i := range n.switches {
		s := &n.switches[i]
		if n.force[i] != nil {
			n.force[i].SetEMF(s.force.emf.at(t))
		}
		if n.sense[i] != nil {
			n.sense[i].SetEMF(s.sense.emf.at(t))
		}
	}
}
