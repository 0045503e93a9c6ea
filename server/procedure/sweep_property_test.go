package procedure

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/dut"
)

// validSweep draws a sweep that its own check has nothing against.
func validSweep(t *rapid.T) Sweep {
	back := rapid.Bool().Draw(t, "back")
	if rapid.IntRange(0, 2).Draw(t, "list?") == 0 {
		return Sweep{Spacing: List, Back: back, List: rapid.SliceOfN(rapid.Float64Range(-10, 10), 1, 30).Draw(t, "list")}
	}
	s := Sweep{Spacing: Linear, From: rapid.Float64Range(-10, 10).Draw(t, "from"), To: rapid.Float64Range(-10, 10).Draw(t, "to"),
		Points: rapid.IntRange(2, 400).Draw(t, "points"), Back: back}
	if rapid.Bool().Draw(t, "log") {
		s.Spacing = Log
		s.From = math.Exp(rapid.Float64Range(-25, 3).Draw(t, "from"))
		s.To = math.Exp(rapid.Float64Range(-25, 3).Draw(t, "to"))
		if rapid.Bool().Draw(t, "negative") {
			s.From, s.To = -s.From, -s.To
		}
	}
	if s.From == s.To {
		s.To = 2 * s.From
	}
	if s.From == s.To {
		s.To = 1
	}
	return s
}

// levels are all levels of a sweep in order.
func levels(s *Sweep) []float64 {
	out := make([]float64, s.Len())
	for i := range out {
		out[i] = s.At(i)
	}
	return out
}

// Any sweep starts and ends where it says, stays between, goes one way, is
// spread as it says, and comes back through the same levels.
func TestLevelsOfAnySweep(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := validSweep(t)
		var ps dut.Problems
		if !s.check(&ps, "sweep.", "V") {
			t.Fatalf("%+v: %v", s, ps)
		}
		all := levels(&s)
		there := all[:s.Count()]
		low, high := s.Range()
		if slices.Min(all) != low || slices.Max(all) != high {
			t.Fatalf("%+v: levels from %g to %g, range %g to %g", s, slices.Min(all), slices.Max(all), low, high)
		}
		if s.Back {
			again := slices.Clone(all[s.Count():])
			slices.Reverse(again)
			if !slices.Equal(again, there) {
				t.Fatalf("%+v: back through %v", s, again)
			}
		}
		if s.Spacing == List {
			if !slices.Equal(there, s.List) {
				t.Fatalf("%+v: %v", s, there)
			}
			return
		}
		if there[0] != s.From || there[len(there)-1] != s.To {
			t.Fatalf("%+v: from %g to %g", s, there[0], there[len(there)-1])
		}
		n := float64(s.Points - 1)
		for i := 1; i < len(there); i++ {
			if there[i] > there[i-1] != (s.To > s.From) && there[i] != there[i-1] {
				t.Fatalf("%+v turns back at point %d", s, i)
			}
			f := float64(i) / n
			want := s.From + f*(s.To-s.From)
			if s.Spacing == Log {
				want = math.Copysign(math.Pow(math.Abs(s.From), 1-f)*math.Pow(math.Abs(s.To), f), s.From)
			}
			if math.Abs(there[i]-want) > 1e-12*max(math.Abs(s.From), math.Abs(s.To)) {
				t.Fatalf("%+v: point %d is %.17g, want %.17g", s, i, there[i], want)
			}
		}
	})
}

// A preview is levels of the sweep in their order, with both ends, and no more
// of them than were asked for.
func TestPreviewOfAnySweep(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := validSweep(t)
		most := rapid.IntRange(-1, 50).Draw(t, "most")
		got, all := s.Preview(most), levels(&s)
		if most < 2 {
			if got != nil {
				t.Fatalf("at most %d: %v", most, got)
			}
			return
		}
		if len(got) != min(most, len(all)) || got[0] != all[0] || got[len(got)-1] != all[len(all)-1] {
			t.Fatalf("%d of %d levels: %v", len(got), len(all), got)
		}
		at := 0
		for _, v := range got {
			i := slices.Index(all[at:], v)
			if i < 0 {
				t.Fatalf("%g is no level, or out of order: %v of %v", v, got, all)
			}
			at += i + 1
		}
	})
	if got := (&Sweep{Spacing: Linear, From: 1, To: 1, Points: 5}).Preview(9); got != nil {
		t.Errorf("a sweep without two levels has the preview %v", got)
	}
}

// A threshold wants levels that rise or fall all along, and an edge is named by
// the way the input goes.
func TestSteadyListsAndEdges(t *testing.T) {
	steady := func(list []float64) bool {
		c := checker{}
		c.steady("sweep.list", &Sweep{Spacing: List, List: list})
		return len(c.ps) == 0
	}
	rapid.Check(t, func(t *rapid.T) {
		list := rapid.SliceOfN(rapid.Float64Range(-5, 5), 2, 12).Draw(t, "list")
		up, down := true, true
		for i := 1; i < len(list); i++ {
			up, down = up && list[i] > list[i-1], down && list[i] < list[i-1]
		}
		if steady(list) != (up || down) {
			t.Fatalf("%v: steady %v", list, steady(list))
		}
		sorted := slices.Compact(slices.Sorted(slices.Values(list)))
		if !steady(sorted) {
			t.Fatalf("%v is refused", sorted)
		}
		if len(sorted) < 2 {
			return
		}
		s := Sweep{Spacing: List, List: sorted, Back: true}
		if edge(&s, 0) != "rising" || edge(&s, 1) != "falling" {
			t.Fatalf("%v: %s, then %s", sorted, edge(&s, 0), edge(&s, 1))
		}
		slices.Reverse(s.List)
		if edge(&s, 0) != "falling" || edge(&s, 1) != "rising" {
			t.Fatalf("%v: %s, then %s", sorted, edge(&s, 0), edge(&s, 1))
		}
	})
}
