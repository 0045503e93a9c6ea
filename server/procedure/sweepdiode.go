package procedure

import (
	"fmt"
	"math"

	"ohmkeep/server/budget"
	"ohmkeep/server/derive"
)

// What a curve must be like to be called a diode: the law holds over two decades
// of current, with a believable ideality and a knee. Common practice.
const (
	diodeLeastPoints = 5
	diodeLeastN      = 0.7
	diodeMostN       = 3.0
	diodeSpan        = 100.0
	diodeKnee        = 1e-3 // Is against the largest current
)

// The temperature of a junction where no condition gives one: what data of parts
// are stated at, and how far a room may be from it. Common practice.
const (
	roomCelsius    = 25.0
	roomWithin     = 5.0
	zeroCelsius    = 273.15 // K
	diodeKelvin    = roomCelsius + zeroCelsius
	heatingLeftOut = "its own heating is not counted"
)

// junction is the temperature that a diode is taken at, K, and in words. A
// condition is part of what is said, so it is taken as it stands.
func (m *Measurement) junction() (kelvin budget.Value, words string) {
	if m.At != nil && m.At.Temperature != nil {
		return budget.Exact(*m.At.Temperature + zeroCelsius), fmt.Sprintf("junction taken at %s; %s", celsius(*m.At.Temperature), heatingLeftOut)
	}
	room := budget.NewSource("temperature of the junction", budget.Temperature, budget.Rectangular, budget.Rectangular.FromHalfWidth(roomWithin))
	room.Assumed = true
	return budget.Of(roomCelsius+zeroCelsius, room), fmt.Sprintf("junction taken at %g °C ± %g °C; %s", roomCelsius, roomWithin, heatingLeftOut)
}

// diode fits the diode law where the curve looks like one. A curve taken on the
// other side of zero is turned round.
func (s *sweepDeriver) diode(out []Result, at value, p *pinPoints) []Result {
	kelvin, words := s.m.junction()
	d, turn, ok := p.fitDiode(kelvin.X)
	if !ok {
		return out
	}
	at.note = joinLabel(words, at.note)
	by := func(x float64, of func(derive.DiodeInfluence) float64) budget.Value {
		for k, in := range d.Influence {
			v, i := 2*k, 2*k+1
			if s.m.Use == UseCurrent {
				v, i = i, v
			}
			p.coefs[v] = turn * of(in)
			p.coefs[i] = -turn * of(in) * in.Slope
		}
		return p.weighted(x)
	}
	n := by(d.N, func(in derive.DiodeInfluence) float64 { return in.N })
	out = s.add(out, at.as("ideality", n.Sub(kelvin.Sub(budget.Exact(kelvin.X)).Scale(d.N/kelvin.X))))
	ln := at.as("saturation-current", by(math.Log(d.Is), func(in derive.DiodeInfluence) float64 { return in.LnIs }))
	ln.through = exponential
	out = s.add(out, ln)
	if finite(d.RsSD) {
		out = s.add(out, at.as("series-resistance", by(d.Rs, func(in derive.DiodeInfluence) float64 { return in.Rs })))
	}
	return out
}

// fitDiode fits the diode law at a temperature in K to the curve at the pin, as
// it was read: the law holds at any level. turn is -1 for a curve on the other
// side of zero. ok is false where the curve is no diode's.
func (p *pinPoints) fitDiode(kelvin float64) (d derive.Diode, turn float64, ok bool) {
	if len(p.points) < diodeLeastPoints || !(kelvin > 0) {
		return d, 0, false
	}
	points := make([]derive.IV, len(p.points))
	top := derive.IV{}
	lead := 0.0
	for k := range p.points {
		q := &p.points[k]
		points[k] = derive.IV{V: q.x.X, I: q.y.X}
		if p.m.Use == UseCurrent {
			points[k] = derive.IV{V: q.y.X, I: q.x.X}
		}
		if math.Abs(points[k].I) > math.Abs(top.I) {
			top = points[k]
			lead = q.lead()
		}
	}
	turn = 1
	if top.I < 0 {
		turn = -1
	}
	if top.V*turn <= 0 {
		return d, turn, false
	}
	for k := range points {
		points[k].V, points[k].I = turn*points[k].V, turn*points[k].I
	}
	d, err := derive.ExtractDiode(points, derive.DiodeOptions{Kelvin: kelvin, Lead: lead})
	most := math.Abs(top.I)
	ok = err == nil && d.N >= diodeLeastN && d.N <= diodeMostN && d.Is < diodeKnee*most && d.Is > 0 &&
		d.NSD <= 0.2*d.N && most >= diodeSpan*max(d.FloorA, d.Is)
	return d, turn, ok
}

// lead is the resistance that was taken off between channel and pin and on the
// way back, Ω.
func (q *pinPoint) lead() float64 {
	s := q.cell.sense
	if s == nil || s.Segment == nil {
		return 0
	}
	ohms := s.Segment.Drives[s.Drive].Series.X
	for _, r := range s.Segment.returns {
		ohms = max(ohms, s.Segment.Drives[s.Drive].Series.X+r.ohms.X)
	}
	return ohms
}
