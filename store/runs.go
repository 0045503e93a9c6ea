package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
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
	var bodies [4]int64
	for i, v := range [...]any{r.Device, r.Procedure, r.PinMap, r.Bench} {
		id, err := snapshot(t, v)
		if err != nil {
			return err
		}
		bodies[i] = id
	}
	identity, err := json.Marshal(r.Identity)
	if err != nil {
		return err
	}
	var seated []byte
	if r.Seated != nil {
		if seated, err = json.Marshal(r.Seated); err != nil {
			return &Error{Code: Invalid, Message: "what is seated cannot be stored", Err: err}
		}
	}
	unit, err := touchUnit(t, r.Device.Key, r.Unit)
	if err != nil {
		return err
	}
	status := r.Status
	if status == "" {
		status = procedure.Running
	}
	_, err = t.exec(`INSERT INTO runs (id, device, device_rev, device_name, procedure, procedure_rev, procedure_name,
		bench, unit, serial, lot, operator, manual, rehearsal, note, status, outcome, reason, started, ended,
		identity, seated, device_body, procedure_body, pin_map_body, bench_body)
		VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)`,
		r.ID, r.Device.Key, orNull(r.DeviceRev), r.Device.Name, r.Procedure.Key, orNull(r.ProcRev), r.Procedure.Name,
		r.Bench.Key, unit, r.Unit.Serial, r.Unit.Lot, r.Operator, r.Manual, r.Rehearsal, r.Note, status, r.Outcome, r.Reason,
		r.Started.UnixNano(), timeOrNull(r.Ended), string(identity), textOrNull(seated),
		bodies[0], bodies[1], bodies[2], bodies[3])
	if err != nil {
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

// GetRun returns the head of a run. Seated is a json.RawMessage, or nil.
func (s *Store) GetRun(ctx context.Context, runID string) (*procedure.Record, error) {
	r := &procedure.Record{ID: runID}
	var bodies [4]string
	var identity string
	var seated, acknowledged, confirmed sql.NullString
	var deviceRev, procRev, ended sql.NullInt64
	var started int64
	err := s.reader(ctx).QueryRowContext(ctx, `SELECT device_rev, procedure_rev, serial, lot, operator, manual, rehearsal, note,
		status, outcome, reason, started, ended, `+runReadings+`, identity, seated, findings, items, d.body, p.body, m.body, b.body
		FROM runs LEFT JOIN acknowledged ON acknowledged.run = runs.id LEFT JOIN confirmed ON confirmed.run = runs.id
		JOIN snapshots d ON d.id = device_body JOIN snapshots p ON p.id = procedure_body
		JOIN snapshots m ON m.id = pin_map_body JOIN snapshots b ON b.id = bench_body
		WHERE runs.id = ? AND `+notDeleting, runID).Scan(&deviceRev, &procRev, &r.Unit.Serial, &r.Unit.Lot, &r.Operator, &r.Manual,
		&r.Rehearsal, &r.Note, &r.Status, &r.Outcome, &r.Reason, &started, &ended, &r.Readings, &identity, &seated, &acknowledged, &confirmed,
		&bodies[0], &bodies[1], &bodies[2], &bodies[3])
	if err != nil {
		return nil, wrap("get run", missing(err, "there is no run %s", runID))
	}
	r.DeviceRev, r.ProcRev = int(deviceRev.Int64), int(procRev.Int64)
	r.Started, r.Ended = timeOf(started), timeOfNull(ended)
	if seated.Valid {
		r.Seated = json.RawMessage(seated.String)
	}
	for _, list := range []struct {
		text sql.NullString
		into any
	}{{acknowledged, &r.Acknowledged}, {confirmed, &r.Confirmed}} {
		if !list.text.Valid {
			continue
		}
		if err := json.Unmarshal([]byte(list.text.String), list.into); err != nil {
			return nil, fmt.Errorf("store: get run %s: %T: %w", runID, list.into, err)
		}
	}
	for i, into := range [...]any{&r.Device, &r.Procedure, &r.PinMap, &r.Bench} {
		if err := json.Unmarshal([]byte(bodies[i]), into); err != nil {
			return nil, fmt.Errorf("store: get run %s: body %d: %w", runID, i, err)
		}
	}
	if e, ok := s.pending.of(runID); ok && r.Status == procedure.Running {
		r.Status, r.Outcome, r.Reason, r.Ended = e.Status, e.Outcome, e.Reason, e.Ended
	}
	if err := json.Unmarshal([]byte(identity), &r.Identity); err != nil {
		return nil, fmt.Errorf("store: get run %s: identity: %w", runID, err)
	}
	return r, nil
}

// SetNote replaces a run's note.
func (s *Store) SetNote(ctx context.Context, runID, note string) error {
	return s.update(ctx, "set note", func(t *tx) error {
		n, err := t.exec("UPDATE runs SET note = ? WHERE id = ?", note, runID)
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

func textOrNull(b []byte) any {
	if b == nil {
		return nil
	}
	return string(b)
}
