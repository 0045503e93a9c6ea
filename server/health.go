package main

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/health"
	"ohmkeep/server/keeping"
	"ohmkeep/server/lab"
	"ohmkeep/server/turn"
)

// watchHealth begins to look at the state of the program.
func (a *app) watchHealth(ctx context.Context, l *lab.Lab) {
	began := time.Now()
	a.health = health.NewMonitor(ctx, health.Sources{
		Now:      func() time.Time { return time.Now().Round(0) },
		Elapsed:  func() time.Duration { return time.Since(began) },
		Disk:     func() (free, total uint64, err error) { return health.DiskOf(a.Data) },
		Size:     a.store.Size,
		Running:  func() bool { now := l.InUse().Station.Snapshot(); return now.AtWork() },
		Database: a.store.Ping,
		Newest:   a.newestEvent,
		Memory:   a.memory.Now,
		Changed:  a.sayHealth,
		Fill:     func(ctx context.Context, s *health.Sample) { a.fillHealth(ctx, l.InUse(), s) },
	})
	a.health.Start()
}

// sayHealth writes into the log what has changed of the program's state.
func (a *app) sayHealth(f health.Fact) {
	level := []slog.Level{health.Good: slog.LevelInfo, health.Attention: slog.LevelWarn, health.Trouble: slog.LevelError}[f.Level]
	a.Log.Log(context.Background(), level, "health: "+f.Title, "level", f.Level.String(), "what", f.Words, "remedy", f.Remedy)
}

// newestEvent is the time of the newest line in the log of who did what; zero
// where there is none.
func (a *app) newestEvent(ctx context.Context) (time.Time, error) {
	events, err := a.store.Events(ctx, "", 0, 1)
	if err != nil || len(events) == 0 {
		return time.Time{}, err
	}
	return events[0].At, nil
}

// fillHealth puts in what the other rooms know.
func (a *app) fillHealth(ctx context.Context, b *lab.Bench, s *health.Sample) {
	s.Reports, s.MostOpen = a.reports.Opened(), turn.Defaults().Open
	if now := b.Now(); now.State == bench.Unknown {
		s.Link, s.Remedy = now.Reason, b.Remedy()
	}
	if a.SignOn != nil {
		s.SignOnName, s.SignOn = a.SignOn.Name, a.SignOn.Trouble()
	}
	if a.cert != nil {
		s.CertEnds, s.CertTrouble = a.cert.Ends()
	}
	if a.keeper != nil {
		fillKept(ctx, a.keeper, s)
	}
}

// fillKept puts in what is known of damage and backups.
func fillKept(ctx context.Context, k *keeping.Keeper, s *health.Sample) {
	check := k.CheckState()
	if last := check.Last; last != nil {
		s.Checked = last.At
		if n := len(last.Findings) + last.More; n > 0 {
			s.Damage = fmt.Sprintf("%d found by the check, first %s", n, last.Findings[0].Subject+": "+last.Findings[0].What)
		}
	}
	if n := len(check.Met); n > 0 && s.Damage == "" {
		s.Damage = fmt.Sprintf("%d met while reading, first %s", n, check.Met[0])
	}
	backups, err := k.BackupState(ctx)
	if err != nil {
		return // the database does not answer: said by its own fact
	}
	s.BackupEvery = backups.Every
	for i, made := range backups.Made { // newest first
		if made.Error == "" {
			s.BackupAt = made.At
			break
		}
		if i == 0 {
			s.BackupFailed = made.Error
		}
	}
}

// counts are what a monitor is told of what the program has done.
func (a *app) counts(l *lab.Lab) health.Counts {
	stored := a.store.Counters()
	n := health.Counts{Readings: stored.Readings, Commits: stored.Commits, DatabaseBytes: a.store.Size(), Ended: map[string]int64{},
		Viewers: a.hub.Viewers(), Reports: a.reports.Opened()}
	for status, count := range stored.Ended {
		n.Ended[string(status)] = count
	}
	b := l.InUse()
	n.AtWork = b.Station.Snapshot().Run != ""
	for _, h := range b.Health() {
		n.LinkErrors += h.Late + h.Garbled
	}
	return n
}
