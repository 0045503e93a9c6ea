package circuit

import "math"

// sparse is the solver of J·dx = -f for a fixed pattern. An elimination order
// is worked out from the values once (Markowitz count with a threshold on the
// pivot) and kept as a flat list of operations; the few orders that a circuit
// needs as its channels change between voltage and current limiting are all
// kept.
type sparse struct {
	n       int
	entries [][2]int // row, column of slot 1..
	orders  []*order
	y, size []float64
}

// order is one compiled elimination.
type order struct {
	fill   []float64 // values, slot 0 unused; original entries first
	pivots []pivot
	below  []int32 // slots of a pivot's column, with their rows
	belowR []int32
	right  []int32 // slots of a pivot's row, with their columns
	rightC []int32
	target []int32 // slot of (below, right), for each below, for each right
	flip   bool    // the permutations change the sign of the determinant
}

type pivot struct {
	slot, row, col                         int32
	below, belowEnd, right, rightEnd, goal int32
}

const maxOrders = 24

func (m *sparse) reset(n int, entries [][2]int) {
	*m = sparse{n: n, entries: entries, y: make([]float64, n+1), size: make([]float64, n+1)}
}

// solve writes the Newton step to dx. It reports false where J is singular to
// working precision.
func (m *sparse) solve(a, f, dx []float64) bool {
	for k, o := range m.orders {
		if o.factor(a, len(m.entries)) && m.substitute(o, f, dx) && m.accurate(a, f, dx) {
			if k > 0 {
				copy(m.orders[1:k+1], m.orders[:k])
				m.orders[0] = o
			}
			return true
		}
	}
	o := m.analyse(a)
	if o == nil {
		return false
	}
	if len(m.orders) == maxOrders {
		m.orders = m.orders[:maxOrders-1]
	}
	m.orders = append(m.orders, nil)
	copy(m.orders[1:], m.orders)
	m.orders[0] = o
	return o.factor(a, len(m.entries)) && m.substitute(o, f, dx)
}

// factor eliminates in the compiled order.
func (o *order) factor(a []float64, given int) bool {
	v := o.fill
	copy(v, a[:given+1])
	clear(v[given+1:])
	for k := range o.pivots {
		p := &o.pivots[k]
		d := v[p.slot]
		if d == 0 || math.IsNaN(d) {
			return false
		}
		right := o.right[p.right:p.rightEnd]
		goal := o.target[p.goal:]
		for _, b := range o.below[p.below:p.belowEnd] {
			x := v[b]
			if x != 0 {
				x /= d
				v[b] = x
				for j, r := range right {
					v[goal[j]] -= x * v[r]
				}
			}
			goal = goal[len(right):]
		}
	}
	return true
}

// substitute solves with the factors for the right side -f.
func (m *sparse) substitute(o *order, f, dx []float64) bool {
	v, y := o.fill, m.y
	for i := range y {
		y[i] = -f[i]
	}
	for k := range o.pivots {
		p := &o.pivots[k]
		if t := y[p.row]; t != 0 {
			for j := p.below; j < p.belowEnd; j++ {
				y[o.belowR[j]] -= v[o.below[j]] * t
			}
		}
	}
	dx[0] = 0
	for k := len(o.pivots) - 1; k >= 0; k-- {
		p := &o.pivots[k]
		t := y[p.row]
		for j := p.right; j < p.rightEnd; j++ {
			t -= v[o.right[j]] * dx[o.rightC[j]]
		}
		t /= v[p.slot]
		if math.IsNaN(t) || math.IsInf(t, 0) {
			return false
		}
		dx[p.col] = t
	}
	return true
}

// accurate checks the step against the equations themselves: an order that was
// good for other values may have lost its digits here.
func (m *sparse) accurate(a, f, dx []float64) bool {
	const lost = 1e-3 // of a row's terms; Newton makes up for less than that
	r, size := m.y, m.size
	copy(r, f)
	most := 0.0
	for k := range size {
		size[k] = math.Abs(f[k])
		most = math.Max(most, math.Abs(dx[k]))
	}
	// A row whose own terms are all zero must not be held to its rounding.
	floor := 1e-10 * most
	for k, e := range m.entries {
		t := a[k+1] * dx[e[1]]
		r[e[0]] += t
		size[e[0]] += math.Abs(t) + math.Abs(a[k+1])*floor
	}
	for k := 1; k <= m.n; k++ {
		if !(math.Abs(r[k]) <= lost*size[k]) {
			return false
		}
	}
	return true
}

// sign is the sign of the determinant of the last factors.
func (o *order) sign() int {
	neg := o.flip
	for k := range o.pivots {
		if o.fill[o.pivots[k].slot] < 0 {
			neg = !neg
		}
	}
	if neg {
		return -1
	}
	return 1
}

// inputResistance is the voltage at variable k per ampere into it, by the
// Jacobian at the last solution.
func (s *system) inputResistance(k int) float64 {
	if len(s.lu.orders) == 0 {
		return math.NaN()
	}
	rhs := s.f
	clear(rhs)
	rhs[k] = -1
	o := s.lu.orders[0]
	if !s.factored {
		if !s.lu.solve(s.a, rhs, s.dx) {
			return math.NaN()
		}
		s.factored = true
		return s.dx[k]
	}
	if !s.lu.substitute(o, rhs, s.dx) {
		return math.NaN()
	}
	return s.dx[k]
}
