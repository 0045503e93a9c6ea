package circuit

import "math"

// Diode is Shockley's junction with a series resistance:
// i = Is·(exp((v - i·Rs)/(n·kT/e)) - 1).
type Diode struct {
	c    *Circuit
	A, K Node // anode, cathode
	rs   float64
	j    junction
	p    pair
	i    float64 // of the last evaluation
}

// DiodeParams describes a junction: saturation current (A), ideality, series
// resistance (Ω).
type DiodeParams struct{ Is, N, Rs float64 }

// Diode places a diode from anode to cathode at the circuit's temperature.
func (c *Circuit) Diode(anode, cathode Node, d DiodeParams) *Diode {
	e := &Diode{c: c, A: anode, K: cathode}
	e.Set(d)
	c.add(e)
	return e
}

// Set changes the diode's parameters, at the circuit's temperature of now.
func (d *Diode) Set(p DiodeParams) {
	d.rs, d.j = p.Rs, newJunction(p.Is, p.N*d.c.ThermalVoltage())
}

// I is the current from anode to cathode at the last solution, A.
func (d *Diode) I() float64 { return d.i }

func (d *Diode) wire(w *wiring) { d.p = w.pair(d.A, d.K) }

func (d *Diode) stamp(s *system) {
	var g float64
	v := s.diff(d.p.a, d.p.b)
	if d.rs > 0 {
		d.i, g = d.j.withSeries(v, d.rs)
	} else {
		d.i, g = d.j.at(v)
	}
	d.p.stamp(s, d.i, g)
}

// junction is an exponential.
type junction struct {
	is, vt     float64 // A, V (n·kT/e)
	rs, q, lnq float64 // of withSeries
}

func newJunction(is, vt float64) junction { return junction{is: is, vt: vt} }

const (
	maxExponent = 600 // beyond it the exponential goes on as a straight line
	minExponent = -40 // below it nothing is left beside 1
)

// at is current and conductance at v.
func (j *junction) at(v float64) (i, g float64) {
	x := v / j.vt
	switch {
	case x < minExponent:
		return -j.is, 0
	case x > maxExponent:
		e := math.Exp(maxExponent)
		return j.is * e * (1 + x - maxExponent), j.is * e / j.vt
	}
	m := math.Expm1(x)
	return j.is * m, j.is * (m + 1) / j.vt
}

// withSeries solves junction and series resistance together, u + rs·i(u) = v:
// with w = rs·(i + is)/vt it is w + ln w = ln q + v/vt + q, q = rs·is/vt.
func (j *junction) withSeries(v, rs float64) (i, g float64) {
	x := v / j.vt
	if x < minExponent || x == 0 {
		return j.at(v)
	}
	if j.rs != rs {
		j.rs, j.q = rs, rs*j.is/j.vt
		j.lnq = math.Log(j.q)
	}
	w := omega(j.lnq + x + j.q)
	if math.Abs(x) > 0.5 {
		i = (w - j.q) * j.vt / rs
		g = w / rs
	} else { // the difference has lost its digits
		u := v + j.vt*(j.q-w)
		i, g = j.at(u)
		u += (v - u - rs*i) / (1 + rs*g)
		i, g = j.at(u)
	}
	return i, g / (1 + rs*g)
}

// omega is the w > 0 of w + ln w = l, by Newton of the second order from a
// starting value good to a few parts in ten.
func omega(l float64) float64 {
	var w float64
	switch {
	case l < -18:
		w = math.Exp(l)
		return w - w*w // and 3/2 w³
	case l < -1:
		w = math.Exp(l)
		w /= 1 + w
	case l < 3:
		w = 0.567143290409784 + 0.3618962566348892*l + 0.0737*l*l
	default:
		w = l - math.Log(l)
	}
	for range 8 {
		// Newton in w, third order by the second derivative
		r := l - w - math.Log(w)
		t := 1 + w
		d := w * r / t * (1 + r/(2*t*t))
		w += d
		if math.Abs(d) < 1e-6*w {
			break
		}
	}
	return w
}
