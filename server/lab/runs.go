package lab

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
)

// What people do with a run that is kept.

// SetNote writes the note of a run. The line in the log keeps what it was.
func (l *Lab) SetNote(ctx context.Context, who Person, id, note string) error {
	var ps dut.Problems
	CheckNote(&ps, note)
	if err := ps.Err(); err != nil {
		return err
	}
	return l.Store.EditNote(ctx, id, note, who.Name)
}

// DeleteRun deletes a run and its readings for good. The line in the log is
// written with the deletion's first transaction.
func (l *Lab) DeleteRun(ctx context.Context, who Person, id string) error {
	rec, err := l.Store.GetRun(ctx, id)
	detail := ""
	switch {
	case problem.CodeOf(err) == problem.Corrupt:
		detail = "what was kept of it was damaged"
	case err != nil:
		return err
	case rec.Status == procedure.Running:
		return problem.New(problem.Conflict, "This run is at work. Stop it first.")
	default:
		if detail, err = l.headWords(ctx, rec); err != nil {
			return err
		}
	}
	return l.Store.DeleteRun(ctx, id, store.Event{By: who.Name, Action: store.DeletedRun, Subject: id, Detail: detail})
}

// headWords is what stays of a run that is deleted: what it measured, of which
// unit, when, with which outcome, and how much it held.
func (l *Lab) headWords(ctx context.Context, rec *procedure.Record) (string, error) {
	results, err := l.Store.Results(ctx, rec.ID)
	if err != nil && problem.CodeOf(err) != problem.Corrupt {
		return "", err
	}
	outcome := cmp.Or(string(rec.Outcome), "no limits")
	return fmt.Sprintf("device %s %s (revision %d), unit %s, lot %s, procedure %s (revision %d), bench %s, by %s, %s, %s: %s, %d results, %d readings; note: %s",
		rec.Device.Key, rec.Device.Name, rec.DeviceRev, cmp.Or(rec.Unit.Serial, "none"), cmp.Or(rec.Unit.Lot, "none"), rec.Procedure.Key, rec.ProcRev,
		rec.Bench.Key, rec.Operator, rec.Started.UTC().Format(time.RFC3339), rec.Status, outcome, len(results), rec.Readings, cmp.Or(rec.Note, "none")), nil
}

// Rerun starts the procedure of a run again, at its latest revision. On a
// rehearsal bench the same unit is seated again, with the same faults.
func (l *Lab) Rerun(ctx context.Context, b *Bench, who Person, id string, confirm []string) (string, error) {
	rec, err := l.Store.GetRun(ctx, id)
	if problem.CodeOf(err) == problem.Corrupt {
		return "", problem.New(problem.Conflict, "What this run was started with cannot be trusted any more: "+err.Error()+". Start one from its procedure instead.")
	}
	if err != nil {
		return "", err
	}
	if rec.Manual {
		return "", problem.New(problem.Conflict, "A run kept from the manual page has no procedure to run again.")
	}
	release, err := l.hold(b)
	if err != nil {
		return "", err
	}
	defer release()
	if kept, ok := rec.Seated.(json.RawMessage); ok && b.Rehearse != nil {
		var q bench.Seating
		if err := json.Unmarshal(kept, &q); err != nil {
			return "", fmt.Errorf("seating of run %s: %w", id, err)
		}
		if err := l.seatLocked(ctx, b, who, q); err != nil {
			return "", err
		}
	}
	var known []string // what was acknowledged for the run is for its repetition
	for _, f := range rec.Acknowledged {
		known = append(known, f.Name())
	}
	return l.startLocked(ctx, b, who, StartRequest{
		Acknowledge: known, Confirm: confirm,
		Device: rec.Device.Key, Procedure: rec.Procedure.Key, Serial: rec.Unit.Serial, Lot: rec.Unit.Lot,
	})
}
