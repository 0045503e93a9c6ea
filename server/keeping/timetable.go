package keeping

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"time"

	"ohmkeep/store"
)

// fileName is the name of a backup: names are in the order of their times.
func fileName(at time.Time) string {
	return "ohmkeep-" + at.UTC().Format("20060102T150405.000") + ".db"
}

// namePattern matches the names of backups, and no other file's.
const namePattern = "ohmkeep-[0-9][0-9][0-9][0-9][0-9][0-9][0-9][0-9]T[0-9][0-9][0-9][0-9][0-9][0-9].[0-9][0-9][0-9].db"

// makeDir makes the directory of backups, for its owner alone.
func makeDir(dir string) error { return os.MkdirAll(dir, 0o700) }

// thin removes all but the newest backups of a directory; 0 keeps all.
func thin(dir string, keep int) error {
	if keep <= 0 {
		return nil
	}
	names, err := filepath.Glob(filepath.Join(dir, namePattern))
	if err != nil {
		return err
	}
	slices.Sort(names)
	var errs []error
	for _, name := range names[:max(len(names)-keep, 0)] {
		errs = append(errs, store.RemoveFile(name))
	}
	return errors.Join(errs...)
}

// timetable backs up whenever the last backup that succeeded is too old. After
// one that failed it waits a tenth of the time.
func (k *Keeper) timetable() {
	for {
		wait := k.untilDue()
		timer := time.NewTimer(wait)
		select {
		case <-k.ctx.Done():
			timer.Stop()
			return
		case <-timer.C:
		}
		// Somebody's own backup at the same time does as well.
		_ = k.StartBackup("timetable")
		k.waitForBackup()
	}
}

// untilDue is the time until the next backup.
func (k *Keeper) untilDue() time.Duration {
	made, err := k.Store.MadeBackups(k.ctx, 20)
	if err != nil {
		k.Log.Error("when the last backup was made cannot be read", "err", err)
		return k.Every / 10
	}
	wait := time.Duration(0)
	for _, b := range made {
		if b.Error == "" {
			wait = b.At.Add(k.Every).Sub(k.Now())
			break
		}
	}
	if len(made) > 0 && made[0].Error != "" {
		wait = max(wait, made[0].At.Add(k.Every/10).Sub(k.Now()))
	}
	return max(wait, 0)
}

// waitForBackup waits until no backup is at work.
func (k *Keeper) waitForBackup() {
	k.mu.Lock()
	done := k.backup.done
	k.mu.Unlock()
	if done != nil {
		<-done
	}
}
