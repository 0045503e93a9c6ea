package check_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/check"
	"ohmkeep/server/rehearsal"
)

// guard is a link that passes everything on and writes down what a step must not
// do to a bench: it stands between the step and the bench that is checked.
type guard struct {
	bench.Link
	def    *bench.Definition
	on     map[bench.ChannelID]bool
	set    map[bench.ChannelID]bench.Setup
	closed []bench.PathID
	calls  int
	failAt int // the call that fails, from 1; 0: none
	broken int // calls after the one that failed
	most   float64
	wrong  []string
	// tamper changes what was read, as a defect would that the rehearsal bench
	// has not; nil: nothing is changed.
	tamper func(g *guard, s *bench.Sample)
}

var errCut = errors.New("the cable is out")

func guarded(link bench.Link, def *bench.Definition) *guard {
	return &guard{Link: link, def: def, on: map[bench.ChannelID]bool{}, set: map[bench.ChannelID]bench.Setup{}}
}

func (g *guard) say(format string, args ...any) {
	g.wrong = append(g.wrong, fmt.Sprintf("call %d: ", g.calls)+fmt.Sprintf(format, args...))
}

// asked counts a call, and fails the one that is to fail.
func (g *guard) asked() error {
	g.calls++
	switch {
	case g.failAt > 0 && g.calls > g.failAt:
		g.broken++
		return errCut
	case g.calls == g.failAt:
		return errCut
	}
	return nil
}

func (g *guard) Set(ctx context.Context, ch bench.ChannelID, s bench.Setup) error {
	if err := g.asked(); err != nil {
		return err
	}
	if !(s.Compliance > 0) {
		g.say("channel %d has no limit", ch)
	}
	if s.Mode == bench.ForceCurrent {
		for _, id := range g.closed {
			p, _ := g.def.PathByID(id)
			if p.Channel == ch && p.MaxCurrent > 0 && math.Abs(s.Level) > p.MaxCurrent*(1+1e-9) {
				g.say("%g A through path %s of %g A", s.Level, p.Address, p.MaxCurrent)
			}
		}
	}
	g.set[ch] = s
	return g.Link.Set(ctx, ch, s)
}

func (g *guard) Output(ctx context.Context, ch bench.ChannelID, on bool) error {
	if err := g.asked(); err != nil {
		return err
	}
	if g.set[ch].Level != 0 {
		g.say("output %d is switched at %g", ch, g.set[ch].Level)
	}
	g.on[ch] = on
	return g.Link.Output(ctx, ch, on)
}

func (g *guard) Close(ctx context.Context, paths []bench.PathID) error {
	if err := g.asked(); err != nil {
		return err
	}
	for ch, on := range g.on {
		if on && g.set[ch].Level != 0 {
			g.say("paths are switched with channel %d at %g", ch, g.set[ch].Level)
		}
	}
	taken := map[string]bench.PathID{}
	for _, id := range paths {
		p, ok := g.def.PathByID(id)
		switch {
		case !ok:
			g.say("there is no path %d", id)
			continue
		case p.Mux != "" && taken[p.Mux] != 0:
			g.say("paths %d and %d exclude each other", taken[p.Mux], id)
		}
		taken[p.Mux] = id
	}
	g.closed = slices.Clone(paths)
	return g.Link.Close(ctx, paths)
}

func (g *guard) Read(ctx context.Context, channels []bench.ChannelID, aperture time.Duration, dst []bench.Sample) ([]bench.Sample, error) {
	if err := g.asked(); err != nil {
		return dst, err
	}
	for i, ch := range channels {
		if slices.Contains(channels[:i], ch) {
			g.say("channel %d is read twice at once", ch)
		}
	}
	dst, err := g.Link.Read(ctx, channels, aperture, dst)
	for i := range dst {
		if g.tamper != nil {
			g.tamper(g, &dst[i])
		}
	}
	for _, s := range dst {
		g.most = max(g.most, math.Abs(s.I))
	}
	return dst, err
}

// joined is the path that a channel's line has to a contact now; nil: none.
func (g *guard) joined(ch bench.ChannelID, contact int) *bench.Path {
	for _, id := range g.closed {
		if p, _ := g.def.PathByID(id); p.Channel == ch && p.Contact == contact {
			return p
		}
	}
	return nil
}

// isOff says which outputs are still on.
func (g *guard) isOff() error {
	for ch, on := range g.on {
		if on {
			return fmt.Errorf("channel %d is still on", ch)
		}
	}
	return nil
}

// smallBench is the rehearsal bench with its first contacts alone, a multiplexer of
// each channel for four of them: steps on it take a few milliseconds.
func smallBench(contacts int) bench.Definition {
	def := rehearsal.DefaultBench()
	def.Contacts = contacts
	def.Paths = slices.DeleteFunc(def.Paths, func(p bench.Path) bool { return p.Contact > contacts })
	for i := range def.Paths {
		if p := &def.Paths[i]; p.Channel > 0 {
			p.Mux = fmt.Sprintf("%s/%c", def.ChannelName(p.Channel), 'a'+(p.Contact-1)/4)
		}
	}
	return def
}

// guardedStep carries a step out behind a guard.
func guardedStep(t *testing.T, def *bench.Definition, model string, faults []bench.BenchFault, s check.Step, before *check.Record, failAt int) (*guard, check.StepResult, error) {
	t.Helper()
	clock := bench.NewCountingClock(time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC))
	b, err := rehearsal.New(rehearsal.Config{Definition: *def, Clock: clock, Seed: 21, Faults: faults,
		Seat: rehearsal.Seat{Model: model, Seed: 21, PinMap: straight(def)}})
	if err != nil {
		t.Fatal(err)
	}
	g := guarded(b, def)
	g.failAt = failAt
	got, err := check.Run(t.Context(), check.Rig{Link: g, Clock: clock, Def: def, Before: before}, s)
	return g, got, err
}

// TestStepsAreGentle carries all steps out on benches with each kind of fault, with
// what is asked for in the socket and with parts that were left there: paths are
// switched at 0 V and 0 A alone, none that exclude each other, an output comes on
// and goes off at zero, and is off when the step has ended; and no more current
// flows than 10 mA (the most that a step drives) with the errors of its channel.
func TestStepsAreGentle(t *testing.T) {
	t.Parallel()
	def := smallBench(5)
	for k, fault := range []bench.BenchFault{
		{},
		{Kind: rehearsal.EnableFloating, Mux: "1B/a"},
		{Kind: rehearsal.StuckOpen, Path: def.Paths[2].ID},
		{Kind: rehearsal.StuckClosed, Path: def.Paths[2].ID},
		{Kind: rehearsal.StuckClosed, Path: def.Paths[len(def.Paths)-2].ID},
		{Kind: rehearsal.GainDrift, Channel: 2, Value: 0.04},
		{Kind: rehearsal.SwappedContacts, Contact: 2, Contact2: 5},
		{Kind: rehearsal.ContactResistance, Contact: 3, Value: 40},
	} {
		var faults []bench.BenchFault
		if fault.Kind != "" {
			faults = append(faults, fault)
		}
		if testing.Short() && k > 1 {
			continue
		}
		for _, info := range check.Steps() {
			for _, model := range []string{info.Model, []string{"shorting-plug", "npn", "hex-inverter"}[k%3]} {
				g, _, err := guardedStep(t, &def, model, faults, info.Step, nil, 0)
				if err != nil {
					t.Fatalf("%s on %s with %+v: %v", info.Step, model, fault, err)
				}
				if err := g.isOff(); err != nil {
					t.Errorf("%s on %s with %+v: %v", info.Step, model, fault, err)
				}
				if len(g.wrong) > 0 {
					t.Errorf("%s on %s with %+v: %s", info.Step, model, fault, g.wrong[0])
				}
				if g.most > 10e-3*1.06 {
					t.Errorf("%s on %s with %+v: %g A flow", info.Step, model, fault, g.most)
				}
			}
		}
	}
}

// TestRatingsOfPathsAreKept checks a bench some of whose paths are stated to bear
// less than a step would drive: no more is forced through them.
func TestRatingsOfPathsAreKept(t *testing.T) {
	t.Parallel()
	def := smallBench(6)
	for i := range def.Paths {
		def.Paths[i].MaxCurrent = []float64{0, 2e-3, 50e-6}[i%3]
	}
	for _, info := range check.Steps() {
		g, got, err := guardedStep(t, &def, info.Model, nil, info.Step, nil, 0)
		if err != nil || len(g.wrong) > 0 {
			t.Errorf("%s: %v, %q", info.Step, err, g.wrong)
		}
		if !got.OK() {
			t.Errorf("%s: a sound bench has %+v", info.Step, got.Findings)
		}
	}
}

// TestLinkFails has each call to the link fail in turn: the step ends with just that
// error, asks nothing of the link any more and says nothing of the bench that it
// would not have said.
func TestLinkFails(t *testing.T) {
	t.Parallel()
	def := smallBench(4)
	for _, info := range check.Steps() {
		whole, said, err := guardedStep(t, &def, info.Model, nil, info.Step, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		stride := 1 + whole.calls/40
		if testing.Short() {
			stride = 1 + whole.calls/4
		}
		for at := 1; at <= whole.calls; at += stride {
			g, got, err := guardedStep(t, &def, info.Model, nil, info.Step, nil, at)
			if !errors.Is(err, errCut) {
				t.Errorf("%s, call %d fails: %v", info.Step, at, err)
			}
			if g.broken > 0 {
				t.Errorf("%s, call %d fails: %d more calls", info.Step, at, g.broken)
			}
			if len(got.Findings) > len(said.Findings) {
				t.Errorf("%s, call %d fails: %+v is said", info.Step, at, got.Findings)
			}
		}
	}
}

// TestNoSuchStep refuses a step that there is none of, before the bench is touched.
func TestNoSuchStep(t *testing.T) {
	t.Parallel()
	def := smallBench(2)
	g, _, err := guardedStep(t, &def, "empty", nil, "polish", nil, 0)
	if err == nil || g.calls > 0 {
		t.Errorf("%v after %d calls", err, g.calls)
	}
}

// TestRandomShapes checks sound benches whose lines, contacts, switches and ranges
// are drawn at random: a step neither fails nor says that anything is wrong, and
// is as gentle as on any other.
func TestRandomShapes(t *testing.T) {
	t.Parallel()
	shapes := 40
	if testing.Short() {
		shapes = 4
	}
	for seed := range uint64(shapes) {
		def := drawnShape(rand.New(rand.NewPCG(seed, 77)))
		rec := &check.Record{}
		for _, info := range check.Steps() {
			g, got, err := guardedStep(t, &def, info.Model, nil, info.Step, rec, 0)
			if err != nil || len(g.wrong) > 0 || g.isOff() != nil {
				t.Errorf("shape %d, %s: %v, %v, %q", seed, info.Step, err, g.isOff(), g.wrong)
			}
			for _, f := range got.Findings {
				if f.Fault {
					t.Errorf("shape %d, %s: %s: %s", seed, info.Step, f.Kind, f.Said)
				}
			}
			rec.Put(got)
		}
	}
}

// drawnShape draws a bench of 1 to 9 contacts with a few of the paths and ranges of
// the rehearsal bench.
func drawnShape(rng *rand.Rand) bench.Definition {
	def := smallBench(1 + rng.IntN(9))
	def.Channels = def.Channels[:1+rng.IntN(len(def.Channels))]
	missing, shared, lines := rng.Float64()/2, rng.IntN(3) == 0, len(def.Channels)
	def.Paths = slices.DeleteFunc(def.Paths, func(p bench.Path) bool {
		return int(p.Channel) > lines || rng.Float64() < missing
	})
	local := rng.IntN(2) == 0
	for i := range def.Paths {
		def.Paths[i].Kelvin = def.Paths[i].Kelvin && !local
		if shared && def.Paths[i].Channel == 0 {
			def.Paths[i].Mux = "return"
		}
	}
	for i := range def.Channels {
		ch := &def.Channels[i]
		cut := rng.IntN(3)
		ch.ForceI, ch.SenseI = ch.ForceI[cut:], ch.SenseI[cut:]
		most := len(ch.ForceI) - rng.IntN(2)
		ch.ForceI, ch.SenseI = ch.ForceI[:most], ch.SenseI[:most]
		if rng.IntN(3) == 0 { // another make of card
			ch.ForceV, ch.SenseV = ch.ForceV[:1], ch.SenseV[:1]
			for _, ranges := range [][]bench.Range{ch.ForceV, ch.SenseV} {
				r := &ranges[0]
				r.FullScale, r.Offset, r.Noise, r.Step = r.FullScale/4, r.Offset/4, r.Noise/4, r.Step/4
			}
		}
		ch.RemoteSense = ch.RemoteSense && !local
	}
	return def
}
