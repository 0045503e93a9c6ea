package derive

import "math"

// AllanPoint is one Allan deviation: averages over M readings, Tau seconds long,
// Pairs differences behind it. Dev has the unit of the readings. Overlapping says
// that a difference starts at every reading, not only at every average.
type AllanPoint struct {
	M           int
	Tau         float64
	Dev         float64
	Pairs       int
	Overlapping bool
}

// Allan returns the Allan deviation of y for averages over m successive readings
// without overlap: sqrt(Σ(ȳ[i+1]-ȳ[i])²/(2(M-1))). NaN where fewer than two
// averages exist. Source: NIST SP 1065 (Riley 2008), 5.2.1.
func Allan(y []float64, m int) float64 {
	if m < 1 || len(y) < 2*m {
		return math.NaN()
	}
	base := y[0]
	groups := len(y) / m
	var prev, sum float64
	for g := range groups {
		var avg float64
		for _, v := range y[g*m : (g+1)*m] {
			avg += v - base
		}
		avg /= float64(m)
		if g > 0 {
			sum += (avg - prev) * (avg - prev)
		}
		prev = avg
	}
	return math.Sqrt(sum / (2 * float64(groups-1)))
}

// AllanOverlapping returns the Allan deviation of y for averages over m readings,
// taken at every reading: more degrees of freedom from the same data. NaN below
// 2m readings. Source: NIST SP 1065 (Riley 2008), 5.2.4.
func AllanOverlapping(y []float64, m int) float64 {
	if m < 1 || len(y) < 2*m {
		return math.NaN()
	}
	var diff float64 // sum of the second m readings less that of the first m
	for i := range m {
		diff += y[i+m] - y[i]
	}
	sum := diff * diff
	pairs := len(y) - 2*m + 1
	for j := 1; j < pairs; j++ {
		diff += (y[j+2*m-1] - y[j+m-1]) - (y[j+m-1] - y[j-1])
		sum += diff * diff
	}
	return math.Sqrt(sum/(2*float64(pairs))) / float64(m)
}

// AllanOctaves returns the overlapping Allan deviation at m = 1, 2, 4, ... for
// readings tau0 seconds apart.
func AllanOctaves(y []float64, tau0 float64) []AllanPoint {
	var points []AllanPoint
	for m := 1; 2*m <= len(y); m *= 2 {
		points = append(points, AllanPoint{m, tau0 * float64(m), AllanOverlapping(y, m), len(y) - 2*m + 1, true})
	}
	return points
}

// AllanStream gathers the non-overlapping Allan deviation at m = 1, 2, 4, ... of
// a stream in O(log n) memory: each octave keeps its last average and a sum of
// squares, and hands the mean of every two averages to the next. It gives what
// Allan gives for the same readings. The zero value is ready.
type AllanStream struct {
	n      int
	base   float64 // first reading, taken off all: a large value keeps its digits
	levels [48]allanLevel
}

type allanLevel struct {
	n       int     // averages seen
	last    float64 // the newest
	squares float64 // Σ(difference of neighbours)²
}

// Add takes the next reading. One that is not finite is left out, which joins
// its neighbours as if they were successive.
func (a *AllanStream) Add(y float64) {
	if !finite(y) {
		return
	}
	if a.n == 0 {
		a.base = y
	}
	a.n++
	avg := y - a.base
	for k := range a.levels {
		l := &a.levels[k]
		prev := l.last
		if l.n > 0 {
			d := avg - prev
			l.squares += d * d
		}
		l.last = avg
		l.n++
		if l.n%2 == 1 {
			return
		}
		avg = (prev + avg) / 2
	}
}

// Points returns the deviations so far, for readings tau0 seconds apart.
func (a *AllanStream) Points(tau0 float64) []AllanPoint {
	var points []AllanPoint
	for k, l := range a.levels {
		if l.n < 2 {
			break
		}
		m := 1 << k
		points = append(points, AllanPoint{m, tau0 * float64(m), math.Sqrt(l.squares / (2 * float64(l.n-1))), l.n - 1, false})
	}
	return points
}
