package rehearsal

import (
	"context"
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ohmkeep/server/bench"
)

func TestIdentify(t *testing.T) {
	r := withResistor(t, 77, 1000)
	id, err := r.Identify(t.Context())
	if err != nil || !id.Rehearsal || id.Serial != "rehearsal-77" || id.Version == "" || id.Name == "" {
		t.Errorf("%+v, %v", id, err)
	}
}

func TestDefaultBench(t *testing.T) {
	d := DefaultBench()
	if err := d.Validate(); err != nil {
		t.Fatal(err)
	}
	if len(d.Channels) != 4 || len(d.Paths) != 5*48 {
		t.Fatalf("%d channels, %d paths", len(d.Channels), len(d.Paths))
	}
	members := map[string]int{}
	for _, p := range d.Paths {
		members[p.Mux]++
		if p.ID != path(p.Channel, p.Contact) {
			t.Errorf("path %d leads from %d to %d", p.ID, p.Channel, p.Contact)
		}
		if p.Kelvin != (p.Channel == 1 || p.Channel == 3) {
			t.Errorf("path %d: Kelvin %v", p.ID, p.Kelvin)
		}
	}
	if len(members) != 4*3+48 || members["2B/33-48"] != 16 || members["return/7"] != 1 {
		t.Errorf("multiplexers: %v", members)
	}
}

func TestWhatIsRefused(t *testing.T) {
	ctx := t.Context()
	r := withResistor(t, 1, 1000)
	setup := func(mod func(*bench.Setup)) bench.Setup {
		s := forceV(1, 1e-3)
		mod(&s)
		return s
	}
	for name, s := range map[string]bench.Setup{
		"no mode":            setup(func(s *bench.Setup) { s.Mode = "" }),
		"NaN":                setup(func(s *bench.Setup) { s.Level = math.NaN() }),
		"infinite":           setup(func(s *bench.Setup) { s.Level = math.Inf(-1) }),
		"over all ranges":    setup(func(s *bench.Setup) { s.Level = 10.1 }),
		"over its range":     setup(func(s *bench.Setup) { s.Level, s.Range = 2.1, 2 }),
		"negative range":     setup(func(s *bench.Setup) { s.Range = -2 }),
		"no such range":      setup(func(s *bench.Setup) { s.Range = 20 }),
		"no compliance":      setup(func(s *bench.Setup) { s.Compliance = 0 }),
		"NaN compliance":     setup(func(s *bench.Setup) { s.Compliance = math.NaN() }),
		"too much":           setup(func(s *bench.Setup) { s.Compliance = 0.2 }),
		"beyond sense range": setup(func(s *bench.Setup) { s.SenseRange = 10e-6 }),
		"no sense terminals": setup(func(s *bench.Setup) { s.Remote = true }),
		"current over":       forceI(0.2, 5),
	} {
		if err := r.Set(ctx, 2, s); err == nil || !strings.Contains(err.Error(), "1B") {
			t.Errorf("%s: %v", name, err)
		}
	}
	if r.Set(ctx, 0, forceV(1, 1e-3)) == nil || r.Set(ctx, 5, forceV(1, 1e-3)) == nil {
		t.Error("channels that are not there")
	}
	if r.Output(ctx, 2, true) == nil {
		t.Error("output without a setup")
	}
	r.must(r.Output(ctx, 2, false))
	for name, paths := range map[string][]bench.PathID{
		"one multiplexer": {path(2, 1), path(2, 2)}, "unknown": {999}, "none": {0}, "twice": {path(2, 1), path(2, 1)},
	} {
		if r.Close(ctx, paths) == nil {
			t.Errorf("%s: closed", name)
		}
	}
	if _, err := r.Read(ctx, []bench.ChannelID{9}, cycle, nil); err == nil {
		t.Error("read of a channel that is not there")
	}
	for _, d := range []time.Duration{0, -cycle, 2 * time.Hour} {
		if _, err := r.Read(ctx, []bench.ChannelID{1}, d, nil); err == nil {
			t.Errorf("aperture %v", d)
		}
	}
	r.on(2, forceV(0, 1e-3))
	if r.Seat(Seat{}) == nil {
		t.Error("a part was seated while an output was on")
	}
	r.must(r.Output(ctx, 2, false))
	r.must(r.Seat(Seat{}))
	if r.Seat(Seat{Model: "perpetual-motion"}) == nil {
		t.Error("an unknown model was seated")
	}
	if r.Seat(Seat{Model: "check-load", PinMap: bench.PinMap{Contacts: map[int]int{1: 4, 2: 4}}}) == nil {
		t.Error("two pins on one contact")
	}
}

// TestBreakBeforeMake: while a multiplexer goes from one contact to the next,
// neither is connected for a while; what stays is not interrupted.
func TestBreakBeforeMake(t *testing.T) {
	var seen [][]bench.PathID
	r := newRig(t, Config{
		Seat:    Seat{PinMap: straight(2), place: resistor(1000)},
		OnSolve: func(s Solved) { seen = append(seen, s.Closed) },
	})
	r.wire(path(2, 1), path(0, 2))
	r.on(2, forceV(0, 1e-3))
	before, at := len(seen), r.clock.Now()
	r.wire(path(2, 2), path(0, 2))
	if took := r.clock.Now().Sub(at); took != 4*time.Millisecond {
		t.Errorf("took %v", took)
	}
	got := seen[before:]
	if len(got) != 2 || len(got[0]) != 1 || got[0][0] != path(0, 2) || len(got[1]) != 2 {
		t.Errorf("went through %v", got)
	}
	at = r.clock.Now()
	r.wire(path(2, 2), path(0, 2))
	if r.clock.Now() != at {
		t.Error("nothing moves, and yet it took time")
	}
}

func TestHotSwitchingIsReported(t *testing.T) {
	ctx := t.Context()
	r := withResistor(t, 1, 1000)
	reports := func() []bench.Fault {
		f, err := r.Faults(ctx)
		r.must(err)
		return f
	}
	r.wire(path(2, 1), path(0, 2))
	r.on(2, forceV(0, 1e-2))
	r.wire(path(2, 2), path(0, 1))
	if f := reports(); len(f) != 0 {
		t.Errorf("cold: %v", f)
	}
	r.must(r.Set(ctx, 2, forceV(5, 1e-2)))
	r.wire(path(2, 1), path(0, 1))
	f := reports()
	if len(f) == 0 || f[0].Code != CodeHotSwitching || f[0].Channel != 2 || !strings.Contains(f[0].Message, "1B") {
		t.Errorf("hot: %v", f)
	}
	if len(reports()) != 0 {
		t.Error("reports stay after they were fetched")
	}
	r.wire(path(2, 1), path(0, 2)) // the return opens and closes under 5 V
	if f = reports(); len(f) == 0 || f[0].Channel != 0 {
		t.Errorf("hot return: %v", f)
	}
}

// TestFloatingPinIsCold: a pin that nothing holds has a voltage, but a switch of
// the return that closes on it carries next to nothing.
func TestFloatingPinIsCold(t *testing.T) {
	ctx := t.Context()
	r := withResistor(t, 1, 10e9)
	r.wire(path(2, 2))
	r.on(2, forceV(5, 1e-2))
	r.wire(path(2, 2), path(0, 1))
	r.wire(path(2, 2))
	f, err := r.Faults(ctx)
	r.must(err)
	if slices.ContainsFunc(f, func(f bench.Fault) bool { return f.Channel == 0 }) {
		t.Errorf("0.5 nA: %v", f)
	}
}

// TestMakeSafeCutsShort: a reading of an hour ends within 10 ms of MakeSafe,
// on the real clock (of the test's bubble).
func TestMakeSafeCutsShort(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, Config{Clock: bench.RealClock{}, Seat: Seat{PinMap: straight(2), place: resistor(1000)}})
		r.wire(path(2, 1), path(0, 2))
		r.on(2, forceV(5, 10e-3))
		ended := make(chan error, 1)
		var at time.Time
		go func() {
			_, err := r.Read(context.Background(), []bench.ChannelID{2}, time.Hour, nil)
			at = time.Now()
			ended <- err
		}()
		time.Sleep(3 * time.Second)
		asked := time.Now()
		r.must(r.MakeSafe(context.Background()))
		if err := <-ended; !errors.Is(err, bench.ErrMadeSafe) {
			t.Errorf("the reading ended with %v", err)
		}
		if at.Sub(asked) > 10*time.Millisecond {
			t.Errorf("the reading ended %v later", at.Sub(asked))
		}
		r.isSafe()
		// The bench works on.
		if r.Output(context.Background(), 2, true) == nil {
			t.Error("the output came on without a new setup")
		}
		r.wire(path(2, 1), path(0, 2))
		r.on(2, forceV(1, 10e-3))
		near(t, "I afterwards", r.read(2, cycle).I, 1/1008.5, 1e-5)
	})
}

// TestMakeSafeWhileSwitching: what was to be closed after the break stays open.
func TestMakeSafeWhileSwitching(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, Config{Clock: bench.RealClock{}, Seat: Seat{PinMap: straight(2), place: resistor(1000)}})
		r.wire(path(2, 1), path(0, 2))
		ended := make(chan error, 1)
		go func() { ended <- r.Close(context.Background(), []bench.PathID{path(2, 2), path(0, 1)}) }()
		time.Sleep(time.Millisecond)
		r.must(r.MakeSafe(context.Background()))
		if err := <-ended; !errors.Is(err, bench.ErrMadeSafe) {
			t.Errorf("ended with %v", err)
		}
		r.isSafe()
	})
}

func TestCallersContextEndsARead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, Config{Clock: bench.RealClock{}})
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		if _, err := r.Read(ctx, []bench.ChannelID{1}, time.Minute, nil); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("ended with %v", err)
		}
		if r.Set(ctx, 1, forceV(1, 1e-3)) == nil || r.Close(ctx, nil) == nil || r.Output(ctx, 1, false) == nil {
			t.Error("calls work with a context that has ended")
		}
		r.must(r.MakeSafe(ctx)) // but this one always does
	})
}

// isSafe fails the test unless every output is off and every path open.
func (r *rig) isSafe() {
	r.t.Helper()
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, c := range r.channels {
		if c.on || c.set != nil || c.level != 0 {
			r.t.Errorf("channel %s is not safe", c.def.Name)
		}
	}
	for i, closed := range r.closed {
		if closed {
			r.t.Errorf("path %d is closed", r.def.Paths[i].ID)
		}
	}
}
