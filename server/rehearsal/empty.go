package rehearsal

import "ohmkeep/server/rehearsal/circuit"

// empties are the contacts that nothing is on and no path is closed to. Each sits
// where the open switches of all lines bring it, and so leads from line to line.
// They are no nodes of the circuit: a star of conductances is the same as one
// between each pair of its ends, g·h/Σ, and those of all empty contacts add up.
type empties struct {
	ends    []circuit.Node        // lines and sense lines
	of      map[circuit.Node]int  // place in ends
	between [][]*circuit.Resistor // [i][j] for i < j
	star    [][]float64           // S, by contact and end; reused
	pairs   [][]float64           // S, by pair; reused
}

// placeEmpties places what leads between the lines.
func (n *network) placeEmpties() {
	e := &n.empty
	e.of = map[circuit.Node]int{}
	for _, nodes := range [][]circuit.Node{n.lines, n.senses} {
		for _, node := range nodes {
			if _, known := e.of[node]; !known {
				e.of[node] = len(e.ends)
				e.ends = append(e.ends, node)
			}
		}
	}
	e.between, e.pairs = make([][]*circuit.Resistor, len(e.ends)), make([][]float64, len(e.ends))
	for i := range e.ends {
		e.between[i], e.pairs[i] = make([]*circuit.Resistor, len(e.ends)), make([]float64, len(e.ends))
		for j := i + 1; j < len(e.ends); j++ {
			e.between[i][j] = n.ckt.Resistor(e.ends[i], e.ends[j], noLeakage)
		}
	}
	e.star = make([][]float64, len(n.contacts))
	for c := range e.star {
		e.star[c] = make([]float64, len(e.ends))
	}
}

// bridgeEmpties gives the lines what leads between them now.
func (n *network) bridgeEmpties() {
	e := &n.empty
	if e.ends == nil {
		return // nothing leaks
	}
	for c := range e.star {
		clear(e.star[c])
	}
	for i := range n.def.Paths {
		p, s := &n.def.Paths[i], &n.switches[i]
		contact := n.ill.swap[p.Contact]
		if n.contacts[contact].there {
			continue
		}
		e.star[contact][e.of[n.lines[p.Channel]]] += 1 / n.ill.resistance(p.ID, n.closed[i], &s.force)
		if p.Kelvin && p.Channel > 0 && n.senses[p.Channel] != n.lines[p.Channel] {
			e.star[contact][e.of[n.senses[p.Channel]]] += 1 / n.ill.resistance(p.ID, n.closed[i], &s.sense)
		}
	}
	for i := range e.pairs {
		clear(e.pairs[i])
	}
	for _, star := range e.star {
		e.add(star)
	}
	for i := range e.ends {
		for j := i + 1; j < len(e.ends); j++ {
			e.between[i][j].SetR(1 / max(e.pairs[i][j], 1/noLeakage))
		}
	}
}

// add counts one contact in.
func (e *empties) add(star []float64) {
	sum := 0.0
	for _, g := range star {
		sum += g
	}
	if sum == 0 {
		return
	}
	for i, g := range star {
		for j := i + 1; j < len(star); j++ {
			e.pairs[i][j] += g * star[j] / sum
		}
	}
}
