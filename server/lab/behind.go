package lab

import (
	"context"
	"time"

	"ohmkeep/server/procedure"
	"ohmkeep/server/standing"
	"ohmkeep/store"
)

// What stands behind runs: the checks of their bench.

// Standings begins a list of runs of which it is said what stands behind each.
func (l *Lab) Standings() *store.Standings {
	q := l.Store.NewStandings()
	q.Fresh, q.Demo = l.CheckFresh, l.Demo
	return q
}

// Behind is what stands behind a run.
func (l *Lab) Behind(ctx context.Context, rec *procedure.Record) (standing.Standing, error) {
	return l.Standings().OfRecord(ctx, rec)
}

// Badges fills the badge of each run of a list in.
func (l *Lab) Badges(ctx context.Context, runs []store.RunRow) error {
	q := l.Standings()
	for i := range runs {
		if err := q.Mark(ctx, &runs[i]); err != nil {
			return err
		}
	}
	return nil
}

// Next is what would stand behind a run that began now on this bench, and used all
// of it.
func (l *Lab) Next(ctx context.Context, b *Bench) (standing.Standing, error) {
	line, err := l.Store.Timeline(ctx, b.Definition.Key)
	if err != nil {
		return standing.Standing{}, err
	}
	return line.Of(&standing.Run{Started: l.Now(), Serial: b.Identity().Serial, Built: b.Definition.Built(),
		Use: func() (*procedure.BenchUse, error) { return procedure.WholeBench(&b.Definition), nil }}, l.CheckFresh)
}

// LastGood is the end of the newest good check of a bench; zero where there is
// none.
func (l *Lab) LastGood(ctx context.Context, b *Bench) (time.Time, error) {
	line, err := l.Store.Timeline(ctx, b.Definition.Key)
	if err != nil {
		return time.Time{}, err
	}
	return line.LastGood(b.Identity().Serial), nil
}

// InDoubt is the runs of a bench that a check which found a fault puts in doubt,
// by when they began: from is the end of the last good check of what it found
// faulty, zero where there is none. It reports false for a check that found none.
func (l *Lab) InDoubt(ctx context.Context, c *store.BenchCheck) (from, to time.Time, some bool, err error) {
	line, err := l.Store.Timeline(ctx, c.Bench)
	if err != nil {
		return from, to, false, err
	}
	from, some = line.Since(c.ID)
	return from, c.At, some, nil
}
