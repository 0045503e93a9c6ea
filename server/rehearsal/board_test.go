package rehearsal

import (
	"errors"
	"math"
	"sync"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/rehearsal/circuit"
	"ohmkeep/server/rehearsal/model"
)

// TestWatcherSeesPins: the true voltages and currents at the part, whose sum
// is zero for a part that touches nothing else.
func TestWatcherSeesPins(t *testing.T) {
	var last Solved
	r := newRig(t, Config{
		World: asStated(), Seat: Seat{PinMap: straight(2), place: resistor(1000)},
		OnSolve: func(s Solved) { last = s },
	})
	r.wire(path(1, 1), path(0, 2))
	r.on(1, remote(forceV(2, 10e-3)))
	// The tie between force and sense line takes 42 ppm of 8 mV off.
	near(t, "V at the pin", last.Pins[1].V, 2, 1e-6)
	near(t, "pin and return", last.Pins[1].V-last.Pins[2].V, 1000*last.Pins[1].I, 1e-9)
	near(t, "sum", last.Pins[1].I+last.Pins[2].I, 0, 5e-15) // 1 fS a node
	if !last.Channels[0].On || last.Channels[1].On || last.Channels[0].InCompliance {
		t.Errorf("%+v", last.Channels)
	}
	near(t, "I of the channel", last.Channels[0].I, last.Pins[1].I, 1e-9)
}

// TestNoRatingIsExceeded watches every operating point of a careful power-up
// and a careless one: the hook tells them apart.
func TestNoRatingIsExceeded(t *testing.T) {
	const maxV, maxI = 6.0, 20e-3
	worst := func(level, compliance float64) (v, i float64) {
		r := newRig(t, Config{
			Seat: Seat{Model: "check-load", Options: map[string]float64{"ohms": 100}, PinMap: straight(4)},
			OnSolve: func(s Solved) {
				for _, p := range s.Pins {
					v, i = math.Max(v, math.Abs(p.V)), math.Max(i, math.Abs(p.I))
				}
			},
		})
		r.wire(path(2, 1), path(0, 2))
		r.on(2, forceV(0, compliance))
		for k := 1; k <= 10; k++ {
			r.must(r.Set(t.Context(), 2, forceV(level*float64(k)/10, compliance)))
		}
		r.must(r.MakeSafe(t.Context()))
		return v, i
	}
	if v, i := worst(5, 15e-3); v > maxV || i > maxI || i < 14e-3 {
		t.Errorf("careful: %g V, %g A", v, i)
	}
	if _, i := worst(5, 100e-3); i < maxI {
		t.Errorf("careless: only %g A seen", i)
	}
}

func TestStraps(t *testing.T) {
	load := func(straps ...bench.Strap) *rig {
		m := straight(2)
		m.Straps = straps
		return newRig(t, Config{World: asStated(), Seat: Seat{PinMap: m, place: resistor(1000)}})
	}
	ohms := func(r *rig, paths ...bench.PathID) float64 {
		t.Helper()
		r.wire(paths...)
		r.on(2, forceI(1e-3, 5))
		r.wait(cycle)
		s := r.read(2, cycle)
		if s.Flags != 0 {
			return math.Inf(1)
		}
		return s.V / s.I
	}
	near(t, "to the return", ohms(load(bench.Strap{Contact: 2, Kind: bench.StrapReturn}), path(2, 1)), 1004.5, 0.3)
	near(t, "to a channel", ohms(load(bench.Strap{Contact: 1, Kind: bench.StrapChannel, Channel: 2}), path(0, 2)), 1004.5, 0.3)
	// One to a channel with remote sense takes the sense wire along: the path to the
	// other end is all that is left.
	sensed := load(bench.Strap{Contact: 1, Kind: bench.StrapChannel, Channel: 1})
	sensed.wire(path(0, 2))
	sensed.on(1, remote(forceI(1e-3, 5)))
	sensed.wait(cycle)
	s := sensed.read(1, cycle)
	near(t, "to a channel with remote sense", s.V/s.I, 1004, 1e-3)
	near(t, "by a resistor to the return",
		ohms(load(bench.Strap{Contact: 2, Kind: bench.StrapResistor, Resistance: 500}), path(2, 1)), 1504.5, 0.3)
	near(t, "by a resistor to a contact",
		ohms(load(bench.Strap{Contact: 2, Kind: bench.StrapResistor, To: 9, Resistance: 500}), path(2, 1), path(0, 9)), 1508.5, 0.5)
	if r := ohms(load(), path(2, 1)); !math.IsInf(r, 1) {
		t.Errorf("without a strap: %g Ω", r)
	}
	for _, s := range []bench.Strap{
		{Contact: 0, Kind: bench.StrapReturn}, {Contact: 1, Kind: "glue"}, {Contact: 1, Kind: bench.StrapChannel},
		{Contact: 1, Kind: bench.StrapResistor, To: 1, Resistance: 5}, {Contact: 1, Kind: bench.StrapResistor, Resistance: math.NaN()},
	} {
		if _, err := New(Config{Definition: DefaultBench(), Straps: []bench.Strap{s}}); err == nil {
			t.Errorf("%+v is accepted", s)
		}
	}
}

// TestUnitFaultsShow: a fault of the unit reaches the readings.
func TestUnitFaultsShow(t *testing.T) {
	seat := func(f ...bench.UnitFault) *rig {
		return newRig(t, Config{Seed: 1, Seat: Seat{
			Model: "check-load", Options: map[string]float64{"tolerance": 0}, Faults: f, PinMap: straight(4)}})
	}
	s := seat().twoWire(1, 2, 1e-3)
	near(t, "sound", s.V/s.I, 1008.5, 3)
	s = seat(bench.UnitFault{Kind: model.ContactResistance, Pin: 1, Value: 100}).twoWire(1, 2, 1e-3)
	near(t, "contact", s.V/s.I, 1108.5, 3)
	if s = seat(bench.UnitFault{Kind: model.OpenBond, Pin: 1}).twoWire(1, 2, 1e-3); !s.Flags.Has(bench.InCompliance) {
		t.Errorf("open bond: %+v", s)
	}
}

// TestOpenSenseWire: remote sense without a Kelvin path falls back on the
// force line, by the tie.
func TestOpenSenseWire(t *testing.T) {
	r := newRig(t, Config{World: asStated()})
	r.on(1, remote(forceV(1, 1e-3)))
	r.wait(time.Second)
	s := r.read(1, cycle)
	near(t, "V", s.V, 1, 1e-4)
	if s.Flags != 0 {
		t.Errorf("%+v", s)
	}
}

// TestMakeSafeFromElsewhere calls MakeSafe at any moment of another's calls.
func TestMakeSafeFromElsewhere(t *testing.T) {
	r := newRig(t, Config{Seat: Seat{PinMap: straight(2), place: func(c *circuit.Circuit) map[int]circuit.Node { return resistor(50)(c) }}})
	ctx := t.Context()
	var group sync.WaitGroup
	done := make(chan struct{})
	group.Go(func() {
		defer close(done)
		for range 300 {
			for _, err := range []error{
				r.Close(ctx, []bench.PathID{path(2, 1), path(0, 2)}), r.Set(ctx, 2, forceV(1, 10e-3)),
			} {
				if err != nil && !errors.Is(err, bench.ErrMadeSafe) {
					t.Error(err)
				}
			}
			_ = r.Output(ctx, 2, true) // refused where made safe after Set
			if _, err := r.Read(ctx, []bench.ChannelID{2}, cycle, nil); err != nil && !errors.Is(err, bench.ErrMadeSafe) {
				t.Error(err)
			}
		}
	})
	for open := true; open; {
		select {
		case <-done:
			open = false
		default:
			r.must(r.MakeSafe(ctx))
			r.Truth()
		}
	}
	group.Wait()
	r.must(r.MakeSafe(ctx))
	r.isSafe()
}

// TestAssignedFourWire lets the bench's own solver choose channels and paths.
func TestAssignedFourWire(t *testing.T) {
	d := DefaultBench()
	m := bench.PinMap{Contacts: map[int]int{1: 17, 2: 18}} // one multiplexer
	need := bench.Need{Line: bench.ToChannel, Mode: bench.ForceCurrent, Voltage: 2, Current: 10e-3, Kelvin: true}
	first, second := need, need
	first.Pin, second.Pin = 1, 2
	a, err := bench.Assign(&d, &m, []bench.Need{first, second}, nil)
	if err != nil {
		t.Fatal(err)
	}
	r := newRig(t, Config{Seed: 8, Seat: Seat{PinMap: m, place: resistor(100)}})
	r.wire(a.Paths...)
	r.on(a.Channel[2], remote(forceV(0, 100e-3)))
	r.on(a.Channel[1], remote(forceI(10e-3, 2)))
	r.wait(cycle)
	s, err := r.Read(t.Context(), []bench.ChannelID{a.Channel[1], a.Channel[2]}, cycle, nil)
	r.must(err)
	near(t, "R", (s[0].V-s[1].V)/s[0].I, 100, 0.2)
}

// TestUnitsRepeat: the same seeds and calls give the same readings of a
// nonlinear part; another unit gives others.
func TestUnitsRepeat(t *testing.T) {
	curve := func(unit uint64) (out []bench.Sample) {
		r := newRig(t, Config{Seed: 1, Seat: Seat{Model: "npn", Seed: unit, PinMap: straight(3)}})
		r.wire(path(2, 1), path(0, 2), path(4, 3))
		r.on(4, forceV(0, 1e-3))
		r.on(2, forceV(0, 1e-3))
		for k := range 30 {
			r.must(r.Set(t.Context(), 2, forceV(float64(k)*0.05-0.5, 1e-3)))
			r.wait(cycle)
			out = append(out, r.read(2, cycle), r.read(4, cycle))
		}
		return out
	}
	a, b, c := curve(1), curve(1), curve(2)
	same := true
	for i := range a {
		if a[i] != b[i] {
			t.Fatalf("reading %d: %+v, then %+v", i, a[i], b[i])
		}
		same = same && a[i].I == c[i].I
	}
	if same {
		t.Error("two units, the same curve")
	}
}
