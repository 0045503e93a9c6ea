package budget

import "math"

// Nonlinear says by how much the second order of f matters, relative to the
// standard uncertainty of first order: 0 for a linear f, +Inf at a stationary
// point, NaN where f cannot be computed. Above about 0.1, Simulate instead of
// Apply. It takes 1 + 2n + n(n-1)/2 evaluations for n sources. f must not keep x.
func Nonlinear(f func(x []float64) float64, args ...Value) float64 {
	o := newOrders(f, args)
	var first, second, shift float64
	for i := range o.sources {
		first += o.one[i] * o.one[i]
		second += o.sources[i].squareVariance() * o.two[i] * o.two[i]
		shift += o.two[i]
		for j := range i {
			both := o.at(i, j) - o.up[i] - o.up[j] + o.centre
			second += both * both
		}
	}
	second += shift * shift
	if second == 0 && first == 0 {
		return 0
	}
	return math.Sqrt(second / first)
}

// squareVariance is the variance of the square of an error of unit variance: how
// much a curved function makes of it.
func (s *Source) squareVariance() float64 {
	switch s.spreadAs() {
	case Rectangular, Bounded:
		return 0.8
	case Triangular:
		return 1.4
	case Arcsine:
		return 0.5
	}
	return 2
}

// spreadAs is the distribution with the degrees of freedom taken into account.
func (s *Source) spreadAs() Distribution {
	if !math.IsInf(s.DF, 1) {
		return Student
	}
	if s.Dist == Student {
		return Normal
	}
	return s.Dist
}

// orders are the first and second differences of a function over plus and minus
// the standard uncertainty of each source.
type orders struct {
	f       func(x []float64) float64
	args    []Value
	x       []float64 // room for the arguments
	sources []*Source
	sens    [][]float64 // of each source, to each argument
	centre  float64
	up      []float64 // f with the source one standard uncertainty up
	one     []float64 // half the difference of up and down: c·u
	two     []float64 // half the second difference: ½·f″·u²
}

func newOrders(f func(x []float64) float64, args []Value) *orders {
	o := &orders{f: f, args: args, x: make([]float64, len(args))}
	index := map[*Source]int{}
	for i, a := range args {
		for _, t := range a.Terms {
			k, known := index[t.Source]
			if !known {
				k = len(o.sources)
				index[t.Source] = k
				o.sources = append(o.sources, t.Source)
				o.sens = append(o.sens, make([]float64, len(args)))
			}
			o.sens[k][i] += t.C
		}
	}
	for i, a := range args {
		o.x[i] = a.X
	}
	o.centre = f(o.x)
	for k := range o.sources {
		up, down := o.moved(k, 1), o.moved(k, -1)
		o.up = append(o.up, up)
		o.one = append(o.one, (up-down)/2)
		o.two = append(o.two, (up+down)/2-o.centre)
	}
	return o
}

// moved is f with one source by steps standard uncertainties away.
func (o *orders) moved(k int, steps float64) float64 {
	o.reset()
	o.move(k, steps)
	return o.f(o.x)
}

// at is f with two sources one standard uncertainty up.
func (o *orders) at(i, j int) float64 {
	o.reset()
	o.move(i, 1)
	o.move(j, 1)
	return o.f(o.x)
}

func (o *orders) reset() {
	for i, a := range o.args {
		o.x[i] = a.X
	}
}

// move adds an error to the arguments.
func (o *orders) move(k int, steps float64) {
	d := steps * o.sources[k].U
	for i, c := range o.sens[k] {
		if c != 0 {
			o.x[i] += c * d
		}
	}
}

// lines are the contributions with what a curved f adds to each alone.
func (o *orders) lines() []Line {
	var lines []Line
	var sum float64
	for i, s := range o.sources {
		contribution := math.Hypot(o.one[i], math.Sqrt(s.squareVariance())*o.two[i])
		c := 0.0
		if s.U != 0 {
			c = o.one[i] / s.U
		}
		lines = append(lines, Line{Source: s, C: c, Contribution: contribution})
		sum += contribution * contribution
	}
	for i := range lines {
		lines[i].Share = lines[i].Contribution * lines[i].Contribution / sum
	}
	sortLines(lines)
	return lines
}
