package rehearsal

import (
	"math"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/rehearsal/model"

	"pgregory.net/rapid"
)

// drawSeat draws a unit of any model, with up to two faults.
func drawSeat(t *rapid.T) Seat {
	m := rapid.SampledFrom(model.All()).Draw(t, "model")
	s := Seat{Model: m.Key, Seed: rapid.Uint64().Draw(t, "unit"), PinMap: straight(m.Pins)}
	pin := rapid.IntRange(1, m.Pins)
	for range rapid.IntRange(0, 2).Draw(t, "unit faults") {
		k := rapid.SampledFrom(model.FaultKinds()).Draw(t, "kind")
		f := bench.UnitFault{Kind: k.Kind, Pin: pin.Draw(t, "pin"), Pin2: pin.Draw(t, "pin2"), Value: math.Pow(10, rapid.Float64Range(-2, 9).Draw(t, "decade"))}
		if model.CheckFault(f, m.Pins) == nil {
			s.Faults = append(s.Faults, f)
		}
	}
	return s
}

func drawBenchFaults(t *rapid.T, d *bench.Definition) (out []bench.BenchFault) {
	for range rapid.IntRange(0, 2).Draw(t, "bench faults") {
		f := bench.BenchFault{
			Kind: rapid.SampledFrom(FaultKinds()).Draw(t, "kind").Kind,
			Mux:  rapid.SampledFrom(d.Paths).Draw(t, "mux").Mux, Path: rapid.SampledFrom(d.Paths).Draw(t, "path").ID,
			Channel: bench.ChannelID(rapid.IntRange(1, 4).Draw(t, "channel")),
			Contact: rapid.IntRange(1, 48).Draw(t, "contact"), Contact2: rapid.IntRange(1, 48).Draw(t, "contact2"),
			Value: rapid.Float64Range(0.01, 0.3).Draw(t, "value"),
		}
		if checkFault(f, d) == nil {
			out = append(out, f)
		}
	}
	return out
}

func drawSetup(t *rapid.T) bench.Setup {
	s := bench.Setup{
		Mode:       rapid.SampledFrom([]bench.Mode{bench.ForceVoltage, bench.ForceCurrent, "heat"}).Draw(t, "mode"),
		Level:      rapid.Float64Range(-11, 11).Draw(t, "level"),
		Compliance: math.Pow(10, rapid.Float64Range(-9, 1).Draw(t, "compliance")),
		Remote:     rapid.Bool().Draw(t, "remote"),
	}
	if s.Mode == bench.ForceCurrent {
		s.Level = math.Copysign(math.Pow(10, -math.Abs(s.Level)), s.Level)
	}
	if rapid.IntRange(0, 9).Draw(t, "odd") == 0 {
		s.Level = rapid.SampledFrom([]float64{math.NaN(), math.Inf(1), 1e300, 0, math.Copysign(0, -1)}).Draw(t, "odd level")
	}
	return s
}

func checkSamples(t *rapid.T, d *bench.Definition, got []bench.Sample) {
	for _, s := range got {
		ch := d.Channels[s.Channel-1]
		maxV, maxI := ch.SenseV[len(ch.SenseV)-1].FullScale, ch.SenseI[len(ch.SenseI)-1].FullScale
		if !(math.Abs(s.V) <= 1.06*maxV) || !(math.Abs(s.I) <= 1.06*maxI) {
			t.Fatalf("reading %+v", s)
		}
	}
}

// step makes one random call.
func step(t *rapid.T, r *rig) {
	ctx := r.t.Context()
	ch := bench.ChannelID(rapid.IntRange(0, 5).Draw(t, "ch"))
	switch rapid.IntRange(0, 8).Draw(t, "call") {
	case 0, 1:
		_ = r.Set(ctx, ch, drawSetup(t))
	case 2, 3:
		_ = r.Output(ctx, ch, rapid.Bool().Draw(t, "on"))
	case 4:
		var paths []bench.PathID
		for range rapid.IntRange(0, 6).Draw(t, "paths") {
			paths = append(paths, bench.PathID(rapid.IntRange(0, 241).Draw(t, "path")))
		}
		_ = r.Close(ctx, paths)
	case 5, 6:
		d := time.Duration(rapid.Int64Range(-1, int64(time.Second)).Draw(t, "aperture"))
		got, err := r.Read(ctx, []bench.ChannelID{ch, 1, 4}, d, nil)
		if err == nil && len(got) != 3 || err != nil && len(got) != 0 {
			t.Fatalf("%d samples, error %v", len(got), err)
		}
		checkSamples(t, &r.def, got)
	case 7:
		_ = r.SetFaults(drawBenchFaults(t, &r.def))
	case 8:
		if rapid.Bool().Draw(t, "make safe") {
			r.must(r.MakeSafe(ctx))
			r.isSafe()
		} else if err := r.Seat(drawSeat(t)); err != nil && !r.energised() {
			t.Fatalf("a part is refused: %v", err)
		}
	}
}

// TestAnyCallsInAnyOrder: in every world no panic, no reading that is not a number, Kirchhoff
// as the watcher sees him, and safe after MakeSafe.
func TestAnyCallsInAnyOrder(t *testing.T) {
	solves := 0
	rapid.Check(t, func(rt *rapid.T) {
		world := rapid.SampledFrom(Worlds()).Draw(rt, "world").World
		r := newRig(t, Config{
			Seed: rapid.Uint64().Draw(rt, "seed"), Seat: drawSeat(rt), World: &world,
			OnSolve: func(s Solved) {
				solves++
				for n, v := range s.Nodes {
					if !finite(v) {
						rt.Fatalf("node %d at %g V", n, v)
					}
				}
				for pin, p := range s.Pins {
					if !finite(p.V) || !finite(p.I) {
						rt.Fatalf("pin %d at %+v", pin, p)
					}
				}
			},
		})
		for range rapid.IntRange(5, 40).Draw(rt, "calls") {
			step(rt, r)
		}
		r.must(r.MakeSafe(t.Context()))
		r.isSafe()
		got, err := r.Read(t.Context(), []bench.ChannelID{1, 2, 3, 4}, cycle, nil)
		if err != nil {
			rt.Fatalf("%v: %v", err, r.reports)
		}
		checkSamples(rt, &r.def, got)
		for _, f := range r.reports {
			if f.Code == CodeNoSolution {
				rt.Fatalf("%s", f.Message)
			}
		}
	})
	if solves == 0 {
		t.Error("nothing was solved")
	}
}

// TestEveryModelIsSeated powers every model through the link and reads it.
func TestEveryModelIsSeated(t *testing.T) {
	for _, m := range model.All() {
		r := newRig(t, Config{Seat: Seat{Model: m.Key, Seed: 1, PinMap: straight(m.Pins)}})
		r.wire(path(1, 1), path(0, m.Pins))
		r.on(1, remote(forceV(1, 1e-3)))
		r.wait(cycle)
		if s := r.read(1, cycle); !finite(s.V) || !finite(s.I) {
			t.Errorf("%s: %+v", m.Key, s)
		}
		if len(r.Truth().Unit) == 0 && m.Key != "empty" {
			t.Errorf("%s has no truth", m.Key)
		}
	}
}
