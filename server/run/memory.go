package run

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"

	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

// MemoryReadings is the number of readings that a Memory keeps unless told
// otherwise.
const MemoryReadings = 2_000_000

// ErrNotOver is returned for a run that has not ended yet.
var ErrNotOver = errors.New("the run has not ended yet")

// Memory is a Recorder that keeps one run in memory, for manual work that
// nobody has asked to keep. It keeps the latest readings up to a bound, and
// all results. Safe for concurrent use.
type Memory struct {
	most int

	mu      sync.Mutex
	rec     procedure.Record
	parts   []procedure.MeasurementReadings
	held    int
	dropped int64
	results []procedure.Result
	index   map[procedure.ResultID]int
	ending  *procedure.Ending
}

// NewMemory makes a memory for the latest most readings; 0 is MemoryReadings.
func NewMemory(most int) *Memory {
	if most <= 0 {
		most = MemoryReadings
	}
	return &Memory{most: most, index: map[procedure.ResultID]int{}}
}

// Begin keeps the head of the run.
func (m *Memory) Begin(_ context.Context, r *procedure.Record) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.rec.ID != "" {
		return fmt.Errorf("memory: it holds run %s already", m.rec.ID)
	}
	m.rec = *r
	return nil
}

// Append keeps readings and results.
func (m *Memory) Append(_ context.Context, runID string, b procedure.Batch) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if runID != m.rec.ID || m.ending != nil {
		return fmt.Errorf("memory: run %s is not at work", runID)
	}
	for _, p := range b.Readings {
		p.Readings = slices.Clone(p.Readings)
		m.parts = append(m.parts, p)
		m.held += len(p.Readings)
	}
	m.forget()
	for _, r := range b.Results {
		if i, ok := m.index[r.ID()]; ok {
			m.results[i] = r
			continue
		}
		m.index[r.ID()] = len(m.results)
		m.results = append(m.results, r)
	}
	return nil
}

// forget drops the oldest readings beyond the bound.
func (m *Memory) forget() {
	for m.held > m.most {
		first := &m.parts[0]
		n := min(m.held-m.most, len(first.Readings))
		first.Readings = first.Readings[n:]
		m.held -= n
		m.dropped += int64(n)
		if len(first.Readings) == 0 {
			*first = procedure.MeasurementReadings{}
			m.parts = m.parts[1:]
		}
	}
}

// Finish keeps how the run ended.
func (m *Memory) Finish(_ context.Context, runID string, e procedure.Ending) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if runID != m.rec.ID || m.ending != nil {
		return fmt.Errorf("memory: run %s is not at work", runID)
	}
	m.ending = &e
	return nil
}

// Describe says which unit the run was of, before it is kept.
func (m *Memory) Describe(u dut.Unit, note string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.rec.Unit, m.rec.Note = u, note
}

// Held is the content of a Memory. Its readings must not be written to.
type Held struct {
	Record   procedure.Record
	Readings []procedure.MeasurementReadings
	Results  []procedure.Result
	Ending   *procedure.Ending // nil while the run is at work
	Dropped  int64             // readings no longer held
}

// Held returns the present content of the memory.
func (m *Memory) Held() Held {
	m.mu.Lock()
	defer m.mu.Unlock()
	h := Held{Record: m.rec, Dropped: m.dropped}
	h.Readings = append(h.Readings, m.parts...)
	h.Results = append(h.Results, m.results...)
	if m.ending != nil {
		e := *m.ending
		h.Ending = &e
		h.Record.Status, h.Record.Outcome, h.Record.Ended, h.Record.Reason = e.Status, e.Outcome, e.Ended, e.Reason
	}
	h.Record.Readings = int64(m.held)
	return h
}

// Replay writes the run it holds to another recorder, in batches: what was
// only looked at is kept. Readings that have been dropped are said so in the
// record's note. The error is ErrNotOver while the run is at work.
func (m *Memory) Replay(ctx context.Context, dst Recorder) error {
	h := m.Held()
	if h.Ending == nil {
		return ErrNotOver
	}
	rec := h.Record
	rec.Status, rec.Manual = procedure.Running, true
	rec.Outcome, rec.Reason, rec.Readings = "", "", 0
	if h.Dropped > 0 {
		if rec.Note != "" {
			rec.Note += "\n"
		}
		rec.Note += fmt.Sprintf("The first %d readings were not kept.", h.Dropped)
	}
	if err := dst.Begin(ctx, &rec); err != nil {
		return err
	}
	for _, p := range h.Readings {
		for len(p.Readings) > 0 {
			n := min(len(p.Readings), commitFull)
			part := procedure.MeasurementReadings{Measurement: p.Measurement, Readings: p.Readings[:n:n]}
			b := procedure.Batch{Readings: []procedure.MeasurementReadings{part}}
			if err := dst.Append(ctx, rec.ID, b); err != nil {
				return m.finishFailed(ctx, dst, rec.ID, *h.Ending, err)
			}
			p.Readings = p.Readings[n:]
		}
	}
	if len(h.Results) > 0 {
		if err := dst.Append(ctx, rec.ID, procedure.Batch{Results: h.Results}); err != nil {
			return m.finishFailed(ctx, dst, rec.ID, *h.Ending, err)
		}
	}
	return dst.Finish(ctx, rec.ID, *h.Ending)
}

// finishFailed ends a copy that could not be completed as failed, so that it
// does not pass for the whole run.
func (m *Memory) finishFailed(ctx context.Context, dst Recorder, id string, e procedure.Ending, err error) error {
	e.Status, e.Reason = procedure.Failed, "keeping it failed: "+err.Error()
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), storeWithin)
	defer cancel()
	return errors.Join(err, dst.Finish(ctx, id, e))
}

var _ Recorder = (*Memory)(nil)
