// Package store keeps everything that outlives the server in one SQLite file:
// documents with their revisions, runs with their readings and results, and
// who may do what. Times are integers, in Unix nanoseconds or, in readings, in
// nanoseconds since the run's start.
package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/pressly/goose/v3"

	"ohmkeep/migrations"
)

const (
	// pageSize is the size of a page of the database, in bytes. It is small
	// because a commit writes whole pages, however little is in them.
	pageSize      = 4096
	applicationID = 0x4F686D6B // "Ohmk"
	busyTimeout   = 5 * time.Second
)

// Options of a store. The zero value is what the program uses.
type Options struct {
	Now func() time.Time // clock for stored times; nil: time.Now
	// Today refuses a database of an older version of the program, instead of
	// bringing it up to date.
	Today bool
}

// Store is an open database. It is safe for concurrent use.
type Store struct {
	write *sql.DB
	read  [pools]*sql.DB
	path  string
	now   func() time.Time

	appendMu sync.Mutex          // held over a whole append, so that open runs match the disk
	open     map[string]*openRun // by id
	stmt     statements

	counted     counters
	packed      []byte // reused by writeChunk
	pending     pendingEndings
	kept        atomic.Int64 // bytes that wide tables in the making keep
	snapshots   snapshotCache
	benchChecks checksKept
	met         metDamage
	logLost     atomic.Bool // the log was missing when the database was opened, and nobody was told

	reading bool       // it was opened to be read alone
	mode    url.Values // how its files are then opened
	copied  string     // path of the database that this is a copy of; ""
	// copiedMode is how the files of that one are opened.
	copiedMode url.Values

	// life is held for reading by what goes on beside all requests, and taken by
	// Close: nothing of that begins after it.
	life    sync.RWMutex
	closing bool
}

// Open opens or makes the database at path and migrates it. It refuses a file
// that is not Ohmkeep's and a schema newer than this program (TooNew).
func Open(ctx context.Context, path string, o Options) (_ *Store, err error) {
	path, err = filepath.Abs(path)
	if err != nil {
		return nil, fmt.Errorf("store: open: %w", err)
	}
	s := &Store{path: path, now: o.Now, open: map[string]*openRun{}}
	if s.now == nil {
		s.now = time.Now
	}
	defer func() {
		if err != nil {
			err = errors.Join(wrap("open "+path, err), s.closePools())
		}
	}()
	if o.Today {
		if err := refuseOlder(ctx, path); err != nil {
			return nil, err
		}
	}
	lost, err := logMissing(path)
	if err != nil {
		return nil, err
	}
	s.logLost.Store(lost)
	if err := makePrivate(path); err != nil {
		return nil, err
	}
	if s.write, err = openPool(ctx, path, writerPragmas, 1, readWrite); err != nil {
		return nil, err
	}
	if err := migrate(ctx, s.write); err != nil {
		return nil, err
	}
	if err := s.openReaders(ctx); err != nil {
		return nil, err
	}
	if err := s.stmt.prepare(ctx, s.write); err != nil {
		return nil, err
	}
	if err := s.sealDocuments(ctx); err != nil {
		return nil, err
	}
	return s, nil
}

// makePrivate makes the files of a database readable by their owner alone. SQLite
// gives its log the rights of the database.
func makePrivate(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	for _, name := range []string{path, path + "-wal", path + "-shm"} {
		info, err := os.Stat(name)
		if err != nil || !info.Mode().IsRegular() || info.Mode().Perm()&0o077 == 0 {
			continue
		}
		if err := os.Chmod(name, info.Mode().Perm()&^0o077); err != nil {
			return err
		}
	}
	return nil
}

// pragma is one setting: how it is asked for in the DSN, and what SQLite must
// then say it is.
type pragma struct{ name, dsn, value, want string }

var common = []pragma{
	{"busy_timeout", "_busy_timeout", fmt.Sprint(busyTimeout.Milliseconds()), fmt.Sprint(busyTimeout.Milliseconds())},
	{"foreign_keys", "_foreign_keys", "1", "1"},
	{"synchronous", "_synchronous", "FULL", "2"},
}

var writerPragmas = append([]pragma{
	{"journal_mode", "_journal_mode", "WAL", "wal"},
	{"page_size", "_pragma", fmt.Sprintf("page_size(%d)", pageSize), ""}, // fixed when the file was made
	{"query_only", "_query_only", "0", "0"},
}, common...)

// Readers ask for no journal mode: they could not change it.
var readerPragmas = append([]pragma{
	{"journal_mode", "", "", "wal"},
	{"query_only", "_query_only", "1", "1"},
}, common...)

// A deferred transaction that reads and then writes may fail as busy whatever
// the timeout, so that the writer takes its lock at once.
var (
	readWrite = url.Values{"_txlock": {"immediate"}}
	readOnly  = url.Values{"mode": {"ro"}}
)

// openPool opens a pool and reads every setting back: SQLite accepts a pragma
// that it does not know without a word.
func openPool(ctx context.Context, path string, pragmas []pragma, size int, mode url.Values) (*sql.DB, error) {
	q := url.Values{"_dqs": {"0"}, "_defensive": {"1"}}
	maps.Copy(q, mode)
	for _, p := range pragmas {
		if p.dsn != "" {
			q.Add(p.dsn, p.value)
		}
	}
	u := url.URL{Scheme: "file", Path: path, RawQuery: q.Encode()}
	db, err := sql.Open("sqlite", u.String())
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(size)
	db.SetMaxIdleConns(size)
	if err := verify(ctx, db, pragmas); err != nil {
		return nil, errors.Join(err, db.Close())
	}
	return db, nil
}

func verify(ctx context.Context, db *sql.DB, pragmas []pragma) error {
	for _, p := range pragmas {
		if p.want == "" {
			continue
		}
		var got string
		if err := db.QueryRowContext(ctx, "PRAGMA "+p.name).Scan(&got); err != nil {
			return fmt.Errorf("read back %s: %w", p.name, err)
		}
		if !strings.EqualFold(got, p.want) {
			return fmt.Errorf("%s is %q instead of %q", p.name, got, p.want)
		}
	}
	return nil
}

// errNotOurs refuses a file of another program.
var errNotOurs = errorf(Invalid, "the file is a database of another program")

// migrate brings the schema up to date, or refuses a file that is newer or not ours.
func migrate(ctx context.Context, db *sql.DB) error {
	var id, tables int
	err := db.QueryRowContext(ctx,
		`SELECT (SELECT application_id FROM pragma_application_id), (SELECT count(*) FROM sqlite_schema)`).Scan(&id, &tables)
	if err != nil {
		return err
	}
	if tables > 0 && id != applicationID {
		return errNotOurs
	}
	p, err := goose.NewProvider(goose.DialectSQLite3, db, migrations.FS, goose.WithDisableGlobalRegistry(true))
	if err != nil {
		return err
	}
	current, target, err := p.GetVersions(ctx)
	if err == nil {
		err = notNewer(current, target)
	}
	if err != nil || current == target {
		return err
	}
	_, err = p.Up(ctx)
	return err
}

// notNewer refuses a schema that is newer than this program.
func notNewer(current, target int64) error {
	if current > target {
		return errorf(TooNew, "the database has version %d, and this program knows versions up to %d: use a newer program", current, target)
	}
	return nil
}

// versions returns the version of a database that is only read, and the one that
// this program makes. It refuses a file that is newer or not ours.
func versions(ctx context.Context, db *sql.DB) (current, target int64, err error) {
	var id int
	if err := db.QueryRowContext(ctx, "SELECT application_id FROM pragma_application_id").Scan(&id); err != nil {
		return 0, 0, err
	}
	if id != applicationID {
		return 0, 0, errNotOurs
	}
	known, err := goose.NewProvider(goose.DialectSQLite3, db, migrations.FS, goose.WithDisableGlobalRegistry(true))
	if err != nil {
		return 0, 0, err
	}
	for _, m := range known.ListSources() {
		target = max(target, m.Version)
	}
	err = db.QueryRowContext(ctx, "SELECT coalesce(max(version_id), 0) FROM goose_db_version").Scan(&current)
	if err == nil {
		err = notNewer(current, target)
	}
	return current, target, err
}

// Close waits for what is under way, moves everything from the write-ahead log
// into the database file and closes it.
func (s *Store) Close() error {
	s.life.Lock()
	s.closing = true
	s.life.Unlock()
	s.appendMu.Lock()
	defer s.appendMu.Unlock()
	readErr := s.closeReaders() // first: a reader would keep the log from shrinking
	if s.reading {
		return errors.Join(readErr, s.closePools(), s.logFolded())
	}
	if s.copied != "" {
		return errors.Join(readErr, s.closePools(), RemoveFile(s.path), removeIfThere(statePath(s.path)))
	}
	return errors.Join(readErr, s.Checkpoint(context.Background()), s.closePools(), s.logFolded())
}

func (s *Store) closePools() error {
	err := s.closeReaders()
	if s.write != nil {
		err = errors.Join(err, s.write.Close())
	}
	return err
}
