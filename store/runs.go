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
	unit, err := touchUnit(t, r.Device.Key, r.Unit)
	if err != nil {
		return err
	}
	return insertHead(t, r, unit)
}

// insertHead stores the head of a run of a unit, given by its id; nil is none.
func insertHead(t *tx, r *procedure.Record, unit any) error {
	run := newRun{Record: r, unit: unit}
	for i, d := range runDocuments {
		id, err := snapshot(t, d.of(r))
		if err != nil {
			return err
		}
		run.bodies[i] = id
	}
	if r.Status == "" {
		started := *r
		started.Status = procedure.Running
		run.Record = &started
	}
	if _, err := t.exec(insertRun, run.beginning()...); err != nil {
		return err
	}
	return errors.Join(sealRows(t, "runs", "id = ?", r.ID),
		keepList(t, "acknowledged", "findings", r.ID, r.Acknowledged),
		keepList(t, "confirmed", "items", r.ID, r.Confirmed))
}

// keepList stores a list of a run as JSON; an empty one has no row.
func keepList[T any](t *tx, table, column, runID string, list []T) error {
	if len(list) == 0 {
		return nil
	}
	body, err := json.Marshal(list)
	if err != nil {
		return &Error{Code: Invalid, Message: "a list of the run cannot be stored", Err: err}
	}
	if _, err := t.exec("INSERT INTO "+table+" (run, "+column+") VALUES (?, ?)", runID, string(body)); err != nil {
		return err
	}
	return sealRows(t, table, "run = ?", runID)
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
		if err == nil {
			err = sealRows(t, "snapshots", "id = ?", id)
		}
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
	if err == nil {
		s.counted.runEnded(e.Status)
	}
	return err
}

// endRun writes how a run ended, with how many readings and which results it
// then has: the sums of their seals tell a row that is lost, or that is an older
// one of the same run. A tail that is left over is damaged; its readings count.
func endRun(t *tx, seq int64, e procedure.Ending) error {
	var sealed bool
	var readings int64
	var readingsSum, resultsSum any
	err := t.row(`SELECT seal IS NOT NULL, max((SELECT coalesce(sum(count), 0) FROM chunks WHERE run = seq),
		(SELECT coalesce(max(total), 0) FROM tail WHERE run = seq)) FROM runs WHERE seq = ?`, seq).
		Scan(&sealed, &readings)
	if err == nil && sealed { // one from before seals is summed up later
		readingsSum, resultsSum, err = sumsOf(t, seq)
	}
	if err != nil {
		return err
	}
	_, err = t.exec(`UPDATE runs SET status = ?1, outcome = ?2, reason = ?3, ended = ?4, readings = ?5, readings_sum = ?6, results_sum = ?7,
		seal = `+resealSQL("runs", map[string]string{"status": "?1", "outcome": "?2", "reason": "?3", "ended": "?4", "readings": "?5",
		"readings_sum": "?6", "results_sum": "?7"})+` WHERE seq = ?8`,
		string(e.Status), string(e.Outcome), e.Reason, e.Ended.UnixNano(), readings, readingsSum, resultsSum, seq)
	return err
}

// sumsOf returns the sums of the seals of a run's chunks and of its results.
func sumsOf(t *tx, seq int64) (readings, results int64, err error) {
	err = t.row(`SELECT (SELECT coalesce(sum(seal), 0) FROM chunks WHERE run = ?1), (SELECT coalesce(sum(seal), 0) FROM results WHERE run = ?1)`, seq).
		Scan(&readings, &results)
	return readings, results, err
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
		ends := map[string]procedure.Ending{}
		err := each(ctx, t, "SELECT id, outcome, started FROM runs WHERE status = 'running'", nil, func(r *sql.Rows) error {
			var id string
			var started int64
			e := procedure.Ending{Status: procedure.Interrupted, Reason: "the server stopped during the run"}
			err := r.Scan(&id, &e.Outcome, &started)
			e.Ended = timeOf(max(started, t.at))
			ends[id] = e
			return err
		})
		for id, e := range ends {
			if err == nil {
				_, err = s.finish(t, id, e)
			}
		}
		n = int64(len(ends))
		return err
	})
	return n, err
}

// GetRun returns the head of a run. Seated is a json.RawMessage, or nil. What
// its device, procedure, pin map and bench refer to is shared with everybody
// who reads a run made with the same: it must not be changed. Where any of it is
// damaged, it fails; see WholeRun.
func (s *Store) GetRun(ctx context.Context, runID string) (*procedure.Record, error) {
	r, lost, err := s.WholeRun(ctx, runID)
	if err != nil || len(lost) == 0 {
		return r, err
	}
	return nil, s.damaged("run " + runID)
}

// EditNote replaces a run's note as a person does: the line in the log, written
// with it, keeps what it was.
func (s *Store) EditNote(ctx context.Context, runID, note, by string) error {
	return s.update(ctx, "edit note", func(t *tx) error {
		var before string
		if err := t.row("SELECT note FROM runs WHERE id = ? AND "+notDeleting, runID).Scan(&before); err != nil {
			return missing(err, "there is no run %s", runID)
		}
		if before == note {
			return nil
		}
		_, err := t.exec("UPDATE runs SET note = ?1, seal = "+resealSQL("runs", map[string]string{"note": "?1"})+" WHERE id = ?2", note, runID)
		if err != nil {
			return err
		}
		if before == "" {
			before = "none"
		}
		return logEvent(t, &Event{By: by, Action: "note", Subject: runID, Detail: "before: " + before})
	})
}

// SetNote replaces a run's note.
func (s *Store) SetNote(ctx context.Context, runID, note string) error {
	return s.update(ctx, "set note", func(t *tx) error {
		n, err := t.exec("UPDATE runs SET note = ?1, seal = "+resealSQL("runs", map[string]string{"note": "?1"})+
			" WHERE id = ?2 AND "+notDeleting, note, runID)
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
