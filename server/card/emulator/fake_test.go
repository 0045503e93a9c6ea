package emulator

import (
	"context"
	"fmt"
	"maps"
	"math"
	"slices"
	"sync"
	"time"

	"ohmkeep/server/bench"
)

// fakeLink is a link that remembers what it was told and holds its user to the
// rules of bench.Link: one call at a time, nothing that makes no sense.
type fakeLink struct {
	def   bench.Definition
	clock bench.Clock // nil: nothing takes time
	fail  func(call string) error

	mu     sync.Mutex
	busy   bool
	calls  []string
	broken []string
	set    map[bench.ChannelID]bench.Setup
	on     map[bench.ChannelID]bool
	closed []bench.PathID
	faults []bench.Fault
	safes  int
}

func newFakeLink(def bench.Definition) *fakeLink {
	return &fakeLink{def: def, set: map[bench.ChannelID]bench.Setup{}, on: map[bench.ChannelID]bool{}}
}

// enter begins a call; the function it returns ends it.
func (f *fakeLink) enter(format string, args ...any) (func(), error) {
	call := fmt.Sprintf(format, args...)
	f.mu.Lock()
	if f.busy {
		f.broken = append(f.broken, "two calls at a time: "+call)
	}
	f.busy = true
	f.calls = append(f.calls, call)
	var err error
	if f.fail != nil {
		err = f.fail(call)
	}
	f.mu.Unlock()
	return func() {
		f.mu.Lock()
		defer f.mu.Unlock()
		f.busy = false
	}, err
}

func (f *fakeLink) Identify(context.Context) (bench.Identity, error) {
	return bench.Identity{Name: "fake", Serial: "F-1", Version: "1", Rehearsal: true}, nil
}

func (f *fakeLink) Set(_ context.Context, id bench.ChannelID, s bench.Setup) error {
	leave, err := f.enter("set %d %+v", id, s)
	defer leave()
	if err != nil {
		return err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	ch, ok := f.def.ChannelByID(id)
	if !ok {
		f.broken = append(f.broken, fmt.Sprintf("set of channel %d", id))
	} else if _, _, _, fits := ch.RangesFor(s); !fits || s.Remote && !ch.RemoteSense {
		f.broken = append(f.broken, fmt.Sprintf("a set that no link takes: %+v", s))
	}
	f.set[id] = s
	return nil
}

func (f *fakeLink) Output(_ context.Context, id bench.ChannelID, on bool) error {
	leave, err := f.enter("output %d %v", id, on)
	defer leave()
	if err != nil {
		return err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if _, set := f.set[id]; on && !set {
		f.broken = append(f.broken, fmt.Sprintf("channel %d on before it was set", id))
	}
	if f.on[id] = on; !on {
		delete(f.on, id)
	}
	return nil
}

func (f *fakeLink) Close(_ context.Context, paths []bench.PathID) error {
	leave, err := f.enter("close %v", paths)
	defer leave()
	if err != nil {
		return err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	taken := map[string]bool{}
	for _, id := range paths {
		p, ok := f.def.PathByID(id)
		if !ok || taken[p.Mux] && p.Mux != "" {
			f.broken = append(f.broken, fmt.Sprintf("paths that exclude each other: %v", paths))
			break
		}
		taken[p.Mux] = true
	}
	f.closed = slices.Clone(paths)
	return nil
}

func (f *fakeLink) Read(ctx context.Context, ids []bench.ChannelID, aperture time.Duration, dst []bench.Sample) ([]bench.Sample, error) {
	leave, err := f.enter("read %v %v", ids, aperture)
	defer leave()
	if err == nil && f.clock != nil {
		err = f.clock.Sleep(ctx, aperture)
	}
	if err != nil {
		return dst, err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, id := range ids {
		s := bench.Sample{Channel: id}
		if set := f.set[id]; f.on[id] {
			s.V, s.I = set.Level, math.Copysign(0, -1)
		}
		dst = append(dst, s)
	}
	return dst, nil
}

func (f *fakeLink) MakeSafe(context.Context) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.calls = append(f.calls, "make safe")
	if f.fail != nil {
		if err := f.fail("make safe"); err != nil {
			return err
		}
	}
	clear(f.set)
	clear(f.on)
	f.closed = nil
	f.safes++
	return nil
}

func (f *fakeLink) Faults(context.Context) ([]bench.Fault, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	out := f.faults
	f.faults = nil
	return out, nil
}

// safe says whether nothing is on or closed.
func (f *fakeLink) safe() bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return len(f.on) == 0 && len(f.closed) == 0
}

// since returns the calls since the last time it was asked.
func (f *fakeLink) since() []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	out := f.calls
	f.calls = nil
	return out
}

// state is what the link was told, to be compared.
func (f *fakeLink) state() (map[bench.ChannelID]bench.Setup, map[bench.ChannelID]bool, []bench.PathID) {
	f.mu.Lock()
	defer f.mu.Unlock()
	closed := slices.Clone(f.closed)
	slices.Sort(closed)
	return maps.Clone(f.set), maps.Clone(f.on), closed
}

// brokenRules are the rules that were broken, for a failed test.
func (f *fakeLink) brokenRules() []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.Clone(f.broken)
}
