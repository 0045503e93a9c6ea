package store_test

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
	"ohmkeep/store/storetest"
)

type curveKey struct {
	pin   uint8
	group uint16
}

func valueOf(r bench.Reading, q procedure.Quantity) float64 {
	switch q {
	case procedure.QuantitySet:
		return r.Set
	case procedure.QuantityVoltage:
		return r.V
	}
	return r.I
}

// checkPlot holds a plot against the readings themselves: every point is a
// reading, in order, and each column shows the extremes of its readings and
// of its neighbours' at most.
func checkPlot(t *rapid.T, series []store.PlotSeries, rs []bench.Reading, q store.TimePlot) {
	byCurve := map[curveKey][]bench.Reading{}
	for _, r := range rs {
		if (q.Pin == 0 || int(r.Pin) == q.Pin) && r.T >= q.From && (q.To == 0 || r.T <= q.To) {
			k := curveKey{r.Pin, r.Group}
			byCurve[k] = append(byCurve[k], r)
		}
	}
	if len(series) != len(byCurve) {
		t.Fatalf("%d curves, want %d", len(series), len(byCurve))
	}
	for _, s := range series {
		all := byCurve[curveKey{s.Pin, s.Group}]
		drawn := map[int64]float64{}
		next := 0
		for i := range s.X {
			for next < len(all) && float64(all[next].T)/1e9 != s.X[i] {
				next++
			}
			if next == len(all) || valueOf(all[next], q.Quantity) != s.Y[i] || all[next].Flags.Has(bench.InCompliance) != s.Hollow[i] {
				t.Fatalf("point %d (%v, %v) is no reading, or out of order", i, s.X[i], s.Y[i])
			}
			drawn[all[next].T] = s.Y[i]
		}
		checkEnvelope(t, all, drawn, q)
	}
}

// checkEnvelope: no reading lies further out than what is drawn within one
// column to either side of it.
func checkEnvelope(t *rapid.T, all []bench.Reading, drawn map[int64]float64, q store.TimePlot) {
	width := (all[len(all)-1].T-all[0].T)/int64(q.Columns) + 1
	// A curve may span less than the plot, whose columns are then wider.
	width *= 3
	for i, r := range all {
		low, high, limited := math.Inf(1), math.Inf(-1), false
		for j := i; j >= 0 && r.T-all[j].T <= width; j-- {
			if y, ok := drawn[all[j].T]; ok {
				low, high, limited = min(low, y), max(high, y), limited || all[j].Flags.Has(bench.InCompliance)
			}
		}
		for j := i; j < len(all) && all[j].T-r.T <= width; j++ {
			if y, ok := drawn[all[j].T]; ok {
				low, high, limited = min(low, y), max(high, y), limited || all[j].Flags.Has(bench.InCompliance)
			}
		}
		y := valueOf(r, q.Quantity)
		if y < low || y > high {
			t.Fatalf("reading %d of %d: %v lies outside %v to %v", i, len(all), y, low, high)
		}
		if r.Flags.Has(bench.InCompliance) && !limited {
			t.Fatalf("reading %d of %d: its compliance is not drawn", i, len(all))
		}
	}
}

func TestPlotTimeShowsEveryExtreme(t *testing.T) {
	s := storetest.New(t)
	n := 0
	rapid.Check(t, func(rt *rapid.T) {
		n++
		id := fmt.Sprint(n)
		begin(t, s, record(id, ""))
		pins := rapid.SampledFrom([]int{1, 1, 2, 3, 12}).Draw(rt, "pins")
		count := rapid.IntRange(1, 6000).Draw(rt, "count")
		rs := readings(0, count, pins)
		spikes := rapid.SliceOfN(rapid.IntRange(0, count-1), 0, 5).Draw(rt, "spikes")
		for _, k := range spikes {
			rs[k].V, rs[k].I, rs[k].Set = 50, -50, 50
		}
		for at := 0; at < count; at += 700 {
			appendAll(t, s, id, batch(0, rs[at:min(at+700, count)]))
		}
		q := store.TimePlot{Run: id, Columns: rapid.SampledFrom([]int{10, 40, 100, 800}).Draw(rt, "columns"),
			Pin:      rapid.IntRange(0, 1).Draw(rt, "pin"),
			Quantity: rapid.SampledFrom([]procedure.Quantity{"set", "voltage", "current"}).Draw(rt, "quantity")}
		if rapid.Bool().Draw(rt, "zoom") {
			q.From = rs[count/3].T
			q.To = rs[count-1-count/4].T + 1
		}
		series, err := s.PlotTime(t.Context(), q)
		if err != nil {
			rt.Fatal(err)
		}
		checkPlot(rt, series, rs, q)
		for _, c := range series {
			if len(c.X) > 5*(q.Columns+2) {
				rt.Fatalf("%d points for %d columns", len(c.X), q.Columns)
			}
		}
	})
}

func TestPlotTimeOfAMillionIsSmall(t *testing.T) {
	s := filled(t, 200_000)
	p, err := s.PlotTime(t.Context(), store.TimePlot{Run: "run", Quantity: procedure.QuantityVoltage, Columns: 800})
	if err != nil || len(p) != 1 {
		t.Fatal(len(p), err)
	}
	if n := len(p[0].X); n < 800 || n > 4100 {
		t.Errorf("%d points", n)
	}
	if p[0].X[0] != 0 || p[0].X[len(p[0].X)-1] != 199.999 {
		t.Errorf("from %v to %v s", p[0].X[0], p[0].X[len(p[0].X)-1])
	}
}

func TestPlotErrors(t *testing.T) {
	s := storetest.New(t)
	begin(t, s, record("run", ""))
	_, err := s.PlotTime(t.Context(), store.TimePlot{Run: "run", Quantity: "colour", Columns: 10})
	wantCode(t, err, store.Invalid)
	_, err = s.PlotTime(t.Context(), store.TimePlot{Run: "nobody", Quantity: "set", Columns: 10})
	wantCode(t, err, store.NotFound)
	if p, err := s.PlotTime(t.Context(), store.TimePlot{Run: "run", Quantity: "set", Columns: 10}); err != nil || len(p) != 0 {
		t.Errorf("no readings: %v %v", p, err)
	}
	_, _, err = s.PlotXY(t.Context(), store.XYPlot{Run: "run", X: procedure.Axis{Quantity: "colour"}, Y: procedure.Axis{Quantity: "set"}})
	wantCode(t, err, store.Invalid)
}

func TestPlotXY(t *testing.T) {
	s := storetest.New(t)
	begin(t, s, record("run", ""))
	var rs []bench.Reading
	for i := range 2000 { // pin 1 is swept, pin 2 answers; two curves
		g, p := uint16(i/1000), uint32(i)
		x := bench.Reading{T: int64(2 * i), Point: p, Group: g, Pin: 1, Set: float64(i), V: float64(i % 1000), I: 1}
		y := bench.Reading{T: int64(2*i + 1), Point: p, Group: g, Pin: 2, V: -float64(i)}
		if i == 1500 {
			y.Flags = bench.InCompliance
		}
		rs = append(rs, x, y)
	}
	appendAll(t, s, "run", batch(0, rs))
	volt := func(pin int) procedure.Axis { return procedure.Axis{Pin: pin, Quantity: procedure.QuantityVoltage} }
	p, more, err := s.PlotXY(t.Context(), store.XYPlot{Run: "run", X: volt(1), Y: volt(2)})
	if err != nil || more || len(p) != 2 {
		t.Fatalf("%d curves, more %v, %v", len(p), more, err)
	}
	for g, c := range p {
		if len(c.X) != 1000 || c.X[7] != 7 || c.Y[7] != -float64(7+1000*g) || int(c.Group) != g || c.Pin != 2 {
			t.Errorf("curve %d: %d points, (%v, %v)", g, len(c.X), c.X[7], c.Y[7])
		}
	}
	if !p[1].Hollow[500] || slices.Contains(p[0].Hollow, true) {
		t.Error("compliance is not where it was")
	}
	p, more, err = s.PlotXY(t.Context(), store.XYPlot{Run: "run", X: volt(1), Y: volt(2), Columns: 20, Limit: 3000})
	if err != nil || !more || len(p) != 2 || len(p[0].X) > 100 || len(p[0].X) < 20 {
		t.Errorf("thinned: %d curves, more %v, %v", len(p), more, err)
	}
	p, _, err = s.PlotXY(t.Context(), store.XYPlot{Run: "run", X: procedure.Axis{Pin: 1, Quantity: procedure.QuantityTime},
		Y: procedure.Axis{Quantity: procedure.QuantitySet}})
	if err != nil || len(p) != 2 || p[0].Pin != 1 || len(p[0].X) != 1000 || p[0].X[3] != 6e-9 || p[0].Y[3] != 3 {
		t.Errorf("against time: %+v %v", p, err)
	}
}
