package rehearsal

import (
	"context"
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/rehearsal/circuit"
	"ohmkeep/server/testkit"
)

// Paths of the default bench.
func path(ch bench.ChannelID, contact int) bench.PathID {
	if ch == 0 {
		return bench.PathID(4*contacts + contact)
	}
	return bench.PathID(int(ch-1)*contacts + contact)
}

const cycle = 20 * time.Millisecond

// resistor is a part with ohms between pins 1 and 2.
func resistor(ohms float64) func(*circuit.Circuit) map[int]circuit.Node {
	return func(c *circuit.Circuit) map[int]circuit.Node {
		a, b := c.NewNode(), c.NewNode()
		c.Resistor(a, b, ohms)
		return map[int]circuit.Node{1: a, 2: b}
	}
}

func straight(pins int) bench.PinMap {
	m := bench.PinMap{Contacts: map[int]int{}}
	for p := 1; p <= pins; p++ {
		m.Contacts[p] = p
	}
	return m
}

func start() time.Time { return time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC) }

// rig is a bench with a counting clock and helpers that fail the test.
type rig struct {
	*Bench
	t     testing.TB
	clock *bench.CountingClock
}

func newRig(t testing.TB, cfg Config) *rig {
	t.Helper()
	clock := bench.NewCountingClock(start())
	if cfg.Definition.Key == "" {
		cfg.Definition = DefaultBench()
	}
	if cfg.Clock == nil {
		cfg.Clock = clock
	}
	b, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	return &rig{b, t, clock}
}

func withResistor(t testing.TB, seed uint64, ohms float64, faults ...bench.BenchFault) *rig {
	return newRig(t, Config{Seed: seed, Seat: Seat{PinMap: straight(2), place: resistor(ohms)}, Faults: faults})
}

func (r *rig) must(err error) {
	r.t.Helper()
	if err != nil {
		r.t.Fatal(err)
	}
}

func (r *rig) wire(paths ...bench.PathID) {
	r.t.Helper()
	r.must(r.Close(context.Background(), paths))
}

func (r *rig) on(ch bench.ChannelID, s bench.Setup) {
	r.t.Helper()
	r.must(r.Set(context.Background(), ch, s))
	r.must(r.Output(context.Background(), ch, true))
}

func (r *rig) wait(d time.Duration) { r.must(r.clock.Sleep(context.Background(), d)) }

func (r *rig) read(ch bench.ChannelID, aperture time.Duration) bench.Sample {
	r.t.Helper()
	s, err := r.Read(context.Background(), []bench.ChannelID{ch}, aperture, nil)
	r.must(err)
	return s[0]
}

// near holds a number within so much of another, in their unit.
var near = testkit.Within

func forceV(level, compliance float64) bench.Setup {
	return bench.Setup{Mode: bench.ForceVoltage, Level: level, Compliance: compliance}
}

func forceI(level, compliance float64) bench.Setup {
	return bench.Setup{Mode: bench.ForceCurrent, Level: level, Compliance: compliance}
}

// asStated is a world without errors and spread at the temperature at which
// the models and the tables are stated, so that what is left is circuit and
// settling.
func asStated() *bench.World {
	w := NominalWorld()
	w.Ambient = 300 - bench.ZeroCelsius
	return &w
}

// bound is the largest error of one reading of value in a range, noise aside:
// the stated accuracy, and half a converter step beside it.
func bound(r bench.Range, value float64) float64 { return r.MaxError(value) + r.Step/2*(1+r.Gain) }

func remote(s bench.Setup) bench.Setup { s.Remote = true; return s }

// table reads a file of testdata as numbers; the first row is its header.
func table(t *testing.T, name string) [][]float64 {
	t.Helper()
	f, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out [][]float64
	for _, row := range rows[1:] {
		var v []float64
		for _, s := range row {
			x, err := strconv.ParseFloat(s, 64)
			if err != nil {
				x = math.NaN()
			}
			v = append(v, x)
		}
		out = append(out, v)
	}
	if len(out) < 10 {
		t.Fatalf("%s: only %d rows", name, len(out))
	}
	return out
}
