package liverun

import (
	"fmt"
	"log/slog"
	"maps"
	"math"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"

	"ohmkeep/server/bench"
	"ohmkeep/server/derive"
	"ohmkeep/server/dut"
	"ohmkeep/server/live"
	"ohmkeep/server/procedure"
	"ohmkeep/server/run"
)

// shownOf is what a page could say of one part of a run, in words.
func shownOf(s *Snapshot, p Part) string {
	switch p.Kind {
	case Status:
		return fmt.Sprint(s.Record.Status, s.Progress)
	case Stop:
		return fmt.Sprint(s.Record.Status)
	case Plot:
		if s.Picture == nil {
			return "none"
		}
		return fmt.Sprint(s.Selected, s.Picture.Series(&s.Record.Device))
	case Latest:
		return fmt.Sprint(s.Selected, s.Latest)
	case NoResults:
		return fmt.Sprint(slices.ContainsFunc(s.Results, func(of []procedure.Result) bool { return len(of) > 0 }))
	case PinPart:
		i := slices.IndexFunc(s.Pins, func(pin Pin) bool { return pin.Number == p.N })
		words := fmt.Sprint(s.Pins[i])
		for _, of := range s.Results {
			for _, r := range of {
				if r.Pin == p.N {
					words += fmt.Sprint(r.Measurement, r.Key, r.Outcome)
				}
			}
		}
		return words
	case Line:
		atWork := s.Record.Status == procedure.Running && s.Progress.Measurement == p.N
		words := fmt.Sprint(atWork, isDone(s.Progress, p.N))
		if atWork {
			words += fmt.Sprint(s.Progress.Point, s.Progress.Points)
		}
		return words + fmt.Sprint(s.Results[p.N])
	}
	return fmt.Sprint(s.Results[p.N])
}

// drawUpdate makes any update of a run of two measurements on three pins.
func drawUpdate(t *rapid.T, at *run.Progress) run.Update {
	m := rapid.IntRange(at.Measurement, 1).Draw(t, "measurement")
	at.Measurement, at.Point = m, at.Point+1
	at.Done = slices.Clone(at.Done)
	at.Done[0] = m == 1
	number := rapid.SampledFrom([]float64{math.NaN(), 0, 1, 2})
	u := run.Update{Run: "1"}
	for range rapid.IntRange(0, 3).Draw(t, "readings") {
		u.Batch.Readings = append(u.Batch.Readings, procedure.MeasurementReadings{Measurement: m,
			Readings: []bench.Reading{{T: at.Readings, Pin: 1, V: number.Draw(t, "V"), I: 1}}})
		at.Readings++
	}
	for range rapid.IntRange(0, 1).Draw(t, "results") {
		u.Batch.Results = append(u.Batch.Results, procedure.Result{Measurement: rapid.IntRange(0, 1).Draw(t, "result of"), Key: rapid.SampledFrom([]string{"a", "b"}).Draw(t, "key"),
			Pin: rapid.IntRange(1, 3).Draw(t, "result's pin"), Outcome: rapid.SampledFrom([]derive.Outcome{derive.Pass, derive.Fail}).Draw(t, "outcome")})
	}
	if rapid.Bool().Draw(t, "pins change") {
		u.Pins = []run.PinState{}
		for pin := range rapid.IntRange(0, 3).Draw(t, "connected") {
			u.Pins = append(u.Pins, run.PinState{Pin: pin + 1, Use: rapid.SampledFrom([]procedure.Use{procedure.UseVoltage, procedure.UseReturn}).Draw(t, "use"),
				Level: float64(rapid.IntRange(0, 1).Draw(t, "level")), V: number.Draw(t, "pin V"), I: number.Draw(t, "pin I")})
		}
	}
	u.Progress = *at
	return u
}

// A page on which nothing but the changed parts is drawn, tick by tick, shows
// the same as one that is drawn whole.
func TestChangedPartsAreAllThatChanged(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		var updates []run.Update
		at := run.Progress{Done: []bool{false, false}}
		for range rapid.IntRange(1, 12).Draw(rt, "updates") {
			updates = append(updates, drawUpdate(rt, &at))
		}
		ticks := rapid.SliceOfN(rapid.IntRange(0, 2), len(updates), len(updates)).Draw(rt, "ticks after each")
		synctest.Test(t, func(t *testing.T) {
			rec := record()
			rec.Device.Pins = append(rec.Device.Pins, dut.Pin{Number: 3})
			runs := New(live.NewHub(slog.New(slog.DiscardHandler), nil), nil, slog.New(slog.DiscardHandler))
			page := map[Part]string{}
			runs.DrawOn(func(string) Screen {
				return screen{draw: func(s *Snapshot, changed []Part, _ bool) map[string]string {
					for _, p := range changed {
						page[p] = shownOf(s, p)
					}
					return nil
				}}
			})
			runs.Open(rec)
			parts := slices.Collect(maps.Keys(page))
			check := func() {
				synctest.Wait()
				s, ok := runs.Snapshot("1", -1)
				if !ok {
					t.Fatal("the run is gone")
				}
				for _, p := range parts {
					if want := shownOf(s, p); page[p] != want {
						t.Fatalf("part %+v shows %s, want %s", p, page[p], want)
					}
				}
			}
			for i, u := range updates {
				runs.Observe(u)
				if ticks[i] > 0 {
					time.Sleep(time.Duration(ticks[i]) * Tick)
					check()
				}
			}
			end := ended()
			end.Progress = at
			runs.Observe(end)
			check()
		})
	})
}

// A pin that stands as it did is not drawn again, also one of which nothing was
// ever sensed.
func TestPinsThatStandAreNotDrawnAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		drawn := map[int]int{}
		runs := New(live.NewHub(slog.New(slog.DiscardHandler), nil), nil, slog.New(slog.DiscardHandler))
		runs.DrawOn(func(string) Screen {
			return screen{draw: func(_ *Snapshot, changed []Part, _ bool) map[string]string {
				for _, p := range changed {
					if p.Kind == PinPart {
						drawn[p.N]++
					}
				}
				return nil
			}}
		})
		rec := record()
		rec.Device.Pins = append(rec.Device.Pins, dut.Pin{Number: 3})
		runs.Open(rec)
		for n := range 11 {
			if n == 1 { // what is connected has been drawn
				clear(drawn)
			}
			u := update(0)
			u.Pins = []run.PinState{{Pin: 1, Use: procedure.UseVoltage, Level: 1, V: float64(n), I: 1}, {Pin: 2, Use: procedure.UseReturn, V: math.NaN(), I: math.NaN()}}
			runs.Observe(u)
			time.Sleep(Tick)
			synctest.Wait()
		}
		if drawn[1] != 10 || drawn[2] != 0 || drawn[3] != 0 {
			t.Errorf("pins were drawn %v times, want the sensed one 10 times and no other", drawn)
		}
		runs.Observe(ended())
	})
}
