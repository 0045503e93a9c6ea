package store

import (
	"context"
	"database/sql"

	"ohmkeep/server/procedure"
)

// deleteBlock is the number of chunks of readings that one transaction
// deletes: about 1.5 MB. Between two, whoever waits for the writer has it: a
// run at work commits its readings, and a stop writes down who stopped.
const deleteBlock = 32

// notDeleting is the condition that a run is not being deleted.
const notDeleting = `NOT EXISTS (SELECT 1 FROM deleting WHERE deleting.run = runs.seq)`

// DeleteRun deletes a run with its readings, results and share links, and the
// snapshots that no other run has. A running run is refused with Conflict.
// From its first transaction on, which also writes the lines of the log, the
// run is neither found nor counted any more; the deletion is then carried
// through, also where the context ends.
func (s *Store) DeleteRun(ctx context.Context, runID string, lines ...Event) error {
	seq, err := s.markDeleting(ctx, runID, lines...)
	if err != nil {
		return err
	}
	return s.deleteMarked(context.WithoutCancel(ctx), seq)
}

// markDeleting says that a run is being deleted, and who does it in the same
// transaction: a power cut leaves both or neither.
func (s *Store) markDeleting(ctx context.Context, runID string, lines ...Event) (seq int64, err error) {
	s.appendMu.Lock()
	defer s.appendMu.Unlock()
	delete(s.open, runID)
	err = s.update(ctx, "delete run", func(t *tx) error {
		var status procedure.Status
		if err := t.row(`SELECT seq, status FROM runs WHERE id = ? AND `+notDeleting, runID).Scan(&seq, &status); err != nil {
			return missing(err, "there is no run %s", runID)
		}
		if status == procedure.Running {
			return errorf(Conflict, "the run is still running: stop it first")
		}
		if _, err := t.exec("INSERT INTO deleting (run) VALUES (?)", seq); err != nil {
			return err
		}
		for i := range lines {
			if err := logEvent(t, &lines[i]); err != nil {
				return err
			}
		}
		return nil
	})
	return seq, err
}

// deleteMarked deletes a run that is marked.
func (s *Store) deleteMarked(ctx context.Context, seq int64) error {
	for {
		more, err := s.deleteChunks(ctx, seq)
		if err != nil {
			return err
		}
		if !more {
			return s.deleteHead(ctx, seq)
		}
	}
}

// deleteChunks deletes a block of a run's chunks, and reports whether there
// may be more.
func (s *Store) deleteChunks(ctx context.Context, seq int64) (more bool, err error) {
	s.appendMu.Lock() // an append holds it too: who waits for it comes in between
	defer s.appendMu.Unlock()
	err = s.update(ctx, "delete readings", func(t *tx) error {
		n, err := t.exec(`DELETE FROM chunks WHERE id IN (SELECT id FROM chunks WHERE run = ? LIMIT ?)`, seq, deleteBlock)
		more = n == deleteBlock
		return err
	})
	return more, err
}

// deleteHead deletes what is left of a run: its head, its results and links.
func (s *Store) deleteHead(ctx context.Context, seq int64) error {
	return s.update(ctx, "delete run", func(t *tx) error {
		var bodies [4]int64
		err := t.row(`SELECT device_body, procedure_body, pin_map_body, bench_body FROM runs WHERE seq = ?`, seq).
			Scan(&bodies[0], &bodies[1], &bodies[2], &bodies[3])
		if err != nil {
			return err
		}
		if _, err := t.exec("DELETE FROM runs WHERE seq = ?", seq); err != nil {
			return err
		}
		for _, id := range bodies {
			if _, err := t.exec(`DELETE FROM snapshots WHERE id = ?1
				AND NOT EXISTS (SELECT 1 FROM runs WHERE device_body = ?1)
				AND NOT EXISTS (SELECT 1 FROM runs WHERE procedure_body = ?1)
				AND NOT EXISTS (SELECT 1 FROM runs WHERE pin_map_body = ?1)
				AND NOT EXISTS (SELECT 1 FROM runs WHERE bench_body = ?1)`, id); err != nil {
				return err
			}
		}
		return nil
	})
}

// FinishDeletions completes the deletions that the last stop of the program
// interrupted. It may take minutes, and is called when the bench is safe: what
// is left of such a run is in no list meanwhile.
func (s *Store) FinishDeletions(ctx context.Context) error {
	var left []int64
	err := s.rows(ctx, "SELECT run FROM deleting", nil, func(r *sql.Rows) error {
		var seq int64
		err := r.Scan(&seq)
		left = append(left, seq)
		return err
	})
	for _, seq := range left {
		if err == nil {
			err = s.deleteMarked(ctx, seq)
		}
	}
	return wrap("finish deletions", err)
}
