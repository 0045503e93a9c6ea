package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/json"
	"errors"
	"time"

	"ohmkeep/server/procedure"
)

// Begin stores the head of a run. It fails with Conflict where the run exists
// and with Invalid where it names a revision that is not stored; revision 0
// stands for a device or procedure that was never stored.
func (s *Store) Begin(ctx context.Context, r *procedure.Record) error {
	if r.ID == "" || r.Device.Key == "" {
		return errorf(Invalid, "a run needs an id and a device")
	}
	return s.update(ctx, "begin run", func(t *tx) error { return begin(t, r) })
}

func begin(t *tx, r *procedure.Record) error {
	run := newRun{Record: r}
	for i, d := range runDocuments {
		id, err := snapshot(t, d.of(r))
		if err != nil {
			return err
		}
		run.bodies[i] = id
	}
	id, err := touchUnit(t, r.Device.Key, r.Unit)
	if err != nil {
		return err
	}
	run.unit = id
	if r.Status == "" {
		started := *r
		started.Status = procedure.Running
		run.Record = &started
	}
	if _, err := t.exec(insertRun, run.beginning()...); err != nil {
		return err
	}
	return errors.Join(
		keepList(t, "INSERT INTO acknowledged (run, findings) VALUES (?, ?)", r.ID, r.Acknowledged),
		keepList(t, "INSERT INTO confirmed (run, items) VALUES (?, ?)", r.ID, r.Confirmed))
}

// keepList stores a list of a run as JSON; an empty one has no row.
func keepList[T any](t *tx, insert, runID string, list []T) error {
	if len(list) == 0 {
		return nil
	}
	body, err := json.Marshal(list)
	if err != nil {
		return &Error{Code: Invalid, Message: "a list of the run cannot be stored", Err: err}
	}
	_, err = t.exec(insert, runID, string(body))
	return err
}

// snapshot stores v as JSON, once for all runs that share it.
func snapshot(t *tx, v any) (id int64, err error) {
	body, err := json.Marshal(v)
	if err != nil {
		return 0, &Error{Code: Invalid, Message: "a value of the run is not a number", Err: err}
	}
	hash := sha256.Sum256(body)
	err = t.row("SELECT id FROM snapshots WHERE hash = ?", hash[:]).Scan(&id)
	if errors.Is(err, sql.ErrNoRows) {
		err = t.row("INSERT INTO snapshots (hash, body) VALUES (?, ?) RETURNING id", hash[:], string(body)).Scan(&id)
	}
	return id, err
}

// Finish stores how a run ended. A run that has ended keeps its first ending:
// Conflict.
func (s *Store) Finish(ctx context.Context, runID string, e procedure.Ending) error {
	if e.Status == procedure.Running || e.Status == "" {
		return errorf(Invalid, "a run cannot end as %q", e.Status)
	}
	s.appendMu.Lock()
	defer s.appendMu.Unlock()
	delete(s.open, runID)
	err := s.update(ctx, "finish run", func(t *tx) error {
		if ended, err := s.finish(t, runID, e); ended || err != nil {
			return err
		}
		return notRunning(t, runID)
	})
	if code := CodeOf(err); err != nil && code != NotFound && code != Conflict {
		s.pending.add(runID, e)
	}
	return err
}

// notRunning says why a running run was not found.
func notRunning(t *tx, runID string) error {
	var status string
	if err := t.row("SELECT status FROM runs WHERE id = ?", runID).Scan(&status); err != nil {
		return missing(err, "there is no run %s", runID)
	}
	return errorf(Conflict, "the run has ended: %s", status)
}

// MarkInterrupted ends every run that still stands as running, and returns how
// many. It is called once at start, before any run begins.
func (s *Store) MarkInterrupted(ctx context.Context) (n int64, err error) {
	s.appendMu.Lock()
	defer s.appendMu.Unlock()
	clear(s.open)
	err = s.update(ctx, "mark interrupted runs", func(t *tx) error {
		if err := s.closeTails(t); err != nil {
			return err
		}
		n, err = t.exec(`UPDATE runs SET status = ?, ended = max(started, ?), reason = ? WHERE status = 'running'`,
			procedure.Interrupted, t.at, "the server stopped during the run")
		return err
	})
	return n, err
}

// GetRun returns the head of a run. Seated is a json.RawMessage, or nil. What
// its device, procedure, pin map and bench refer to is shared with everybody
// who reads a run made with the same: it must not be changed.
func (s *Store) GetRun(ctx context.Context, runID string) (*procedure.Record, error) {
	r := &procedure.Record{ID: runID}
	var made [len(runDocuments)]snapshotRef
	if err := scanHead(s.reader(ctx).QueryRowContext(ctx, selectHead, runID), r, &made); err != nil {
		return nil, wrap("get run", missing(err, "there is no run %s", runID))
	}
	for i, d := range runDocuments {
		if err := s.readSnapshot(ctx, made[i], d.of(r)); err != nil { // missing: the run has just been deleted
			return nil, wrap("get run "+runID, missing(err, "there is no run %s", runID))
		}
	}
	if e, ok := s.pending.of(runID); ok && r.Status == procedure.Running {
		r.Status, r.Outcome, r.Reason, r.Ended = e.Status, e.Outcome, e.Reason, e.Ended
	}
	return r, nil
}

// SetNote replaces a run's note.
func (s *Store) SetNote(ctx context.Context, runID, note string) error {
	return s.update(ctx, "set note", func(t *tx) error {
		n, err := t.exec("UPDATE runs SET note = ? WHERE id = ? AND "+notDeleting, note, runID)
		if err == nil && n == 0 {
			err = errorf(NotFound, "there is no run %s", runID)
		}
		return err
	})
}

func timeOf(ns int64) time.Time { return time.Unix(0, ns).UTC() }

func timeOfNull(ns sql.NullInt64) time.Time {
	if !ns.Valid {
		return time.Time{}
	}
	return timeOf(ns.Int64)
}

func timeOrNull(t time.Time) any {
	if t.IsZero() {
		return nil
	}
	return t.UnixNano()
}

func orNull(rev int) any {
	if rev == 0 {
		return nil
	}
	return rev
}
