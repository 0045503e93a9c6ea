package conformance

import (
	"context"
	"math"
	"sync"
	"testing"

	"ohmkeep/server/bench"
)

// spy is a link that watches what the check has it do: nothing that is on may
// have more than what the check promises.
type spy struct {
	bench.Link
	t      testing.TB
	mu     sync.Mutex
	on     map[bench.ChannelID]bool
	set    map[bench.ChannelID]bench.Setup
	closed int
	// seen is what was done at all: a check that does nothing is safe too.
	outputs, paths int
	// switched, where it is set, is told when an output is switched.
	switched func(on bool)
}

func (s *spy) Set(ctx context.Context, ch bench.ChannelID, setup bench.Setup) error {
	s.mu.Lock()
	s.set[ch] = setup
	s.hold(ch)
	s.mu.Unlock()
	return s.Link.Set(ctx, ch, setup)
}

func (s *spy) Output(ctx context.Context, ch bench.ChannelID, on bool) error {
	s.mu.Lock()
	s.on[ch] = on
	if on {
		s.outputs++
	}
	s.hold(ch)
	s.mu.Unlock()
	if s.switched != nil {
		s.switched(on)
	}
	return s.Link.Output(ctx, ch, on)
}

func (s *spy) Close(ctx context.Context, paths []bench.PathID) error {
	s.mu.Lock()
	for ch, on := range s.on {
		if on {
			s.t.Errorf("paths are switched while the output of channel %d is on", ch)
		}
	}
	s.closed, s.paths = len(paths), s.paths+len(paths)
	s.mu.Unlock()
	return s.Link.Close(ctx, paths)
}

func (s *spy) MakeSafe(ctx context.Context) error {
	s.mu.Lock()
	clear(s.on)
	s.closed = 0
	s.mu.Unlock()
	return s.Link.MakeSafe(ctx)
}

// hold compares a channel that is on with what the check promises.
func (s *spy) hold(ch bench.ChannelID) {
	set := s.set[ch]
	if !s.on[ch] {
		return
	}
	volts, amps := set.Level, set.Compliance
	if set.Mode == bench.ForceCurrent {
		volts, amps = set.Compliance, set.Level
	}
	if math.Abs(volts) > maxLevel || math.Abs(amps) > maxCompliance {
		s.t.Errorf("channel %d is on with %g V and %g A", ch, volts, amps)
	}
}
