package circuit

import "testing"

// Steps that go round are told from steps that shrink, that stay as they are on
// their way, and that nearly repeat.
func TestCircle(t *testing.T) {
	for _, c := range []struct {
		name  string
		steps []float64
		at    int // the step at which it is seen, from 0; -1 never
	}{
		{"two", []float64{9, 5, 3, 1.4, 3, 1.4, 3, 1.4, 3, 1.4, 3}, 9},
		{"four", []float64{0.7, 0.9, 13, 36, 0.7, 0.9, 13, 36, 0.7}, 7},
		{"shrinking", []float64{8, 4, 2, 1, 0.5, 0.25, 0.125, 0.06, 0.03, 0.015}, -1},
		{"nearly", []float64{4.59, 401.77, 4.58, 401.54, 4.59, 401.93, 4.58, 401.17, 4.60, 402.65}, -1},
		{"three", []float64{1, 2, 3, 1, 2, 3, 1, 2, 3, 1, 2, 3}, -1},
		{"at rest", []float64{1e-6, 1e-6, 1e-6, 1e-6, 1e-6, 1e-6, 1e-6, 1e-6, 1e-6}, -1},
	} {
		var steps lastSteps
		at := -1
		for k, far := range c.steps {
			if steps.circle(far) {
				at = k
				break
			}
		}
		if at != c.at {
			t.Errorf("%s: seen at %d, want %d", c.name, at, c.at)
		}
	}
}
