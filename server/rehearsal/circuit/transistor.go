package circuit

import "math"

// block is the Jacobian slots of a many-terminal element: row r, column c.
type block struct {
	t [6]int
	k [6][6]int32
	n int
}

func (w *wiring) block(terminals ...Node) block {
	b := block{n: len(terminals)}
	for r, x := range terminals {
		b.t[r] = int(x)
		for c, y := range terminals {
			b.k[r][c] = w.slot(int(x), int(y))
		}
	}
	return b
}

// through books current i from terminal p to terminal q with its derivatives
// by all terminal voltages.
func (b *block) through(s *system, p, q int, i float64, by *[6]float64) {
	s.current(b.t[p], i)
	s.current(b.t[q], -i)
	for c := range b.n {
		s.a[b.k[p][c]] += by[c]
		s.a[b.k[q][c]] -= by[c]
	}
}

// Polarity is +1 for N-channel and NPN, -1 for P-channel and PNP.
type Polarity float64

// The two polarities of a transistor.
const (
	NType Polarity = 1
	PType Polarity = -1
)

// FETParams describes a MOSFET by the charge-sheet interpolation of Enz,
// Krummenacher and Vittoz (Analog Integr. Circuits Signal Process. 8, 83,
// 1995; from memory): Id = 2·n·K·Ut²·(F(a) - F(b)), F(x) = ln²(1 + exp(x/2)).
type FETParams struct {
	K      float64 // KP·W/L, A/V²
	Vt     float64 // threshold at no bulk bias, V; positive for enhancement in either polarity
	N      float64 // slope factor, 1.2..1.6
	Lambda float64 // channel-length modulation, 1/V
}

// FET is a MOSFET, symmetric in drain and source.
type FET struct {
	c          *Circuit
	D, G, S, B Node
	p          FETParams
	sign, ut   float64
	b          block
	i          float64
}

// FET places a MOSFET. Its bulk diodes are elements of their own.
func (c *Circuit) FET(d, g, s, b Node, pol Polarity, p FETParams) *FET {
	f := &FET{c: c, D: d, G: g, S: s, B: b, sign: float64(pol)}
	f.Set(p)
	c.add(f)
	return f
}

// Set changes the transistor's parameters, at the circuit's temperature of now.
func (f *FET) Set(p FETParams) { f.p, f.ut = p, f.c.ThermalVoltage() }

// I is the current from drain to source at the last solution, A.
func (f *FET) I() float64 { return f.i }

func (f *FET) wire(w *wiring) { f.b = w.block(f.D, f.G, f.S, f.B) }

// softplus is ln(1 + exp(x)) with its derivative.
func softplus(x float64) (v, slope float64) {
	switch {
	case x > 36:
		return x, 1
	case x < minExponent:
		return 0, 0
	}
	e := math.Exp(x)
	if x < -18 {
		return e - e*e/2, e - e*e
	}
	return math.Log1p(e), e / (1 + e)
}

// stamp takes the drain current as a function of the two ends of the channel
// and of vds, which enters by channel-length modulation and, exactly, as the
// difference of the ends.
func (f *FET) stamp(s *system) {
	const ease = 0.05 // V around vds = 0 in which channel-length modulation starts
	d, g, so, b := f.b.t[0], f.b.t[1], f.b.t[2], f.b.t[3]
	vg, vs := f.sign*s.diff(g, b), f.sign*s.diff(so, b)
	vds := f.sign * s.diff(d, so)
	h := 1 / (2 * f.ut)
	xs := ((vg-f.p.Vt)/f.p.N - vs) * h
	xd := xs - vds*h
	ls, slopeS := softplus(xs)
	ld, slopeD := softplus(xd)
	diff := ls - ld
	if x := vds * h; math.Abs(x) < 1 {
		// ln((1+e^xs)/(1+e^xd)) without the subtraction
		diff = math.Log1p(math.Expm1(x) * slopeD)
	}
	root := math.Sqrt(vds*vds + ease*ease)
	k := 2 * f.p.N * f.p.K * f.ut * f.ut
	km := k * (1 + f.p.Lambda*(root-ease))
	core := diff * (ls + ld)
	bySource, byDrain := km*2*ls*slopeS, -km*2*ld*slopeD
	byG := (bySource + byDrain) * h / f.p.N
	byS := -(bySource + byDrain) * h
	byDS := -byDrain*h + k*core*f.p.Lambda*vds/root
	f.i = f.sign * km * core
	// i is a function of (vg-vb, vs-vb, vd-vs): the signs of the polarity cancel.
	f.b.through(s, 0, 2, f.i, &[6]float64{byDS, byG, byS - byDS, -byG - byS})
}

// BJTParams describes a bipolar transistor in the transport form of Ebers and
// Moll, Proc. IRE 42, 1761 (1954).
type BJTParams struct {
	Is     float64 // A
	Bf, Br float64 // forward and reverse current gain
	Early  float64 // V; 0: none
}

// BJT is a bipolar transistor.
type BJT struct {
	c        *Circuit
	C, B, E  Node
	p        BJTParams
	sign     float64
	be, bc   junction
	b        block
	ic, ib   float64
	invEarly float64
}

// BJT places a bipolar transistor.
func (c *Circuit) BJT(col, base, em Node, pol Polarity, p BJTParams) *BJT {
	t := &BJT{c: c, C: col, B: base, E: em, sign: float64(pol)}
	t.Set(p)
	c.add(t)
	return t
}

// Set changes the transistor's parameters, at the circuit's temperature of now.
func (t *BJT) Set(p BJTParams) {
	j := newJunction(p.Is, t.c.ThermalVoltage())
	t.p, t.be, t.bc, t.invEarly = p, j, j, 0
	if p.Early > 0 {
		t.invEarly = 1 / p.Early
	}
}

// Ic is the current into the collector, Ib that into the base, A.
func (t *BJT) Ic() float64 { return t.ic }

// Ib is the current into the base, A.
func (t *BJT) Ib() float64 { return t.ib }

func (t *BJT) wire(w *wiring) { t.b = w.block(t.C, t.B, t.E) }

func (t *BJT) stamp(s *system) {
	const ease = 0.05 // V
	c, b, e := t.b.t[0], t.b.t[1], t.b.t[2]
	vbe, vbc, vce := t.sign*s.diff(b, e), t.sign*s.diff(b, c), t.sign*s.diff(c, e)
	iF, gF := t.be.at(vbe)
	iR, gR := t.bc.at(vbc)
	root := math.Sqrt(vce*vce + ease*ease)
	m := 1 + t.invEarly*(root-ease)
	mSlope := t.invEarly * vce / root
	// iF - iR from the smaller exponential and vce, without the subtraction
	diff := iF - iR
	if x := vce / t.be.vt; math.Abs(x) < 1 {
		diff = gR * t.be.vt * math.Expm1(x)
	}
	ict := diff * m
	ibe := iF / t.p.Bf
	ibc := iR / t.p.Br
	byC, byE := m*gR+diff*mSlope, -m*gF-diff*mSlope
	t.ic, t.ib = t.sign*(ict-ibc), t.sign*(ibe+ibc)
	t.b.through(s, 0, 2, t.sign*ict, &[6]float64{byC, -byC - byE, byE})
	t.b.through(s, 1, 2, t.sign*ibe, &[6]float64{0, gF / t.p.Bf, -gF / t.p.Bf})
	t.b.through(s, 1, 0, t.sign*ibc, &[6]float64{-gR / t.p.Br, gR / t.p.Br, 0})
}
