package store

import (
	"database/sql"
	"errors"
	"maps"
	"sync"

	"ohmkeep/server/procedure"
)

// pendingEndings are the ends of runs that could not be written, because the
// disk was full or did not answer. They are written with the next thing that can
// be, so that no run stands as running for ever; after a restart MarkInterrupted
// says the same of them.
type pendingEndings struct {
	mu   sync.Mutex
	runs map[string]procedure.Ending
}

// add remembers the end of a run, as one that was interrupted.
func (p *pendingEndings) add(run string, e procedure.Ending) {
	e.Status, e.Reason = procedure.Interrupted, "its end could not be stored in time"
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.runs == nil {
		p.runs = map[string]procedure.Ending{}
	}
	p.runs[run] = e
}

// of returns the pending ending of a run, if it has one.
func (p *pendingEndings) of(run string) (procedure.Ending, bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	e, ok := p.runs[run]
	return e, ok
}

// writePending adds the pending endings to a transaction, and returns what to
// call when it is committed.
func (s *Store) writePending(t *tx) (committed func(), err error) {
	p := &s.pending
	p.mu.Lock()
	runs := maps.Clone(p.runs)
	p.mu.Unlock()
	for run, e := range runs {
		if _, err := s.finish(t, run, e); err != nil {
			return nil, err
		}
	}
	return func() {
		p.mu.Lock()
		defer p.mu.Unlock()
		for run := range runs {
			delete(p.runs, run)
		}
	}, nil
}

// finish ends a run that is running, and reports whether it was.
func (s *Store) finish(t *tx, run string, e procedure.Ending) (bool, error) {
	var seq int64
	err := t.StmtContext(t.ctx, s.stmt.running).QueryRowContext(t.ctx, run).Scan(&seq)
	if errors.Is(err, sql.ErrNoRows) {
		return false, nil
	}
	if err == nil {
		err = s.closeTail(t, seq)
	}
	if err == nil {
		err = endRun(t, seq, e)
	}
	return err == nil, err
}
