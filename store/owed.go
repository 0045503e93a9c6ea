package store

import (
	"maps"
	"sync"

	"ohmkeep/server/procedure"
)

// owed are the ends of runs that could not be written, because the disk was
// full or did not answer. They are written with the next thing that can be, so
// that no run stands as running for ever; after a restart MarkInterrupted says
// the same of them.
type owed struct {
	mu   sync.Mutex
	runs map[string]procedure.Ending
}

func (o *owed) add(run string, e procedure.Ending) {
	e.Status, e.Reason = procedure.Interrupted, "its end could not be stored in time"
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.runs == nil {
		o.runs = map[string]procedure.Ending{}
	}
	o.runs[run] = e
}

func (o *owed) get(run string) (procedure.Ending, bool) {
	o.mu.Lock()
	defer o.mu.Unlock()
	e, ok := o.runs[run]
	return e, ok
}

// write adds what is owed to a transaction, and returns what to call when it is
// committed.
func (o *owed) write(t *tx) (paid func(), err error) {
	o.mu.Lock()
	runs := maps.Clone(o.runs)
	o.mu.Unlock()
	for run, e := range runs {
		if _, err := finish(t, run, e); err != nil {
			return nil, err
		}
	}
	return func() {
		o.mu.Lock()
		defer o.mu.Unlock()
		for run := range runs {
			delete(o.runs, run)
		}
	}, nil
}

// finish ends a run that is running, and returns how many that were.
func finish(t *tx, run string, e procedure.Ending) (int64, error) {
	return t.exec(`UPDATE runs SET status = ?, outcome = ?, reason = ?, ended = ? WHERE id = ? AND status = 'running'`,
		e.Status, e.Outcome, e.Reason, e.Ended.UnixNano(), run)
}
