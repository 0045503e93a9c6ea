package procedure

import (
	"math"
	"testing"
	"time"
)

// The nominal time of a plan in a closed form: for each pin, two points of settle
// and aperture each; two switch times wherever paths move; and the ramps and
// delays of supplies only when they come up.
func TestNominalTime(t *testing.T) {
	const lineHz = 50
	for _, c := range []struct {
		name          string
		settle        float64
		cycles        float64
		repeats       int
		rest          Use
		pins          []int
		switches, ups int // segments before which paths move, and supplies come up
	}{
		{"one pin", 1e-3, 1, 1, UseOpen, []int{1}, 1, 1},
		{"two pins, the supplies stay up", 30e-3, 1, 1, UseOpen, []int{1, 5}, 2, 1},
		{"ten readings of ten cycles", 1e-3, 10, 10, UseOpen, []int{1}, 1, 1},
		{"the inputs at the return take the supplies down", 1e-3, 1, 1, UseReturn, []int{1, 5}, 2, 2},
	} {
		d, b := twoSupplies(), checkBench()
		m := leaking(c.pins...)
		m.Settle.Time, m.Aperture.Cycles, m.Repeats, m.Rest = c.settle, c.cycles, c.repeats, c.rest
		points := 2 * float64(len(c.pins))
		want := points*(c.settle+float64(c.repeats)*c.cycles/lineHz) +
			float64(c.switches)*2*b.SwitchTime + float64(c.ups)*(10e-3+5e-3+20e-3+7e-3)
		p := planOf(t, d, b, m)
		if got := p.Nominal.Seconds(); math.Abs(got-want) > 1e-8 {
			t.Errorf("%s: %.9f s, in a closed form %.9f s", c.name, got, want)
		}
		// The same once more costs no switching and no ramp where the last
		// segment is as the first.
		twice := planOf(t, d, b, m, m)
		if len(c.pins) == 1 {
			again := points * (c.settle + float64(c.repeats)*c.cycles/lineHz)
			if got := (twice.Nominal - p.Nominal).Seconds(); math.Abs(got-again) > 1e-8 {
				t.Errorf("%s: once more takes %.9f s, want %.9f s", c.name, got, again)
			}
		}
	}
}

// The nominal time of a point is its settle, then a reading an aperture or an
// interval, whichever is longer.
func TestNominalOfPoint(t *testing.T) {
	for _, c := range []struct {
		p    Point
		want time.Duration
	}{
		{Point{Settle: Settle{Time: 0.5}, Aperture: Aperture{Cycles: 2}, Count: 3}, 500*time.Millisecond + 3*40*time.Millisecond},
		{Point{Aperture: Aperture{Seconds: 1e-3}, Count: 5, Interval: 0.25}, 1250 * time.Millisecond},
		{Point{Aperture: Aperture{Seconds: 2}, Count: 2, Interval: 0.25}, 4 * time.Second},
		{Point{Aperture: Aperture{Cycles: 1}}, 20 * time.Millisecond}, // no count: one reading
	} {
		if got := c.p.Nominal(50); got != c.want {
			t.Errorf("%+v: %v, want %v", c.p, got, c.want)
		}
	}
}
