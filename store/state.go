package store

import (
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"
)

// State is the last known state of a database, kept in a small file beside it:
// what tells a database that was replaced by an older one, emptied or cut off
// from its write-ahead log from the one that was here.
type State struct {
	At    time.Time `json:"at"`
	Clean bool      `json:"clean"` // it was closed in order, with nothing left in its log
	Runs  int64     `json:"runs"`  // the number of the newest run
	// Readings are those of the newest run, which may be at work; 0: it was deleted.
	Readings int64  `json:"readings"`
	Events   int64  `json:"events"` // the number of the last line of the log
	Hash     string `json:"hash"`   // its hash, in hexadecimal digits
	// LogLost says that it was opened without the log that it was left with, or
	// with a damaged one, and that nobody has been told yet. It stays until KeepState.
	LogLost bool `json:"log_lost,omitempty"`
}

// statePath is the path of the state file of a database.
func statePath(database string) string { return database + ".state" }

// State returns the state of the database as it stands.
func (s *Store) State(ctx context.Context) (State, error) {
	state := State{At: s.now()}
	var hash []byte
	var err error
	if state.Events, hash, err = s.LastEvent(ctx); err != nil {
		return state, err
	}
	state.Hash = hex.EncodeToString(hash)
	err = s.reader(ctx).QueryRowContext(ctx, `SELECT newest, coalesce((SELECT readings FROM runs WHERE runs.seq = newest), 0)
		FROM (SELECT coalesce(max(seq), 0) AS newest FROM sqlite_sequence WHERE name = 'runs')`).Scan(&state.Runs, &state.Readings)
	return state, wrap("state", err)
}

// KeepState writes the state of the database into the file beside it, where it
// has changed. Clean says that the database is about to be closed in order. It
// takes the database as it is from now on: whoever calls it has compared it with
// its last known state, and has kept what must be said of that.
func (s *Store) KeepState(ctx context.Context, clean bool) error {
	now, err := s.State(ctx)
	if err != nil {
		return err
	}
	now.Clean = clean
	s.logLost.Store(false)
	if last, err := readState(s.path); err == nil && last != nil {
		if last.At = now.At; *last == now {
			return nil
		}
	}
	return now.write(s.path)
}

// logMissing reports whether a database was left with a log that is not there, or
// that is damaged. It writes that into the state file, because opening the database
// makes a new log, after which nobody could tell.
func logMissing(path string) (bool, error) {
	last, err := readState(path)
	if err != nil || last == nil {
		return false, nil // nothing is known; LookAt says of a file that cannot be read
	}
	if info, err := os.Stat(path); err != nil || info.Size() == 0 {
		return false, nil // there is no database
	}
	if last.LogLost {
		return true, nil
	}
	if !last.lacksLog(path) {
		if damaged, err := logDamaged(path); err != nil || !damaged {
			return false, err
		}
	}
	last.LogLost = true
	return true, last.write(path)
}

// lacksLog reports whether the log of a database with this last known state is
// lost: only one that was closed in order has none.
func (s *State) lacksLog(path string) bool {
	if s.LogLost {
		return true
	}
	_, err := os.Stat(path + "-wal")
	return !s.Clean && errors.Is(err, os.ErrNotExist)
}

// logFolded notes that the log beside a database is gone because it was moved
// into the database, and not lost: whoever closes it last does that. A log that
// was lost before stays lost.
func (s *Store) logFolded() error {
	if s.logLost.Load() {
		return nil
	}
	if _, err := os.Stat(s.path + "-wal"); !errors.Is(err, os.ErrNotExist) {
		return err // somebody else has it open
	}
	last, err := readState(s.path)
	if err != nil || last == nil || last.Clean || last.LogLost {
		return nil
	}
	last.Clean = true
	return last.write(s.path)
}

func (s *State) write(database string) error {
	body, err := json.Marshal(s)
	if err != nil {
		return err
	}
	return wrap("keep state", WriteWhole(statePath(database), append(body, '\n')))
}

// WriteWhole replaces a file, mode 0600: all of it or nothing, also at a power cut.
func WriteWhole(path string, body []byte) error {
	part := path + ".part"
	f, err := os.OpenFile(part, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(body)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	return errors.Join(os.Rename(part, path), syncDir(filepath.Dir(path)))
}

// readState reads the state file of a database; nil where there is none.
func readState(database string) (*State, error) {
	body, err := os.ReadFile(statePath(database))
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var s State
	if err := json.Unmarshal(body, &s); err != nil {
		return nil, err
	}
	return &s, nil
}

// Found is what is seen of a database before it is opened.
type Found struct {
	State *State // the last known one; nil: none is known
	notes []string
	fresh bool // there is no database: opening makes one
}

// LookAt looks at a database's file, its log and its state file before anybody
// opens it. There may be none.
func LookAt(path string) (*Found, error) {
	f := &Found{}
	var err error
	if f.State, err = readState(path); err != nil {
		f.note("the file that keeps its last known state cannot be read (%v)", err)
	}
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, os.ErrNotExist):
		if f.fresh = true; f.State != nil {
			f.note("the database that was here is gone: %s", f.State.words())
		}
		return f, nil
	case err != nil:
		return f, err
	case info.Size() == 0:
		f.fresh = true
		f.note("the database file was there and held nothing, 0 bytes%s", f.lastWords())
	case f.State != nil && f.State.lacksLog(path):
		f.note("the server was not stopped in order, and the write-ahead log beside the database (%s-wal) is missing or damaged: what was stored last before that stop may be lost",
			filepath.Base(path))
	default:
		damaged, err := logDamaged(path)
		if err != nil {
			return f, err
		}
		if damaged {
			f.note("the write-ahead log beside the database (%s-wal) is damaged in its midst: what was stored behind that place is lost", filepath.Base(path))
		}
	}
	return f, nil
}

func (f *Found) note(format string, args ...any) {
	f.notes = append(f.notes, fmt.Sprintf(format, args...))
}

// Notes returns what must be said of a database that is not opened, in words.
func (f *Found) Notes() []string { return f.notes }

func (f *Found) lastWords() string {
	if f.State == nil {
		return ""
	}
	return ". The last that is known: " + f.State.words()
}

func (s *State) words() string {
	return fmt.Sprintf("on %s it had %d lines in its log, and run number %d was its newest", s.At.UTC().Format("2006-01-02 15:04:05 UTC"), s.Events, s.Runs)
}

// Compare holds the opened database against its last known state, and returns
// all that must be said, in words; nil where everything is as it was left.
func (f *Found) Compare(ctx context.Context, s *Store) ([]string, error) {
	if last := len(f.notes) - 1; f.fresh && last >= 0 {
		f.notes[last] += ". This is a new, empty one"
	}
	if f.State == nil || len(f.notes) > 0 && f.State.Events > 0 && f.isNew(ctx, s) {
		return f.notes, nil
	}
	now, err := s.State(ctx)
	if err != nil {
		return f.notes, err
	}
	hash, err := s.EventHash(ctx, f.State.Events)
	if err != nil {
		return f.notes, err
	}
	switch {
	case now.Events < f.State.Events || now.Runs < f.State.Runs:
		f.note("the database is older than its last known state: %s; now it has %d lines, and number %d is its newest run. What came since is not in it",
			f.State.words(), now.Events, now.Runs)
	case now.Runs == f.State.Runs && now.Readings < f.State.Readings && now.Events == f.State.Events: // a run that was deleted since has its line
		f.note("the database is older than its last known state: on %s its newest run, number %d, had %d readings; now it has %d. What came since is not in it",
			f.State.At.UTC().Format("2006-01-02 15:04:05 UTC"), now.Runs, f.State.Readings, now.Readings)
	case f.State.Events > 0 && hex.EncodeToString(hash) != f.State.Hash:
		f.note("the database is not the one that was here: the log of who did what is another one. The last that is known: %s", f.State.words())
	}
	return f.notes, nil
}

// isNew reports whether the database has just been made.
func (f *Found) isNew(ctx context.Context, s *Store) bool {
	now, err := s.State(ctx)
	return err == nil && now.Events == 0 && now.Runs == 0
}
