package circuit

import "math"

// AmplifierParams describes an operational amplifier at DC.
type AmplifierParams struct {
	Gain     float64 // V/V, open loop
	Offset   float64 // V, input-referred, added to the non-inverting input
	Rout     float64 // Ω
	Limit    float64 // A, output current
	Headroom float64 // V that the output stays away from each rail
	Iq       float64 // A, own supply current
}

// Amplifier is a differential amplifier that lives on two rail nodes: its
// output saturates short of them, and what the output delivers comes out of
// the positive rail, what it takes goes into the negative one.
type Amplifier struct {
	Plus, Minus, Out, High, Low Node
	p                           AmplifierParams
	c                           *Circuit
	t                           [5]int
	rails                       pair
	// Target voltage and output current are unknowns of their own: at high
	// gain no pair of input voltages in float64 gives the current exactly.
	kv, k                          int
	vPlus, vMinus, vHigh, vLow, vv int32
	iv, iOut, iHigh, iLow, ii      int32
	outI, highI, lowI              int32
}

// Amplifier places an amplifier; its inputs draw nothing.
func (c *Circuit) Amplifier(plus, minus, out, high, low Node, p AmplifierParams) *Amplifier {
	a := &Amplifier{c: c, Plus: plus, Minus: minus, Out: out, High: high, Low: low, p: p}
	c.add(a)
	return a
}

// I is the current delivered from the output, A.
func (a *Amplifier) I() float64 { return a.c.sys.hi[a.k] }

func (a *Amplifier) wire(w *wiring) {
	a.t = [5]int{int(a.Plus), int(a.Minus), int(a.Out), int(a.High), int(a.Low)}
	a.rails = w.pair(a.High, a.Low)
	a.kv, a.k = w.branch(), w.branch()
	a.vPlus, a.vMinus, a.vv = w.slot(a.kv, a.t[0]), w.slot(a.kv, a.t[1]), w.slot(a.kv, a.kv)
	a.vHigh, a.vLow = w.slot(a.kv, a.t[3]), w.slot(a.kv, a.t[4])
	a.iv, a.ii, a.iOut = w.slot(a.k, a.kv), w.slot(a.k, a.k), w.slot(a.k, a.t[2])
	a.iHigh, a.iLow = w.slot(a.k, a.t[3]), w.slot(a.k, a.t[4])
	a.outI, a.highI, a.lowI = w.slot(a.t[2], a.k), w.slot(a.t[3], a.k), w.slot(a.t[4], a.k)
}

// saturate is x/√(1+x²): slope 1 at 0, ±1 far out.
func saturate(x float64) (v, slope float64) {
	q := 1 / math.Sqrt(1+x*x)
	return x * q, q * q * q
}

// softMin is the lesser of a and b, rounded by mu where they meet, with its
// derivative by a (that by b is the rest of 1).
func softMin(a, b, mu float64) (v, byA float64) {
	d := a - b
	root := math.Sqrt(d*d + 4*mu*mu)
	return math.Min(a, b) - 2*mu*mu/(root+math.Abs(d)), (1 - d/root) / 2
}

// softMedian of lo, z and hi = -lo + const: the law y = clamp(x) is
// softMedian(lo-y, x-y, hi-y) = 0. In this form Newton moves from limit to
// limit without being lost on the flat parts, as it is on y = tanh(x).
func softMedian(lo, z, hi, mu float64) (v, byZ float64) {
	low, byL := softMin(-lo, -z, mu)
	v, byM := softMin(-low, hi, mu)
	return v, byM * (1 - byL)
}

const (
	targetTie = 1e3  // V per V and S: ties its target about as firmly as its nodes
	corner    = 0.03 // rounding of an amplifier's limits, as a part of full scale
	wake      = 0.8  // V of supply that bring half of an amplifier's currents
)

func (a *Amplifier) stamp(s *system) {
	p, t := &a.p, &a.t
	supply := s.diff(t[3], t[4])
	swing, swingSlope := a.swing(supply)

	// The voltage the output stage aims at, against the middle of the rails.
	target := s.hi[a.kv]
	d := s.diff(t[0], t[1]) + p.Offset
	// The error is taken at the input: in volts like the room to the limits,
	// so that Newton leaves a limit as soon as feedback calls it back.
	mu := corner * swing / math.Sqrt(p.Gain) // costs the gain 2·corner² of itself
	v, byZ := softMedian(-swing-target, d-target/p.Gain, swing-target, mu)
	byTarget := byZ - 1 - byZ/p.Gain
	bySwing := (v - target*byTarget - d*byZ) / swing // v is homogeneous in all three
	s.f[a.kv] = v
	s.a[a.vPlus] += byZ
	s.a[a.vMinus] -= byZ
	s.a[a.vHigh] += bySwing * swingSlope
	s.a[a.vLow] -= bySwing * swingSlope
	s.a[a.vv] += byTarget
	s.tied(a.kv, a.vv, targetTie)

	// The output current, as a part of its limit; without supply there is none
	// to deliver.
	i := s.hi[a.k]
	full := p.Rout * p.Limit
	drop := (target - (s.diff(t[2], t[3])+s.diff(t[2], t[4]))/2) / full
	y := i / p.Limit
	alive, aliveSlope := awake(supply)
	v, byZ = softMedian(-alive-y, drop-y, alive-y, corner*alive)
	bySupply := (v + y - drop*byZ) / alive * aliveSlope
	s.f[a.k] = v
	g := byZ / full
	s.a[a.iv] += g
	s.a[a.iOut] -= g
	s.a[a.iHigh] += g/2 + bySupply
	s.a[a.iLow] += g/2 - bySupply
	s.a[a.ii] -= 1 / p.Limit
	a.deliver(s, i, alive, aliveSlope)
	a.quiescent(s, supply, alive, aliveSlope)
}

// swing is how far the target can go from the middle, with its derivative by
// the supply: half the supply less headroom, fading out without supply.
func (a *Amplifier) swing(supply float64) (v, slope float64) {
	const (
		soft  = 0.05 // V of supply over which the output stage comes to life
		least = 0.03 // V, so that a dead amplifier is no comparator of nanovolts
	)
	v, slope = softplus((supply/2 - a.p.Headroom) / soft)
	v *= soft
	whole := math.Hypot(v, least)
	return whole, slope / 2 * v / whole
}

// awake is the part of its currents that an amplifier has at a supply, with its
// derivative: next to nothing below half a volt, as its junctions ask for.
func awake(supply float64) (v, slope float64) {
	const (
		soft  = 0.1  // V around zero
		least = 1e-5 // so that nothing is divided by zero
	)
	root := math.Hypot(supply, soft)
	x := (supply + root) / (2 * wake)
	if supply < 0 {
		x = soft * soft / (2 * wake * (root - supply)) // the same without cancellation
	}
	x4 := x * x * x * x
	v = x4 / (1 + x4)
	return least + v, 4 * v / (1 + x4) / root // dx/dsupply is x/root
}

// deliver shares the output current between the rails. Around zero both carry it: the
// stage's own cross current, half a percent of Iq, which comes from the supply and so
// fades with it.
func (a *Amplifier) deliver(s *system, i, alive, aliveSlope float64) {
	cross := 1e-2 * a.p.Iq
	blend := cross*alive + 1e-12 // A
	root := math.Sqrt(i*i + blend*blend)
	big := (math.Abs(i) + root) / 2
	fromHigh, intoLow := big, blend*blend/(4*big)
	if i < 0 {
		fromHigh, intoLow = intoLow, fromHigh
	}
	share := (1 + i/root) / 2
	s.current(a.t[2], -fromHigh)
	s.current(a.t[2], intoLow)
	s.current(a.t[3], fromHigh)
	s.current(a.t[4], -intoLow)
	s.a[a.outI]--
	s.a[a.highI] += share
	s.a[a.lowI] += 1 - share
	a.rails.stamp(s, 0, blend/(2*root)*cross*aliveSlope)
}

// quiescent is the amplifier's own supply current: constant above about two
// volts, none without supply or with one the wrong way round.
func (a *Amplifier) quiescent(s *system, supply, alive, aliveSlope float64) {
	const knee = 0.7 // V
	v, slope := saturate(supply / knee)
	a.rails.stamp(s, a.p.Iq*v*alive, a.p.Iq*(slope/knee*alive+v*aliveSlope))
}
