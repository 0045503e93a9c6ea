package run

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
)

// drawPoints is a measurement of a few stretches with the same connections.
func drawPoints(t *rapid.T) []procedure.Point {
	var out []procedure.Point
	for range rapid.IntRange(1, 4).Draw(t, "segments") {
		up := rapid.Bool().Draw(t, "powered")
		afloat := rapid.IntRange(0, 5).Draw(t, "afloat") == 0
		uses := map[int]procedure.Use{}
		for _, pin := range []int{pinA, pinB, pinC} {
			uses[pin] = rapid.SampledFrom([]procedure.Use{procedure.UseVoltage, procedure.UseVoltage, procedure.UseCurrent, procedure.UseReturn, procedure.UseOpen}).Draw(t, "use")
		}
		for range rapid.IntRange(1, 4).Draw(t, "points") {
			holds := []procedure.Hold{grounded(pinGround)}
			if up {
				holds = powered()
			}
			if afloat {
				holds = holds[1:]
			}
			var read []int
			for _, pin := range []int{pinA, pinB, pinC} {
				h := procedure.Hold{Pin: pin, Use: uses[pin]}
				switch uses[pin] {
				case procedure.UseVoltage:
					h = volts(pin, rapid.Float64Range(-3, 3).Draw(t, "level"))
				case procedure.UseCurrent:
					h = amps(pin, rapid.SampledFrom([]float64{0, 1e-6, -3e-5, 4e-3, -0.05}).Draw(t, "level"))
				}
				holds = append(holds, h)
				if h.Use.TakesChannel() {
					read = append(read, pin)
				}
			}
			p := procedure.Point{Hold: holds, Read: read, Count: rapid.IntRange(1, 3).Draw(t, "count"),
				Settle: procedure.Settle{Time: 1e-3}, Aperture: procedure.Aperture{Seconds: rapid.SampledFrom([]float64{1e-4, 2e-2}).Draw(t, "aperture")}}
			if rapid.Bool().Draw(t, "until stable") {
				p.Settle = procedure.Settle{Time: 1e-3, UntilStable: true, Tolerance: 0.1, Within: 0.05}
			}
			out = append(out, p)
		}
	}
	return out
}

// mishap is one fault injected into a run: something that goes wrong, or
// somebody who steps in.
type mishap struct {
	name string
	at   int // call, append, or observation number
}

func drawMishap(t *rapid.T) mishap {
	return mishap{
		rapid.SampledFrom([]string{"none", "link fails", "link panics", "made safe behind its back", "disk fails", "disk panics", "deriver panics",
			"stop", "stop twice", "context ends", "slow disk", "fault", "safe fails once", "stop at a time", "end fails"}).Draw(t, "mishap"),
		rapid.IntRange(1, 60).Draw(t, "at"),
	}
}

// arm prepares a mishap.
func (m mishap) arm(b *bed, cancel context.CancelCauseFunc) {
	at := func(f func()) {
		b.link.onCall = func(n int) {
			if n == m.at {
				f()
			}
		}
	}
	stop := func() { cancel(&Halt{procedure.Stopped, "enough"}) }
	switch m.name {
	case "link fails":
		b.link.failAt, b.link.failErr = m.at, errors.New("no answer")
	case "link panics":
		b.link.panicAt = m.at
	case "made safe behind its back":
		b.link.failAt, b.link.failErr = m.at, bench.ErrMadeSafe
	case "disk fails":
		b.watch.failAt = 1 + m.at/10
	case "disk panics":
		b.watch.onStore = func(n int) {
			if n == 1+m.at/10 {
				panic("disk")
			}
		}
	case "deriver panics":
		b.kind.panicAt = m.at
	case "stop":
		at(stop)
	case "stop twice":
		at(func() { stop(); stop() })
	case "context ends":
		at(func() { cancel(nil) })
	case "slow disk":
		b.watch.slow = time.Duration(m.at) * time.Millisecond
	case "fault":
		at(func() { b.link.faults = []bench.Fault{{Message: "too hot"}} })
	case "safe fails once":
		b.link.safeFails = 1
	case "stop at a time":
		time.AfterFunc(time.Duration(m.at)*3*time.Millisecond, stop)
	case "end fails":
		b.watch.endFails = true
	}
}

// checkMishap runs random measurements through a mishap and returns what must
// never happen.
func checkMishap(t *testing.T, m mishap, lists [][]procedure.Point) (broken []string) {
	synctest.Test(t, func(t *testing.T) {
		b := newBed(bench.RealClock{}, lists...)
		ctx, cancel := context.WithCancelCause(t.Context())
		defer cancel(nil)
		b.link.safeTakes = 5 * time.Millisecond
		m.arm(b, cancel)
		e, err := b.runner.Run(ctx, b.rec)
		safes := b.link.safes
		time.Sleep(time.Minute)
		broken = b.faultsOf()
		if b.link.safes != safes {
			broken = append(broken, "made safe after the run had returned")
		}
		if b.link.safes == 0 {
			broken = append(broken, "never made safe")
		}
		state := b.states[len(b.states)-1]
		lost := m.name == "link fails" && b.link.calls >= m.at
		if (state == bench.Unknown) != lost || errors.Is(err, ErrLost) != lost || lost && e.Status != procedure.Interrupted {
			broken = append(broken, fmt.Sprintf("state %s, ending %+v, %v", state, e, err))
		}
		if m.name == "none" && (e.Status != procedure.Done || err != nil) {
			broken = append(broken, fmt.Sprintf("ending %+v, %v", e, err))
		}
		if e.Status == procedure.Done && m.name != "end fails" && len(b.watch.stored) == 0 && b.link.reads > 0 && !settlesOnly(lists) {
			broken = append(broken, "nothing was stored")
		}
		if len(b.watch.stored) != b.watch.shown {
			broken = append(broken, fmt.Sprintf("%d readings stored, %d shown", len(b.watch.stored), b.watch.shown))
		}
	})
	return broken
}

// settlesOnly reports whether no point reads anything.
func settlesOnly(lists [][]procedure.Point) bool {
	for _, l := range lists {
		for _, p := range l {
			if len(p.Read) > 0 {
				return false
			}
		}
	}
	return true
}

func TestAlwaysSafe(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		var lists [][]procedure.Point
		for range rapid.IntRange(1, 3).Draw(rt, "measurements") {
			lists = append(lists, drawPoints(rt))
		}
		m := drawMishap(rt)
		if broken := checkMishap(t, m, lists); len(broken) > 0 {
			rt.Fatalf("%+v: %v", m, broken)
		}
	})
}

// TestEveryCallMayFail fails each call of one run in turn.
func TestEveryCallMayFail(t *testing.T) {
	lists := [][]procedure.Point{
		{point(pinA, powered(volts(pinA, 0.5), grounded(pinB))...), point(pinA, powered(volts(pinA, 1.5), grounded(pinB))...)},
		{point(pinB, powered(amps(pinB, 1e-3), grounded(pinA))...)},
	}
	calls := 0
	synctest.Test(t, func(t *testing.T) {
		b := newBed(bench.RealClock{}, lists...)
		if _, err := b.runner.Run(t.Context(), b.rec); err != nil {
			t.Fatal(err)
		}
		calls = b.link.calls
	})
	for _, name := range []string{"link fails", "link panics", "made safe behind its back", "stop"} {
		for n := 1; n <= calls; n++ {
			if broken := checkMishap(t, mishap{name, n}, lists); len(broken) > 0 {
				t.Fatalf("%s at call %d: %v", name, n, broken)
			}
		}
	}
}
