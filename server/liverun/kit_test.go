package liverun

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

func axis(pin int, q procedure.Quantity, log bool) procedure.Axis {
	return procedure.Axis{Pin: pin, Quantity: q, Log: log}
}

// shapes are all that a kind of measurement asks for, and a few more.
var shapes = map[string]procedure.Shape{
	"watch of a pin": {X: axis(0, procedure.QuantityTime, false), Y: axis(1, procedure.QuantityCurrent, false)},
	"watch":          {X: axis(0, procedure.QuantityTime, false), Y: axis(0, procedure.QuantityVoltage, false)},
	"by pin":         {X: axis(0, procedure.QuantityPin, false), Y: axis(0, procedure.QuantityCurrent, false)},
	"merged":         {X: axis(0, procedure.QuantityPin, false), Y: axis(0, procedure.QuantityCurrent, false), Merge: true},
	"curves":         {X: axis(0, procedure.QuantityVoltage, false), Y: axis(0, procedure.QuantityCurrent, false), Line: true},
	"log curves":     {X: axis(0, procedure.QuantityVoltage, false), Y: axis(0, procedure.QuantityCurrent, true), Line: true},
	"log both":       {X: axis(0, procedure.QuantityVoltage, true), Y: axis(0, procedure.QuantityCurrent, true), Line: true},
	"two pins":       {X: axis(1, procedure.QuantityVoltage, false), Y: axis(2, procedure.QuantityVoltage, false), Line: true},
	"other pin":      {X: axis(0, procedure.QuantitySet, false), Y: axis(2, procedure.QuantityVoltage, false), Line: true},
}

// drawReadings makes any readings: several pins and groups, repeats, and values
// that are hostile to a plot.
func drawReadings(t *rapid.T, most int) []bench.Reading {
	n := rapid.IntRange(0, most).Draw(t, "readings")
	pins := rapid.IntRange(1, 3).Draw(t, "pins")
	groups := rapid.SampledFrom([]int{1, 1, 2, 70}).Draw(t, "groups")
	scatter := rapid.SampledFrom([]float64{0, 1e-4, 0.3}).Draw(t, "scatter")
	odd := rapid.SampledFrom([]int{0, 0, 7, 1000}).Draw(t, "every how many is odd")
	seed := rapid.Uint64().Draw(t, "seed")
	rs := make([]bench.Reading, n)
	for i := range rs {
		x := float64(i) / float64(max(n, 1))
		seed = seed*6364136223846793005 + 1442695040888963407
		noise := scatter * (float64(seed>>40)/(1<<24) - 0.5)
		rs[i] = bench.Reading{T: int64(i) * 1000, Point: uint32(i / (2 * pins)), Group: uint16(i * groups / max(n, 1)), Pin: uint8(1 + i%pins),
			Set: x, V: x + noise, I: math.Sin(9*x) + noise}
		if odd > 0 && i%odd == odd-1 {
			rs[i].V, rs[i].I = hostile[seed>>40%uint64(len(hostile))], hostile[seed>>50%uint64(len(hostile))]
			rs[i].Flags = bench.Flags(seed>>45) & bench.InCompliance
		}
	}
	return rs
}

var hostile = []float64{math.NaN(), math.Inf(1), math.Inf(-1), 0, -1, 1e300, -1e300, 5, 1e-300, 1}

func pictureOf(s procedure.Shape, rs []bench.Reading) *Picture {
	p := NewPicture(s)
	p.Add(rs)
	return p
}

func anyShape(t *rapid.T) procedure.Shape {
	names := []string{}
	for name := range shapes {
		names = append(names, name)
	}
	return shapes[rapid.SampledFrom(sortedNames(names)).Draw(t, "shape")]
}

func only(t testing.TB, p *Picture) Series {
	t.Helper()
	s := p.Series(&dut.Device{})
	if len(s) != 1 {
		t.Fatalf("%d curves", len(s))
	}
	return s[0]
}
