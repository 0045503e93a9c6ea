package store

import (
	"database/sql"
	"errors"
)

// openRun is Append's state of a run at work: the readings that no chunk holds
// yet, and the tail's pages. It is dropped whenever it may differ from the
// disk, and read from there again.
type openRun struct {
	seq   int64
	total int64              // readings of the run
	open  map[int]*partChunk // by measurement
	pages []*openPage
	fill  *openPage // the page that takes the next record

	packed []byte // reused
}

// partChunk is a chunk under construction: the readings of a measurement that
// do not fill one yet.
type partChunk struct {
	first int64 // index of its first reading in the measurement
	cols  Columns
	kept  int // how many of its readings the tail holds
}

// openPage is a page of the tail with what is in it.
type openPage struct {
	tailPage
	slot    int64         // its row; 0: it has none yet
	ends    map[int]int64 // by measurement: index after the last reading in the page
	changed bool
}

// openRun returns a run at work: from memory, or as the disk has it.
func (s *Store) openRun(t *tx, runID string) (*openRun, error) {
	var seq int64
	err := t.StmtContext(t.ctx, s.stmt.running).QueryRowContext(t.ctx, runID).Scan(&seq)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, notRunning(t, runID)
	}
	if err != nil {
		return nil, err
	}
	if run := s.open[runID]; run != nil {
		return run, nil
	}
	run, err := loadOpenRun(t, seq)
	if err != nil {
		return nil, err
	}
	s.open[runID] = run
	return run, nil
}

func loadOpenRun(t *tx, seq int64) (*openRun, error) {
	run := &openRun{seq: seq, open: map[int]*partChunk{}}
	if err := t.row("SELECT "+runReadings+" FROM runs WHERE seq = ?", seq).Scan(&run.total); err != nil {
		return nil, err
	}
	tail, err := readTail(t.ctx, t, seq)
	if err != nil {
		return nil, err
	}
	for _, c := range tail.chunks {
		run.open[c.measurement] = &partChunk{c.first, c.cols, c.cols.Len()}
	}
	for _, p := range tail.pages {
		page := &openPage{tailPage: p.tailPage, slot: p.slot, ends: map[int]int64{}}
		for r := range p.records() {
			page.ends[r.measurement] = max(page.ends[r.measurement], r.first+1)
			if _, err := run.partChunk(t, r.measurement); err != nil {
				return nil, err
			}
		}
		run.pages = append(run.pages, page)
	}
	return run, nil
}

// partChunk returns the unfinished chunk of a measurement.
func (run *openRun) partChunk(t *tx, measurement int) (*partChunk, error) {
	if c := run.open[measurement]; c != nil {
		return c, nil
	}
	end, err := chunksEnd(t.ctx, t, run.seq, measurement)
	if err != nil {
		return nil, err
	}
	c := &partChunk{first: end}
	run.open[measurement] = c
	return c, nil
}

// keepInTail adds to the tail's pages what they do not hold yet of an open
// chunk. Nothing is written here.
func (run *openRun) keepInTail(measurement int, c *partChunk) {
	for c.kept < c.cols.Len() {
		n := min(c.cols.Len()-c.kept, tailRecordMost)
		part := c.cols.slice(c.kept, c.kept+n)
		run.packed = packChunk(run.packed[:0], &part)
		r := tailRecord{measurement, c.first + int64(c.kept), run.packed}
		if run.fill == nil || !run.fill.add(r) {
			run.fill = run.freePage()
			run.fill.add(r) // an empty page has room for it
		}
		c.kept += n
		run.fill.ends[measurement] = c.first + int64(c.kept)
		run.fill.changed = true
	}
}

// freePage returns an empty page: one whose readings are all in chunks by now,
// or a new one.
func (run *openRun) freePage() *openPage {
	for _, p := range run.pages {
		if p != run.fill && run.spent(p) {
			p.clear()
			clear(p.ends)
			return p
		}
	}
	p := &openPage{tailPage: newTailPage(), ends: map[int]int64{}}
	run.pages = append(run.pages, p)
	return p
}

// spent reports whether chunks hold all that is in a page.
func (run *openRun) spent(p *openPage) bool {
	for m, end := range p.ends {
		if end > run.open[m].first {
			return false
		}
	}
	return true
}

// writePages stores the pages that have changed.
func (s *Store) writePages(t *tx, run *openRun) error {
	for _, p := range run.pages {
		if !p.changed {
			continue
		}
		p.seal(run.seq)
		if p.slot != 0 {
			if _, err := s.exec(t, s.stmt.setPage, run.total, p.data, p.slot); err != nil {
				return err
			}
		} else {
			r, err := s.exec(t, s.stmt.newPage, run.seq, run.total, p.data)
			if err != nil {
				return err
			}
			if p.slot, err = r.LastInsertId(); err != nil {
				return err
			}
		}
		p.changed = false
	}
	return nil
}
