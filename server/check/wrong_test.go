package check_test

import (
	"context"
	"encoding/json"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/check"
	"ohmkeep/server/rehearsal"
)

// TestSomethingElseInTheSocket does each step with what it does not ask for: it
// is noticed and said, and no value is kept.
func TestSomethingElseInTheSocket(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		step  check.Step
		model string
	}{
		{check.Empty, "shorting-plug"}, {check.Empty, "hex-inverter"}, {check.Empty, "npn"}, {check.Empty, "check-load"},
		{check.Channels, "shorting-plug"}, {check.Channels, "io48"},
		{check.Plug, "empty"}, {check.Plug, "numbered-plug"}, {check.Plug, "hex-inverter"}, {check.Plug, "check-load"}, {check.Plug, "npn"},
		{check.Numbers, "empty"}, {check.Numbers, "shorting-plug"}, {check.Numbers, "npn"}, {check.Numbers, "resistor-network"},
	} {
		got := stepWith(t, 7, c.model, nil, c.step, nil)
		if !slices.ContainsFunc(got.Findings, func(f check.Finding) bool { return f.Kind == check.OtherSocket && f.Fault }) {
			t.Errorf("%s with %s in the socket is not noticed: %+v", c.step, c.model, got.Findings)
		}
		if len(got.Paths)+len(got.Contacts)+len(got.Leakages)+len(got.Channels) > 0 {
			t.Errorf("%s with %s in the socket: values are kept", c.step, c.model)
		}
	}
}

// TestOtherBenches checks sound benches of other shapes than the rehearsal
// bench's own: nothing is said to be wrong, and what cannot be told is said.
func TestOtherBenches(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name  string
		shape func(d *bench.Definition)
	}{
		{"one channel", func(d *bench.Definition) { keepLines(d, 0, 1) }},
		{"two channels", func(d *bench.Definition) { keepLines(d, 0, 1, 2) }},
		{"three channels", func(d *bench.Definition) { keepLines(d, 0, 1, 2, 3) }},
		{"no return", func(d *bench.Definition) { keepLines(d, 1, 2, 3, 4) }},
		{"two channels, no return", func(d *bench.Definition) { keepLines(d, 1, 2) }},
		{"one channel, no return", func(d *bench.Definition) { keepLines(d, 1) }},
		{"one switch of the return for eight contacts", func(d *bench.Definition) {
			for i := range d.Paths {
				if p := &d.Paths[i]; p.Channel == 0 {
					p.Mux = "return/" + string(rune('a'+(p.Contact-1)/8))
				}
			}
		}},
		{"return and channel 1A exclude each other", func(d *bench.Definition) {
			for i := range d.Paths {
				if p := &d.Paths[i]; p.Channel == 0 {
					p.Mux = "1A/1-16"
				}
			}
		}},
		{"no multiplexers named", func(d *bench.Definition) {
			for i := range d.Paths {
				d.Paths[i].Mux = ""
			}
		}},
		{"ratings of 1 mA", func(d *bench.Definition) {
			for i := range d.Paths {
				d.Paths[i].MaxCurrent = 1e-3
			}
		}},
		{"no tolerances", func(d *bench.Definition) {
			for i := range d.Paths {
				d.Paths[i].ResistanceTolerance, d.Paths[i].LeakageTolerance = 0, 0
			}
		}},
	} {
		if testing.Short() && c.name != "two channels" {
			continue
		}
		def := rehearsal.DefaultBench()
		c.shape(&def)
		rec := &check.Record{}
		for _, info := range check.Steps() {
			got := stepOn(t, def, rehearsal.ServedWorld(), 11, info.Model, nil, info.Step, rec)
			rec.Put(got)
			if _, err := json.Marshal(got); err != nil {
				t.Errorf("%s, %s: it cannot be kept: %v", c.name, info.Step, err)
			}
			for _, f := range got.Findings {
				if f.Fault {
					t.Errorf("%s, %s: %s: %s", c.name, info.Step, f.Kind, f.Said)
				} else {
					t.Logf("%s, %s: %s", c.name, info.Step, f.Said)
				}
			}
		}
	}
}

// keepLines leaves a bench these lines alone: the first channels, and 0 for the
// return.
func keepLines(d *bench.Definition, lines ...bench.ChannelID) {
	d.Channels = slices.DeleteFunc(d.Channels, func(ch bench.Channel) bool { return !slices.Contains(lines, ch.ID) })
	d.Paths = slices.DeleteFunc(d.Paths, func(p bench.Path) bool { return !slices.Contains(lines, p.Channel) })
}

// TestMadeSafeInTheMidst ends a step by making the bench safe at a reading drawn
// at random: the step ends with an error and says nothing.
func TestMadeSafeInTheMidst(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(3, 4))
	for _, info := range check.Steps() {
		def := rehearsal.DefaultBench()
		clock := bench.NewCountingClock(time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC))
		b, err := rehearsal.New(rehearsal.Config{Definition: def, Clock: clock, Seed: 5, Seat: rehearsal.Seat{Model: info.Model, PinMap: straight(&def)}})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		at := 1 + rng.IntN(60)
		_, err = check.Run(ctx, check.Rig{Link: b, Clock: clock, Def: &def, Progress: func(done, of int) {
			if done == at {
				cancel()
			}
		}}, info.Step)
		if err == nil {
			t.Errorf("%s, ended at reading %d: no error", info.Step, at)
		}
	}
}

// TestNoErrorsStated checks a bench whose definition states no errors of its
// ranges: the least difference is more than that, nothing passes as good for want
// of an interval, and all of it can be kept.
func TestNoErrorsStated(t *testing.T) {
	t.Parallel()
	def := rehearsal.DefaultBench()
	for i := range def.Channels {
		ch := &def.Channels[i]
		for _, ranges := range [][]bench.Range{ch.ForceV, ch.ForceI, ch.SenseV, ch.SenseI} {
			for k := range ranges {
				ranges[k].Gain, ranges[k].Offset, ranges[k].Noise, ranges[k].Step = 0, 0, 0, 0
			}
		}
	}
	rec := &check.Record{}
	faults := []bench.BenchFault{{Kind: rehearsal.StuckClosed, Path: def.Paths[20].ID}}
	for _, info := range check.Steps() {
		got := stepOn(t, def, rehearsal.ServedWorld(), 11, info.Model, faults, info.Step, rec)
		if _, err := json.Marshal(got); err != nil {
			t.Errorf("%s cannot be kept: %v", info.Step, err)
		}
		rec.Put(got)
	}
	if !slices.ContainsFunc(rec.Result(check.Empty).Findings, func(f check.Finding) bool { return f.Kind == check.StuckClosed }) {
		t.Error("a switch that does not open is not found")
	}
}
