package circuit

import "math"

// system holds the equations at the present point: f(x) = 0 and its Jacobian.
// Variable 0 is ground: a sink that is never solved for. Nodes follow, then
// branch currents.
type system struct {
	n      int       // unknowns
	nodes  int       // variables 1..nodes are node voltages
	hi, lo []float64 // x = hi + lo
	f      []float64 // residual by row: A for nodes, V (or 1) for branches
	mag    []float64 // Σ|i| by node row: what a node's residual is measured against
	a      []float64 // Jacobian by slot; slot 0 is a sink
	dx     []float64
	lu     sparse

	largest float64 // largest current through any element
	limited bool    // some channel is held in a region that does not fit x
	turns   int     // how many channels may still change region at this evaluation
	// Of the homotopy: every node is tied by tie·hold (S) to ref, the corners
	// of the channels are rounded by round; byFade is df by the fade of both.
	tie, round float64
	hold, ref  []float64
	byFade     []float64
	// factored: the factors in lu are those of the Jacobian at the solution,
	// not of the step before it.
	factored         bool
	startHi, startLo []float64 // where Solve began
	markHi, markLo   []float64 // the last point on the curve
	tangent, second  []float64
}

// diff is x[a] - x[b] to full relative precision.
func (s *system) diff(a, b int) float64 {
	ha, hb := s.hi[a], s.hi[b]
	d := ha - hb
	bb := ha - d
	err := (ha - (d + bb)) + (bb - hb)
	return d + (err + (s.lo[a] - s.lo[b]))
}

// diffWith is x[a] - x[b] + e to full relative precision: where a source of e
// is nearly all of the difference, what is left of it drives the current.
func (s *system) diffWith(a, b int, e float64) float64 {
	if e == 0 {
		return s.diff(a, b)
	}
	ha, hb := s.hi[a], s.hi[b]
	d := ha - hb
	bb := ha - d
	err := (ha - (d + bb)) + (bb - hb)
	t := d + e
	bb = t - d
	err += (d - (t - bb)) + (e - bb)
	return t + (err + (s.lo[a] - s.lo[b]))
}

// move adds d to x[k], keeping what rounding would lose.
func (s *system) move(k int, d float64) {
	h := s.hi[k]
	t := h + d
	bb := t - h
	err := (h - (t - bb)) + (d - bb)
	l := s.lo[k] + err
	s.hi[k] = t + l
	s.lo[k] = l - (s.hi[k] - t)
}

// mayTurn reports whether a channel may still change its region in this
// search, and counts the change.
func (s *system) mayTurn() bool {
	s.turns--
	return s.turns >= 0
}

// tied ties a branch variable, whose row falls with it, to where it started;
// slot is its own place in the Jacobian.
func (s *system) tied(k int, slot int32, hold float64) {
	if s.tie > 0 {
		g := hold * s.tie
		d := g * (s.hi[k] - s.ref[k])
		s.f[k] -= d
		s.a[slot] -= g
		s.byFade[k] = d
	}
}

// current books a current that leaves node row into an element.
func (s *system) current(row int, i float64) {
	s.f[row] += i
	m := math.Abs(i)
	s.mag[row] += m
	if m > s.largest {
		s.largest = m
	}
}

// wiring is the allocator of variables and matrix slots while a circuit is
// built.
type wiring struct {
	s        *system
	branches int
	slots    map[[2]int]int32
	entries  [][2]int
}

// branch reserves a branch current; its own row carries the branch equation.
func (w *wiring) branch() int {
	w.branches++
	return w.s.nodes + w.branches
}

// slot is the place of one Jacobian entry; ground's entries go to the sink.
func (w *wiring) slot(row, col int) int32 {
	if row == 0 || col == 0 {
		return 0
	}
	key := [2]int{row, col}
	if k, ok := w.slots[key]; ok {
		return k
	}
	w.entries = append(w.entries, key)
	k := int32(len(w.entries))
	w.slots[key] = k
	return k
}

// pair is the four places of a current from a to b.
type pair struct {
	a, b           int
	aa, ab, ba, bb int32
}

func (w *wiring) pair(a, b Node) pair {
	i, j := int(a), int(b)
	return pair{i, j, w.slot(i, i), w.slot(i, j), w.slot(j, i), w.slot(j, j)}
}

// stamp books current i from a to b with conductance g = di/d(va-vb).
func (p *pair) stamp(s *system, i, g float64) {
	s.current(p.a, i)
	s.current(p.b, -i)
	s.a[p.aa] += g
	s.a[p.ab] -= g
	s.a[p.ba] -= g
	s.a[p.bb] += g
}

// build lays out the system after the topology changed. A solution found so
// far stays as the starting point.
func (c *Circuit) build() {
	if c.built {
		return
	}
	old, s := c.sys, &c.sys
	s.nodes = c.nodes - 1
	w := &wiring{s: s, slots: map[[2]int]int32{}}
	for k := 1; k <= s.nodes; k++ {
		w.slot(k, k) // slot k is node k's own conductance
	}
	for _, e := range c.elements {
		e.wire(w)
	}
	s.n = s.nodes + w.branches
	size := s.n + 1
	for _, v := range []*[]float64{&s.hi, &s.lo, &s.f, &s.mag, &s.dx, &s.ref, &s.hold,
		&s.startHi, &s.startLo, &s.markHi, &s.markLo, &s.byFade, &s.tangent, &s.second} {
		*v = make([]float64, size)
	}
	if old.n > 0 {
		copy(s.hi[:min(old.nodes, s.nodes)+1], old.hi)
		copy(s.lo[:min(old.nodes, s.nodes)+1], old.lo)
	}
	s.a = make([]float64, len(w.entries)+1)
	s.lu.reset(s.n, w.entries)
	c.built = true
}

// load evaluates f and the Jacobian at x.
func (c *Circuit) load() {
	s := &c.sys
	s.factored = false
	clear(s.f)
	clear(s.mag)
	clear(s.a)
	s.largest, s.limited = 0, false
	for k := 1; k <= s.nodes; k++ {
		s.current(k, Insulation*s.hi[k])
		s.a[k] += Insulation
	}
	if s.tie > 0 {
		for k := 1; k <= s.nodes; k++ {
			g := s.tie * s.hold[k]
			i := g * (s.hi[k] - s.ref[k])
			s.f[k] += i
			s.a[k] += g
			s.byFade[k] = -i
		}
	}
	for _, e := range c.elements {
		e.stamp(s)
	}
}
