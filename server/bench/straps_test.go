package bench

import (
	"math"
	"testing"
)

// Each strap is a piece of wire of its own: what one may be off by does not fall out of
// the difference of two, and does of one met twice. A path is the same from wherever it
// is looked at.
func TestEachStrapErrsAlone(t *testing.T) {
	e := NewErrors(&Definition{Paths: []Path{{ID: 7, Contact: 3, Resistance: 4, ResistanceTolerance: 0.1, Address: "1A:3"}}})
	one := AssumedStrap * AssumedStrapTolerance / math.Sqrt(3)
	for _, c := range []struct {
		name       string
		a, b       int
		path       PathID
		difference float64
	}{
		{"two straps", 1, 2, 0, math.Sqrt2 * one}, {"one strap twice", 2, 2, 0, 0}, {"one path", 3, 3, 7, 0},
	} {
		v := e.PathR(c.path, c.a).Sub(e.PathR(c.path, c.b))
		if got := v.Uc(); math.Abs(got-c.difference) > 1e-12 || v.X != 0 {
			t.Errorf("%s: the difference is %g ± %g, want 0 ± %g", c.name, v.X, got, c.difference)
		}
	}
}
