package store

import (
	"context"
	"errors"
	"maps"
	"net/url"
	"os"
	"path/filepath"
	"time"
)

// ErrOlder is the error of a database that must be brought up to date before this
// program can read it.
var ErrOlder = errorf(Conflict, "the database is of an older version of the program; start the server once, which brings it up to date")

var (
	// immutable is for files that nobody else uses: SQLite makes no files beside
	// them.
	immutable = url.Values{"mode": {"ro"}, "immutable": {"1"}}
	// removing is for files without a log that others may open meanwhile: SQLite
	// makes a log and, which it does not with mode=ro, removes it at the end.
	removing = url.Values{"mode": {"rw"}}
)

// OpenRead opens a database to read it: its file stays as it is. One of an older
// version is copied beside it (into the system's temporary directory where that
// cannot be), and the copy is brought up to date and opened in its place, which
// Copied tells; Close removes it. Alone says that nobody else uses the file, so
// that SQLite makes none beside it.
func OpenRead(ctx context.Context, path string, alone bool) (_ *Store, err error) {
	if path, err = filepath.Abs(path); err != nil {
		return nil, wrap("open", err)
	}
	s, err := newReading(path, alone)
	if err != nil {
		return nil, wrap("open "+path, err)
	}
	err = s.openToRead(ctx)
	if err == nil {
		return s, nil
	}
	if errors.Is(err, ErrOlder) {
		var up *Store
		if up, err = s.copyUp(ctx); err == nil {
			return up, s.closePools()
		}
	}
	return nil, errors.Join(wrap("open "+path, err), s.closePools())
}

// refuseOlder refuses a database of an older version of the program, which stays as
// it is.
func refuseOlder(ctx context.Context, path string) error {
	s, err := newReading(path, false)
	if err == nil {
		err = s.openToRead(ctx)
	}
	return errors.Join(err, s.closePools())
}

// newReading is a store that is going to be opened to read alone.
func newReading(path string, alone bool) (*Store, error) {
	s := &Store{path: path, now: time.Now, open: map[string]*openRun{}, reading: true, mode: readOnly}
	switch info, err := os.Stat(path + "-wal"); {
	case err == nil && info.Size() > 0: // its log is read with it, and stays
	case alone:
		s.mode = immutable
	case err != nil:
		s.mode = removing
	}
	lost, err := logMissing(path)
	s.logLost.Store(lost)
	return s, err
}

// openToRead opens the pools of a store that only reads. It fails with ErrOlder
// where its schema is older than this program's.
func (s *Store) openToRead(ctx context.Context) (err error) {
	// In the writer's place stands one that cannot write.
	if s.write, err = openPool(ctx, s.path, s.readerPragmas(), 1, s.mode); err != nil {
		return err
	}
	current, target, err := versions(ctx, s.write)
	if err != nil {
		return err
	}
	if current < target {
		return ErrOlder
	}
	var unsealed bool
	if err := s.write.QueryRowContext(ctx, unsealedAtOnce).Scan(&unsealed); err != nil {
		return err
	}
	if unsealed { // it was killed while it was brought up to date
		return ErrOlder
	}
	return s.openReaders(ctx)
}

// copyUp copies the database into a file of its own, and opens that, which brings
// it up to date.
func (s *Store) copyUp(ctx context.Context) (*Store, error) {
	const name = "ohmkeep-*.copy"
	f, err := os.CreateTemp(filepath.Dir(s.path), name)
	if err != nil {
		f, err = os.CreateTemp("", name)
	}
	if err != nil {
		return nil, err
	}
	path := f.Name()
	if err := errors.Join(f.Close(), RemoveFile(path)); err != nil { // the name alone
		return nil, err
	}
	err = copyPages(ctx, s.path, s.readMode(), path, func(CheckProgress) {})
	if err == nil {
		var up *Store
		if up, err = Open(ctx, path, Options{}); err == nil {
			up.copied, up.copiedMode = s.path, s.readMode()
			return up, nil
		}
	}
	return nil, errors.Join(err, RemoveFile(path))
}

// Copied returns the path of the database that this store is a copy of, brought
// up to date to be read; "" where it is the database itself.
func (s *Store) Copied() string { return s.copied }

// readMode is how the files of the database are opened by readers.
func (s *Store) readMode() url.Values {
	if s.mode == nil {
		return readOnly
	}
	return maps.Clone(s.mode)
}

// readerPragmas are the settings of the read pools.
func (s *Store) readerPragmas() []pragma {
	if s.reading {
		return readerPragmas[1:] // the journal of a file that is only read may be any
	}
	return readerPragmas
}
