package run

import (
	"math"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
)

// clean fails the test for every safety rule that was broken.
func clean(t *testing.T, b *bed) {
	t.Helper()
	for _, s := range b.faultsOf() {
		t.Error(s)
	}
}

func TestRunInOrder(t *testing.T) {
	b := newBed(bench.NewCountingClock(year),
		[]procedure.Point{
			point(pinA, powered(volts(pinA, 0.5), grounded(pinB))...),
			point(pinA, powered(volts(pinA, 1.5), grounded(pinB))...),
		},
		[]procedure.Point{point(pinB, powered(volts(pinB, 1), volts(pinA, 1))...)},
		[]procedure.Point{point(pinB, powered(volts(pinB, 2))...)},
	)
	b.link.keepLog = true
	e, err := b.runner.Run(t.Context(), b.rec)
	if err != nil || e.Status != procedure.Done {
		t.Fatalf("%+v, %v", e, err)
	}
	clean(t, b)
	measured := 0
	for r := range b.watch.stored {
		if !r.Flags.Has(bench.Auxiliary) {
			measured++
		}
	}
	if measured != 4 || b.watch.shown != len(b.watch.stored) {
		t.Errorf("%d readings stored, %d of them of what is measured, want 4; %d shown", len(b.watch.stored), measured, b.watch.shown)
	}
	// The supplies come up in order, by a ramp. They stay up between measurements,
	// but go down before a path to the return moves: a part that is not sound may
	// send its whole supply current through that switch.
	var ramp []string
	ups := 0
	for _, l := range b.link.log {
		if strings.HasSuffix(l, "true") {
			ups++
		}
		if strings.HasPrefix(l, "set") {
			ramp = append(ramp, l)
		}
	}
	if ups != 8 { // two supplies and pin A; the supplies again with pins A and B; pin B
		t.Errorf("%d outputs switched on, want 8:\n%s", ups, strings.Join(b.link.log, "\n"))
	}
	if len(ramp) < 2*rampSteps {
		t.Errorf("no ramps:\n%s", strings.Join(b.link.log, "\n"))
	}
	if last := b.link.log[len(b.link.log)-1]; last != "safe" {
		t.Errorf("the last call is %q", last)
	}
	if want := []bench.State{bench.Energised, bench.Safe}; !slices.Equal(b.states, want) {
		t.Errorf("states %v", b.states)
	}
}

// TestFewMoves: the path of a pin that stays connected does not move.
func TestFewMoves(t *testing.T) {
	b := newBed(bench.NewCountingClock(year),
		[]procedure.Point{point(pinA, volts(pinA, 1), grounded(pinB)), point(pinA, volts(pinA, 1), volts(pinB, 1)), point(pinB, volts(pinB, 1))})
	b.link.keepLog = true
	if _, err := b.runner.Run(t.Context(), b.rec); err != nil {
		t.Fatal(err)
	}
	clean(t, b)
	p, err := makePlan(b.rec, b.runner.Kinds)
	if err != nil {
		t.Fatal(err)
	}
	s := p.steps[0].Segments
	if n := bench.Moved(s[0].Assign, s[1].Assign); n != 2 {
		t.Errorf("%d paths move for one pin", n)
	}
	if n := bench.Moved(s[1].Assign, s[2].Assign); n != 1 {
		t.Errorf("%d paths move when one pin opens", n)
	}
}

func TestReadings(t *testing.T) { synctest.Test(t, testReadings) }

func testReadings(t *testing.T) {
	high := 3e-6
	p := point(pinA, amps(pinA, 5e-5), volts(pinB, -1))
	p.Count, p.Interval, p.Group, p.Read = 2, 0.05, 7, []int{pinB, pinA}
	b := newBed(bench.RealClock{}, []procedure.Point{p})
	b.kind.shape = procedure.Shape{Y: procedure.Axis{Quantity: procedure.QuantityCurrent, Unit: quantity.Ampere}, Band: procedure.Limit{High: &high}}
	if _, err := b.runner.Run(t.Context(), b.rec); err != nil {
		t.Fatal(err)
	}
	clean(t, b)
	var got []bench.Reading
	for _, u := range b.watch.updates {
		for _, m := range u.Batch.Readings {
			got = append(got, m.Readings...)
		}
	}
	if len(got) != 4 {
		t.Fatalf("%d readings", len(got))
	}
	for i, r := range got {
		pin, set := []uint8{pinB, pinA}[i%2], []float64{-1, 5e-5}[i%2]
		if r.Pin != pin || r.Set != set || r.Group != 7 || r.Point != 0 || r.I != 1e-6*float64(i+1) {
			t.Errorf("reading %d: %+v", i, r)
		}
		if r.Flags.Has(bench.OutOfLimit) != (r.I > high) {
			t.Errorf("reading %d: flags %b at %g A", i, r.Flags, r.I)
		}
	}
	if d := time.Duration(got[2].T - got[0].T); d != 50*time.Millisecond {
		t.Errorf("readings %v apart, want 50 ms", d)
	}
	// The pins shown while the second reading is waited for carry the first.
	var pins []PinState
	for _, u := range b.watch.updates {
		if len(u.Pins) > 0 {
			pins = u.Pins
		}
	}
	i := slices.IndexFunc(pins, func(p PinState) bool { return p.Pin == pinA })
	if i < 0 || pins[i].I != got[1].I || pins[i].Level != 5e-5 || pins[i].Path == 0 || pins[i].Channel == 0 {
		t.Errorf("pins %+v", pins)
	}
	if last := b.watch.updates[len(b.watch.updates)-1]; last.Pins == nil || len(last.Pins) != 0 {
		t.Errorf("at the end pins are %v, want none connected", last.Pins)
	}
}

// TestRangeChangeGoesThroughZero: a current over decades changes range, which
// the fake bench refuses while its output is on.
func TestRangeChangeGoesThroughZero(t *testing.T) {
	var points []procedure.Point
	for _, level := range []float64{1e-5, 5e-3, 0, 5e-5, -0.05, 1e-5} {
		points = append(points, point(pinA, amps(pinA, level)))
	}
	b := newBed(bench.NewCountingClock(year), points)
	if _, err := b.runner.Run(t.Context(), b.rec); err != nil {
		t.Fatal(err)
	}
	clean(t, b)
}

func TestUntilStable(t *testing.T) {
	for _, tc := range []struct {
		name    string
		i       func(n int) float64
		reads   int // in all
		settled bool
	}{
		{"dies away", func(n int) float64 { return 1e-3 * (1 + math.Exp(-float64(n))) }, 8, true},
		{"never", func(n int) float64 { return 1e-3 * float64(n) }, 11, false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			p := point(pinA, volts(pinA, 1))
			p.Settle = procedure.Settle{Time: 1e-3, UntilStable: true, Tolerance: 2e-3, Within: 10e-3}
			b := newBed(bench.NewCountingClock(year), []procedure.Point{p})
			b.link.reading = func(_ bench.ChannelID, _ bench.Setup, n int) (float64, float64) { return 1, tc.i(n) }
			if _, err := b.runner.Run(t.Context(), b.rec); err != nil {
				t.Fatal(err)
			}
			clean(t, b)
			if b.link.reads != tc.reads {
				t.Errorf("%d reads, want %d", b.link.reads, tc.reads)
			}
			for r := range b.watch.stored {
				if r.Flags.Has(bench.NotSettled) == tc.settled {
					t.Errorf("flags %b", r.Flags)
				}
			}
		})
	}
}

// TestStraps: pins strapped to one channel share it, and a channel stands in
// for the return where a strap leaves no other way.
func TestStraps(t *testing.T) {
	both := point(pinB, volts(pinB, 1), volts(pinC, 1))
	both.Read = []int{pinB, pinC}
	b := newBed(bench.NewCountingClock(year), []procedure.Point{
		both, point(pinA, volts(pinA, 1), grounded(pinB), grounded(pinC)),
	})
	for _, contact := range []int{pinB, pinC} {
		b.rec.PinMap.Straps = append(b.rec.PinMap.Straps, bench.Strap{Contact: contact, Kind: bench.StrapChannel, Channel: 5})
	}
	b.link.keepLog = true
	e, err := b.runner.Run(t.Context(), b.rec)
	if err != nil || e.Status != procedure.Done {
		t.Fatalf("%+v, %v", e, err)
	}
	clean(t, b)
	var pins []int
	for r := range b.watch.stored {
		if !r.Flags.Has(bench.Auxiliary) { // a level that is held, read back
			pins = append(pins, int(r.Pin))
		}
		if (r.Channel == 5) != (r.Pin != pinA) {
			t.Errorf("%+v", r)
		}
	}
	slices.Sort(pins)
	if !slices.Equal(pins, []int{pinA, pinB, pinC}) {
		t.Errorf("readings of pins %v", pins)
	}
	ups := 0
	for _, l := range b.link.log {
		if l == "output 5 true" {
			ups++
		}
	}
	if ups != 2 { // to drive both pins, then to stand in for the return
		t.Errorf("channel 5 came on %d times:\n%s", ups, strings.Join(b.link.log, "\n"))
	}
}

// TestSlowDisk: a disk that takes a second for every commit loses nothing, and
// the commits gather what has come meanwhile.
func TestSlowDisk(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := point(pinA, volts(pinA, 1))
		p.Count = 3000
		b := newBed(bench.RealClock{}, []procedure.Point{p})
		b.watch.slow = time.Second
		begun := time.Now()
		e, err := b.runner.Run(t.Context(), b.rec)
		if err != nil || e.Status != procedure.Done || len(b.watch.stored) != 3000 {
			t.Fatalf("%+v, %v, %d readings", e, err, len(b.watch.stored))
		}
		// 3000 readings of 1 ms; the disk works alongside.
		if took := time.Since(begun); took > 5500*time.Millisecond {
			t.Errorf("took %v", took)
		}
		if b.watch.appends > 6 {
			t.Errorf("%d commits", b.watch.appends)
		}
		clean(t, b)
	})
}

// TestPipeIsBounded: with no disk at all the measuring goroutine waits once the
// pipe is full, and goes on when there is room.
func TestPipeIsBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPipe()
		l := load{readings: make([]bench.Reading, handFull), senses: make([]*procedure.Sense, handFull)}
		puts := 0
		done := make(chan struct{})
		go func() {
			defer close(done)
			for p.put(t.Context(), &l, nil) == nil && puts < 100 {
				puts++
			}
		}()
		synctest.Wait()
		if puts*handFull != pipeFull {
			t.Errorf("%d readings wait, want %d", puts*handFull, pipeFull)
		}
		got := 0
		var into load
		for range 20 {
			p.take(&into, time.Time{})
			got += len(into.readings)
			synctest.Wait()
			if puts == 100 && len(p.load.readings) == 0 {
				break
			}
		}
		<-done
		if got != 101*handFull {
			t.Errorf("%d readings came through, want %d", got, 101*handFull)
		}
	})
}
