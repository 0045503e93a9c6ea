package liverun

import (
	"slices"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
)

// plainValue is one quantity of a reading, by name.
func plainValue(r bench.Reading, q procedure.Quantity) float64 {
	return map[procedure.Quantity]float64{
		procedure.QuantityTime: float64(r.T) / 1e9, procedure.QuantitySet: r.Set, procedure.QuantityVoltage: r.V,
		procedure.QuantityCurrent: r.I, procedure.QuantityPin: float64(r.Pin),
	}[q]
}

// waiting are the halves of one point of the measurement that have no other half.
type waiting struct {
	at     uint32
	xs, ys []half
}

func (w *waiting) begin(at uint32) {
	if w.at != at {
		*w = waiting{at: at}
	}
}

// plainCurves are the curves of a picture as they are described, from the axes
// and each reading alone: what gathering must give before anything is thinned.
func plainCurves(s procedure.Shape, rs []bench.Reading) (order []curveKey, curves map[curveKey][]point) {
	curves, waits := map[curveKey][]point{}, map[curveKey]*waiting{}
	single := s.X.Pin == s.Y.Pin || s.X.Quantity == procedure.QuantityTime || s.X.Quantity == procedure.QuantityPin && s.X.Pin == 0
	for _, r := range rs {
		key := curveKey{r.Group, r.Pin}
		if s.X.Pin != 0 || s.Y.Pin != 0 || s.X.Quantity == procedure.QuantityPin {
			key.pin = 0
		}
		if s.Merge {
			key.group = 0
		}
		if waits[key] == nil {
			if len(order) == maxCurves {
				continue
			}
			order, waits[key] = append(order, key), &waiting{}
		}
		hollow := r.Flags.Has(bench.InCompliance)
		pin := int(r.Pin)
		if single {
			if s.Y.Pin == 0 || s.Y.Pin == pin {
				curves[key] = append(curves[key], point{plainValue(r, s.X.Quantity), plainValue(r, s.Y.Quantity), hollow})
			}
			continue
		}
		w := waits[key]
		if isX, isY := pin == s.X.Pin || s.X.Pin == 0, pin == s.Y.Pin || s.Y.Pin == 0; isY && (pin == s.Y.Pin || pin != s.X.Pin) {
			w.begin(r.Point)
			w.ys = append(w.ys, half{plainValue(r, s.Y.Quantity), hollow})
		} else if isX {
			w.begin(r.Point)
			w.xs = append(w.xs, half{plainValue(r, s.X.Quantity), hollow})
		}
		if len(w.xs) > 0 && len(w.ys) > 0 {
			x, y := w.xs[0], w.ys[0]
			w.xs, w.ys = w.xs[1:], w.ys[1:]
			curves[key] = append(curves[key], point{x.value, y.value, x.hollow || y.hollow})
		}
	}
	return order, curves
}

// A reading is taken as its picture's axes say: on the curve of its group and
// pin, as a point or as half of one, in its quantities, or not at all.
func TestReadingsAreTakenAsTheAxesSay(t *testing.T) {
	quantities := []procedure.Quantity{procedure.QuantityTime, procedure.QuantitySet, procedure.QuantityVoltage, procedure.QuantityCurrent, procedure.QuantityPin}
	rapid.Check(t, func(t *rapid.T) {
		var s procedure.Shape
		for _, a := range []*procedure.Axis{&s.X, &s.Y} {
			a.Pin, a.Quantity = rapid.IntRange(0, 3).Draw(t, "pin"), rapid.SampledFrom(quantities).Draw(t, "quantity")
		}
		s.Merge = rapid.Bool().Draw(t, "merged")
		rs := drawReadings(t, 3000)
		order, curves := plainCurves(s, rs)
		p := pictureOf(s, rs)
		if len(p.curves) != len(order) {
			t.Fatalf("%d curves, not %d", len(p.curves), len(order))
		}
		for i, key := range order {
			if k := p.curves[i]; k.key != key || !slices.EqualFunc(k.points, curves[key], samePoint) {
				t.Fatalf("curve %d is %+v with %d points, not %+v with %d", i, k.key, len(k.points), key, len(curves[key]))
			}
		}
	})
}
