package circuit

import (
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// typical is the Jacobian of a ladder with shunts and a few cross ties, filled
// about as a part on the bench is, and a right side.
func typical(n int) (*system, []float64) {
	c := New(300)
	g := rand.New(rand.NewPCG(1, uint64(n)))
	nodes := []Node{Ground}
	for range n {
		k := c.NewNode()
		c.Resistor(nodes[len(nodes)-1], k, 20+100*g.Float64())
		c.Resistor(k, Ground, 1e3)
		c.Resistor(k, nodes[g.IntN(len(nodes))], 1e4)
		nodes = append(nodes, k)
	}
	c.ISource(Ground, nodes[n], 1e-3)
	c.build()
	c.load()
	return &c.sys, append([]float64(nil), c.sys.f...)
}

func (s *system) dense(into []float64) {
	clear(into)
	for k, e := range s.lu.entries {
		into[(e[0]-1)*s.n+e[1]-1] += s.a[k+1]
	}
}

// byHand is Gauss with row pivots on a row-major matrix; b becomes the solution.
func byHand(a, b []float64, n int) {
	for k := range n {
		p := k
		for r := k + 1; r < n; r++ {
			if abs(a[r*n+k]) > abs(a[p*n+k]) {
				p = r
			}
		}
		if p != k {
			for c := k; c < n; c++ {
				a[p*n+c], a[k*n+c] = a[k*n+c], a[p*n+c]
			}
			b[p], b[k] = b[k], b[p]
		}
		for r := k + 1; r < n; r++ {
			x := a[r*n+k] / a[k*n+k]
			if x == 0 {
				continue
			}
			for c := k + 1; c < n; c++ {
				a[r*n+c] -= x * a[k*n+c]
			}
			b[r] -= x * b[k]
		}
	}
	for r := n - 1; r >= 0; r-- {
		for c := r + 1; c < n; c++ {
			b[r] -= a[r*n+c] * b[c]
		}
		b[r] /= a[r*n+r]
	}
}

func abs(x float64) float64 {
	if x < 0 {
		return -x
	}
	return x
}

// Three ways to solve the same equations agree.
func TestElimination(t *testing.T) {
	s, f := typical(36)
	if !s.lu.solve(s.a, f, s.dx) {
		t.Fatal("singular")
	}
	a, b := make([]float64, s.n*s.n), make([]float64, s.n)
	s.dense(a)
	var x mat.VecDense
	if err := x.SolveVec(mat.NewDense(s.n, s.n, append([]float64(nil), a...)), mat.NewVecDense(s.n, f[1:])); err != nil {
		t.Fatal(err)
	}
	copy(b, f[1:])
	byHand(a, b, s.n)
	for k := range b {
		closeTo(t, "by hand", -b[k], s.dx[k+1], 1e-10)
		closeTo(t, "gonum", -x.AtVec(k), s.dx[k+1], 1e-10)
	}
}

// BenchmarkElimination factors and solves the same matrix in three ways.
func BenchmarkElimination(b *testing.B) {
	for _, n := range []int{36, 115} {
		s, f := typical(n)
		a, x := make([]float64, s.n*s.n), make([]float64, s.n)
		size := map[int]string{36: "36", 115: "115"}[n]
		b.Run("sparse/"+size, func(b *testing.B) {
			for b.Loop() {
				s.lu.solve(s.a, f, s.dx)
			}
		})
		b.Run("by hand/"+size, func(b *testing.B) {
			for b.Loop() {
				s.dense(a)
				copy(x, f[1:])
				byHand(a, x, s.n)
			}
		})
		b.Run("gonum/"+size, func(b *testing.B) {
			var lu mat.LU
			var v mat.VecDense
			for b.Loop() {
				s.dense(a)
				lu.Factorize(mat.NewDense(s.n, s.n, a))
				_ = lu.SolveVecTo(&v, false, mat.NewVecDense(s.n, f[1:]))
			}
		})
	}
}
