package endtoend

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"net"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/card"
	"ohmkeep/server/card/emulator"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/run"
)

// faults is how many faults are injected. 10,000 of them happen with:
//
//	go test ./server/card/endtoend -run InjectedFaults -faults 10600 -timeout 20m -v
var faults = flag.Int("faults", 320, "faults that TestInjectedFaults injects; at most 48 with -short")

// truth is a bench that knows what is really on: what it reads says which
// level it was read at, and which reading of all it is.
type truth struct {
	mu     sync.Mutex
	set    bench.Setup
	on     bool
	closed int
	reads  int
}

func (b *truth) Identify(context.Context) (bench.Identity, error) {
	return bench.Identity{Name: "truth", Serial: "T1", Rehearsal: true}, nil
}

func (b *truth) Set(_ context.Context, _ bench.ChannelID, s bench.Setup) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.set = s
	return nil
}

func (b *truth) Output(_ context.Context, _ bench.ChannelID, on bool) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.on = on
	return nil
}

func (b *truth) Close(_ context.Context, paths []bench.PathID) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.closed = len(paths)
	return nil
}

func (b *truth) Read(_ context.Context, channels []bench.ChannelID, _ time.Duration, dst []bench.Sample) ([]bench.Sample, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.reads++
	for _, ch := range channels {
		s := bench.Sample{Channel: ch, At: time.Now(), V: b.set.Level, I: float64(b.reads) * 1e-12}
		if !b.on {
			s.V = 0
		}
		dst = append(dst, s)
	}
	return dst, nil
}

func (b *truth) MakeSafe(context.Context) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.on, b.closed, b.set = false, 0, bench.Setup{}
	return nil
}

func (b *truth) Faults(context.Context) ([]bench.Fault, error) { return nil, nil }

// safe is whether everything is really off and open.
func (b *truth) safe() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return !b.on && b.closed == 0
}

// faultBench is a small bench of one channel.
func faultBench() bench.Definition {
	v := []bench.Range{{FullScale: 2, Step: 1e-5, Offset: 1e-3}}
	i := []bench.Range{{FullScale: 1e-3, Step: 1e-9, Offset: 1e-6}}
	return bench.Definition{Key: "truth", Name: "Truth", Contacts: 2, LineHz: 50,
		Channels: []bench.Channel{{ID: 1, Name: "1A", Card: 1, ForceV: v, SenseV: v, ForceI: i, SenseI: i}},
		Paths:    []bench.Path{{ID: 1, Channel: 1, Contact: 1, Mux: "A", Address: "A1"}, {ID: 2, Channel: 0, Contact: 2, Mux: "R", Address: "R2"}},
	}
}

// faultRun sweeps one pin of a part with two.
func faultRun(def bench.Definition) *procedure.Record {
	d := dut.Device{Key: "part", Name: "Part", Package: dut.Package{Family: dut.SingleRow, Pins: 2}, Pins: []dut.Pin{
		{Number: 1, Name: "A", Function: dut.Analog, MinV: -2, MaxV: 2, MaxI: 0.01}, {Number: 2, Name: "K", Function: dut.Ground},
	}}
	m := procedure.Measurement{ID: "sweep", Name: "sweep", Kind: "sweep", Pins: []int{1}, Use: procedure.UseVoltage, Compliance: 1e-3,
		Sweep:  &procedure.Sweep{Spacing: procedure.Linear, From: 0.05, To: 1.5, Points: 10},
		Settle: procedure.Settle{Time: 1e-5}, Aperture: procedure.Aperture{Seconds: 1e-3}}
	return &procedure.Record{Device: d, Bench: def, Operator: "test",
		PinMap:    bench.PinMap{Device: "part", Bench: def.Key, Contacts: map[int]int{1: 1, 2: 2}},
		Procedure: procedure.Procedure{Key: "sweep", Name: "sweep", Device: "part", Measurements: []procedure.Measurement{m}}}
}

// trial is one bench behind an emulated card that things go wrong with.
type trial struct {
	t       *testing.T
	bench   *truth
	orders  *emulator.Orders
	link    *card.Link
	station *run.Station
	def     bench.Definition
	asked   atomic.Int64 // messages that the card was sent
	lied    atomic.Int64 // times that it was believed safe and was not
}

func newTrial(t *testing.T, seed uint64) *trial {
	x := &trial{t: t, bench: &truth{}, orders: emulator.NewOrders(seed)}
	def := faultBench()
	x.orders.Func(func(n int, _ string) (emulator.Order, bool) {
		x.asked.Store(int64(n))
		return emulator.Order{}, false
	})
	emulated, err := emulator.New(emulator.Config{Link: x.bench, Definition: def, Orders: x.orders, Watchdog: 400 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	served := make(chan error, 1)
	ctx, cancel := context.WithCancel(context.Background())
	go func() { served <- emulated.Listen(ctx, listener) }()
	x.def = emulator.Describe(def, "tcp://"+listener.Addr().String())
	x.def.Connections[0].Timeout, x.def.Connections[0].Watchdog = 0.05, 0.4
	if x.link, err = card.Open(card.Config{Definition: x.def, Lost: func(reason string) { x.station.Lost(reason) }}); err != nil {
		t.Fatal(err)
	}
	if err := x.link.Settled(t.Context()); err != nil {
		t.Fatal(err)
	}
	x.station = run.NewStation(t.Context(), run.Config{Link: x.link, Clock: bench.RealClock{}, Changed: func(s run.Snapshot) {
		if s.State == bench.Safe && !x.bench.safe() {
			x.lied.Add(1)
		}
	}})
	t.Cleanup(func() {
		if err := x.link.Disconnect(); err != nil && !errors.Is(err, card.ErrDown) {
			t.Error(err)
		}
		cancel()
		if err := <-served; err != nil && !errors.Is(err, context.Canceled) {
			t.Error(err)
		}
	})
	return x
}

// makeSafe makes the bench safe, as a person would who is told to: again and
// again until it is.
func (x *trial) makeSafe() {
	look := time.NewTicker(5 * time.Millisecond)
	defer look.Stop()
	for x.station.MakeSafe(x.t.Context(), "test") != nil {
		<-look.C
	}
}

// one runs a sweep with one fault in it, or soon after.
func (x *trial) one(o emulator.Order) *gathered {
	x.orders.Add(o)
	g := &gathered{readings: map[int][]bench.Reading{}, results: map[procedure.ResultID]procedure.Result{}}
	if _, err := x.station.StartWith(faultRun(x.def), g, nil); err != nil {
		x.t.Fatal(err)
	}
	if err := x.station.Wait(x.t.Context()); err != nil {
		x.t.Fatal(err)
	}
	if x.station.Snapshot().State == bench.Safe && !x.bench.safe() {
		x.lied.Add(1)
	}
	x.makeSafe()
	if !x.bench.safe() {
		x.lied.Add(1)
	}
	return g
}

// judge looks at what a run has kept for a reading that is not of its point.
func judge(g *gathered) error {
	last := 0.0
	for i, r := range g.readings[0] {
		if r.Flags.Has(bench.AfterFault) {
			continue
		}
		if r.V != r.Set {
			return fmt.Errorf("reading %d of the level %g V is %g V", i, r.Set, r.V)
		}
		if r.I <= last {
			return fmt.Errorf("reading %d was read before the one in front of it, or is the same", i)
		}
		last = r.I
	}
	if n := len(g.readings[0]); g.ending.Status == procedure.Done && n != 10 {
		return fmt.Errorf("the run is done with %d readings", n)
	}
	return nil
}

// TestInjectedFaults: whatever goes wrong on the wire or with the card, no
// answer is taken for another's, and no output is believed safe that is not.
func TestInjectedFaults(t *testing.T) {
	t.Parallel()
	const benches = 8
	want := *faults
	if testing.Short() {
		want = min(want, 48)
	}
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	var mu sync.Mutex
	ended := map[emulator.Kind]map[procedure.Status]int{}
	var all sync.WaitGroup
	total := 0
	for k := range benches {
		all.Go(func() {
			random := rand.New(rand.NewPCG(seed, uint64(k)))
			x := newTrial(t, seed+uint64(k))
			for range (want + benches - 1) / benches {
				kinds := emulator.Kinds()
				kind := kinds[random.IntN(len(kinds))]
				if kind.Effect == emulator.Hidden {
					continue // no host can tell
				}
				o := emulator.Order{Kind: kind.Kind, At: int(x.asked.Load()) + 1 + random.IntN(60)}
				if kind.Delay > 0 {
					o.Delay = time.Duration(1+random.IntN(150)) * time.Millisecond
				}
				g := x.one(o)
				mu.Lock()
				if ended[kind.Kind] == nil {
					ended[kind.Kind] = map[procedure.Status]int{}
				}
				ended[kind.Kind][g.ending.Status]++
				mu.Unlock()
				if err := judge(g); err != nil {
					t.Errorf("%s at message %d: %v (%s: %s)", o.Kind, o.At, err, g.ending.Status, g.ending.Reason)
				}
			}
			mu.Lock()
			total += len(x.orders.Injected())
			mu.Unlock()
			if n := x.lied.Load(); n > 0 {
				t.Errorf("bench %d was believed safe %d times when it was not", k, n)
			}
		})
	}
	all.Wait()
	for kind, by := range ended {
		t.Logf("%-12s %v", kind, by)
	}
	t.Logf("%d faults injected", total)
	if total < want/2 {
		t.Errorf("only %d faults of %d happened", total, want)
	}
}
