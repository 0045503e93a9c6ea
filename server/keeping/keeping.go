// Package keeping looks after what is kept: it checks the database, backs it up
// when asked and by a timetable, and keeps the database's last known state beside
// it. All of it works as reports do, so that no run and no stop waits for it. It
// knows no HTTP.
package keeping

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"ohmkeep/server/problem"
	"ohmkeep/server/turn"
	"ohmkeep/store"
)

// stateEvery is the time between two looks at whether the last known state has
// changed.
const stateEvery = 3 * time.Second

// Config is what a keeper works on.
type Config struct {
	Store   *store.Store
	Reports *turn.Queue
	Log     *slog.Logger
	Now     func() time.Time // nil is time.Now
	Dir     string           // where backups go
	Every   time.Duration    // between two backups by the timetable; 0: none
	Keep    int              // backups of the timetable and the button that are kept; 0: all
	// Room is what is free on the database's disk and what of it is kept for runs,
	// bytes; nil: it is not looked at.
	Room func() (free, reserve uint64, err error)
}

// Keeper checks and backs up. Safe for concurrent use.
type Keeper struct {
	Config
	ctx  context.Context
	stop context.CancelFunc
	work sync.WaitGroup

	mu      sync.Mutex
	check   job
	checked *store.Checked // the last check that came to its end
	failed  string         // why the last check did not
	backup  job
	made    []store.MadeBackup // the newest, newest first; nil: to be read again
	makes   int                // how often that list has changed

	importing sync.Mutex // held while a bundle is brought in
}

// job is a check or a backup at work.
type job struct {
	cancel context.CancelFunc // nil: none is at work
	at     store.CheckProgress
	done   chan struct{} // closed when it has ended
}

// New makes a keeper. Start has it work by itself.
func New(cfg Config) *Keeper {
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	k := &Keeper{Config: cfg}
	k.ctx, k.stop = context.WithCancel(context.Background())
	return k
}

// Start begins to keep the state, and to back up by the timetable.
func (k *Keeper) Start() {
	k.work.Go(k.keepState)
	if k.Every > 0 {
		k.work.Go(k.timetable)
	}
}

// Close ends what is at work and waits for it.
func (k *Keeper) Close() {
	k.stop()
	k.work.Wait()
}

// keepState writes the last known state whenever it has changed.
func (k *Keeper) keepState() {
	tick := time.NewTicker(stateEvery)
	defer tick.Stop()
	for {
		if err := k.Store.KeepState(k.ctx, false); err != nil && k.ctx.Err() == nil {
			k.Log.Warn("the last known state of the database could not be written", "err", err)
		}
		select {
		case <-k.ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// begin starts a job in the background as a report; what is its name for a
// refusal.
func (k *Keeper) begin(j *job, what string, work func(ctx context.Context, say func(store.CheckProgress))) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	if j.cancel != nil {
		return problem.New(problem.Conflict, what+" is at work already.")
	}
	if k.ctx.Err() != nil {
		return problem.New(problem.Unavailable, "The server is stopping.")
	}
	ctx, cancel := context.WithCancel(store.From(turn.For(k.ctx, k.Reports, "keeping: "+what), store.Reports))
	j.cancel, j.at, j.done = cancel, store.CheckProgress{}, make(chan struct{})
	k.work.Go(func() {
		defer cancel()
		work(ctx, func(p store.CheckProgress) {
			k.mu.Lock()
			defer k.mu.Unlock()
			j.at = p
		})
		k.mu.Lock()
		defer k.mu.Unlock()
		j.cancel = nil
		close(j.done)
	})
	return nil
}

// StartCheck begins to check the whole database, in the background. A second
// one at the same time is a Conflict.
func (k *Keeper) StartCheck(by string) error {
	return k.begin(&k.check, "A check of the database", func(ctx context.Context, say func(store.CheckProgress)) {
		var checked *store.Checked
		err := turn.Do(ctx, func(ctx context.Context) (err error) {
			checked, err = k.Store.Check(ctx, say)
			return err
		})
		k.mu.Lock()
		defer k.mu.Unlock()
		switch {
		case err == nil:
			k.checked, k.failed = checked, ""
			detail := "nothing is damaged"
			if n := len(checked.Findings) + checked.More; n > 0 {
				detail = fmt.Sprintf("%d findings, the first: %s: %s", n, checked.Findings[0].Subject, checked.Findings[0].What)
				k.Log.Error("the check of the database found damage", "findings", n, "first", checked.Findings[0])
			}
			k.note(by, "check database", detail)
		case errors.Is(err, turn.ErrStopping):
			k.failed = "The server was stopped."
		case ctx.Err() != nil:
			k.failed = "It was called off."
		default:
			k.failed = "It ended before its time: " + err.Error()
			k.Log.Error("the check of the database ended", "err", err)
		}
	})
}

// CancelCheck calls the check at work off; Conflict where there is none.
func (k *Keeper) CancelCheck() error {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.check.cancel == nil {
		return problem.New(problem.Conflict, "No check of the database is at work.")
	}
	k.check.cancel()
	return nil
}

// CheckState is how the check of the database stands.
type CheckState struct {
	Running  bool
	Progress store.CheckProgress
	Last     *store.Checked // nil: none came to its end since the start
	Failed   string         // why the last one did not; "" where it did
	Met      []string       // what readers have met that is damaged, since the start
}

// CheckState returns how the check stands.
func (k *Keeper) CheckState() CheckState {
	k.mu.Lock()
	defer k.mu.Unlock()
	return CheckState{k.check.cancel != nil, k.check.at, k.checked, k.failed, k.Store.MetDamage()}
}

// note writes a line into the log of who did what.
func (k *Keeper) note(by, action, detail string) {
	if err := k.Store.Log(context.WithoutCancel(k.ctx), store.Event{By: by, Action: action, Subject: "database", Detail: detail}); err != nil {
		k.Log.Error("event not logged", "action", action, "err", err)
	}
}

// StartBackup begins to write a backup into the directory of backups, in the
// background. A second one at the same time is a Conflict.
func (k *Keeper) StartBackup(by string) error {
	return k.begin(&k.backup, "A backup", func(ctx context.Context, say func(store.CheckProgress)) { k.backUp(ctx, by, say) })
}

// backUp writes a backup, keeps what became of it, and takes out those that are
// too many.
func (k *Keeper) backUp(ctx context.Context, by string, say func(store.CheckProgress)) {
	made := store.MadeBackup{At: k.Now(), By: by, Path: filepath.Join(k.Dir, fileName(k.Now()))}
	err := makeDir(k.Dir)
	if err == nil {
		err = turn.Do(ctx, func(ctx context.Context) error {
			b, err := k.Store.BackupTo(ctx, made.Path, say)
			if b != nil {
				made.Size = b.Size
			}
			return err
		})
	}
	made.Took = k.Now().Sub(made.At)
	switch {
	case err == nil:
		k.Log.Info("backup written", "path", made.Path, "bytes", made.Size, "took", made.Took)
		err = thin(k.Dir, k.Keep)
		if err != nil {
			k.Log.Error("old backups could not be removed", "dir", k.Dir, "err", err)
		}
	case errors.Is(err, turn.ErrStopping) || k.ctx.Err() != nil:
		return // it is made again at the next start
	default:
		made.Error = err.Error()
		k.Log.Error("the backup failed", "path", made.Path, "err", err)
	}
	detail := filepath.Base(made.Path)
	if made.Error != "" {
		detail += ": " + made.Error
	}
	k.note(by, "back up", detail)
	if err := k.Store.RecordBackup(context.WithoutCancel(ctx), made); err != nil {
		k.Log.Error("what became of a backup could not be kept", "err", err)
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	k.made, k.makes = nil, k.makes+1
}

// BackupState is how backups stand.
type BackupState struct {
	Running  bool
	Progress store.CheckProgress
	Dir      string
	Every    time.Duration
	Keep     int
	Made     []store.MadeBackup // newest first
}

// BackupState returns how backups stand. Whether one is at work is looked at
// before the list: one that has ended meanwhile is in it. The list is kept in
// memory: the state of the server is looked at all the time, and only the keeper
// adds to it.
func (k *Keeper) BackupState(ctx context.Context) (BackupState, error) {
	k.mu.Lock()
	state := BackupState{Running: k.backup.cancel != nil, Progress: k.backup.at, Dir: k.Dir, Every: k.Every, Keep: k.Keep, Made: slices.Clone(k.made)}
	makes := k.makes
	k.mu.Unlock()
	if state.Made != nil {
		return state, nil
	}
	var err error
	if state.Made, err = k.Store.MadeBackups(ctx, 20); err != nil {
		return state, err
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.makes == makes { // none was recorded meanwhile
		k.made = append([]store.MadeBackup{}, state.Made...)
	}
	return state, nil
}
