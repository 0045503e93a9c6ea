package derive

import (
	"errors"
	"math"
	"testing"
)

func TestFirstCrossing(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		name         string
		x, y         []float64
		want         float64
		index, count int
		rising       bool
	}{
		{"rising", []float64{0, 1, 2}, []float64{0, 1, 3}, 1.5, 1, 1, true},
		{"falling", []float64{0, 1, 2}, []float64{5, 4, 0}, 1.5, 1, 1, false},
		{"x downwards", []float64{2, 1, 0}, []float64{5, 3, 1}, 0.5, 1, 1, false},
		{"chatter", []float64{0, 1, 2, 3}, []float64{0, 4, 0, 4}, 0.5, 0, 3, true},
		{"on the level", []float64{0, 1, 2}, []float64{1, 2, 3}, 1, 0, 1, true},
		{"along the level", []float64{0, 1, 2, 3}, []float64{1, 2, 2, 3}, 1.5, 0, 1, true},
		{"starts on the level", []float64{0, 1, 2}, []float64{2, 1, 3}, 1.5, 1, 1, true},
		{"after a gap", []float64{0, 1, 2, 3, 4}, []float64{1, nan, 3, 1, 1}, 2.5, 2, 1, false},
	} {
		got, err := FirstCrossing(c.x, c.y, 2)
		if err != nil || math.Abs(got.X-c.want) > 1e-12 || got.Index != c.index || got.Count != c.count || got.Rising != c.rising {
			t.Errorf("%s: %+v, %v, want %g at %d, %d", c.name, got, err, c.want, c.index, c.count)
		}
	}
	for name, y := range map[string][]float64{
		"never": {0, 1, 0}, "only touches": {1, 2, 1}, "flat on it": {2, 2, 2}, "over a gap": {1, nan, 3}, "over infinity": {1, math.Inf(1), 3},
	} {
		if got, err := FirstCrossing([]float64{0, 1, 2}, y, 2); !errors.Is(err, ErrNoCrossing) {
			t.Errorf("%s: %+v, %v", name, got, err)
		}
	}
	if _, err := FirstCrossing([]float64{1}, nil, 0); !errors.Is(err, ErrLength) {
		t.Error("unequal lengths")
	}
	if _, err := FirstCrossing(nil, nil, 0); !errors.Is(err, ErrNoCrossing) {
		t.Error("an empty curve")
	}
}

// An inverting Schmitt input with thresholds 1.9 V and 1.4 V, closed form.
func TestFindThresholds(t *testing.T) {
	var xu, yu, xd, yd []float64
	out := func(x, threshold float64) float64 { return 3.3 / (1 + math.Exp((x-threshold)/0.002)) }
	for k := range 331 {
		x := float64(k) / 100
		xu, yu = append(xu, x), append(yu, out(x, 1.9))
		xd, yd = append(xd, 3.3-x), append(yd, out(3.3-x, 1.4))
	}
	th, err := FindThresholds(xu, yu, xd, yd, 1.65)
	if err != nil || th.Up.Rising || !th.Down.Rising {
		t.Fatalf("%+v, %v", th, err)
	}
	near(t, "up", th.Up.X, 1.9, 1e-9)
	near(t, "down", th.Down.X, 1.4, 1e-9)
	near(t, "hysteresis", th.Hysteresis, 0.5, 1e-9)
	near(t, "middle", th.Middle, 1.65, 1e-9)
	if _, err := FindThresholds(xu, yu, xd, xd[:1], 1.65); err == nil {
		t.Error("a broken down sweep is accepted")
	}
}

func TestFindExtremes(t *testing.T) {
	e := FindExtremes([]float64{0, 1, 1, 2, 3}, []float64{1, 2, 2.5, -4, -3})
	if e.N != 5 || e.XMin != 0 || e.XMax != 3 || e.YMin != -4 || e.XAtYMin != 2 || e.YMax != 2.5 || e.XAtYMax != 1 ||
		e.SteepestSlope != -6.5 || e.XAtSteepest != 1.5 || e.SlopeStart != 1 || e.SlopeEnd != 1 {
		t.Errorf("%+v", e)
	}
	l, err := FitLine([]float64{0, 1, 1, 2, 3}, []float64{1, 2, 2.5, -4, -3})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mean slope", e.MeanSlope, l.Slope, 1e-12)
	near(t, "its SD", e.MeanSlopeSD, l.SlopeSD, 1e-12)
	e = FindExtremes([]float64{0, 1, 2}, []float64{1, math.NaN(), 9})
	if e.N != 2 || !math.IsNaN(e.SteepestSlope) || e.YMax != 9 {
		t.Errorf("a slope over a gap: %+v", e)
	}
	if e = FindExtremes(nil, nil); e.N != 0 || !math.IsNaN(e.YMin) || !math.IsNaN(e.MeanSlope) {
		t.Errorf("nothing: %+v", e)
	}
}
