package derive

import (
	"errors"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// Exact constants of the SI Brochure, 9th edition (2019).
const (
	boltzmann = 1.380649e-23    // J/K
	charge    = 1.602176634e-19 // C
)

// ThermalVoltage is kT/e in V for a temperature in K.
func ThermalVoltage(kelvin float64) float64 { return boltzmann / charge * kelvin }

// IV is one point of a curve: V in V, I in A, forward positive. An excluded
// point (taken at compliance, or not settled) is no measure of the device.
type IV struct {
	V, I     float64
	Excluded bool
}

// DiodeOptions say what is known before a diode is extracted.
type DiodeOptions struct {
	Kelvin float64 // junction temperature; 0 means 300 K
	FloorA float64 // current below which readings mean nothing (noise, leakage), A; 0: taken from the points
	// Lead is a resistance that has been taken off the voltages already, Ω: as far
	// below zero Rs may be found, because it was not known exactly.
	Lead float64
}

// Diode is a fit of V = n·(kT/e)·ln(I/Is + 1) + I·Rs.
type Diode struct {
	N, NSD     float64 // ideality
	Is         float64 // saturation current, A
	LnIsSD     float64 // standard deviation of ln Is: Is is known to a factor of exp(LnIsSD)
	Rs, RsSD   float64 // series resistance, Ω; not below -Lead, RsSD NaN when held at zero
	ResidualSD float64 // of the weighted fit, as a voltage at high current, V
	Kelvin     float64
	FloorA     float64 // the floor used
	Used       int     // points in the fit
	Left       int     // forward points left out: excluded, or at the floor
	// Influence is how each point given moves the fit, in their order; zero for
	// those that are not in it.
	Influence []DiodeInfluence
}

// DiodeInfluence is how a fit moves with one of its points, to first order. A
// larger current does what a voltage smaller by Slope times the difference does.
type DiodeInfluence struct {
	N, LnIs, Rs float64 // per volt: 1/V, 1/V, Ω/V
	Slope       float64 // dV/dI of the diode at the point, Ω
}

// placed is a point with its index among those given.
type placed struct {
	IV
	at int
}

// ErrNoDiode says that the points do not follow a diode.
var ErrNoDiode = errors.New("the points do not follow a diode")

// V is the diode's voltage at the current i (above -Is), in V.
func (d Diode) V(i float64) float64 {
	return d.N*ThermalVoltage(d.Kelvin)*math.Log1p(i/d.Is) + i*d.Rs
}

// ExtractDiode finds n, Is and Rs from the forward points of a curve by weighted
// least squares on the voltage. It starts at the largest currents and goes down
// as long as the points follow the diode law, so that a noise floor or a leakage
// in parallel does not bend the result. It needs four points over a factor of
// ten in current. Sources: Shockley (1949), BSTJ 28, 435-489; model with series
// resistance as in Banwell and Jayakumar (2000), Electron. Lett. 36(4), 291-292.
func ExtractDiode(points []IV, opt DiodeOptions) (Diode, error) {
	if opt.Kelvin == 0 {
		opt.Kelvin = 300
	}
	if !(opt.Kelvin > 0) || !(opt.FloorA >= 0) {
		return Diode{}, ErrNotFinite
	}
	floor := opt.FloorA
	if floor == 0 {
		floor = findFloor(points)
	}
	use, forward := forwardPoints(points, floor)
	if len(use) < leastDiodePoints || use[0].I < 10*use[len(use)-1].I {
		return Diode{}, ErrTooFew
	}
	f := diodeFit{vt: ThermalVoltage(opt.Kelvin), floor: floor, lead: opt.Lead}
	d, used, err := f.followDown(use)
	if err != nil {
		return Diode{}, err
	}
	d.Kelvin, d.FloorA, d.Used, d.Left = opt.Kelvin, floor, len(used), forward-len(used)
	d.Influence = f.influence(&d, used, len(points))
	return d, nil
}

// diodeFit is what all fits of one curve have in common.
type diodeFit struct{ vt, floor, lead float64 }

// influence is the pseudo-inverse of the weighted equations at the solution: how
// much each point's voltage moves the parameters. The weights and the choice of
// points are taken as they are.
func (f diodeFit) influence(d *Diode, used []placed, n int) []DiodeInfluence {
	out := make([]DiodeInfluence, n)
	free, a, top := 3, d.N*f.vt, used[0].I
	if math.IsNaN(d.RsSD) && d.Rs == 0 {
		free = 2
	}
	w := diodeWeights(used, f.vt, f.floor)
	rows := mat.NewDense(len(used), free, nil)
	for i, q := range used {
		x := q.I / d.Is
		c := [3]float64{math.Log1p(x), -a * x / (1 + x), q.I / top}
		for j := range free {
			rows.Set(i, j, w[i]*c[j])
		}
	}
	var normal, inverse, all mat.Dense
	normal.Mul(rows.T(), rows)
	if err := inverse.Inverse(&normal); err != nil && !errors.As(err, new(mat.Condition)) {
		return out
	}
	all.Mul(&inverse, rows.T())
	for i, q := range used {
		in := DiodeInfluence{N: w[i] * all.At(0, i) / f.vt, LnIs: w[i] * all.At(1, i), Slope: a/(q.I+d.Is) + d.Rs}
		if free == 3 {
			in.Rs = w[i] * all.At(2, i) / top
		}
		out[q.at] = in
	}
	return out
}

const leastDiodePoints = 4

// findFloor takes as floor what flows when nothing should: the largest current
// among points with no forward voltage, or against it.
func findFloor(points []IV) float64 {
	var floor float64
	for _, p := range points {
		if !p.Excluded && finite(p.I) && (p.V <= 0 || p.I < 0) {
			floor = max(floor, math.Abs(p.I))
		}
	}
	return floor
}

// forwardPoints returns the usable points, largest current first, and how many
// forward points there were in all.
func forwardPoints(points []IV, floor float64) (use []placed, forward int) {
	for at, p := range points {
		if !finite(p.V) || !finite(p.I) || p.V <= 0 || p.I <= 0 {
			continue
		}
		forward++
		if !p.Excluded && p.I > 5*floor {
			use = append(use, placed{p, at})
		}
	}
	slices.SortFunc(use, func(a, b placed) int {
		switch {
		case a.I > b.I:
			return -1
		case a.I < b.I:
			return 1
		}
		return 0
	})
	return use, forward
}

// followDown fits the top decade or two, then takes in lower points while they
// lie on the curve fitted so far; two strays in a row end it.
func (f diodeFit) followDown(p []placed) (Diode, []placed, error) {
	n := leastDiodePoints
	for n < len(p) && p[n].I > p[0].I/100 {
		n++
	}
	kept := slices.Clone(p[:n])
	d, err := f.fit(kept)
	if err != nil {
		return d, nil, err
	}
	strays, refit := 0, n
	for _, next := range p[n:] {
		a := d.N * f.vt
		expect := a*math.Log1p(next.I/d.Is) + next.I*d.Rs
		// A hundredth of n·Vt is what a current 1 % too large does; the floor's
		// share of the current does the rest.
		limit := max(5*d.ResidualSD, a/100) + 3*a*f.floor/next.I
		if math.Abs(next.V-expect) > limit {
			if strays++; strays == 2 {
				break
			}
			continue
		}
		strays = 0
		kept = append(kept, next)
		if len(kept) < refit+refit/10 {
			continue // refitting at every point would cost the square of their number
		}
		if d, err = f.fit(kept); err != nil {
			return d, nil, err
		}
		refit = len(kept)
	}
	d, err = f.fit(kept)
	return d, kept, err
}

// fit is a Gauss-Newton fit of a = n·Vt, s = ln Is and Rs, from a linear start
// (ln(I/Is + 1) taken as ln I - s). An Rs below what may be is refitted as zero.
func (f diodeFit) fit(p []placed) (Diode, error) {
	for _, free := range []int{3, 2} {
		d, err := f.with(p, free)
		if err != nil {
			return d, err
		}
		if d.Rs >= -f.lead {
			return d, nil
		}
	}
	return Diode{}, ErrNoDiode
}

func (f diodeFit) with(p []placed, free int) (Diode, error) {
	w := diodeWeights(p, f.vt, f.floor)
	rows, rhs := mat.NewDense(len(p), free, nil), mat.NewVecDense(len(p), nil)
	fill := func(row func(q IV) (c [3]float64, r float64)) {
		for i, q := range p {
			c, r := row(q.IV)
			for j := range free {
				rows.Set(i, j, w[i]*c[j])
			}
			rhs.SetVec(i, w[i]*r)
		}
	}
	top := p[0].I // scales the Rs column
	fill(func(q IV) ([3]float64, float64) { return [3]float64{math.Log(q.I), 1, q.I / top}, q.V })
	x, _, _, err := solve(rows, rhs)
	if err != nil || !(x[0] > 0) {
		return Diode{}, ErrNoDiode
	}
	a, s, rs := x[0], -x[1]/x[0], 0.0
	if free == 3 {
		rs = x[2] / top
	}
	var sd []float64
	var rss float64
	for range 50 {
		fill(func(q IV) ([3]float64, float64) {
			i := q.I * math.Exp(-s)
			l := math.Log1p(i)
			return [3]float64{l, -a * i / (1 + i), q.I / top}, q.V - a*l - rs*q.I
		})
		if x, sd, rss, err = solve(rows, rhs); err != nil {
			return Diode{}, ErrNoDiode
		}
		a, s = a+x[0], s+x[1]
		if free == 3 {
			rs += x[2] / top
		}
		if !(a > 0) || !finite(s) {
			return Diode{}, ErrNoDiode
		}
		if math.Abs(x[0]) < 1e-12*a && math.Abs(x[1]) < 1e-10 {
			break
		}
	}
	if n := a / f.vt; !(n > 0.2 && n < 20) { // nothing that is a junction
		return Diode{}, ErrNoDiode
	}
	d := Diode{N: a / f.vt, NSD: sd[0] / f.vt, Is: math.Exp(s), LnIsSD: sd[1], Rs: rs, RsSD: math.NaN(),
		ResidualSD: math.Sqrt(rss / float64(max(len(p)-free, 1)))}
	if free == 3 {
		d.RsSD = sd[2] / top
	}
	return d, nil
}

// diodeWeights gives less weight to points whose voltage a noisy current blurs:
// 1/√(1 + (ΔV/1 mV)²), ΔV being Vt·floor/I.
func diodeWeights(p []placed, vt, floor float64) []float64 {
	w := make([]float64, len(p))
	for i, q := range p {
		w[i] = 1 / math.Hypot(1, vt*floor/q.I/1e-3)
	}
	return w
}

// solve is linear least squares by QR: the solution, its standard deviations
// (zero degrees of freedom: NaN) and the residual sum of squares.
func solve(a *mat.Dense, b *mat.VecDense) (x, sd []float64, rss float64, err error) {
	m, n := a.Dims()
	var qr mat.QR
	qr.Factorize(a)
	var sol, fit mat.VecDense
	if err := qr.SolveVecTo(&sol, false, b); err != nil {
		return nil, nil, 0, err
	}
	fit.MulVec(a, &sol)
	for i := range m {
		r := b.AtVec(i) - fit.AtVec(i)
		rss += r * r
	}
	var r, inv mat.Dense
	qr.RTo(&r)
	if err := inv.Inverse(r.Slice(0, n, 0, n)); err != nil {
		return nil, nil, 0, err
	}
	sd = make([]float64, n)
	for i := range n {
		sd[i] = math.NaN()
		if m > n {
			row := inv.RawRowView(i)
			var sum float64
			for _, v := range row {
				sum += v * v
			}
			sd[i] = math.Sqrt(sum * rss / float64(m-n))
		}
	}
	return sol.RawVector().Data, sd, rss, nil
}
