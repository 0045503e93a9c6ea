package run

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"sync"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

// fakeLink is a fake bench that records each broken safety rule, and fails
// when it is told to.
type fakeLink struct {
	rec   *procedure.Record
	clock bench.Clock

	mu          sync.Mutex
	calls       int
	inUse       bool
	out         map[bench.ChannelID]*fakeOutput
	closed      map[bench.PathID]bool
	broken      []string // rules broken
	live        bool     // energised since it was last made safe
	safes       int
	safe        chan struct{} // closed and renewed by MakeSafe
	failAt      int           // number of the call that fails, counted from 1
	failErr     error
	panicAt     int
	onCall      func(n int) // told before each call
	identifyErr error
	safeTakes   time.Duration
	safeFails   int // calls of MakeSafe yet to fail
	faults      []bench.Fault
	highest     map[int]float64 // by pin, largest level magnitude in the procedure
	reading     func(ch bench.ChannelID, s bench.Setup, n int) (v, i float64)
	reads       int
	log         []string // when keepLog
	keepLog     bool
}

type fakeOutput struct {
	setup bench.Setup
	known bool
	on    bool
}

func newFakeLink(rec *procedure.Record, clock bench.Clock) *fakeLink {
	f := &fakeLink{rec: rec, clock: clock, out: map[bench.ChannelID]*fakeOutput{}, closed: map[bench.PathID]bool{}, safe: make(chan struct{}), highest: map[int]float64{}}
	for _, c := range rec.Bench.Channels {
		f.out[c.ID] = &fakeOutput{}
	}
	return f
}

func (f *fakeLink) breaks(format string, args ...any) {
	f.broken = append(f.broken, fmt.Sprintf("call %d: ", f.calls)+fmt.Sprintf(format, args...))
}

// enter counts a call and fails it if it is its turn.
func (f *fakeLink) enter(ctx context.Context, name string, args ...any) error {
	f.mu.Lock()
	f.calls++
	n, hook := f.calls, f.onCall
	if f.inUse {
		f.breaks("two goroutines at once in %s", name)
	}
	f.inUse = true
	if f.keepLog {
		f.log = append(f.log, fmt.Sprint(append([]any{name}, args...)...))
	}
	f.mu.Unlock()
	if hook != nil {
		hook(n)
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.panicAt == n {
		f.inUse = false
		panic("link")
	}
	if f.failAt == n {
		f.inUse = false
		return f.failErr
	}
	if err := ctx.Err(); err != nil {
		f.inUse = false
		return err
	}
	return nil
}

func (f *fakeLink) leave() { f.inUse = false }

func (f *fakeLink) Identify(context.Context) (bench.Identity, error) {
	return bench.Identity{Name: "fake", Rehearsal: true}, f.identifyErr
}

// pinOn is the pin that a channel's closed path leads to.
func (f *fakeLink) pinOn(ch bench.ChannelID) int {
	for id := range f.closed {
		if p, _ := f.rec.Bench.PathByID(id); p.Channel == ch {
			pin, _ := f.rec.PinMap.PinOf(p.Contact)
			return pin
		}
	}
	for _, s := range f.rec.PinMap.Straps {
		if s.Kind == bench.StrapChannel && s.Channel == ch {
			pin, _ := f.rec.PinMap.PinOf(s.Contact)
			return pin
		}
	}
	return 0
}

// rankOf is the place of a pin in the power order, from 1; 0 is no supply.
func (f *fakeLink) rankOf(pin int) int {
	return 1 + slices.IndexFunc(f.rec.Device.Power, func(s dut.PowerStep) bool { return s.Pin == pin })
}

// checkOrder holds a supply's way from or to zero against the power order.
func (f *fakeLink) checkOrder(ch bench.ChannelID) {
	pin := f.pinOn(ch)
	rank := f.rankOf(pin)
	if rank == 0 {
		return
	}
	for other, o := range f.out {
		if other == ch || !o.on || o.setup.Level == 0 {
			continue
		}
		if q := f.pinOn(other); q != 0 && (f.rankOf(q) == 0 || f.rankOf(q) > rank) {
			f.breaks("supply pin %d moves from or to zero while pin %d is at %g", pin, q, o.setup.Level)
		}
	}
}

func (f *fakeLink) Set(ctx context.Context, ch bench.ChannelID, s bench.Setup) error {
	if err := f.enter(ctx, "set ", ch, " ", s.Mode, " ", s.Level); err != nil {
		return err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	defer f.leave()
	o := f.out[ch]
	if !(s.Compliance > 0) {
		f.breaks("channel %d without compliance", ch)
	}
	c, _ := f.rec.Bench.ChannelByID(ch)
	if _, _, _, ok := c.RangesFor(s); !ok {
		f.breaks("channel %d has no range for %+v", ch, s)
	}
	if o.on {
		if o.setup.Mode != s.Mode || o.setup.Range != s.Range || o.setup.SenseRange != s.SenseRange {
			f.breaks("channel %d changes range or function while on", ch)
		}
		if (o.setup.Level == 0) != (s.Level == 0) {
			f.checkOrder(ch)
		}
		if pin := f.pinOn(ch); math.Abs(s.Level) > f.highest[pin] {
			f.breaks("pin %d at %g, never asked for", pin, s.Level)
		}
		if s.Level != 0 {
			f.live = true
		}
	}
	o.setup, o.known = s, true
	return nil
}

func (f *fakeLink) Output(ctx context.Context, ch bench.ChannelID, on bool) error {
	if err := f.enter(ctx, "output ", ch, " ", on); err != nil {
		return err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	defer f.leave()
	o := f.out[ch]
	switch {
	case on && !o.known:
		f.breaks("channel %d switched on before it was set", ch)
	case o.setup.Level != 0:
		f.breaks("channel %d switched at level %g", ch, o.setup.Level)
	case on && f.pinOn(ch) == 0:
		f.breaks("channel %d switched on without a path", ch)
	}
	o.on = on
	f.live = f.live || on
	return nil
}

func (f *fakeLink) Close(ctx context.Context, paths []bench.PathID) error {
	if err := f.enter(ctx, "close ", paths); err != nil {
		return err
	}
	f.mu.Lock()
	want := map[bench.PathID]bool{}
	mux := map[string]bool{}
	for _, id := range paths {
		want[id] = true
		p, _ := f.rec.Bench.PathByID(id)
		if mux[p.Mux] {
			f.breaks("two paths of multiplexer %s", p.Mux)
		}
		mux[p.Mux] = true
	}
	for _, p := range f.rec.Bench.Paths {
		if want[p.ID] != f.closed[p.ID] && p.Channel != 0 && f.out[p.Channel].on {
			f.breaks("path %d moves while channel %d is on", p.ID, p.Channel)
		}
	}
	for ch, o := range f.out {
		if !o.on || o.setup.Level == 0 || f.rankOf(f.pinOn(ch)) == 0 {
			continue
		}
		for _, p := range f.rec.Bench.Paths {
			if p.Channel == 0 && want[p.ID] != f.closed[p.ID] {
				f.breaks("path %d to the return moves while channel %d supplies %g V", p.ID, ch, o.setup.Level)
			}
		}
	}
	f.closed = want
	f.live = f.live || len(want) > 0
	f.leave()
	f.mu.Unlock()
	return f.clock.Sleep(ctx, 2*seconds(f.rec.Bench.SwitchTime))
}

func (f *fakeLink) Read(ctx context.Context, chs []bench.ChannelID, aperture time.Duration, dst []bench.Sample) ([]bench.Sample, error) {
	if err := f.enter(ctx, "read ", chs); err != nil {
		return dst, err
	}
	f.mu.Lock()
	safe, n := f.safe, f.safes
	for _, ch := range chs {
		if !f.out[ch].on && n == 0 {
			f.breaks("channel %d is read while off", ch)
		}
	}
	f.leave()
	f.mu.Unlock()
	wait, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	go func() {
		select {
		case <-safe:
			cancel(bench.ErrMadeSafe)
		case <-wait.Done():
		}
	}()
	if err := f.clock.Sleep(wait, aperture); err != nil {
		if cause := context.Cause(wait); errors.Is(cause, bench.ErrMadeSafe) {
			return dst, cause
		}
		return dst, err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, ch := range chs {
		f.reads++
		s := bench.Sample{Channel: ch, At: f.clock.Now(), V: f.out[ch].setup.Level, I: 1e-6 * float64(f.reads)}
		if f.reading != nil {
			s.V, s.I = f.reading(ch, f.out[ch].setup, f.reads)
		}
		dst = append(dst, s)
	}
	return dst, nil
}

func (f *fakeLink) MakeSafe(ctx context.Context) error {
	_ = f.clock.Sleep(ctx, f.safeTakes)
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.keepLog {
		f.log = append(f.log, "safe")
	}
	f.safes++
	if ctx.Err() != nil {
		f.breaks("made safe with a context that has ended")
	}
	if f.safeFails > 0 {
		f.safeFails--
		return errors.New("no answer")
	}
	for _, o := range f.out {
		*o = fakeOutput{}
	}
	clear(f.closed)
	f.live = false
	close(f.safe)
	f.safe = make(chan struct{})
	return nil
}

func (f *fakeLink) Faults(ctx context.Context) ([]bench.Fault, error) {
	if err := f.enter(ctx, "faults"); err != nil {
		return nil, err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	defer f.leave()
	out := f.faults
	f.faults = nil
	return out, nil
}
