package cause_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/cause"
	"ohmkeep/server/check"
	"ohmkeep/server/demo"
	"ohmkeep/server/derive"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
	"ohmkeep/server/rehearsal"
)

// made is a run of the demonstration's device whose results a test makes up.
type made struct {
	rec     procedure.Record
	results []procedure.Result
}

// soundRun has the contact and the load of outputs, all within limits, with the
// scatter and the U that the rehearsal bench shows.
func soundRun(t *testing.T) *made {
	t.Helper()
	docs := demo.Scenario()
	m := &made{rec: procedure.Record{Bench: rehearsal.DefaultBench()}}
	for _, d := range docs.Devices {
		if d.Key == demo.TarnelKey {
			m.rec.Device = d
		}
	}
	for _, pm := range docs.PinMaps {
		if pm.Device == demo.TarnelKey {
			m.rec.PinMap = pm
		}
	}
	for _, p := range docs.Procedures {
		if p.Key == demo.LotProcedure {
			m.rec.Procedure = p
		}
	}
	rng := rand.New(rand.NewPCG(1, 2))
	for i, x := range m.rec.Procedure.Measurements {
		for _, pin := range x.Pins {
			add := func(key string, value, u, scatter float64, unit quantity.Unit) {
				m.results = append(m.results, procedure.Result{Measurement: i, Key: key, Name: key, Pin: pin, Unit: unit,
					Value: value + scatter*rng.NormFloat64(), U: u, Outcome: derive.Pass})
			}
			switch x.Kind {
			case "contact":
				add("upper", 0.684, 0.25e-3, 0.05e-3, quantity.Volt)
				add("lower", -0.684, 0.25e-3, 0.05e-3, quantity.Volt)
			case "output-level":
				add("output-resistance", 53, 0.7, 0.2, quantity.Ohm)
			case "leakage":
				add("high", 0, 0.2e-9, 0.1e-9, quantity.Ampere)
			}
		}
	}
	return m
}

// change changes the results of a pin in measurements of a kind, and reports how many.
func (m *made) change(kind string, pin int, change func(*procedure.Result)) (n int) {
	for i := range m.results {
		if r := &m.results[i]; r.Pin == pin && m.rec.Procedure.Measurements[r.Measurement].Kind == kind {
			change(r)
			n++
		}
	}
	return n
}

func failed(value float64, flags bench.Flags) func(*procedure.Result) {
	return func(r *procedure.Result) {
		r.Value, r.Flags, r.Outcome = math.Copysign(value, r.Value), flags, derive.Fail
	}
}

func open(r *procedure.Result)    { failed(2, bench.InCompliance)(r) }
func shorted(r *procedure.Result) { failed(0.01, 0)(r) }
func leaks(r *procedure.Result)   { failed(1e-6, bench.InCompliance)(r) }

// TestConstructedFindings holds what is said of findings whose pattern has one cause.
func TestConstructedFindings(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		change func(*made)
		right  func(*cause.Cause) bool
		words  string // in what is said of it, or its evidence
	}{
		"open over one path, good over two others": {func(m *made) { m.change("contact", 2, open) },
			func(x *cause.Cause) bool {
				return x.Kind == check.StuckOpen && slices.Equal(x.Paths, []bench.PathID{2})
			},
			"Pin 2 Y1 is open over 1A:2 and good over 1B:2, 2A:2"},
		"open over all": {func(m *made) {
			m.change("contact", 2, open)
			m.change("output-level", 2, open)
		}, func(x *cause.Cause) bool { return x.Kind == cause.OpenBond && slices.Equal(x.Pins, []int{2}) }, "3 of 3 results at pin 2 Y1 are not"},
		"one of six 50 Ω higher": {func(m *made) {
			m.change("contact", 4, func(r *procedure.Result) { r.Value += math.Copysign(5e-3, r.Value) })
			m.change("output-level", 4, func(r *procedure.Result) { r.Value += 50 })
		}, func(x *cause.Cause) bool { return x.Kind == check.PoorContact && slices.Equal(x.Contacts, []int{4}) }, "contact 4 touches pin 4 Y2 badly"},
		"two pins at nearly no voltage": {func(m *made) {
			m.change("contact", 3, shorted)
			m.change("contact", 5, shorted)
			m.change("leakage", 3, leaks)
			m.change("leakage", 5, leaks)
		}, func(x *cause.Cause) bool { return x.Kind == cause.Shorted && slices.Equal(x.Pins, []int{3, 5}) }, "pins 3 A2 and 5 A3 are shorted"},
		"all but one pin at nearly no voltage by one channel": {func(m *made) {
			for _, pin := range []int{1, 3, 4, 5, 6, 8, 9, 10, 11, 12, 13} {
				m.change("contact", pin, shorted)
			}
			m.change("output-level", 2, func(r *procedure.Result) { r.Outcome = derive.Invalid }) // it pulls the supply down, which is on 1A
		}, func(x *cause.Cause) bool {
			return x.Kind == check.StuckClosed && slices.Equal(x.Paths, []bench.PathID{2})
		}, "1A:2 does not open"},
		"a leak at one input": {func(m *made) { m.change("leakage", 3, failed(4e-7, 0)) },
			func(x *cause.Cause) bool { return x.Kind == cause.LeakyPin && slices.Equal(x.Pins, []int{3}) }, "pin 3 A2 leaks"},
	} {
		t.Run(name, func(t *testing.T) {
			m := soundRun(t)
			c.change(m)
			d := cause.Diagnose(&m.rec, m.results, cause.Told{})
			if d == nil {
				t.Fatal("nothing is said")
			}
			top := &d.Causes[0]
			if said := top.Said + strings.Join(top.Evidence, "\n"); !c.right(top) || !strings.Contains(said, c.words) || len(d.Next) == 0 && top.Probability < 0.9 {
				t.Errorf("%.2f %s\n%q\nnext %+v", top.Probability, top.Said, top.Evidence, d.Next)
			}
		})
	}
}

// TestNothingIsSaid: sound results, no results, and results of nothing that is known.
func TestNothingIsSaid(t *testing.T) {
	t.Parallel()
	m := soundRun(t)
	for name, results := range map[string][]procedure.Result{
		"sound": m.results, "none": nil,
		"of no measurement": {{Measurement: 99, Pin: 2, Outcome: derive.Fail}, {Measurement: -1, Pin: 2, Outcome: derive.Fail}},
		"of no pin":         {{Measurement: 0, Outcome: derive.Fail}},
	} {
		if d := cause.Diagnose(&m.rec, results, cause.Told{}); d != nil {
			t.Errorf("%s: %d findings, %+v", name, d.Findings, d.Causes)
		}
	}
}

// TestCheckIsHeard: what the check of the bench found comes first, and a good check
// makes the bench less likely.
func TestCheckIsHeard(t *testing.T) {
	t.Parallel()
	m := soundRun(t)
	m.change("contact", 2, open)
	m.change("output-level", 2, open)
	before := cause.Diagnose(&m.rec, m.results, cause.Told{})
	good := cause.Diagnose(&m.rec, m.results, cause.Told{Checked: true})
	found := cause.Diagnose(&m.rec, m.results, cause.Told{Faults: []check.Finding{{Kind: check.OpenContact, Contacts: []int{2}}}})
	if !(good.Bench < before.Bench && before.Bench < found.Bench) || found.Causes[0].Kind != check.PoorContact || found.Bench < 0.9 {
		t.Errorf("bench %.2f with a good check, %.2f without, %.2f with what it found: %s", good.Bench, before.Bench, found.Bench, found.Causes[0].Said)
	}
}

// TestAnyResults: whatever results say, probabilities are probabilities, and every step
// that is proposed is expected to tell something.
func TestAnyResults(t *testing.T) {
	t.Parallel()
	outcomes := []derive.Outcome{derive.Pass, derive.Fail, derive.Invalid, derive.ConditionalFail, derive.Untrusted, derive.NoLimits, derive.Damaged}
	values := []float64{0, 1, -1, 2, 1e-9, math.NaN(), math.Inf(1), 1e300}
	for seed := range uint64(40) {
		rng := rand.New(rand.NewPCG(seed, 9))
		m := soundRun(t)
		for range 1 + rng.IntN(60) {
			r := &m.results[rng.IntN(len(m.results))]
			r.Outcome, r.Value = outcomes[rng.IntN(len(outcomes))], values[rng.IntN(len(values))]
			r.Flags = bench.Flags(rng.IntN(16))
		}
		d := cause.Diagnose(&m.rec, m.results, cause.Told{Checked: seed%2 == 0})
		if d == nil {
			continue
		}
		sum := 0.0
		for i, c := range d.Causes {
			sum += c.Probability
			if !(c.Probability > 0) || i > 0 && c.Probability > d.Causes[i-1].Probability || c.Said == "" {
				t.Errorf("seed %d: %+v", seed, c)
			}
		}
		if !(sum > 0 && sum < 1+1e-9 && d.Bench >= 0 && d.Bench < 1+1e-9) || len(d.Causes) == 0 {
			t.Errorf("seed %d: sum %g, bench %g", seed, sum, d.Bench)
		}
		for _, s := range d.Next {
			if !(s.Expected >= 0 && s.Expected < s.Now) {
				t.Errorf("seed %d: %+v", seed, s)
			}
		}
	}
}
