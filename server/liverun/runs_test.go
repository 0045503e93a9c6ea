package liverun

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/derive"
	"ohmkeep/server/dut"
	"ohmkeep/server/live"
	"ohmkeep/server/procedure"
	"ohmkeep/server/run"
)

// screen is what a test does at each drawing.
type screen struct {
	draw func(s *Snapshot, changed []Part, shared bool) map[string]string
	head func() map[string]string
}

func (s screen) Draw(now *Snapshot, changed []Part, shared bool) map[string]string {
	return s.draw(now, changed, shared)
}

func (s screen) Head() map[string]string {
	if s.head == nil {
		return nil
	}
	return s.head()
}

func record() *procedure.Record {
	m := procedure.Measurement{ID: "a", Name: "A", Kind: "watch", Pins: []int{1}, Use: procedure.UseVoltage}
	return &procedure.Record{ID: "1", Status: procedure.Running, Device: dut.Device{Key: "d", Name: "D", Pins: []dut.Pin{{Number: 1}, {Number: 2}}},
		Procedure: procedure.Procedure{Measurements: []procedure.Measurement{m, m}}}
}

func update(m int, readings ...bench.Reading) run.Update {
	return run.Update{Run: "1", Progress: run.Progress{Measurement: m, Done: []bool{false, false}, Readings: int64(len(readings))},
		Batch: procedure.Batch{Readings: []procedure.MeasurementReadings{{Measurement: m, Readings: readings}}}}
}

func resultsUpdate(m int, values ...float64) run.Update {
	u := update(m)
	for i, v := range values {
		u.Batch.Results = append(u.Batch.Results, procedure.Result{Measurement: m, Key: fmt.Sprint(i), Value: v, Pin: 1, Outcome: derive.Pass})
	}
	return u
}

func ended() run.Update {
	return run.Update{Run: "1", Progress: run.Progress{Measurement: 2, Done: []bool{true, true}}, Ending: &procedure.Ending{Status: procedure.Done}}
}

// A drawing that takes for ever holds up neither who takes readings in nor who
// asks for the run as it is.
func TestDrawingHoldsNobodyUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		runs := New(live.NewHub(slog.New(slog.DiscardHandler), nil), nil, slog.New(slog.DiscardHandler))
		hold, drawing := make(chan struct{}), make(chan struct{})
		var blocked atomic.Bool
		runs.DrawOn(func(string) Screen {
			return screen{draw: func(s *Snapshot, _ []Part, _ bool) map[string]string {
				if s.Record.Readings == 0 || blocked.Swap(true) {
					return nil
				}
				close(drawing)
				if mu := &runs.find("1").mu; !mu.TryLock() {
					t.Error("it is drawn under the lock that the committer needs")
				} else {
					mu.Unlock()
					<-hold
				}
				return nil
			}}
		})
		runs.Open(record())
		runs.Observe(update(0, bench.Reading{Pin: 1, V: 1}))
		<-drawing
		taken := make(chan struct{})
		go func() {
			defer close(taken)
			for n := range 100 {
				runs.Observe(update(0, bench.Reading{Pin: 1, V: float64(n)}))
				runs.Snapshot("1", -1)
			}
			runs.Observe(ended())
		}()
		synctest.Wait()
		select {
		case <-taken:
		default:
			t.Error("the committer waits for a drawing")
		}
		close(hold)
		if err := runs.Wait(t.Context()); err != nil {
			t.Error(err)
		}
		<-taken
	})
}

// A screen that panics is logged once, and the run goes on to its end; what can
// be drawn is drawn.
func TestPanicOfAScreenEndsNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var log bytes.Buffer
		hub := live.NewHub(slog.New(slog.DiscardHandler), nil)
		runs := New(hub, nil, slog.New(slog.NewTextHandler(&log, nil)))
		runs.DrawOn(func(string) Screen {
			return screen{draw: func(s *Snapshot, _ []Part, _ bool) map[string]string {
				if s.Record.Status == procedure.Running {
					panic("in a plot")
				}
				return map[string]string{"end": "reached"}
			}, head: func() map[string]string { panic("in the head") }}
		})
		runs.Open(record())
		for range 5 {
			runs.Observe(update(0, bench.Reading{Pin: 1}))
			runs.BenchChanged(run.Snapshot{})
			time.Sleep(Tick)
		}
		runs.Observe(ended())
		if err := runs.Wait(t.Context()); err != nil {
			t.Fatal(err)
		}
		if n := strings.Count(log.String(), "run not drawn"); n != 2 {
			t.Errorf("%d lines in the log:\n%s", n, log.String())
		}
		seq := hub.Open(Topic("1")).Seq()
		if again := hub.Open(Topic("1")).Publish(map[string]string{"late": "x"}); again != seq {
			t.Error("the stream has not ended")
		}
	})
}

// A picture that cannot be gathered is given up; the readings that are listed,
// the other pictures and the run go on.
func TestPictureThatFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var log bytes.Buffer
		runs := New(live.NewHub(slog.New(slog.DiscardHandler), nil), nil, slog.New(slog.NewTextHandler(&log, nil)))
		runs.Open(record())
		b := runs.find("1")
		b.pictures[0] = &Picture{} // its map is nil: adding panics
		for range 3 {
			runs.Observe(update(0, bench.Reading{Pin: 1, I: 5}))
		}
		runs.Observe(update(1, bench.Reading{Pin: 1, I: 7}))
		s, _ := runs.Snapshot("1", 0)
		if s.Lost == nil || s.Picture != nil || len(s.Latest) != 3 || strings.Count(log.String(), "picture not gathered") != 1 {
			t.Errorf("lost %v, picture %v, %d readings listed, log:\n%s", s.Lost, s.Picture, len(s.Latest), log.String())
		}
		if s, _ := runs.Snapshot("1", -1); s.Selected != 1 || s.Lost != nil || s.Picture.Readings() != 1 {
			t.Errorf("the next measurement: %+v", s)
		}
		runs.Discard("1")
	})
}

// A snapshot stays as it was taken, whatever comes after.
func TestSnapshotStandsStill(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		runs := New(live.NewHub(slog.New(slog.DiscardHandler), nil), nil, slog.New(slog.DiscardHandler))
		runs.Open(record())
		defer runs.Discard("1")
		runs.Observe(resultsUpdate(0, 1, 2))
		runs.Observe(update(0, bench.Reading{Pin: 1, V: 1, I: 1}))
		u := update(0)
		u.Pins = []run.PinState{{Pin: 1, Use: procedure.UseVoltage, V: 1}}
		runs.Observe(u)
		s, _ := runs.Snapshot("1", 0)
		for range 20 {
			runs.Observe(resultsUpdate(0, 10, 20, 30))
			runs.Observe(update(0, bench.Reading{Pin: 1, V: 2, I: 2}))
		}
		u.Pins = []run.PinState{{Pin: 2, Use: procedure.UseReturn}}
		runs.Observe(u)
		values := []float64{}
		for _, r := range s.Results[0] {
			values = append(values, r.Value)
		}
		if !slices.Equal(values, []float64{1, 2}) || s.Picture.Readings() != 1 || len(s.Latest) != 1 || s.Pins[0].V != 1 || s.Pins[1].Use == procedure.UseReturn {
			t.Errorf("results %v, %d readings, %d listed, pins %+v", values, s.Picture.Readings(), len(s.Latest), s.Pins)
		}
		now, _ := runs.Snapshot("1", NoPicture)
		if now.Picture != nil || len(now.Results[0]) != 3 || now.Results[0][1].Value != 20 {
			t.Errorf("now: %+v", now)
		}
	})
}

// What changed is drawn, and nothing else; a share link's stream begins with
// all. Nothing changed: nothing is drawn.
func TestOnlyWhatChangedIsDrawn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		hub := live.NewHub(slog.New(slog.DiscardHandler), nil)
		runs := New(hub, nil, slog.New(slog.DiscardHandler))
		drawn := map[bool][][]Part{}
		runs.DrawOn(func(string) Screen {
			return screen{draw: func(_ *Snapshot, changed []Part, shared bool) map[string]string {
				drawn[shared] = append(drawn[shared], changed)
				return map[string]string{"n": fmt.Sprint(len(drawn[shared]))}
			}}
		})
		runs.Open(record())
		all := len(drawn[false][0])
		if all != 5+2+2*2 {
			t.Errorf("at first %d parts are drawn", all)
		}
		time.Sleep(10 * Tick)
		if len(drawn[false]) != 1 {
			t.Errorf("%d drawings in ten ticks without a change", len(drawn[false]))
		}
		runs.Observe(resultsUpdate(0, 1))
		runs.Observe(update(0, bench.Reading{Pin: 1}))
		time.Sleep(Tick)
		synctest.Wait()
		got := drawn[false][len(drawn[false])-1]
		want := []Part{{Status, 0}, {Plot, 0}, {Latest, 0}, {NoResults, 0}, {PinPart, 1}, {Line, 0}, {Results, 0}}
		for _, p := range got {
			if !slices.Contains(want, p) {
				t.Errorf("%+v is drawn", p)
			}
		}
		if len(got) != len(want) || len(drawn[false]) != 2 {
			t.Errorf("drawn %v, in %d drawings", got, len(drawn[false]))
		}
		runs.Share("1")
		runs.Share("1")
		runs.Share("nobody")
		if len(drawn[true]) != 1 || len(drawn[true][0]) != all {
			t.Errorf("the shared stream begins with %v", drawn[true])
		}
		runs.Observe(ended())
		if err := runs.Wait(t.Context()); err != nil || len(drawn[true]) != 2 || len(drawn[true][1]) != all {
			t.Errorf("%v; the end is drawn as %v", err, drawn[true])
		}
		if _, known := runs.Snapshot("1", -1); !known {
			t.Error("forgotten at once: a page that comes back late finds nothing")
		}
		time.Sleep(keepAfter + Tick)
		if _, known := runs.Snapshot("1", -1); known {
			t.Error("never forgotten")
		}
		if _, known := runs.Progress("1"); known {
			t.Error("never forgotten")
		}
	})
}

// Wait does not wait longer than it may.
func TestWaitEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		runs := New(live.NewHub(slog.New(slog.DiscardHandler), nil), nil, slog.New(slog.DiscardHandler))
		runs.Open(record())
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		if err := runs.Wait(ctx); err == nil {
			t.Error("it did not wait for a run at work")
		}
		runs.Discard("1")
		if err := runs.Wait(t.Context()); err != nil {
			t.Error(err)
		}
	})
}
