package procedure

import "testing"

// Working out a long sweep allocates for its holds, thousands at a time, and
// nothing for each point.
func TestPlanDoesNotAllocateItsPoints(t *testing.T) {
	const points = 50_000
	d := networkDevice()
	m := base("sweep")
	m.Pins, m.Against, m.Use, m.Compliance = []int{1}, 2, UseVoltage, 1e-3
	m.Sweep = &Sweep{Spacing: Linear, From: -0.1, To: 0.1, Points: points}
	kind := mustKind(t, m.Kind)
	if ps := kind.Validate(&m, d); len(ps) > 0 {
		t.Fatal(ps)
	}
	allocs := testing.AllocsPerRun(1, func() {
		s, err := NewPlanner(d, straight(d), checkBench()).Step(0, &m, kind, nil)
		if err != nil || s.Points != points {
			t.Fatal(s, err)
		}
	})
	if allocs > points/50 {
		t.Errorf("%g allocations for %d points", allocs, points)
	}
}
