package check_test

import (
	"flag"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/check"
	"ohmkeep/server/rehearsal"
)

var benches = flag.Int("benches", 10, "benches with one hidden fault, and half as many sound ones, that are checked")

// benchCount is how many benches are checked: few with -short, which is for the
// race detector, and a check has one goroutine.
func benchCount() int {
	if testing.Short() {
		return min(*benches, 2)
	}
	return *benches
}

// hidden is a fault that a check must find: the finding's kind, and what of the
// bench it names.
type hidden struct {
	fault bench.BenchFault
	named func(f check.Finding) bool
}

// drawFault draws a fault of any kind of the rehearsal bench, anywhere.
func drawFault(rng *rand.Rand, def *bench.Definition) hidden {
	p := &def.Paths[rng.IntN(len(def.Paths))]
	c, c2 := 1+rng.IntN(def.Contacts), 1+rng.IntN(def.Contacts)
	sign := float64(1 - 2*rng.IntN(2))
	switch rng.IntN(6) {
	case 0:
		return hidden{bench.BenchFault{Kind: rehearsal.EnableFloating, Mux: p.Mux}, func(f check.Finding) bool {
			return f.Kind == check.EnableFloats && f.Mux == p.Mux
		}}
	case 1:
		return hidden{bench.BenchFault{Kind: rehearsal.StuckOpen, Path: p.ID}, func(f check.Finding) bool {
			return f.Kind == check.StuckOpen && slices.Equal(f.Paths, []bench.PathID{p.ID})
		}}
	case 2:
		return hidden{bench.BenchFault{Kind: rehearsal.StuckClosed, Path: p.ID}, func(f check.Finding) bool {
			return f.Kind == check.StuckClosed && slices.Equal(f.Paths, []bench.PathID{p.ID})
		}}
	case 3:
		ch := def.Channels[rng.IntN(len(def.Channels))].ID
		return hidden{bench.BenchFault{Kind: rehearsal.GainDrift, Channel: ch, Value: sign * (0.005 + 0.045*rng.Float64())}, func(f check.Finding) bool {
			return f.Kind == check.ChannelDisagrees && slices.Equal(f.Channels, []bench.ChannelID{ch})
		}}
	case 4:
		for c2 == c {
			c2 = 1 + rng.IntN(def.Contacts)
		}
		return hidden{bench.BenchFault{Kind: rehearsal.SwappedContacts, Contact: c, Contact2: c2}, func(f check.Finding) bool {
			return f.Kind == check.WrongContact && slices.Equal(f.Contacts, []int{min(c, c2), max(c, c2)})
		}}
	default:
		return hidden{bench.BenchFault{Kind: rehearsal.ContactResistance, Contact: c, Value: 5 + 95*rng.Float64()}, func(f check.Finding) bool {
			return f.Kind == check.PoorContact && slices.Equal(f.Contacts, []int{c})
		}}
	}
}

// TestOneFaultIsNamed checks benches drawn anew, each with one hidden fault: all
// four steps together name its kind and its place, and nothing else. The truth
// is the fault that was ordered.
func TestOneFaultIsNamed(t *testing.T) {
	t.Parallel()
	wrong := 0
	for k := range benchCount() {
		def := rehearsal.DefaultBench()
		seed := uint64(1000 + k)
		h := drawFault(rand.New(rand.NewPCG(seed, 1)), &def)
		rec := checked(t, seed, []bench.BenchFault{h.fault}, check.Channels, check.Empty, check.Plug, check.Numbers)
		var said []string
		named, other := false, false
		for _, s := range rec.Steps {
			for _, f := range s.Findings {
				said = append(said, fmt.Sprintf("%s: %s %s", s.Step, f.Kind, f.Said))
				if h.named(f) {
					named = true
				} else if f.Fault {
					other = true
				}
			}
		}
		if !named || other {
			wrong++
			t.Errorf("bench %d with %+v: named %v, other faults %v:\n%q", seed, h.fault, named, other, said)
		}
		if rec.Verdict() != check.Faulty {
			t.Errorf("bench %d with %+v: verdict %s", seed, h.fault, rec.Verdict())
		}
	}
	t.Logf("%d of %d benches not named rightly", wrong, benchCount())
}

// TestSoundBenchesAreGood checks benches without a fault, drawn anew over their
// whole stated accuracy and tolerances, every other one with all that a real bench
// has (drift, 1/f noise, ripple, thermal voltages that change): nothing is found.
func TestSoundBenchesAreGood(t *testing.T) {
	t.Parallel()
	for k := range max(1, benchCount()/2) {
		world := rehearsal.ServedWorld()
		if k%2 == 1 {
			world = rehearsal.RealWorld()
		}
		rec := checkedIn(t, world, uint64(5000+k), nil, check.Channels, check.Empty, check.Plug, check.Numbers)
		for _, s := range rec.Steps {
			for _, f := range s.Findings {
				t.Errorf("bench %d, %s: %s: %s", 5000+k, s.Step, f.Kind, f.Said)
			}
		}
		if rec.Verdict() != check.Good {
			t.Errorf("bench %d: %s", 5000+k, rec.Verdict())
		}
	}
}
