package budget

import (
	"cmp"
	"math"
	"slices"
	"sync"
)

// part is one independent contribution to the error of a value: its standard
// uncertainty u, in the unit of the value or relative to the whole.
type part struct {
	dist  Distribution
	u, df float64
}

// The limits of the method; each is far below what two digits of U show.
const (
	seriesTerms    = 256
	smallPart      = 0.05 // below this share of uc a part joins the normal one
	tinyPart       = 1e-9 // below this it does, whatever its degrees of freedom
	manyDF         = 100  // from here on a Student part joins the normal one
	mostStudents   = 4    // more are joined, the smallest first (Welch-Satterthwaite)
	heavyNormal    = 3    // a normal part this many times the bounded ones hides their shape
	heavyForOneBox = 30   // the same for one rectangle, which has a closed form
)

// spread is the distribution of a sum of independent errors about zero, in units
// of its standard uncertainty: bounded parts (rectangles, arcsines) and a mixture
// of normals (the normal parts and every Student part).
type spread struct {
	parts    []part
	boxes    []float64 // half-widths of rectangles
	arcs     []float64 // half-widths of arcsines
	students []part
	nodes    []node // the mixture; nodes[light:] hide the shape of the bounded parts
	light    int
	bounded  float64 // variance of boxes and arcs

	period float64              // half the period of the series below
	series [seriesTerms]float64 // coefficients of sin(k·π·x/period)
	terms  int                  // of them in use
	mass   float64              // probability that the series stands for

	one, two []node
	bins     [mixtureBins]node
}

var spreads = sync.Pool{New: func() any { return new(spread) }}

// build works the distribution out of parts, whose standard uncertainties add up
// to uc (all in one unit).
func (s *spread) build(parts []part, uc float64) {
	s.boxes, s.arcs, s.students = s.boxes[:0], s.arcs[:0], s.students[:0]
	s.bounded = 0
	var normal float64 // variance
	for _, p := range parts {
		p.u /= uc
		switch {
		case p.df > manyDF && !math.IsInf(p.df, 1), p.u < smallPart && p.df >= 5, p.u < tinyPart:
			f := 1.0
			if p.df >= 5 && !math.IsInf(p.df, 1) {
				f = p.df / (p.df - 2)
			}
			normal += f * p.u * p.u
		case !math.IsInf(p.df, 1):
			s.students = append(s.students, p)
		case p.dist == Rectangular, p.dist == Bounded:
			s.boxes = append(s.boxes, p.u*math.Sqrt(3))
		case p.dist == Triangular: // the sum of two equal rectangles
			s.boxes = append(s.boxes, p.u*math.Sqrt(1.5), p.u*math.Sqrt(1.5))
		case p.dist == Arcsine:
			s.arcs = append(s.arcs, p.u*math.Sqrt2)
		default:
			normal += p.u * p.u
		}
	}
	for _, a := range s.boxes {
		s.bounded += a * a / 3
	}
	for _, a := range s.arcs {
		s.bounded += a * a / 2
	}
	s.mix(normal)
	if !s.oneBox() && !s.oneArc() && s.bounded > 0 {
		s.expand()
	}
}

// oneBox says that one rectangle is all that is bounded.
func (s *spread) oneBox() bool { return len(s.boxes) == 1 && len(s.arcs) == 0 }

// oneArc says that one arcsine is all there is, but for next to nothing.
func (s *spread) oneArc() bool {
	const nothing = 1e-8
	return len(s.arcs) == 1 && len(s.boxes) == 0 && len(s.nodes) == 1 && s.nodes[0].variance < nothing
}

// mix makes the mixture of the normal parts (of that variance together) and the
// Student parts, with the nodes that hide the bounded parts last.
func (s *spread) mix(normal float64) {
	slices.SortFunc(s.students, func(a, b part) int { return cmp.Or(-cmp.Compare(a.u, b.u), cmp.Compare(a.df, b.df)) })
	if len(s.students) > mostStudents {
		rest := s.students[mostStudents-1:]
		joined := part{df: effectiveDF(rest)}
		for _, p := range rest {
			joined.u = math.Hypot(joined.u, p.u)
		}
		s.students = append(s.students[:mostStudents-1], joined)
	}
	s.nodes = append(s.nodes[:0], node{1, normal})
	for _, p := range s.students {
		s.one = appendStudent(s.one[:0], p.u, p.df)
		s.two = convolved(s.nodes, s.one, &s.bins, s.two)
		s.nodes, s.two = s.two, s.nodes
	}
	s.light = 0
	heavy := float64(heavyNormal)
	if s.oneBox() {
		heavy = heavyForOneBox
	}
	for i, n := range s.nodes {
		if n.variance < heavy*heavy*s.bounded {
			s.nodes[s.light], s.nodes[i] = s.nodes[i], s.nodes[s.light]
			s.light++
		}
	}
}

// expand makes the Fourier series of the probability within ±x from the product
// of the characteristic functions of the parts. The period is longer than what
// the light nodes and the bounded parts reach.
func (s *spread) expand() {
	var reach, widest float64
	s.mass = 0
	for _, a := range s.boxes {
		reach += a
	}
	for _, a := range s.arcs {
		reach += a
	}
	for _, n := range s.nodes[:s.light] {
		widest = max(widest, n.variance)
		s.mass += n.weight
	}
	const tail = 5.5 // standard uncertainties beyond which nothing is left
	s.period = 1.01 * (min(reach, tail*math.Sqrt(s.bounded)) + tail*math.Sqrt(widest))
	base := math.Pi / s.period
	clear(s.series[:])
	for _, n := range s.nodes[:s.light] {
		addNormal(&s.series, n.weight, math.Exp(-n.variance*base*base/2))
	}
	phi := withoutEnd(s.series[:])
	for _, a := range s.boxes {
		timesBox(phi, a*base)
		phi = withoutEnd(phi)
	}
	for _, a := range s.arcs {
		for k := range phi {
			phi[k] *= math.J0(float64(k+1) * a * base)
		}
	}
	// A slowly falling series is cut off smoothly (as if by a small normal part):
	// the alternative rings at the edges.
	smooth := math.Abs(s.series[seriesTerms-1]) > 1e-2
	for k := range phi {
		n := float64(k + 1)
		phi[k] *= 2 / (math.Pi * n)
		if smooth {
			z := 3 * n / seriesTerms
			phi[k] *= math.Exp(-z * z / 2)
		}
	}
	s.terms = len(phi)
}

// withoutEnd is phi without the end that is next to nothing.
func withoutEnd(phi []float64) []float64 {
	const nothing = 1e-9
	for len(phi) > 0 && math.Abs(phi[len(phi)-1]) < nothing {
		phi = phi[:len(phi)-1]
	}
	return phi
}

// addNormal adds weight·q^(k²) to the k-th entry, counted from 1: the
// characteristic function of a normal distribution at multiples of one frequency.
func addNormal(phi *[seriesTerms]float64, weight, q float64) {
	power, ratio, square := weight, q, q*q
	for k := range phi {
		power *= ratio
		if power < 1e-13 {
			return
		}
		phi[k] += power
		ratio *= square
	}
}

// timesBox multiplies the k-th entry, counted from 1, by sin(kθ)/(kθ).
func timesBox(phi []float64, theta float64) {
	sin, cos := math.Sincos(theta)
	sk, ck := sin, cos
	angle := 0.0
	for k := range phi {
		angle += theta
		phi[k] *= sk / angle
		sk, ck = sk*cos+ck*sin, ck*cos-sk*sin
	}
}

// within is the probability that the error is between -x and x, and its
// derivative; x >= 0.
func (s *spread) within(x float64) (p, density float64) {
	light := 0
	switch {
	case s.bounded == 0:
	case s.oneArc():
		light = s.light
		p, density = arcsineWithin(x, s.arcs[0])
	case s.oneBox():
		light = s.light
		for _, n := range s.nodes[:light] {
			q, d := boxWithNormal(x, s.boxes[0], math.Sqrt(n.variance))
			p, density = p+n.weight*q, density+n.weight*d
		}
	default:
		light = s.light
		p, density = s.sumSeries(x)
	}
	for _, n := range s.nodes[light:] {
		v := n.variance + s.bounded
		if v == 0 {
			p += n.weight
			continue
		}
		z := x / math.Sqrt(v)
		p += n.weight * math.Erf(z/math.Sqrt2)
		density += n.weight * 2 * densityNormal(z) / math.Sqrt(v)
	}
	return p, density
}

// sumSeries is within for the part that the series stands for.
func (s *spread) sumSeries(x float64) (p, density float64) {
	if x >= s.period {
		return s.mass, 0
	}
	base := math.Pi / s.period
	sin, cos := math.Sincos(base * x)
	sk, ck := sin, cos
	for k := range s.terms {
		p += s.series[k] * sk
		density += s.series[k] * float64(k+1) * ck
		sk, ck = sk*cos+ck*sin, ck*cos-sk*sin
	}
	return s.mass*x/s.period + p, s.mass/s.period + base*density
}

// boxWithNormal is the probability that a rectangular error of half-width a plus
// a normal one of standard deviation sd is within ±x, and its derivative.
func boxWithNormal(x, a, sd float64) (p, density float64) {
	if sd < 1e-9*a {
		if x >= a {
			return 1, 0
		}
		return x / a, 1 / a
	}
	up, down := (x+a)/sd, (x-a)/sd
	cu, cd := math.Erfc(-up/math.Sqrt2)/2, math.Erfc(-down/math.Sqrt2)/2
	f := sd / (2 * a) * (up*cu + densityNormal(up) - down*cd - densityNormal(down))
	return 2*f - 1, (cu - cd) / a
}

// arcsineWithin is the probability that an arcsine error of half-width a is
// within ±x, and its derivative.
func arcsineWithin(x, a float64) (p, density float64) {
	if x >= a {
		return 1, 0
	}
	return 2 / math.Pi * math.Asin(x/a), 2 / math.Pi / math.Sqrt(a*a-x*x)
}

func densityNormal(z float64) float64 { return math.Exp(-z*z/2) / math.Sqrt(2*math.Pi) }

// factor is the x within which the error lies with probability p (0 to 1): the
// coverage factor. +Inf where none holds it.
func (s *spread) factor(p float64) float64 {
	low, high := 0.0, 2.0
	for {
		if q, _ := s.within(high); q >= p {
			break
		}
		low, high = high, 2*high
		if high > 1e12 {
			return math.Inf(1)
		}
	}
	x := (low + high) / 2
	for range 100 {
		q, d := s.within(x)
		if q < p {
			low = x
		} else {
			high = x
		}
		next := x + (p-q)/d
		if !(next > low && next < high) {
			next = (low + high) / 2
		}
		if math.Abs(next-x) <= 1e-8*x {
			return next
		}
		x = next
	}
	return x
}
