// Package endtoend tests the whole way of cards: the host's link, the wire, the
// emulated card and the bench behind it, with runs over it. It holds tests
// alone: what they need belongs to packages that must not know each other.
package endtoend

import (
	"cmp"
	"context"
	"flag"
	"fmt"
	"io"
	"math"
	"net"
	"slices"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/card"
	"ohmkeep/server/card/emulator"
	"ohmkeep/server/demo"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/rehearsal"
	"ohmkeep/server/run"
)

// gathered is a recorder that keeps everything of one run.
type gathered struct {
	readings map[int][]bench.Reading // by measurement
	results  map[procedure.ResultID]procedure.Result
	ending   procedure.Ending
}

func (g *gathered) Begin(context.Context, *procedure.Record) error { return nil }

func (g *gathered) Append(_ context.Context, _ string, b procedure.Batch) error {
	for _, m := range b.Readings {
		g.readings[m.Measurement] = append(g.readings[m.Measurement], m.Readings...)
	}
	for _, r := range b.Results {
		g.results[r.ID()] = r
	}
	return nil
}

func (g *gathered) Finish(_ context.Context, _ string, e procedure.Ending) error {
	g.ending = e
	return nil
}

// sameBegin is when every run of this file begins, so that hum and settling
// have the same phase.
var sameBegin = time.Date(2030, 1, 2, 3, 4, 5, 0, time.UTC)

// rehearsalFor is a rehearsal bench on a clock that counts, with a unit of the
// device in its socket.
func rehearsalFor(t testing.TB, clock bench.Clock, d *dut.Device, pm bench.PinMap) *rehearsal.Bench {
	t.Helper()
	b, err := rehearsal.New(rehearsal.Config{Definition: rehearsal.DefaultBench(), Clock: clock, Seed: 48})
	if err != nil {
		t.Fatal(err)
	}
	if err := b.Replace(rehearsal.Seat{Model: d.Model, Seed: 11, PinMap: pm}, nil); err != nil {
		t.Fatal(err)
	}
	return b
}

// perform runs a procedure over a link.
func perform(t testing.TB, link bench.Link, clock bench.Clock, def bench.Definition, d dut.Device, p procedure.Procedure, pm bench.PinMap) *gathered {
	t.Helper()
	g := &gathered{readings: map[int][]bench.Reading{}, results: map[procedure.ResultID]procedure.Result{}}
	if err := link.MakeSafe(t.Context()); err != nil {
		t.Fatal(err)
	}
	runner := &run.Runner{Link: link, Clock: clock, Recorder: g}
	rec := &procedure.Record{Device: d, Procedure: p, PinMap: pm, Bench: def, Operator: "test"}
	if _, err := runner.Run(t.Context(), rec); err != nil {
		t.Fatalf("%s: %v", p.Key, err)
	}
	if !rec.Rehearsal {
		t.Errorf("%s: what was rehearsed is not marked so", p.Key)
	}
	return g
}

// wires are the ways in which the emulator is reached: each serves a card and
// returns the address that a bench's definition names.
var wires = map[string]func(t testing.TB, serve func(io.ReadWriteCloser) error) string{
	"tcp": func(t testing.TB, serve func(io.ReadWriteCloser) error) string {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { l.Close() })
		go func() {
			for {
				c, err := l.Accept()
				if err != nil {
					return
				}
				_ = serve(c)
			}
		}()
		return "tcp://" + l.Addr().String()
	},
	"pty": func(t testing.TB, serve func(io.ReadWriteCloser) error) string {
		stream, path, err := emulator.OpenPTY()
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { stream.Close() })
		go func() { _ = serve(stream) }()
		return "serial://" + path + "?baud=115200"
	},
}

// cardsOf serves a rehearsal bench as cards and opens the link to them.
func cardsOf(t testing.TB, wire string, b *rehearsal.Bench, clock bench.Clock) (*card.Link, bench.Definition) {
	t.Helper()
	// The watchdog counts real time, the bench does not.
	emulated, err := emulator.New(emulator.Config{Link: b, Definition: b.Definition(), Watchdog: time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	address := wires[wire](t, func(s io.ReadWriteCloser) error { return emulated.Serve(t.Context(), s) })
	def := emulator.Describe(b.Definition(), address)
	def.Connections[0].Timeout = 30 // s: a busy machine is no fault of the card
	link, err := card.Open(card.Config{Definition: def, Clock: clock})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := link.Disconnect(); err != nil {
			t.Error(err)
		}
	})
	if err := link.Settled(t.Context()); err != nil {
		t.Fatal(err)
	}
	return link, def
}

var sameProcedures = flag.Int("procedures", 2, "procedures of the demonstration that TestSameThroughCards carries out, 100 are all; one with -short")

// TestSameThroughCards: procedures of the demonstration give the same readings
// through the protocol as in process, to the last bit.
func TestSameThroughCards(t *testing.T) {
	t.Parallel()
	docs := demo.Scenario()
	n := min(*sameProcedures, len(docs.Procedures))
	if testing.Short() {
		n = 1
	}
	// Those of few measurements first.
	slices.SortStableFunc(docs.Procedures, func(a, b procedure.Procedure) int {
		return cmp.Compare(len(a.Measurements), len(b.Measurements))
	})
	for _, p := range docs.Procedures[:n] {
		di := slices.IndexFunc(docs.Devices, func(d dut.Device) bool { return d.Key == p.Device })
		mi := slices.IndexFunc(docs.PinMaps, func(m bench.PinMap) bool { return m.Device == p.Device })
		d, pm := docs.Devices[di], docs.PinMaps[mi]
		clock := bench.NewCountingClock(sameBegin)
		b := rehearsalFor(t, clock, &d, pm)
		want := perform(t, b, clock, b.Definition(), d, p, pm)
		n := 0
		for _, list := range want.readings {
			n += len(list)
		}
		if n == 0 {
			t.Fatalf("%s: nothing was read", p.Key)
		}
		for name := range wires {
			t.Run(fmt.Sprintf("%s/%s", p.Key, name), func(t *testing.T) {
				clock := bench.NewCountingClock(sameBegin)
				b := rehearsalFor(t, clock, &d, pm)
				link, def := cardsOf(t, name, b, clock)
				got := perform(t, link, clock, def, d, p, pm)
				same(t, want, got)
				t.Logf("%d readings, %d results, %s", n, len(want.results), want.ending.Outcome)
			})
		}
	}
}

// same compares two runs bit for bit.
func same(t *testing.T, want, got *gathered) {
	t.Helper()
	if got.ending.Status != want.ending.Status || got.ending.Outcome != want.ending.Outcome {
		t.Errorf("ended %+v, in process %+v", got.ending, want.ending)
	}
	for m, list := range want.readings {
		if len(got.readings[m]) != len(list) {
			t.Fatalf("measurement %d: %d readings, in process %d", m+1, len(got.readings[m]), len(list))
		}
		for i, w := range list {
			if g := got.readings[m][i]; g != w {
				t.Fatalf("measurement %d, reading %d:\n got %+v\nwant %+v", m+1, i, g, w)
			}
		}
	}
	if len(got.results) != len(want.results) {
		t.Errorf("%d results, in process %d", len(got.results), len(want.results))
	}
	for id, w := range want.results {
		g := got.results[id]
		if math.Float64bits(g.Value) != math.Float64bits(w.Value) || g.Outcome != w.Outcome || g.Flags != w.Flags {
			t.Errorf("%+v:\n got %g %s %v\nwant %g %s %v", id, g.Value, g.Outcome, g.Flags, w.Value, w.Outcome, w.Flags)
		}
	}
}
