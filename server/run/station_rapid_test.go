package run

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
)

// deed is one action of a person on a station, at a moment.
type deed struct {
	what string
	at   time.Duration
}

// TestStationAnyOrder lets several people start, stop and make safe at random
// moments, at once, on a bench that may fail: the bench is never left
// energised, and every run that begins ends once.
func TestStationAnyOrder(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		points := drawPoints(rt)
		var deeds []deed
		for range rapid.IntRange(1, 12).Draw(rt, "deeds") {
			deeds = append(deeds, deed{
				rapid.SampledFrom([]string{"start", "start", "start", "stop", "make safe", "seat", "take"}).Draw(rt, "what"),
				time.Duration(rapid.IntRange(0, 400).Draw(rt, "at")) * time.Millisecond,
			})
		}
		failAt := rapid.IntRange(0, 200).Draw(rt, "fails at")
		var broken []string
		synctest.Test(t, func(t *testing.T) { broken = act(t, points, deeds, failAt) })
		if len(broken) > 0 {
			rt.Fatalf("%+v: %v", deeds, broken)
		}
	})
}

func act(t *testing.T, points []procedure.Point, deeds []deed, failAt int) []string {
	b := newBed(bench.RealClock{}, points)
	b.link.safeTakes = 3 * time.Millisecond
	b.link.failAt, b.link.failErr = failAt, errors.New("no answer")
	var energised int // by the station's word, while nothing runs
	s := b.station(t, func(n Snapshot) {
		if n.Run == "" && n.State == bench.Energised {
			energised++
		}
	})
	var wg sync.WaitGroup
	for i, d := range deeds {
		wg.Go(func() {
			time.Sleep(d.at)
			switch d.what {
			case "start":
				rec := *b.rec
				rec.ID = fmt.Sprint("run", i)
				_, _ = s.Start(&rec) // busy and unknown are fine
			case "stop":
				s.Stop("enough")
				s.Stop("again")
			case "make safe":
				_ = s.MakeSafe(t.Context(), "Ada")
			case "seat":
				_ = s.WhileIdle(func() error {
					b.link.mu.Lock()
					defer b.link.mu.Unlock()
					if b.link.live {
						b.link.breaks("seated while energised")
					}
					return nil
				})
			case "take":
				_ = s.Take("Bo", fmt.Sprint(i))
			}
		})
	}
	wg.Wait()
	ctx, cancel := context.WithTimeout(context.Background(), time.Hour)
	defer cancel()
	if err := s.Close(ctx); err != nil {
		return []string{err.Error()}
	}
	b.watch.mu.Lock()
	defer b.watch.mu.Unlock()
	out := append(b.link.broken, b.watch.brokenOtherThanCounts()...)
	if b.link.live {
		out = append(out, "left energised")
	}
	if len(b.watch.finished) != b.watch.begun {
		out = append(out, fmt.Sprintf("%d begun, %d finished", b.watch.begun, len(b.watch.finished)))
	}
	if energised > 0 {
		out = append(out, "said to be energised with no run at work")
	}
	return out
}
