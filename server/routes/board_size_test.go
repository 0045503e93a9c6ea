package routes

import (
	"encoding/json"
	"fmt"
	"log/slog"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/derive"
	"ohmkeep/server/dut"
	"ohmkeep/server/live"
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
func step(b *board, rec *procedure.Record, done []bool, m int) {
	pin := rec.Procedure.Measurements[m].Pins[0]
	low, high := -1e-6, 1e-6
	at := run.Progress{Measurement: m, Points: 10, Point: 10, Done: done, Readings: int64(10 * m), Left: time.Minute}
	at.Done = append([]bool(nil), done...)
	b.observe(run.Update{Progress: at,
		Pins: []run.PinState{{Pin: pin, Use: procedure.UseVoltage, Channel: 1, Level: 1, V: 1, I: 1e-9}},
		Batch: procedure.Batch{
			Readings: []procedure.MeasurementReadings{{Measurement: m, Readings: []bench.Reading{{Pin: uint8(pin), Channel: 1, Set: 1, V: 1.0003, I: 1.2e-9}}}},
			Results: []procedure.Result{{Measurement: m, Key: "leakage", Name: "Leakage", Pin: pin, Value: float64(m) * 1e-10, U: 1e-11, Unit: "A",
				Low: &low, High: &high, Outcome: derive.Pass}},
		}})
	done[m] = true
}

// TestLongRunSendsSmallFrames: what a page is sent grows with what changes,
// not with how long the run is.
func TestLongRunSendsSmallFrames(t *testing.T) {
	const n, most = 500, 30e3
	rec := longRun(n)
	b := newBoard(rec, live.NewTopic(time.Now()), slog.New(slog.DiscardHandler))
	done := make([]bool, n)
	sent := map[string]string{}
	var largest, total, frames int
	for m := range n {
		step(b, rec, done, m)
		b.mu.Lock()
		parts, _, _ := b.renderLocked()
		b.mu.Unlock()
		fresh := map[string]string{}
		for id, html := range parts {
			if sent[id] != html {
				sent[id], fresh[id] = html, html
			}
		}
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
	t.Logf("%d frames, %d bytes in the middle, %d at most", frames, total/frames, largest)
	if largest > most {
		t.Errorf("a frame of %d bytes", largest)
	}
	if all := web.RunParts(rec); len(sent) != len(all) {
		t.Errorf("%d parts were sent, the page has %d", len(sent), len(all))
	}
}
