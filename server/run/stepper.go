package run

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/quantity"
)

// Step is one call to a bench's link, before it is made or after.
type Step struct {
	N        int    // counts from 1 in the run that is stepped
	Call     string // set, output, close or read
	Channel  bench.ChannelID
	Setup    bench.Setup
	On       bool
	Paths    []bench.PathID
	Channels []bench.ChannelID
	Aperture time.Duration
	// What came of it, once it was made.
	Samples []bench.Sample
	Err     error
}

// Words describes the call for a person who is about to let it through.
func (s *Step) Words(d *bench.Definition) string {
	switch s.Call {
	case "set":
		unit, limit := quantity.Volt, quantity.Ampere
		if s.Setup.Mode == bench.ForceCurrent {
			unit, limit = limit, unit
		}
		text := fmt.Sprintf("Channel %s: force %s, compliance %s", d.ChannelName(s.Channel),
			quantity.Format(s.Setup.Level, unit, 6), quantity.Format(s.Setup.Compliance, limit, 6))
		if s.Setup.Remote {
			text += ", sensing at the sense terminals"
		}
		return text
	case "output":
		if s.On {
			return fmt.Sprintf("Channel %s: output on", d.ChannelName(s.Channel))
		}
		return fmt.Sprintf("Channel %s: output off", d.ChannelName(s.Channel))
	case "close":
		if len(s.Paths) == 0 {
			return "Open all paths"
		}
		var names []string
		for _, id := range s.Paths {
			if p, ok := d.PathByID(id); ok {
				names = append(names, p.Address)
			}
		}
		return "Close exactly these paths, all others open: " + strings.Join(names, ", ")
	}
	var names []string
	for _, id := range s.Channels {
		names = append(names, d.ChannelName(id))
	}
	return fmt.Sprintf("Read channel %s over %s", strings.Join(names, ", "), quantity.Format(s.Aperture.Seconds(), quantity.Second, 6))
}

// Stepper is a bench.Link in front of another. While it is on, every call that
// sets, switches or reads waits until a person lets it through; MakeSafe never
// waits. Safe for concurrent use.
type Stepper struct {
	bench.Link

	on      atomic.Bool // so that a stepper that is off costs nothing
	mu      sync.Mutex
	run     string // it is on for
	n       int
	pending *Step
	last    *Step
	through chan struct{} // closed when the pending call may go on
	cut     chan struct{} // closed by MakeSafe
}

// NewStepper makes a stepper that is off.
func NewStepper(link bench.Link) *Stepper {
	return &Stepper{Link: link, cut: make(chan struct{})}
}

// On puts the stepper on for one run, whose calls count from 1.
func (s *Stepper) On(run string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.run, s.n, s.last = run, 0, nil
	s.on.Store(true)
}

// Off puts the stepper off after that run and lets a call that waits go on. It
// does nothing where another run has it by now.
func (s *Stepper) Off(run string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.run != run {
		return
	}
	s.run = ""
	s.on.Store(false)
	s.release()
}

// Next lets the call of that run that waits go on, if it still is number n. It
// reports whether it was.
func (s *Stepper) Next(run string, n int) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.run != run || s.pending == nil || s.pending.N != n {
		return false
	}
	s.release()
	return true
}

// release lets the call that waits go on. The lock must be held.
func (s *Stepper) release() {
	if s.pending != nil {
		close(s.through)
		s.pending = nil
	}
}

// Pending is the call that waits, if one does.
func (s *Stepper) Pending() (Step, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.pending == nil {
		return Step{}, false
	}
	return *s.pending, true
}

// Last is the call that was made last, with what came of it.
func (s *Stepper) Last() (Step, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.last == nil {
		return Step{}, false
	}
	return *s.last, true
}

// step waits for leave, then makes the call.
func (s *Stepper) step(ctx context.Context, st Step, call func(*Step)) error {
	s.mu.Lock()
	s.n++
	st.N = s.n
	waiting := st
	through, cut := make(chan struct{}), s.cut
	s.pending, s.through = &waiting, through
	if !s.on.Load() { // put off since
		s.release()
	}
	s.mu.Unlock()
	select {
	case <-through:
	case <-cut:
		return bench.ErrMadeSafe
	case <-ctx.Done():
		s.mu.Lock()
		if s.pending == &waiting {
			s.pending = nil
		}
		s.mu.Unlock()
		return ctx.Err()
	}
	call(&st)
	s.mu.Lock()
	s.last = &st
	s.mu.Unlock()
	return st.Err
}

// Set implements bench.Link.
func (s *Stepper) Set(ctx context.Context, ch bench.ChannelID, to bench.Setup) error {
	if !s.on.Load() {
		return s.Link.Set(ctx, ch, to)
	}
	return s.step(ctx, Step{Call: "set", Channel: ch, Setup: to}, func(st *Step) { st.Err = s.Link.Set(ctx, ch, to) })
}

// Output implements bench.Link.
func (s *Stepper) Output(ctx context.Context, ch bench.ChannelID, on bool) error {
	if !s.on.Load() {
		return s.Link.Output(ctx, ch, on)
	}
	return s.step(ctx, Step{Call: "output", Channel: ch, On: on}, func(st *Step) { st.Err = s.Link.Output(ctx, ch, on) })
}

// Close implements bench.Link.
func (s *Stepper) Close(ctx context.Context, paths []bench.PathID) error {
	if !s.on.Load() {
		return s.Link.Close(ctx, paths)
	}
	return s.step(ctx, Step{Call: "close", Paths: paths}, func(st *Step) { st.Err = s.Link.Close(ctx, paths) })
}

// Read implements bench.Link.
func (s *Stepper) Read(ctx context.Context, channels []bench.ChannelID, aperture time.Duration, dst []bench.Sample) ([]bench.Sample, error) {
	if !s.on.Load() {
		return s.Link.Read(ctx, channels, aperture, dst)
	}
	before := len(dst)
	err := s.step(ctx, Step{Call: "read", Channels: channels, Aperture: aperture}, func(st *Step) {
		dst, st.Err = s.Link.Read(ctx, channels, aperture, dst)
		st.Samples = slices.Clone(dst[before:])
	})
	return dst, err
}

// MakeSafe implements bench.Link. It never waits for a person, and ends a call
// that does.
func (s *Stepper) MakeSafe(ctx context.Context) error {
	s.mu.Lock()
	close(s.cut)
	s.cut, s.pending = make(chan struct{}), nil
	s.mu.Unlock()
	return s.Link.MakeSafe(ctx)
}
