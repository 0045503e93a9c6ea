package store

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"
)

// Loss is what a database has and a backup of it has not: what going back to the
// backup would lose.
type Loss struct {
	Runs   []RunRow // newest first, at most lossMost; those being at work too
	More   int      // runs beyond them
	Edits  int      // revisions of documents
	Events int64    // lines of the log
	Access []AccessChange
}

// lossMost is the number of runs that a loss names.
const lossMost = 100

// Any reports whether anything would be lost.
func (l *Loss) Any() bool { return len(l.Runs) > 0 || l.Edits > 0 || l.Events > 0 || len(l.Access) > 0 }

// Beyond returns what this database has and another has not, by the ids of runs,
// the revisions of documents and the numbers of lines, and who would have access.
func (s *Store) Beyond(ctx context.Context, backup *Store) (*Loss, error) {
	l := &Loss{}
	err := s.EachRun(ctx, Filter{}, func(r *RunRow) error {
		var same bool
		// The same run, as it stands: a note or an end that came later counts.
		err := backup.reader(ctx).QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM runs WHERE id = ? AND readings = ? AND status = ? AND note = ?)`,
			r.ID, r.Readings, string(r.Status), r.Note).Scan(&same)
		switch {
		case err != nil || same:
			return err
		case len(l.Runs) < lossMost:
			l.Runs = append(l.Runs, *r)
		default:
			l.More++
		}
		return nil
	})
	if err != nil {
		return nil, wrap("compare databases", err)
	}
	for _, k := range documentTables {
		var here, there int
		query := "SELECT count(*) FROM " + k.revisions
		err := errors.Join(s.reader(ctx).QueryRowContext(ctx, query).Scan(&here), backup.reader(ctx).QueryRowContext(ctx, query).Scan(&there))
		if err != nil {
			return nil, wrap("compare databases", err)
		}
		l.Edits += max(here-there, 0)
	}
	if l.Access, err = s.accessBeyond(ctx, backup); err != nil {
		return nil, err
	}
	last, hash, err := s.LastEvent(ctx)
	if err != nil {
		return nil, err
	}
	theirs, _, err := backup.LastEvent(ctx)
	if err != nil {
		return nil, err
	}
	if l.Events = last - theirs; l.Events == 0 {
		if h, err := backup.EventHash(ctx, last); err != nil || string(h) != string(hash) {
			return nil, errors.Join(err, errorf(Conflict, "the backup is of another lab, or of another history of this one"))
		}
	}
	l.Events = max(l.Events, 0)
	return l, nil
}

// CopyFile copies a database file that nobody writes to a new file, mode 0600,
// and forces it to the disk.
func CopyFile(from, to string) (err error) {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, in.Close()) }()
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = out.ReadFrom(in)
	return errors.Join(err, out.Sync(), out.Close(), syncDir(filepath.Dir(to)))
}

// Replace puts a database in the place of another that nobody uses, and keeps
// the replaced one beside it, with its logs. It returns where that is; "" where
// there was none.
func Replace(path, with string, at time.Time) (keptAs string, err error) {
	if _, err := os.Lstat(path); err == nil {
		keptAs = fmt.Sprintf("%s.replaced-%s", path, at.UTC().Format("20060102T150405.000"))
		for _, end := range []string{"-wal", "-shm", ""} {
			if err := os.Rename(path+end, keptAs+end); err != nil && !(end != "" && errors.Is(err, os.ErrNotExist)) {
				return "", err
			}
		}
	}
	return keptAs, errors.Join(os.Rename(with, path), syncDir(filepath.Dir(path)))
}
