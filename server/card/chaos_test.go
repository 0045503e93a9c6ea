package card

import (
	"context"
	"flag"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/emulator"
	"ohmkeep/server/card/wire"
	"ohmkeep/server/cardinfo"
	"ohmkeep/server/rehearsal"
)

var (
	faults    = flag.Int("faults", 600, "faults that TestChaos injects; at most 200 with -short")
	firstSeed = flag.Uint64("seed", 1, "first seed of TestChaos")
)

// witness is the hardware behind an emulated card: it knows what is really on,
// and gives every reading a number of its own as its voltage.
type witness struct {
	mu     sync.Mutex
	set    map[bench.ChannelID]bench.Setup
	on     map[bench.ChannelID]bool
	closed []bench.PathID
	reads  int
	seen   map[int]bench.Setup // what was really set on a channel that was on, by the number of the reading
}

// perReading is the step of the voltage from one reading to the next, V.
const perReading = 1e-7

func newWitness() *witness {
	w := &witness{seen: map[int]bench.Setup{}}
	_ = w.MakeSafe(context.Background())
	return w
}

func (w *witness) Identify(context.Context) (bench.Identity, error) {
	return bench.Identity{Name: "witness", Serial: "W1", Version: "1"}, nil
}

func (w *witness) Set(_ context.Context, ch bench.ChannelID, s bench.Setup) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.set[ch] = s
	return nil
}

func (w *witness) Output(_ context.Context, ch bench.ChannelID, on bool) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.on[ch] = on
	return nil
}

func (w *witness) Close(_ context.Context, paths []bench.PathID) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.closed = slices.Sorted(slices.Values(paths))
	return nil
}

func (w *witness) Read(_ context.Context, chs []bench.ChannelID, _ time.Duration, dst []bench.Sample) ([]bench.Sample, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, ch := range chs {
		w.reads++
		if w.on[ch] {
			w.seen[w.reads] = w.set[ch]
		}
		dst = append(dst, bench.Sample{Channel: ch, V: perReading * float64(w.reads)})
	}
	return dst, nil
}

func (w *witness) MakeSafe(context.Context) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.set, w.on, w.closed = map[bench.ChannelID]bench.Setup{}, map[bench.ChannelID]bool{}, nil
	return nil
}

func (w *witness) Faults(context.Context) ([]bench.Fault, error) { return nil, nil }

// energised returns what is on or closed.
func (w *witness) energised() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	for ch, on := range w.on {
		if on {
			return fmt.Sprintf("channel %d is on at %g", ch, w.set[ch].Level)
		}
	}
	if len(w.closed) > 0 {
		return fmt.Sprintf("paths %v are closed", w.closed)
	}
	return ""
}

// chaos is a test rig: a link to an emulated card that goes wrong, with a
// record of what was asked of it.
type chaos struct {
	*testing.T
	*rand.Rand
	link   *Link
	def    bench.Definition
	w      *witness
	orders *emulator.Orders
	on     map[bench.ChannelID]bool
	set    map[bench.ChannelID]bench.Setup
	calls  int
	racing bool // somebody else makes the bench safe meanwhile
}

// newChaos connects over pipes in memory, in a bubble of its own time.
func newChaos(t *testing.T, rnd *rand.Rand, orders *emulator.Orders) *chaos {
	w := newWitness()
	return newChaosOn(t, w, w, rnd, orders)
}

// newChaosOn is newChaos with other hardware behind the card.
func newChaosOn(t *testing.T, hardware bench.Link, w *witness, rnd *rand.Rand, orders *emulator.Orders) *chaos {
	x := &chaos{T: t, Rand: rnd, w: w, orders: orders}
	x.def = emulator.Describe(rehearsal.DefaultBench(), "tcp://127.0.0.1:5025")
	x.def.Connections[0].Timeout = 0.1
	card, err := emulator.New(emulator.Config{Link: hardware, Definition: x.def, Orders: orders})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var serving sync.WaitGroup
	dial := func(context.Context) (io.ReadWriteCloser, error) {
		host, stream := net.Pipe()
		serving.Go(func() {
			_ = card.Serve(ctx, stream)
			_ = stream.Close()
		})
		return host, nil
	}
	x.link, err = Open(Config{Definition: x.def, Dial: func(bench.Connection) wire.Dialer { return dial }})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = x.link.Disconnect()
		cancel()
		serving.Wait()
	})
	return x
}

// safe makes the bench safe, however often it takes, and holds the link to it.
func (x *chaos) safe() {
	for try := 0; ; try++ {
		err := x.link.MakeSafe(x.Context())
		if err == nil {
			break
		}
		if try > 200 {
			x.Fatalf("not made safe in %d attempts: %v", try, err)
		}
		<-time.After(time.Duration(x.IntN(1000)) * time.Millisecond)
	}
	if what := x.w.energised(); what != "" {
		x.fatal("made safe, but " + what)
	}
	x.on, x.set = map[bench.ChannelID]bool{}, map[bench.ChannelID]bench.Setup{}
}

// fatal shows the last of the conversation.
func (x *chaos) fatal(what string) {
	x.Helper()
	text := ""
	for _, e := range x.link.Recent(0, 60) {
		text += fmt.Sprintf("%s %s %q\n", e.At.Format("05.000000"), e.Dir, e.Bytes)
	}
	injected := x.orders.Injected()
	x.Fatalf("call %d: %s\n%s\nlast faults %+v", x.calls, what, text, injected[max(0, len(injected)-5):])
}

func (x *chaos) channel() bench.ChannelID { return bench.ChannelID(1 + x.IntN(len(x.def.Channels))) }

// call makes one random call and holds the link to what it must keep.
func (x *chaos) call() error {
	ctx := x.Context()
	x.calls++
	ch := x.channel()
	switch k := x.IntN(10); {
	case k < 3:
		s := bench.Setup{Mode: bench.ForceVoltage, Range: 2, Level: x.Float64(), Compliance: 1e-3}
		if x.IntN(8) == 0 {
			s = bench.Setup{Mode: bench.ForceCurrent, Level: 1e-3 * x.Float64(), Range: 1e-3, Compliance: 2}
		}
		if x.on[ch] && x.set[ch].Mode != s.Mode {
			return nil
		}
		err := x.link.Set(ctx, ch, s)
		if err == nil {
			x.set[ch] = s
		}
		return err
	case k < 5:
		on := x.IntN(3) > 0
		if _, set := x.set[ch]; !set {
			return nil
		}
		err := x.link.Output(ctx, ch, on)
		if err == nil {
			x.on[ch] = on
		}
		return err
	case k < 6:
		var paths []bench.PathID
		for range x.IntN(3) {
			paths = append(paths, x.def.Paths[x.IntN(len(x.def.Paths))].ID)
		}
		if _, err := wanted(&x.def, x.link.paths, paths); err != nil {
			return nil
		}
		return x.link.Close(ctx, paths)
	case k < 9:
		return x.read(ch)
	}
	<-time.After(time.Duration(x.IntN(1500)) * time.Millisecond)
	return nil
}

// read checks that a reading is of now, and of what was set: or that a fault
// says that it may not be.
func (x *chaos) read(ch bench.ChannelID) error {
	x.w.mu.Lock()
	before := x.w.reads
	x.w.mu.Unlock()
	ids := []bench.ChannelID{ch}
	if other := x.channel(); other != ch {
		ids = append(ids, other)
	}
	got, err := x.link.Read(x.Context(), ids, time.Millisecond, nil)
	faults, _ := x.link.Faults(x.Context())
	if err != nil {
		if len(got) > 0 {
			x.fatal("samples beside an error")
		}
		return err
	}
	if len(faults) > 0 {
		return fmt.Errorf("faults: %v", faults)
	}
	x.w.mu.Lock()
	defer x.w.mu.Unlock()
	for i, s := range got {
		n := int(math.Round(s.V / perReading))
		really, on := x.w.seen[n]
		switch {
		case s.Channel != ids[i] || n <= before || n != x.w.reads-len(ids)+1+i:
			x.fatal(fmt.Sprintf("reading %d of channel %d was taken for reading %d of channel %d", n, s.Channel, x.w.reads-len(ids)+1+i, ids[i]))
		case x.racing: // it may have been made safe before the call began
		case on != x.on[s.Channel]:
			x.fatal(fmt.Sprintf("channel %d was read with its output %s, and is thought to be %s", s.Channel, onOff(on), onOff(x.on[s.Channel])))
		case on && (really.Level != x.set[s.Channel].Level || really.Mode != x.set[s.Channel].Mode || really.Compliance != x.set[s.Channel].Compliance):
			x.fatal(fmt.Sprintf("channel %d was read at %+v, and is thought to be at %+v", s.Channel, really, x.set[s.Channel]))
		}
	}
	return nil
}

// TestChaos: whatever goes wrong with the card, its connection or its host's
// company, no reading is taken for another, none is returned of a channel that
// is not as it was set, and the bench is never said to be safe while anything
// is on or closed.
//
//	go test ./server/card -run Chaos -faults 10000 -v -timeout 30m
func TestChaos(t *testing.T) {
	want := *faults
	if testing.Short() {
		want = min(want, 200)
	}
	var kinds []emulator.Kind
	for _, k := range emulator.Kinds() {
		if k.Effect != emulator.Hidden {
			kinds = append(kinds, k.Kind)
		}
	}
	counts := map[emulator.Kind]int{}
	injected, calls, failed, again := 0, 0, 0, 0
	for seed := *firstSeed; injected < want && !t.Failed(); seed++ {
		alone(t, func(t *testing.T) {
			rnd := rand.New(rand.NewPCG(seed, 4))
			orders := emulator.NewOrders(seed)
			chance := rand.New(rand.NewPCG(seed, 5)) // of the card's goroutine
			orders.Func(func(int, string) (emulator.Order, bool) {
				if chance.IntN(30) > 0 {
					return emulator.Order{}, false
				}
				return emulator.Order{Kind: kinds[chance.IntN(len(kinds))]}, true
			})
			x := newChaos(t, rnd, orders)
			if err := x.link.Settled(t.Context()); err != nil {
				t.Fatal(err)
			}
			x.safe()
			for len(orders.Injected()) < 100 {
				if err := x.chaosCall(); err != nil {
					failed++
					x.safe()
				}
			}
			for _, e := range x.link.Recent(0, 1<<20) {
				if e.Dir == cardinfo.Note && strings.Contains(string(e.Bytes), "taken again") {
					again++
				}
			}
			for _, i := range orders.Injected() {
				counts[i.Kind]++
				injected++
			}
			calls += x.calls
		})
	}
	t.Logf("%d faults at %d calls: %d calls failed, %d readings were taken again; %v", injected, calls, failed, again, counts)
	for _, k := range kinds {
		if counts[k] == 0 && injected >= 500 {
			t.Errorf("%s never happened", k)
		}
	}
}

// chaosCall makes a call, now and then while somebody makes the bench safe.
func (x *chaos) chaosCall() error {
	if x.IntN(20) > 0 {
		return x.call()
	}
	before := time.Duration(x.IntN(3)) * time.Millisecond
	safe := make(chan error, 1)
	x.racing = true
	defer func() { x.racing = false }()
	go func() {
		<-time.After(before)
		safe <- x.link.MakeSafe(context.Background())
	}()
	err := x.call()
	if made := <-safe; made != nil {
		return made
	}
	if err != nil {
		if what := x.w.energised(); what != "" {
			x.fatal("made safe during a call that failed, but " + what)
		}
	}
	x.safe() // what a call did that was done after, is taken back
	return nil
}
