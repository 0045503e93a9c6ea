package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"time"

	"modernc.org/sqlite"

	"ohmkeep/server/turn"
)

const (
	// backupStep is the number of pages copied at once: about a millisecond of
	// work, after which whoever waits has the processor.
	backupStep = 64
	// backupSync is the number of steps after which the copy is forced to the disk,
	// so that a commit of the run at work never waits for more than a few megabytes.
	backupSync = 16
)

// Backup is a copy of the database that has been read again.
type Backup struct {
	Path    string        `json:"path"`
	At      time.Time     `json:"at"`   // the state that it holds
	Took    time.Duration `json:"took"` // nanoseconds
	Size    int64         `json:"size"` // bytes
	Checked *Checked      `json:"-"`
}

// BackupTo writes a copy of the database to a new file at path, while
// everything goes on: the state of one moment, page by page. The copy is made
// under another name, forced to the disk, opened and read whole; only then it
// gets its name. One that is damaged is kept as path + ".damaged" and is an
// error: Corrupt. It works as a report, between two steps others have the turn.
func (s *Store) BackupTo(ctx context.Context, path string, say func(CheckProgress)) (_ *Backup, err error) {
	if say == nil {
		say = func(CheckProgress) {}
	}
	if path, err = filepath.Abs(path); err != nil {
		return nil, wrap("backup", err)
	}
	if _, err := os.Lstat(path); err == nil {
		return nil, errorf(Conflict, "backup: %s exists already", path)
	}
	part := path + ".part"
	defer func() { err = errors.Join(wrap("backup", err), RemoveFile(part)) }()
	if err := RemoveFile(part); err != nil {
		return nil, err
	}
	b := &Backup{Path: path, At: s.now()}
	from, mode := s.path, s.readMode()
	if s.copied != "" { // as it is, not as the copy that was brought up to date
		from, mode = s.copied, s.copiedMode
	}
	if err := copyPages(ctx, from, mode, part, say); err != nil {
		return nil, err
	}
	if b.Checked, err = CheckFile(ctx, part, say); err != nil {
		return nil, err
	}
	if len(b.Checked.Findings) > 0 {
		first := b.Checked.Findings[0]
		path += ".damaged"
		err = errorf(Corrupt, "the copy holds what is damaged (%s: %s; %d findings): it is kept as %s", first.Subject, first.What, len(b.Checked.Findings), path)
	}
	if err := errors.Join(os.Rename(part, path), syncDir(filepath.Dir(path))); err != nil {
		return nil, err
	}
	if info, err := os.Stat(path); err == nil {
		b.Size = info.Size()
	}
	b.Took = s.now().Sub(b.At)
	return b, err
}

// CheckFile opens a database file that nobody else uses and checks all of it. The
// file stays as it is.
func CheckFile(ctx context.Context, path string, say func(CheckProgress)) (*Checked, error) {
	s, err := OpenRead(ctx, path, true)
	if err != nil {
		return nil, err
	}
	checked, err := s.Check(ctx, say)
	return checked, errors.Join(err, s.Close())
}

// RemoveFile removes a database file with its logs, where they are there.
func RemoveFile(path string) error {
	var errs []error
	for _, end := range []string{"", "-wal", "-shm", "-journal"} {
		errs = append(errs, removeIfThere(path+end))
	}
	return errors.Join(errs...)
}

// removeIfThere removes a file that may not be there.
func removeIfThere(path string) error {
	if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	return nil
}

// syncDir forces the names in a directory to the disk.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// backupConn is a connection of the driver that can copy its database.
type backupConn interface {
	NewBackup(uri string) (*sqlite.Backup, error)
}

// copyPages copies a database, whose files are opened in a mode, as it stands to a
// new file.
func copyPages(ctx context.Context, path string, mode url.Values, to string, say func(CheckProgress)) (err error) {
	// Mode 0600 from the first byte on.
	file, err := os.OpenFile(to, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, file.Close()) }()
	db, err := openPool(ctx, path, common, 1, mode)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	conn, err := db.Conn(ctx)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, conn.Close()) }()
	// A read transaction over the whole copy: a commit of somebody else would have
	// it begin again.
	view, err := conn.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return err
	}
	defer func() { _ = view.Rollback() }() // nothing was written
	var tables int
	if err := view.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_schema").Scan(&tables); err != nil {
		return err
	}
	q := url.Values{"_pragma": {"journal_mode(off)", "synchronous(off)"}} // forced to the disk by file
	uri := url.URL{Scheme: "file", Path: to, RawQuery: q.Encode()}
	err = conn.Raw(func(c any) error {
		from, ok := c.(backupConn)
		if !ok {
			return fmt.Errorf("the driver's connection is a %T, which cannot be copied", c)
		}
		b, err := from.NewBackup(uri.String())
		if err != nil {
			return err
		}
		return errors.Join(copySteps(ctx, b, file, say), b.Finish())
	})
	return errors.Join(err, file.Sync())
}

// copySteps copies all pages, some at a time.
func copySteps(ctx context.Context, b *sqlite.Backup, file *os.File, say func(CheckProgress)) error {
	for n := 1; ; n++ {
		more, err := b.Step(backupStep)
		if err != nil || !more {
			return err
		}
		if n%backupSync == 0 {
			say(CheckProgress{"copy", int64(b.PageCount() - b.Remaining()), int64(b.PageCount())})
			if err := file.Sync(); err != nil {
				return err
			}
		}
		if err := turn.Pass(ctx); err != nil {
			return err
		}
	}
}

// Backup writes a copy as BackupTo does, for those who need to know no more.
func (s *Store) Backup(ctx context.Context, path string) error {
	_, err := s.BackupTo(ctx, path, nil)
	return err
}
