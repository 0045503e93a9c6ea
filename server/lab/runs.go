package lab

import (
	"context"
	"encoding/json"
	"fmt"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
)

// What people do with a run that is kept.

// SetNote writes the note of a run.
func (l *Lab) SetNote(ctx context.Context, who Person, id, note string) error {
	var ps dut.Problems
	CheckNote(&ps, note)
	if err := ps.Err(); err != nil {
		return err
	}
	if err := l.Store.SetNote(ctx, id, note); err != nil {
		return err
	}
	l.Note(ctx, who, "note", id, "")
	return nil
}

// DeleteRun deletes a run and its readings for good. The line in the log is
// written with the deletion's first transaction.
func (l *Lab) DeleteRun(ctx context.Context, who Person, id string) error {
	rec, err := l.Store.GetRun(ctx, id)
	if err != nil {
		return err
	}
	if rec.Status == procedure.Running {
		return problem.New(problem.Conflict, "This run is at work. Stop it first.")
	}
	return l.Store.DeleteRun(ctx, id,
		store.Event{By: who.Name, Action: "delete run", Subject: id, Detail: rec.Device.Key + " " + rec.Unit.Serial})
}

// Rerun starts the procedure of a run again, at its latest revision. On a
// rehearsal bench the same unit is seated again, with the same faults.
func (l *Lab) Rerun(ctx context.Context, b *Bench, who Person, id string, confirm []string) (string, error) {
	rec, err := l.Store.GetRun(ctx, id)
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
