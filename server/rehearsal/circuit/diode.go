package circuit

import "math"

// Diode is Shockley's junction with a series resistance:
// i = Is·(exp((v - i·Rs)/(n·kT/e)) - 1).
type Diode struct {
	c           *Circuit
	A, K        Node // anode, cathode
	rs          float64
	j           junction
	p           pair
	i, g, vLast float64 // of the last evaluation
}

// DiodeParams describes a junction: saturation current (A), ideality, series
// resistance (Ω).
type DiodeParams struct{ Is, N, Rs float64 }

// Diode places a diode from anode to cathode at the circuit's temperature.
func (c *Circuit) Diode(anode, cathode Node, d DiodeParams) *Diode {
	e := &Diode{c: c, A: anode, K: cathode, rs: d.Rs, j: newJunction(d.Is, d.N*c.ThermalVoltage())}
	c.add(e)
	return e
}

// I is the current from anode to cathode at the last solution, A.
func (d *Diode) I() float64 { return d.i }

func (d *Diode) wire(w *wiring) { d.p = w.pair(d.A, d.K) }
func (d *Diode) forget()        { d.j.v, d.vLast, d.i, d.g = 0, 0, 0, 0 }

func (d *Diode) stamp(s *system) {
	v := s.diff(d.p.a, d.p.b)
	var i, g float64
	if d.rs > 0 {
		i, g = d.limited(s, v)
	} else {
		i, g = d.j.limited(s, v)
		d.i = i
	}
	d.p.stamp(s, i, g)
}

// limited evaluates where the current is that the last tangent predicts for v,
// when v went up: a step from blocking to conducting then ends near the knee
// and not far up the series resistance.
func (d *Diode) limited(s *system, v float64) (i, g float64) {
	at := v
	if v-d.vLast > 2*d.j.vt {
		if most := d.i + d.g*(v-d.vLast); most > 0 {
			u := d.j.vt * math.Log1p(most/d.j.is)
			at = math.Min(v, math.Max(u+d.rs*most, d.vLast+d.j.vt))
		}
	}
	i, g = d.j.withSeries(at, d.rs)
	d.i, d.g, d.vLast = i, g, at
	if at != v {
		s.limited = true
		i += g * (v - at)
	}
	return i, g
}

// junction is an exponential with its memory of the last evaluation.
type junction struct {
	is, vt float64 // A, V (n·kT/e)
	crit   float64 // V where Newton steps start to overshoot
	v      float64 // V of the last evaluation, inside any series resistance
}

func newJunction(is, vt float64) junction {
	return junction{is: is, vt: vt, crit: vt * math.Log(vt/(math.Sqrt2*is))}
}

const maxExponent = 600 // beyond it the exponential goes on as a straight line

// at is current and conductance at v.
func (j *junction) at(v float64) (i, g float64) {
	x := v / j.vt
	if x > maxExponent {
		e := math.Exp(maxExponent)
		return j.is * e * (1 + x - maxExponent), j.is * e / j.vt
	}
	m := math.Expm1(x)
	return j.is * m, j.is * (m + 1) / j.vt
}

// limit is the junction voltage at which to evaluate instead of v, so that a
// step up the exponential grows the current by the linear prediction only.
func (j *junction) limit(v float64) float64 {
	if v <= j.crit || math.Abs(v-j.v) <= 2*j.vt {
		return v
	}
	if j.v <= 0 {
		return j.vt * math.Log(math.Max(v/j.vt, 2))
	}
	if q := 1 + (v-j.v)/j.vt; q > 0 {
		return j.v + j.vt*math.Log(q)
	}
	return j.crit
}

// limited evaluates at the limited voltage and continues along the tangent.
func (j *junction) limited(s *system, v float64) (i, g float64) {
	u := j.limit(v)
	i, g = j.at(u)
	if u != v {
		s.limited = true
		i += g * (v - u)
	}
	j.v = u
	return i, g
}

// withSeries solves junction and series resistance together. u + rs·i(u) = v
// is convex and rising in u, so Newton from above cannot fail.
func (j *junction) withSeries(v, rs float64) (i, g float64) {
	u := j.v
	if v <= 0 {
		if u > 0 || u < v {
			u = v
		}
	} else {
		u = math.Min(v, math.Max(u, 0))
		// Above this voltage the junction alone would take the whole of v/rs.
		if most := j.vt * math.Log1p(v/rs/j.is); u > most || u == 0 {
			u = math.Min(v, most)
		}
	}
	for range 60 {
		i, g = j.at(u)
		step := (v - u - rs*i) / (1 + rs*g)
		if step > 2*j.vt {
			step = 2 * j.vt * (1 + math.Log(step/(2*j.vt)))
		}
		u += step
		if math.Abs(step) <= 1e-16*math.Abs(u) {
			break
		}
	}
	j.v = u
	i, g = j.at(u)
	if g*rs > 1 {
		i = (v - u) / rs
	}
	return i, g / (1 + rs*g)
}
