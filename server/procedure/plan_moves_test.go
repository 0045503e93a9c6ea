package procedure

import (
	"errors"
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/bench"
)

// From one input to the next one path opens and one closes; what stays connected
// keeps its channel and its path.
func TestFewestPathsMove(t *testing.T) {
	d := twoSupplies()
	m := leaking(1, 5, 4)
	m.Rest = UseOpen
	segs := planOf(t, d, checkBench(), m).Steps[0].Segments
	if len(segs) != 3 {
		t.Fatalf("%d segments for three pins", len(segs))
	}
	for i, s := range segs[1:] {
		if n := bench.Moved(segs[i].Assign, s.Assign); n != 2 {
			t.Errorf("segment %d moves %d paths, want one opened and one closed", i+1, n)
		}
		for _, pin := range []int{2, 3, 6} {
			if segs[i].Assign.Path[pin] != s.Assign.Path[pin] {
				t.Errorf("segment %d moves pin %d", i+1, pin)
			}
		}
	}
}

// No choice of channels for the next segment moves fewer paths than the plan
// does, by trying them all.
func TestNoAssignmentMovesFewer(t *testing.T) {
	d, b := networkDevice(), checkBench()
	rapid.Check(t, func(t *rapid.T) {
		// Which channel reaches which contact is drawn, so that keeping may be
		// impossible; the return is reached from everywhere.
		own := *b
		own.Paths = slices.DeleteFunc(slices.Clone(b.Paths), func(p bench.Path) bool {
			return p.Channel != 0 && p.Contact <= 4 && rapid.IntRange(0, 3).Draw(t, "missing") == 0
		})
		held := func(label string) (pins []int) {
			return rapid.SliceOfNDistinct(rapid.IntRange(1, 4), 1, 3, rapid.ID).Draw(t, label)
		}
		planner := NewPlanner(d, straight(d), &own)
		before := plannedOn(t, planner, held("first"))
		pins := held("second")
		after := plannedOn(t, planner, pins)
		if before == nil || after == nil {
			return // cannot be connected on what is left
		}
		best := fewestMoves(&own, before.Assign, pins)
		if got := bench.Moved(before.Assign, after.Assign); got != best {
			t.Fatalf("moves %d paths to hold %v, %d would do", got, pins, best)
		}
	})
}

// plannedOn plans the watch of pins, nil where that cannot be connected.
func plannedOn(t *rapid.T, p *Planner, pins []int) *Segment {
	m := base("watch")
	m.Pins, m.Use, m.Level, m.Compliance, m.Duration, m.Interval = pins, UseVoltage, 1, 1e-3, 1, 0.1
	k, _ := KindByKey(m.Kind)
	s, err := p.Step(0, &m, k, nil)
	var clash *bench.Clash
	if errors.As(err, &clash) {
		return nil
	} else if err != nil {
		t.Fatal(err)
	}
	return s.Segments[0]
}

// fewestMoves tries every channel for every pin.
func fewestMoves(b *bench.Definition, from *bench.Assignment, pins []int) int {
	best := math.MaxInt
	var try func(i int, taken map[bench.ChannelID]bool, paths []bench.PathID)
	try = func(i int, taken map[bench.ChannelID]bool, paths []bench.PathID) {
		if i == len(pins) {
			best = min(best, bench.Moved(from, &bench.Assignment{Paths: paths}))
			return
		}
		for _, p := range b.Paths {
			if p.Channel != 0 && p.Contact == pins[i] && !taken[p.Channel] {
				taken[p.Channel] = true
				try(i+1, taken, append(slices.Clone(paths), p.ID))
				delete(taken, p.Channel)
			}
		}
	}
	try(0, map[bench.ChannelID]bool{}, nil)
	return best
}
