package demo

import (
	"testing"
	"time"

	"ohmkeep/server/procedure"
	"ohmkeep/server/rehearsal"
)

// mostBeside is how much longer a plan of the demonstration may be for the points
// beside those that are measured: those with a level moved, which tell what follows
// it. Those that a procedure asks for by itself, the slope of a leakage, are its own.
const mostBeside = 0.1

// TestPlansAreLittleLonger holds each plan against itself without the points beside
// those that are measured. With -v it lists the plans' times.
func TestPlansAreLittleLonger(t *testing.T) {
	def := rehearsal.DefaultBench()
	s := Scenario()
	for _, p := range s.Procedures {
		d, pm := s.device(t, p.Device), s.pinMap(t, p.Device)
		var beside time.Duration
		points := 0
		planner := procedure.NewPlanner(d, pm, &def)
		var whole time.Duration
		for i := range p.Measurements {
			m := &p.Measurements[i]
			kind, _ := procedure.KindByKey(m.Kind)
			step, err := planner.Step(i, m, kind, func(_ *procedure.Segment, pt *procedure.Point) {
				if pt.Auxiliary && m.Own["slope"] == nil {
					beside += pt.Nominal(def.LineHz)
					points++
				}
			})
			if err != nil {
				t.Fatalf("%s, %s: %v", p.Key, m.ID, err)
			}
			whole += step.Nominal
		}
		part := float64(beside) / float64(whole-beside)
		t.Logf("%-28s %8v, %3d points beside, %4.1f %%", p.Key, whole.Round(time.Millisecond), points, 100*part)
		if part > mostBeside {
			t.Errorf("%s: points with a level moved make the plan %.1f %% longer, want at most %g %%", p.Key, 100*part, 100*mostBeside)
		}
	}
}
