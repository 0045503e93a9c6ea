package circuit

// Resistor is a linear resistor; also a switch, by SetR.
type Resistor struct {
	c    *Circuit
	A, B Node
	r    float64
	emf  float64 // V
	p    pair
	// A small resistance keeps its current as an unknown: as a conductance it
	// would drown the leakage of whatever it ties together.
	small      bool
	k          int
	ak, bk, kk int32
	ka, kb     int32
}

const smallResistance = 10 // Ω

// Resistor joins a and b by ohms (> 0).
func (c *Circuit) Resistor(a, b Node, ohms float64) *Resistor {
	r := &Resistor{c: c, A: a, B: b, r: ohms, small: ohms < smallResistance}
	c.add(r)
	return r
}

// Wire joins a and b by a resistance (Ω, > 0) that keeps its current as an
// unknown whatever it is: it may change between a wire's and an open switch's
// without drowning what either ties together. It costs an unknown.
func (c *Circuit) Wire(a, b Node, ohms float64) *Resistor {
	r := &Resistor{c: c, A: a, B: b, r: ohms, small: true}
	c.add(r)
	return r
}

// SetR changes the resistance, Ω (> 0), without rebuilding the circuit.
func (r *Resistor) SetR(ohms float64) { r.r = ohms }

// SetEMF puts a voltage in series with the resistance, such as the thermal
// voltage of a joint: it drives a current from A to B. V.
func (r *Resistor) SetEMF(volts float64) { r.emf = volts }

// R is the resistance, Ω.
func (r *Resistor) R() float64 { return r.r }

// I is the current from A to B at the last solution, A.
func (r *Resistor) I() float64 {
	if r.small {
		return r.c.sys.hi[r.k]
	}
	return r.c.sys.diffWith(int(r.A), int(r.B), r.emf) / r.r
}

func (r *Resistor) wire(w *wiring) {
	if !r.small {
		r.p = w.pair(r.A, r.B)
		return
	}
	r.k = w.branch()
	a, b := int(r.A), int(r.B)
	r.ak, r.bk = w.slot(a, r.k), w.slot(b, r.k)
	r.ka, r.kb, r.kk = w.slot(r.k, a), w.slot(r.k, b), w.slot(r.k, r.k)
}

func (r *Resistor) stamp(s *system) {
	if !r.small {
		g := 1 / r.r
		r.p.stamp(s, s.diffWith(r.p.a, r.p.b, r.emf)*g, g)
		return
	}
	i := s.hi[r.k]
	s.current(int(r.A), i)
	s.current(int(r.B), -i)
	s.f[r.k] = s.diffWith(int(r.A), int(r.B), r.emf) - r.r*i
	s.a[r.ak]++
	s.a[r.bk]--
	s.a[r.ka]++
	s.a[r.kb]--
	s.a[r.kk] -= r.r
}

// VSource is an ideal voltage source.
type VSource struct {
	c      *Circuit
	P, N   Node
	v      float64
	k      int
	pk, nk int32
	kp, kn int32
}

// VSource holds p at volts above n.
func (c *Circuit) VSource(p, n Node, volts float64) *VSource {
	v := &VSource{c: c, P: p, N: n, v: volts}
	c.add(v)
	return v
}

// SetV changes the voltage, V.
func (v *VSource) SetV(volts float64) { v.v = volts }

// I is the current that the source delivers from P into the circuit, A.
func (v *VSource) I() float64 { return -v.c.sys.hi[v.k] }

func (v *VSource) wire(w *wiring) {
	v.k = w.branch()
	p, n := int(v.P), int(v.N)
	v.pk, v.nk, v.kp, v.kn = w.slot(p, v.k), w.slot(n, v.k), w.slot(v.k, p), w.slot(v.k, n)
}

func (v *VSource) stamp(s *system) {
	i := s.hi[v.k]
	s.current(int(v.P), i)
	s.current(int(v.N), -i)
	s.f[v.k] = s.diff(int(v.P), int(v.N)) - v.v
	s.a[v.pk]++
	s.a[v.nk]--
	s.a[v.kp]++
	s.a[v.kn]--
}

// ISource is an ideal current source.
type ISource struct {
	From, To Node
	i        float64
}

// ISource drives amps from one node through itself into another.
func (c *Circuit) ISource(from, to Node, amps float64) *ISource {
	i := &ISource{From: from, To: to, i: amps}
	c.add(i)
	return i
}

// SetI changes the current, A.
func (i *ISource) SetI(amps float64) { i.i = amps }

// I is the current, A.
func (i *ISource) I() float64 { return i.i }

func (i *ISource) wire(*wiring) {}

func (i *ISource) stamp(s *system) {
	s.current(int(i.From), i.i)
	s.current(int(i.To), -i.i)
}
