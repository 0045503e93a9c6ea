package store

import (
	"context"

	"ohmkeep/server/derive"
	"ohmkeep/server/procedure"
)

// WholeRun is GetRun for a run of whose head something may be damaged: the head
// without that, and what is damaged in words. Where its own row is, nothing is left
// but its id; its status is procedure.Damaged then, and nothing else may be believed,
// not even that it was no rehearsal.
func (s *Store) WholeRun(ctx context.Context, runID string) (r *procedure.Record, damaged []string, err error) {
	r = &procedure.Record{ID: runID}
	var head runHeadRow
	err = head.scan(s.reader(ctx).QueryRowContext(ctx, selectHead, runID), r)
	if isDamage(err) || err == nil && !head.sound[0].Bool {
		_ = s.damaged("run " + runID)
		return damagedRun(runID), []string{"its head: when, by whom, on which part and bench, and whether it was rehearsed"}, nil
	}
	if err != nil {
		return nil, nil, wrap("get run "+runID, missing(err, "there is no run %s", runID))
	}
	for i, d := range runDocuments {
		err := errUnsound
		if head.sound[1+i].Bool {
			err = s.readSnapshot(ctx, head.made[i], d.of(r))
		}
		if isDamage(err) {
			damaged = append(damaged, d.called)
		} else if err != nil { // missing: the run has just been deleted
			return nil, nil, wrap("get run "+runID, missing(err, "there is no run %s", runID))
		}
	}
	r.Bench = *r.Bench.Corrected(r.Bench.Corrections, r.Started)
	for i, l := range runLists {
		if !head.sound[1+len(runDocuments)+i].Bool {
			damaged = append(damaged, l.called)
			clearList(l.of(r))
		}
	}
	if !head.sound[headParts-1].Bool {
		r.Origins, damaged = nil, append(damaged, "where it was brought from")
	}
	if len(damaged) > 0 {
		_ = s.damaged("run " + runID)
	}
	if e, ok := s.pending.of(runID); ok && r.Status == procedure.Running {
		r.Status, r.Outcome, r.Reason, r.Ended = e.Status, e.Outcome, e.Reason, e.Ended
	}
	return r, damaged, nil
}

// damagedRun is the head of a run whose row is damaged.
func damagedRun(id string) *procedure.Record {
	return &procedure.Record{ID: id, Status: procedure.Damaged, Outcome: derive.Damaged, Reason: damagedRow}
}

// clearList empties a list of a run that is damaged.
func clearList(list any) {
	switch list := list.(type) {
	case *[]procedure.Finding:
		*list = nil
	case *[]procedure.Confirmation:
		*list = nil
	}
}
