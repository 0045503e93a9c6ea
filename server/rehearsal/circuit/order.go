package circuit

import "math"

// analyser is the dense working copy on which an elimination order is chosen.
type analyser struct {
	n       int
	v       []float64
	slot    []int32 // 0: structurally zero
	rowDone []bool
	colDone []bool
	rows    []int     // active non-zeros per row
	colRows [][]int32 // rows of the non-zeros of a column
	slots   int32
	o       *order
}

// pivotThreshold is the smallest ratio of a pivot to the largest entry of its
// (row-scaled) column.
const pivotThreshold = 1e-3

// analyse works out an elimination order for the present values, or nil where
// the matrix is singular.
func (m *sparse) analyse(a []float64) *order {
	n := m.n + 1
	z := &analyser{n: n, v: make([]float64, n*n), slot: make([]int32, n*n),
		rowDone: make([]bool, n), colDone: make([]bool, n), rows: make([]int, n), colRows: make([][]int32, n),
		slots: int32(len(m.entries)), o: &order{}}
	top := make([]float64, n)
	for k, e := range m.entries {
		top[e[0]] = math.Max(top[e[0]], math.Abs(a[k+1]))
	}
	for k, e := range m.entries {
		at := e[0]*n + e[1]
		z.slot[at] = int32(k + 1)
		if top[e[0]] > 0 {
			z.v[at] = a[k+1] / top[e[0]]
		}
		z.rows[e[0]]++
		z.colRows[e[1]] = append(z.colRows[e[1]], int32(e[0]))
	}
	perm := make([]int, n)
	for range m.n {
		r, c := z.choose()
		if r == 0 {
			return nil
		}
		perm[r] = c
		z.eliminate(r, c)
	}
	z.o.fill = make([]float64, z.slots+1)
	z.o.flip = odd(perm)
	return z.o
}

// choose finds the pivot of least Markowitz count that is large enough.
func (z *analyser) choose() (row, col int) {
	best, bestV := math.MaxInt, 0.0
	for c := 1; c < z.n; c++ {
		if z.colDone[c] {
			continue
		}
		// the rows still in play, in place
		live := z.colRows[c][:0]
		top := 0.0
		for _, r := range z.colRows[c] {
			if z.rowDone[r] {
				continue
			}
			live = append(live, r)
			if v := math.Abs(z.v[int(r)*z.n+c]); v > top || v != v {
				top = v
			}
		}
		z.colRows[c] = live
		if !(top > 0) {
			return 0, 0
		}
		for _, r32 := range live {
			r := int(r32)
			v := math.Abs(z.v[r*z.n+c])
			if v == 0 || v < pivotThreshold*top {
				continue
			}
			cost := 2 * (z.rows[r] - 1) * (len(live) - 1)
			if r != c {
				cost++ // a node's own conductance stays a good pivot as values change
			}
			if cost < best || cost == best && v > bestV {
				best, bestV, row, col = cost, v, r, c
			}
		}
	}
	return row, col
}

// eliminate records and carries out one step.
func (z *analyser) eliminate(r, c int) {
	n, o := z.n, z.o
	p := pivot{slot: z.slot[r*n+c], row: int32(r), col: int32(c),
		below: int32(len(o.below)), right: int32(len(o.right)), goal: int32(len(o.target))}
	z.rowDone[r], z.colDone[c] = true, true
	for j := 1; j < n; j++ {
		if !z.colDone[j] && z.slot[r*n+j] != 0 {
			o.right = append(o.right, z.slot[r*n+j])
			o.rightC = append(o.rightC, int32(j))
		}
	}
	p.rightEnd = int32(len(o.right))
	for i := 1; i < n; i++ {
		if z.rowDone[i] || z.slot[i*n+c] == 0 {
			continue
		}
		o.below = append(o.below, z.slot[i*n+c])
		o.belowR = append(o.belowR, int32(i))
		z.rows[i]--
		x := z.v[i*n+c] / z.v[r*n+c]
		for _, j := range o.rightC[p.right:p.rightEnd] {
			at := i*n + int(j)
			if z.slot[at] == 0 {
				z.slots++
				z.slot[at] = z.slots
				z.rows[i]++
				z.colRows[j] = append(z.colRows[j], int32(i))
			}
			z.v[at] -= x * z.v[r*n+int(j)]
			o.target = append(o.target, z.slot[at])
		}
	}
	p.belowEnd = int32(len(o.below))
	o.pivots = append(o.pivots, p)
}

// odd reports whether the permutation of 1..n is odd.
func odd(perm []int) bool {
	seen := make([]bool, len(perm))
	flip := false
	for k := 1; k < len(perm); k++ {
		length := 0
		for j := k; !seen[j]; j = perm[j] {
			seen[j] = true
			length++
		}
		if length > 0 && length%2 == 0 {
			flip = !flip
		}
	}
	return flip
}
