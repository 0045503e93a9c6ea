package run

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/derive"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/rehearsal"
)

// hex is a hex inverter of 14 pins on contacts 1 to 14.
func hex() (dut.Device, bench.PinMap) {
	d := dut.Device{Key: "hex", Name: "Hex inverter", Package: dut.Package{Family: dut.DualRow, Pins: 14}, Model: "hex-inverter",
		Power: []dut.PowerStep{{Pin: 14, Level: 5, Limit: 0.05, Ramp: 10e-3, Delay: 5e-3}}}
	in := map[int]bool{1: true, 3: true, 5: true, 9: true, 11: true, 13: true}
	m := bench.PinMap{Device: "hex", Bench: "rehearsal", Contacts: map[int]int{}}
	for n := 1; n <= 14; n++ {
		p := dut.Pin{Number: n, Name: fmt.Sprintf("Y%d", n), Function: dut.Output, Clamp: 14, MinV: -0.5, MaxV: 7, AboveClamp: 0.5, MaxI: 0.025}
		switch {
		case n == 7:
			p.Name, p.Function, p.Clamp, p.MaxI = "GND", dut.Ground, 0, 0.05
		case n == 14:
			p.Name, p.Function, p.Clamp, p.MaxI = "VCC", dut.Supply, 0, 0.05
		case in[n]:
			p.Name, p.Function = fmt.Sprintf("A%d", n), dut.Input
		}
		d.Pins = append(d.Pins, p)
		m.Contacts[n] = n
	}
	return d, m
}

// rehearse makes a run of the hex inverter on a rehearsal bench.
func rehearse(t testing.TB, clock bench.Clock, seed uint64, ms ...procedure.Measurement) (*Runner, *procedure.Record, *witness) {
	t.Helper()
	d, m := hex()
	def := rehearsal.DefaultBench()
	link, err := rehearsal.New(rehearsal.Config{Definition: def, Clock: clock, Seed: seed, Seat: rehearsal.Seat{Model: d.Model, Seed: seed, PinMap: m}})
	if err != nil {
		t.Fatal(err)
	}
	w := newWitness()
	rec := &procedure.Record{Device: d, PinMap: m, Bench: def, Procedure: procedure.Procedure{Device: d.Key, Measurements: ms}}
	return &Runner{Link: link, Clock: clock, Recorder: w, Observer: w}, rec, w
}

func TestCheckNamesTheClash(t *testing.T) {
	d, _ := hex()
	m := kindOf(t, "voltage").Default(&d)
	for _, n := range []int{1, 3, 5, 9, 11} {
		m.Hold = append(m.Hold, procedure.Hold{Pin: n, Use: procedure.UseVoltage, Level: 1, Compliance: 1e-3})
	}
	_, rec, _ := rehearse(t, bench.NewCountingClock(year), 7, m)
	_, err := Check(rec)
	var clash *bench.Clash
	if !errors.As(err, &clash) || len(clash.Pins) != 5 {
		t.Errorf("got %v, want a clash of five pins on four channels", err)
	}
}

func kindOf(t testing.TB, key string) procedure.Kind {
	t.Helper()
	k, ok := procedure.KindByKey(key)
	if !ok {
		t.Fatalf("no kind %q", key)
	}
	return k
}

// TestRehearseEveryKind runs each kind as it comes on the rehearsal bench,
// which reports a fault for every path that moves under load.
func TestRehearseEveryKind(t *testing.T) {
	d, _ := hex()
	for _, k := range procedure.Kinds() {
		t.Run(k.Key(), func(t *testing.T) {
			m := k.Default(&d)
			if err := k.Validate(&m, &d).Err(); err != nil {
				t.Skipf("its default does not suit the part: %v", err)
			}
			r, rec, w := rehearse(t, bench.NewCountingClock(year), 7, m)
			e, err := r.Run(t.Context(), rec)
			if err != nil || e.Status != procedure.Done {
				t.Fatalf("%+v, %v", e, err)
			}
			if e.Outcome == derive.Invalid || e.Outcome == derive.Fail {
				for r := range w.results {
					if r.Outcome == e.Outcome {
						t.Errorf("%+v", r)
					}
				}
			}
			if len(w.stored) == 0 || len(w.results) == 0 || len(w.broken) > 0 {
				t.Errorf("%d readings, %d results, %v", len(w.stored), len(w.results), w.broken)
			}
		})
	}
}

// quick is a real procedure of about a second: contact, and leakage and supply
// current with the settling and the apertures that small currents ask for.
func quick(t testing.TB) []procedure.Measurement {
	d, _ := hex()
	contact := kindOf(t, "contact").Default(&d)
	contact.Pins = []int{1, 2, 13}
	leakage := kindOf(t, "leakage").Default(&d)
	leakage.Pins = []int{1, 3}
	leakage.Settle.Time, leakage.Aperture.Cycles = 30e-3, 5
	supply := kindOf(t, "supply-current").Default(&d)
	supply.Settle.Time, supply.Aperture.Cycles = 50e-3, 5
	return []procedure.Measurement{contact, leakage, supply}
}

// noting is a counting clock that records the waits it is asked for.
type noting struct {
	*bench.CountingClock
	waits []time.Duration
}

func (n *noting) Sleep(ctx context.Context, d time.Duration) error {
	n.waits = append(n.waits, d)
	return n.CountingClock.Sleep(ctx, d)
}

// TestRunTimeIsPlanned holds the sum of a run's settle, aperture, ramp and
// switching times, which is what it takes on a clock that only counts, against
// its plan.
func TestRunTimeIsPlanned(t *testing.T) {
	counted, rec := countedRun(t)
	nominal := counted.Now().Sub(year)
	planned, err := Check(rec)
	if err != nil || planned < nominal*95/100 || planned > nominal*105/100 {
		t.Errorf("planned %v, %v; it takes %v", planned, err, nominal)
	}
}

// countedRun is a quick run on a clock that only counts, and its waits.
func countedRun(t testing.TB) (*noting, *procedure.Record) {
	t.Helper()
	counted := &noting{CountingClock: bench.NewCountingClock(year)}
	r, rec, _ := rehearse(t, counted, 7, quick(t)...)
	if e, err := r.Run(t.Context(), rec); err != nil || e.Status != procedure.Done {
		t.Fatal(e, err)
	}
	return counted, rec
}

// BenchmarkRunTime is the real time of a run beside that of its waits, one
// after the other with nothing between them. To reach: 1.05.
func BenchmarkRunTime(b *testing.B) {
	counted, _ := countedRun(b)
	clock := bench.FineClock{}
	var actual, bare time.Duration
	for range b.N {
		r, rec, _ := rehearse(b, clock, 7, quick(b)...)
		begun := time.Now()
		if e, err := r.Run(b.Context(), rec); err != nil || e.Status != procedure.Done {
			b.Fatal(e, err)
		}
		actual += time.Since(begun)
		begun = time.Now()
		for _, d := range counted.waits {
			_ = clock.Sleep(b.Context(), d)
		}
		bare += time.Since(begun)
	}
	b.ReportMetric(actual.Seconds()/bare.Seconds(), "of-its-waits")
}

// TestStopIsQuick: on the real clock (of the test's bubble), a stop in the middle of a long reading
// makes the rehearsal bench safe within 100 ms.
func TestStopIsQuick(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, _ := hex()
		m := kindOf(t, "voltage").Default(&d)
		m.Aperture = procedure.Aperture{Seconds: 30}
		r, rec, w := rehearse(t, bench.RealClock{}, 7, m)
		reading := make(chan struct{})
		r.Link = &announcing{r.Link, reading}
		s := NewStation(t.Context(), Config{Link: r.Link, Clock: r.Clock, Recorder: w, Observer: w})
		if _, err := s.Start(rec); err != nil {
			t.Fatal(err)
		}
		<-reading
		begun := time.Now()
		s.Stop("enough")
		if err := s.Wait(t.Context()); err != nil {
			t.Fatal(err)
		}
		if took := time.Since(begun); took > 100*time.Millisecond {
			t.Errorf("stopped after %v", took)
		}
		if n := s.Snapshot(); n.State != bench.Safe {
			t.Errorf("%+v", n)
		}
		if e := w.finished; len(e) != 1 || e[0].Status != procedure.Stopped {
			t.Errorf("%+v", e)
		}
	})
}

// announcing is a link that signals the start of the first reading.
type announcing struct {
	bench.Link
	reading chan struct{}
}

func (a *announcing) Read(ctx context.Context, chs []bench.ChannelID, aperture time.Duration, dst []bench.Sample) ([]bench.Sample, error) {
	select {
	case <-a.reading:
	default:
		close(a.reading)
	}
	return a.Link.Read(ctx, chs, aperture, dst)
}
