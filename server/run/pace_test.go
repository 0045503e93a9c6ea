package run

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
)

// moments is a recorder and an observer that note when each is told.
type moments struct {
	*witness
	stored, shown, worked []time.Duration // since the start; worked: results stored
	begun                 time.Time
}

func (m *moments) Append(ctx context.Context, id string, b procedure.Batch) error {
	m.stored = append(m.stored, time.Since(m.begun))
	if len(b.Results) > 0 {
		m.worked = append(m.worked, time.Since(m.begun))
	}
	return m.witness.Append(ctx, id, b)
}

func (m *moments) Observe(u Update) {
	if len(u.Batch.Readings) > 0 {
		m.shown = append(m.shown, time.Since(m.begun))
	}
	m.witness.Observe(u)
}

// paced runs points and returns when what was stored and shown. Each commit
// takes the disk 15 ms.
func paced(t *testing.T, points ...procedure.Point) (*moments, *bed) {
	t.Helper()
	b := newBed(bench.RealClock{}, points)
	b.watch.slow = 15 * time.Millisecond
	m := &moments{witness: b.watch, begun: time.Now()}
	b.runner.Recorder, b.runner.Observer = m, m
	if e, err := b.runner.Run(t.Context(), b.rec); err != nil || e.Status != procedure.Done {
		t.Fatalf("%+v, %v", e, err)
	}
	clean(t, b)
	return m, b
}

// A slow measurement is committed a few times a second, and shown as often:
// never less than four times where there is something to show.
func TestSlowReadingsAreCommittedFourTimesASecond(t *testing.T) {
	for _, interval := range []float64{0.001, 0.02, 0.1} {
		synctest.Test(t, func(t *testing.T) {
			p := point(pinA, volts(pinA, 1))
			p.Interval, p.Count = interval, int(20/interval)
			m, b := paced(t, p)
			if len(b.watch.stored) != p.Count {
				t.Errorf("every %g s: %d readings of %d", interval, len(b.watch.stored), p.Count)
			}
			// 20 s; the last commit is the end's.
			if n := len(m.stored); n < 4*20 || n > 20*1000/240+3 {
				t.Errorf("every %g s: %d commits in 20 s", interval, n)
			}
			// From one reading after the last look to the end of the commit.
			most := max(commitEvery, time.Duration(interval*1e9)) + 30*time.Millisecond + time.Duration(interval*1e9)
			for i := 1; i < len(m.shown); i++ {
				if gap := m.shown[i] - m.shown[i-1]; gap > most {
					t.Errorf("every %g s: nothing was shown for %v", interval, gap)
				}
			}
			if n := len(m.worked); n < 18 || n > 23 {
				t.Errorf("every %g s: results were stored %d times in 20 s", interval, n)
			}
		})
	}
}

// Readings that come once a second are each committed when they come.
func TestRareReadingsAreCommittedAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := point(pinA, volts(pinA, 1))
		p.Interval, p.Count = 1, 10
		m, _ := paced(t, p)
		if n := len(m.shown); n != 10 {
			t.Fatalf("%d readings were shown at %v", n, m.shown)
		}
		first := m.shown[0]
		for i, at := range m.shown {
			if late := at - first - time.Duration(i)*time.Second; late < 0 || late > 20*time.Millisecond {
				t.Errorf("reading %d was shown %v late", i, late)
			}
		}
	})
}

// Many short measurements do not wait for the pace of the commits, neither
// where the run goes on at once nor where it waits for an outcome.
func TestShortMeasurementsDoNotWaitForTheDisk(t *testing.T) {
	for _, tc := range []struct {
		name    string
		retest  int
		commits int // at most
		longer  time.Duration
	}{
		{"going on", 0, 4, 0},
		{"waiting for the outcome", 1, 25, 20 * 20 * time.Millisecond}, // of the disk's own time
	} {
		synctest.Test(t, func(t *testing.T) {
			var lists [][]procedure.Point
			for range 20 {
				lists = append(lists, []procedure.Point{point(pinA, volts(pinA, 1))})
			}
			plain := newBed(bench.RealClock{}, lists...)
			begun := time.Now()
			if _, err := plain.runner.Run(t.Context(), plain.rec); err != nil {
				t.Fatal(err)
			}
			alone := time.Since(begun) // with a disk that takes no time

			b := newBed(bench.RealClock{}, lists...)
			b.watch.slow = 15 * time.Millisecond
			for i := range b.rec.Procedure.Measurements {
				b.rec.Procedure.Measurements[i].Retest = tc.retest
			}
			begun = time.Now()
			if _, err := b.runner.Run(t.Context(), b.rec); err != nil {
				t.Fatal(err)
			}
			// The last commit is waited for in any case.
			if took := time.Since(begun); took > alone+tc.longer+40*time.Millisecond {
				t.Errorf("%s: %v, without a disk %v", tc.name, took, alone)
			}
			if b.watch.appends > tc.commits {
				t.Errorf("%s: %d commits of a run of %v", tc.name, b.watch.appends, alone)
			}
			clean(t, b)
		})
	}
}
