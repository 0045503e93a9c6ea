package routes

import (
	"sync"

	"ohmkeep/server/procedure"
)

// servedRuns keeps what the pins of the runs that were looked at last were read by:
// a plan of many points takes some 20 ms to work out, and pages are looked at again.
type servedRuns struct {
	mu    sync.Mutex
	of    map[string]procedure.Served // by run; shared, not to be changed
	order []string                    // oldest first
}

// servedKept is the number of runs that are kept.
const servedKept = 32

// in is what the pins of a run were read by.
func (k *servedRuns) in(rec *procedure.Record) procedure.Served {
	k.mu.Lock()
	known, is := k.of[rec.ID]
	k.mu.Unlock()
	if is {
		return known
	}
	served := procedure.ServedIn(rec)
	if rec.ID == "" || len(served) == 0 {
		return served // it has no name of its own, or what it was made with is damaged
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	if _, is := k.of[rec.ID]; is {
		return served
	}
	if k.of == nil {
		k.of = map[string]procedure.Served{}
	}
	k.of[rec.ID], k.order = served, append(k.order, rec.ID)
	if len(k.order) > servedKept {
		delete(k.of, k.order[0])
		k.order = k.order[1:]
	}
	return served
}
