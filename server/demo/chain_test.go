package demo

import (
	"flag"
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/derive"
	"ohmkeep/server/procedure"
	"ohmkeep/server/rehearsal"
)

// TestGoodUnitsPass runs every procedure on good units.
func TestGoodUnitsPass(t *testing.T) {
	for _, p := range Scenario().Procedures {
		t.Run(p.Key, func(t *testing.T) {
			t.Parallel()
			began := time.Now()
			r := rehearse(t, p.Key, 3, LotUnit{Serial: "good", Seed: 31})
			r.passes(t, p.Key)
			t.Logf("%v on the bench, computed in %v", r.took, time.Since(began).Round(time.Millisecond))
			if b, ok := bounds[p.Key]; ok && (r.took < b[0] || r.took > b[1]) {
				t.Errorf("took %v, outside %v", r.took, b)
			}
		})
	}
}

// expected is the first thing that must be found wrong with each faulty unit.
var expected = map[int]struct {
	id, key string
	pin     int
}{
	4:  {"contact", "upper", 9},
	9:  {"leakage", "high", 5},
	13: {"contact", "upper", 2},
	18: {"output-high", "loaded", 8},
	22: {"supply", "current", tarnelVCC},
}

// units is how many units of the lot TestLot measures: all faulty ones and then
// good ones. All 24 take about 20 s of one core.
var units = flag.Int("units", 6, "units of the lot that TestLot measures: the faulty ones first, 24 are all")

// TestLot measures the lot: five units fail, each for the reason that it was
// made faulty, and all others pass.
func TestLot(t *testing.T) {
	lot := Lot()
	if len(lot) != 24 || len(lotFaults) != 5 || len(expected) != len(lotFaults) {
		t.Fatalf("%d units, %d faulty, %d expected", len(lot), len(lotFaults), len(expected))
	}
	good := *units - len(lotFaults)
	t.Logf("%d of %d units", max(*units, len(lotFaults)), len(lot))
	for i, u := range lot {
		want, faulty := expected[i+1]
		if !faulty {
			if good--; good < 0 {
				continue
			}
		}
		t.Run(u.Serial, func(t *testing.T) {
			t.Parallel()
			r := rehearse(t, LotProcedure, 1, u)
			if !faulty {
				r.passes(t, u.Serial)
				return
			}
			if r.outcome() != derive.Fail || r.held.Ending.Status != procedure.Done {
				t.Errorf("%+v: %s, %q (%s)", u.UnitFaults, r.held.Ending.Status, r.outcome(), r.held.Ending.Reason)
			}
			bad := r.bad()
			if len(bad) == 0 {
				t.Fatalf("%+v: nothing was found", u.UnitFaults)
			}
			if x := bad[0]; r.id(x) != want.id || x.Key != want.key || x.Pin != want.pin || x.Outcome != derive.Fail {
				t.Errorf("%+v was found first by %s; want %+v", u.UnitFaults, r.say(x), want)
			}
		})
	}
}

// BenchmarkLot is the computation of the whole lot on one core.
func BenchmarkLot(b *testing.B) {
	for b.Loop() {
		passed := 0
		for _, u := range Lot() {
			if r := rehearse(b, LotProcedure, 1, u); r.outcome() == derive.Pass {
				passed++
			}
		}
		if passed != lotSize-len(lotFaults) {
			b.Errorf("%d units passed, want %d", passed, lotSize-len(lotFaults))
		}
	}
}

// TestFaultsStopTheQuickLook: it ends at the measurement that finds the fault,
// before anything is powered where that is contact or a short.
func TestFaultsStopTheQuickLook(t *testing.T) {
	for i, want := range expected {
		r := rehearse(t, "tarnel-6-quick", 2, Lot()[i-1])
		bad := r.bad()
		if r.outcome() != derive.Fail || len(bad) == 0 {
			t.Errorf("unit %d: %q, %d bad results", i, r.outcome(), len(bad))
			continue
		}
		last := r.held.Results[len(r.held.Results)-1]
		for _, x := range r.held.Results {
			if x.Measurement > last.Measurement {
				last = x
			}
		}
		if r.id(bad[0]) != want.id || r.id(last) != want.id {
			t.Errorf("unit %d: found by %s, ended at %s; want %s", i, r.say(bad[0]), r.id(last), want.id)
		}
	}
}

// TestFaultsOfOtherParts: a fault of each of the other parts is what the first
// measurements of its procedure find.
func TestFaultsOfOtherParts(t *testing.T) {
	for _, x := range []struct {
		procedure, id, key string
		pin                int
		fault              bench.UnitFault
	}{
		{"quorrel-2-followers", "leakage-2", "high", 5, bench.UnitFault{Kind: leakyPin, Pin: 5, Value: 50e6}},
		{"quorrel-2-followers", "contact", "upper", 3, bench.UnitFault{Kind: openBond, Pin: 3}},
		{"dunmoss-8-resistances", "two-wire", "resistance", 3, bench.UnitFault{Kind: contactResistance, Pin: 3, Value: 200}},
		{"averlock-48-basics", "contact", "upper", 31, bench.UnitFault{Kind: openBond, Pin: 31}},
		{"averlock-48-basics", "contact", "upper", 19, bench.UnitFault{Kind: pinsShorted, Pin: 19, Pin2: 20, Value: 100}},
	} {
		r := rehearse(t, x.procedure, 5, LotUnit{Serial: "faulty", Seed: 61, UnitFaults: []bench.UnitFault{x.fault}},
			"contact", "shorts", "leakage-1", "leakage-2", "two-wire")
		bad := r.bad()
		if r.outcome() != derive.Fail || len(bad) == 0 {
			t.Errorf("%s, %+v: %q, %d bad results", x.procedure, x.fault, r.outcome(), len(bad))
			continue
		}
		if f := bad[0]; r.id(f) != x.id || f.Key != x.key || f.Pin != x.pin || f.Outcome != derive.Fail {
			t.Errorf("%s, %+v was found first by %s", x.procedure, x.fault, r.say(f))
		}
	}
}

// covered counts how often an interval holds the truth.
type covered struct{ in, all int }

func (c *covered) count(t testing.TB, what string, x procedure.Result, truth float64) {
	t.Helper()
	c.all++
	if math.Abs(x.Value-truth) <= x.U {
		c.in++
	} else {
		t.Logf("%s: %.8g ± %.3g does not hold %.8g", what, x.Value, x.U, truth)
	}
}

// atLeast asks for a share of intervals that hold the truth: less than the 95 %
// that is stated by what so few benches scatter, since all results of a range of
// one bench miss together.
func (c *covered) atLeast(t testing.TB, what string, share float64) {
	t.Helper()
	t.Logf("%s: %d of %d intervals hold the truth", what, c.in, c.all)
	if float64(c.in) < share*float64(c.all) || c.all == 0 {
		t.Errorf("%s: only %d of %d intervals hold the truth", what, c.in, c.all)
	}
}

// TestResistanceIntervals holds measured intervals against what the model
// really has, over units and benches. What the paths add to two-wire is
// subtracted.
func TestResistanceIntervals(t *testing.T) {
	shares := map[string]*covered{"two-wire": {}, "four-wire": {}, "reversal": {}}
	for seed := range uint64(25) {
		r := rehearse(t, "dunmoss-8-resistances", 100+seed, LotUnit{Serial: "net", Seed: 200 + seed})
		for _, x := range r.held.Results {
			if x.Key != "resistance" {
				continue
			}
			truth := r.truth.Unit[fmt.Sprintf("R%d", x.Pin)]
			if truth == 0 {
				t.Fatalf("no truth for pin %d", x.Pin)
			}
			id := r.id(x)
			shares[id].count(t, id, x, truth)
			if x.U > 1.5e-3*truth {
				t.Errorf("%s: ± %g Ω is too coarse", id, x.U)
			}
		}
	}
	for id, c := range shares {
		if c.all != 25*8 {
			t.Errorf("%s: %d results", id, c.all)
		}
		c.atLeast(t, id, 0.8) // three standard deviations of 25 benches
	}
}

// TestDiodeIntervals does the same for the parameters of a protection diode. The
// ways there and back are taken off.
func TestDiodeIntervals(t *testing.T) {
	var n, rs covered
	for seed := range uint64(40) {
		r := rehearse(t, LotProcedure, 300+seed, LotUnit{Serial: "diode", Seed: 400 + seed}, "diode-upper", "diode-lower")
		for _, x := range r.held.Results {
			switch x.Key {
			case "ideality":
				n.count(t, "n", x, r.truth.Unit["protection n"])
			case "series-resistance":
				rs.count(t, "Rs", x, r.truth.Unit["protection Rs"])
			}
		}
	}
	n.atLeast(t, "ideality", 0.95)
	rs.atLeast(t, "series resistance", 0.95)
}

// perfect is the default bench with converters that do not err.
func perfect() bench.Definition {
	def := rehearsal.DefaultBench()
	for i := range def.Channels {
		c := &def.Channels[i]
		for _, rs := range [][]bench.Range{c.ForceV, c.ForceI, c.SenseV, c.SenseI} {
			for k := range rs {
				rs[k] = bench.Range{FullScale: rs[k].FullScale}
			}
		}
	}
	return def
}

// TestThresholdIntervals holds thresholds against what the same unit does on a
// bench without errors, swept five times as finely and with time to settle.
func TestThresholdIntervals(t *testing.T) {
	const fine = 601
	var shares covered
	for seed := range uint64(5) {
		u := LotUnit{Serial: "threshold", Seed: 500 + seed}
		rough := rehearse(t, LotProcedure, 600+seed, u, "threshold-3")
		p := rough.held.Record.Procedure
		p.Measurements = slices.Clone(p.Measurements)
		m := &p.Measurements[0]
		sweep := *m.Sweep
		sweep.Points, m.Sweep, m.Settle = fine, &sweep, settleSlow
		truth := map[string]float64{}
		exact := carryOut(t, p, perfect(), 1, u)
		for _, x := range exact.held.Results {
			truth[x.Key] = x.Value
		}
		for _, x := range rough.held.Results {
			shares.count(t, x.Key, x, truth[x.Key])
		}
	}
	if shares.all != 5*3 {
		t.Errorf("%d results", shares.all)
	}
	shares.atLeast(t, "thresholds", 0.9) // one in ten of so few may miss
}
