package main

import (
	"context"
	"log/slog"
	"sync"

	"ohmkeep/server/cardinfo"
	"ohmkeep/server/lab"
	"ohmkeep/server/procedure"
	"ohmkeep/store"
)

// What is kept of a run's traffic: the first bytes, where most troubles begin,
// and the last, where the rest end.
const (
	firstTraffic = 256 << 10
	lastTraffic  = 1 << 20
	// eventCost is the memory that an event takes beside its bytes, in bytes.
	eventCost = 64
	// drainMost is the largest number of events fetched at a time; a run fetches
	// with every commit, so more do not gather.
	drainMost = 1 << 16
)

// cardRecorder is a recorder that keeps a run in the store together with the
// traffic with its cards.
type cardRecorder struct {
	*store.Store
	cards lab.Cards
	log   *slog.Logger

	mu   sync.Mutex
	run  string
	said traffic
}

// Begin implements run.Recorder.
func (r *cardRecorder) Begin(ctx context.Context, rec *procedure.Record) error {
	if err := r.Store.Begin(ctx, rec); err != nil {
		return err
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.run, r.said = rec.ID, traffic{}
	if newest := r.cards.Recent(0, 1); len(newest) > 0 {
		r.said.after = newest[0].N
	}
	return nil
}

// Append implements run.Recorder.
func (r *cardRecorder) Append(ctx context.Context, runID string, b procedure.Batch) error {
	r.drain(runID)
	return r.Store.Append(ctx, runID, b)
}

// Finish implements run.Recorder. That the traffic cannot be kept does not
// spoil the run.
func (r *cardRecorder) Finish(ctx context.Context, runID string, e procedure.Ending) error {
	r.drain(runID)
	r.mu.Lock()
	kept, mine := r.said.whole(), r.run == runID
	r.run = ""
	r.mu.Unlock()
	if mine {
		if err := r.SaveTraffic(ctx, runID, kept); err != nil {
			r.log.Error("keeping what was said to the cards", "run", runID, "err", err)
		}
	}
	return r.Store.Finish(ctx, runID, e)
}

func (r *cardRecorder) drain(runID string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.run != runID {
		return
	}
	for _, e := range r.cards.Recent(r.said.after, drainMost) {
		r.said.add(e)
	}
}

// traffic is a bounded record of events: the first and the last of them.
type traffic struct {
	after       uint64 // number of the newest event seen
	first, last []cardinfo.Event
	firstBytes  int
	lastBytes   int
	dropped     int
}

func (t *traffic) add(e cardinfo.Event) {
	if t.after > 0 && e.N > t.after+1 {
		t.dropped += int(e.N - t.after - 1) // gone from the log before it was fetched
	}
	t.after = e.N
	cost := len(e.Bytes) + eventCost
	if len(t.last) == 0 && t.firstBytes+cost <= firstTraffic {
		t.first, t.firstBytes = append(t.first, e), t.firstBytes+cost
		return
	}
	t.last, t.lastBytes = append(t.last, e), t.lastBytes+cost
	gone := 0
	for t.lastBytes > lastTraffic && gone < len(t.last)-1 {
		t.lastBytes -= len(t.last[gone].Bytes) + eventCost
		gone++
	}
	t.dropped += gone
	t.last = t.last[gone:]
}

// whole returns the events that are kept.
func (t *traffic) whole() cardinfo.Traffic {
	return cardinfo.Traffic{Events: append(t.first, t.last...), Dropped: t.dropped}
}
