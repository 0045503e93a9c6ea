package routes

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/derive"
	"ohmkeep/server/dut"
	"ohmkeep/server/live"
	"ohmkeep/server/liverun"
	"ohmkeep/server/procedure"
	"ohmkeep/server/run"
	"ohmkeep/web"
)

// longRun is a run of n measurements on a part of 48 pins.
func longRun(n int) *procedure.Record {
	rec := &procedure.Record{ID: "long", Status: procedure.Running, Device: loadDevice(), Procedure: loadProcedure()}
	rec.Device.Package = dut.Package{Family: dut.DualRow, Pins: 48}
	rec.Device.Pins = nil
	for i := range 48 {
		rec.Device.Pins = append(rec.Device.Pins, dut.Pin{Number: i + 1, Name: fmt.Sprintf("IO%d", i+1), Function: dut.Input})
	}
	first := rec.Procedure.Measurements[0]
	rec.Procedure.Measurements = nil
	for m := range n {
		mm := first
		mm.ID, mm.Name = fmt.Sprintf("m%d", m), fmt.Sprintf("Leakage of IO%d, %d", 1+m%48, m)
		mm.Pins = []int{1 + m%48}
		rec.Procedure.Measurements = append(rec.Procedure.Measurements, mm)
	}
	return rec
}

// step takes measurement m in, with one result, as the executor tells it.
func step(runs *liverun.Runs, rec *procedure.Record, done []bool, m int) {
	pin := rec.Procedure.Measurements[m].Pins[0]
	low, high := -1e-6, 1e-6
	at := run.Progress{Measurement: m, Points: 10, Point: 10, Done: done, Readings: int64(10 * m), Left: time.Minute}
	at.Done = append([]bool(nil), done...)
	runs.Observe(run.Update{Run: rec.ID, Progress: at,
		Pins: []run.PinState{{Pin: pin, Use: procedure.UseVoltage, Channel: 1, Level: 1, V: 1, I: 1e-9}},
		Batch: procedure.Batch{
			Readings: []procedure.MeasurementReadings{{Measurement: m, Readings: []bench.Reading{{Pin: uint8(pin), Channel: 1, Set: 1, V: 1.0003, I: 1.2e-9}}}},
			Results: []procedure.Result{{Measurement: m, Key: "leakage", Name: "Leakage", Pin: pin, Value: float64(m) * 1e-10, U: 1e-11, Unit: "A",
				Low: &low, High: &high, Outcome: derive.Pass}},
		}})
	done[m] = true
}

// screenOf is a server that draws runs and nothing else.
func screenOf(log *slog.Logger) (*Server, *liverun.Runs) {
	hub := live.NewHub(log, nil)
	runs := liverun.New(hub, nil, log)
	return &Server{Config: Config{Hub: hub, Runs: runs, Log: log}}, runs
}

// tapped hands on what a screen has drawn.
type tapped struct {
	liverun.Screen
	drawn func(parts map[string]string)
}

func (s tapped) Draw(now *liverun.Snapshot, changed []liverun.Part, shared bool) map[string]string {
	parts := s.Screen.Draw(now, changed, shared)
	s.drawn(parts)
	return parts
}

// TestLongRunSendsSmallFrames: what a page is sent grows with what changes,
// not with how long the run is.
func TestLongRunSendsSmallFrames(t *testing.T) {
	const n, most = 500, 30e3
	rec := longRun(n)
	sent, fresh := map[string]string{}, map[string]string{}
	s, runs := screenOf(slog.New(slog.DiscardHandler))
	runs.DrawOn(func(id string) liverun.Screen {
		return tapped{s.newRunScreen(id), func(parts map[string]string) {
			for id, html := range parts {
				if sent[id] != html {
					sent[id], fresh[id] = html, html
				}
			}
		}}
	})
	var largest, total, frames int
	synctest.Test(t, func(t *testing.T) {
		runs.Open(rec)
		done := make([]bool, n)
		for m := range n {
			clear(fresh)
			step(runs, rec, done, m)
			time.Sleep(liverun.Tick)
			synctest.Wait()
			if m < n/2 { // the page has come by then
				continue
			}
			frame, err := json.Marshal(live.Frame{Seq: 1, Parts: fresh})
			must(t, err)
			largest, total, frames = max(largest, len(frame)), total+len(frame), frames+1
			if m == n-2 {
				for id, html := range fresh {
					t.Logf("%s: %d bytes", id, len(html))
				}
			}
		}
		runs.Discard(rec.ID)
	})
	t.Logf("%d frames, %d bytes in the middle, %d at most", frames, total/frames, largest)
	if largest > most || total == 0 {
		t.Errorf("a frame of %d bytes", largest)
	}
	if all := web.RunParts(rec); len(sent) != len(all) {
		t.Errorf("%d parts were sent, the page has %d", len(sent), len(all))
	}
}

// TestRunShowsWhatAPinIsAtNow: a pin that is connected anew shows no voltage
// and current of its connection before. "Return, 688 mV" would be a lie.
func TestRunShowsWhatAPinIsAtNow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		rec := &procedure.Record{ID: "pins", Device: loadDevice(), Procedure: loadProcedure()}
		_, runs := screenOf(slog.New(slog.DiscardHandler))
		runs.Open(rec)
		defer runs.Discard(rec.ID)
		pins := func(states ...run.PinState) []web.PinMark {
			runs.Observe(run.Update{Run: rec.ID, Pins: append([]run.PinState{}, states...)})
			now, _ := runs.Snapshot(rec.ID, -1)
			return pinMarks(now)
		}
		nan := math.NaN()
		pins(run.PinState{Pin: 1, Use: procedure.UseCurrent, Channel: 1, Level: 1e-4, V: 0.688, I: 1e-4}, run.PinState{Pin: 2, Use: procedure.UseReturn, V: nan, I: nan})
		shown := pins(run.PinState{Pin: 1, Use: procedure.UseReturn, V: nan, I: nan}, run.PinState{Pin: 3, Use: procedure.UseVoltage, Channel: 2, Level: 1, V: nan, I: nan})
		for _, pin := range shown[:3] {
			if !math.IsNaN(pin.V) || !math.IsNaN(pin.I) {
				t.Errorf("pin %d, %s, shows %g V and %g A", pin.Number, pin.Use, pin.V, pin.I)
			}
		}
		pins(run.PinState{Pin: 3, Use: procedure.UseVoltage, Channel: 2, Level: 1, V: 1.01, I: 2e-3})
		// Open again: what was last read there is what there is to say.
		if p := pins()[2]; p.V != 1.01 || p.I != 2e-3 || p.Use != procedure.UseOpen {
			t.Errorf("pin 3 at the end: %+v", p)
		}
	})
}

// TestPlotThatPanics: a plot that cannot be drawn is said in its place and in
// the log, once; the other parts come, and the run goes on to its end.
func TestPlotThatPanics(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var log bytes.Buffer
		s, runs := screenOf(slog.New(slog.NewTextHandler(&log, nil)))
		shown := map[string]string{}
		runs.DrawOn(func(id string) liverun.Screen {
			return tapped{lossy{s.newRunScreen(id)}, func(parts map[string]string) { maps.Copy(shown, parts) }}
		})
		rec := longRun(3)
		runs.Open(rec)
		done := make([]bool, 3)
		for m := range 3 {
			step(runs, rec, done, m)
			time.Sleep(liverun.Tick)
		}
		runs.Observe(run.Update{Run: rec.ID, Progress: run.Progress{Measurement: 3, Done: done}, Ending: &procedure.Ending{Status: procedure.Done}})
		must(t, runs.Wait(t.Context()))
		if !strings.Contains(shown[web.PartRunPlot], "could not be drawn") || !strings.Contains(shown[web.PartRunStatus], `data-status="done"`) {
			t.Errorf("plot %.200s\nstatus %.200s", shown[web.PartRunPlot], shown[web.PartRunStatus])
		}
		if n := strings.Count(log.String(), "part not drawn"); n != 1 {
			t.Errorf("%d lines in the log:\n%s", n, log.String())
		}
	})
}

// lossy has a run whose pictures were lost.
type lossy struct{ liverun.Screen }

func (s lossy) Draw(now *liverun.Snapshot, changed []liverun.Part, shared bool) map[string]string {
	now.Picture, now.Lost = nil, errors.New("lost")
	return s.Screen.Draw(now, changed, shared)
}
