package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
)

// statements are prepared once on the writer's one connection.
type statements struct {
	addReadings, newChunk, growChunk, newData, setData, setResult *sql.Stmt
}

func (st *statements) prepare(ctx context.Context, db *sql.DB) error {
	for _, p := range []struct {
		into  **sql.Stmt
		query string
	}{
		{&st.addReadings, `UPDATE runs SET readings = readings + ? WHERE seq = ? AND status = 'running'`},
		{&st.newChunk, `INSERT INTO chunks (run, measurement, first, count, t_first, t_last, summary) VALUES (?, ?, ?, ?, ?, ?, ?)`},
		{&st.growChunk, `UPDATE chunks SET count = ?, t_last = ?, summary = ? WHERE id = ?`},
		{&st.newData, `INSERT INTO chunk_data (chunk, data) VALUES (?, ?)`},
		{&st.setData, `UPDATE chunk_data SET data = ? WHERE chunk = ?`},
		{&st.setResult, `INSERT INTO results (run, measurement, key, pin, curve, condition, name, value, unit, u, low, high, outcome, flags, note)
			VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
			ON CONFLICT (run, measurement, key, pin, curve, condition) DO UPDATE SET name = excluded.name,
			value = excluded.value, unit = excluded.unit, u = excluded.u, low = excluded.low, high = excluded.high,
			outcome = excluded.outcome, flags = excluded.flags, note = excluded.note`},
	} {
		s, err := db.PrepareContext(ctx, p.query)
		if err != nil {
			return err
		}
		*p.into = s
	}
	return nil
}

// runTail is what Append remembers of a running run: the last chunk of each
// measurement, so that many small appends fill it up instead of leaving many
// small chunks. It is dropped whenever it may differ from the disk.
type runTail struct {
	seq    int64
	chunks map[int]*tail
}

// tail is the last chunk of a measurement. It has no id until it is stored,
// and is begun anew when it is full.
type tail struct {
	id    int64
	first int64
	cols  Columns

	blocks        []block // reused
	data, summary []byte
}

// Append commits a batch: its readings and results are on the disk when it
// returns nil, and nothing of it is when it returns an error. The run must be
// running, else NotFound or Conflict.
func (s *Store) Append(ctx context.Context, runID string, b procedure.Batch) error {
	s.appendMu.Lock()
	defer s.appendMu.Unlock()
	err := s.update(ctx, "append", func(t *tx) error {
		run, err := s.runTail(t, runID)
		if err != nil {
			return err
		}
		total := 0
		for _, m := range b.Readings {
			total += len(m.Readings)
			if err := s.appendReadings(t, run, m.Measurement, m.Readings); err != nil {
				return err
			}
		}
		if n, err := s.exec(t, s.stmt.addReadings, total, run.seq); err != nil {
			return err
		} else if n != 1 {
			return notRunning(t, runID)
		}
		for i := range b.Results {
			if err := s.setResult(t, run.seq, &b.Results[i]); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		delete(s.tails, runID) // it may be ahead of the disk
	}
	return err
}

func (s *Store) exec(t *tx, st *sql.Stmt, args ...any) (int64, error) {
	r, err := t.StmtContext(t.ctx, st).ExecContext(t.ctx, args...)
	if err != nil {
		return 0, err
	}
	return r.RowsAffected()
}

func (s *Store) runTail(t *tx, runID string) (*runTail, error) {
	if run := s.tails[runID]; run != nil {
		return run, nil
	}
	run := &runTail{chunks: map[int]*tail{}}
	if err := t.row("SELECT seq FROM runs WHERE id = ?", runID).Scan(&run.seq); err != nil {
		return nil, missing(err, "there is no run %s", runID)
	}
	s.tails[runID] = run
	return run, nil
}

// loadTail returns a measurement's last chunk, from the disk the first time.
func loadTail(t *tx, run *runTail, measurement int) (*tail, error) {
	if c := run.chunks[measurement]; c != nil {
		return c, nil
	}
	c := &tail{}
	var data []byte
	err := t.row(`SELECT id, first, data FROM chunks JOIN chunk_data ON chunk = id
		WHERE run = ? AND measurement = ? ORDER BY first DESC LIMIT 1`, run.seq, measurement).Scan(&c.id, &c.first, &data)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return nil, err
	}
	if err == nil {
		if err := decodeChunk(data, &c.cols); err != nil {
			return nil, fmt.Errorf("chunk %d: %w", c.id, err)
		}
		c.rollover()
	}
	run.chunks[measurement] = c
	return c, nil
}

// rollover begins a new chunk where this one is full.
func (c *tail) rollover() {
	if n := c.cols.Len(); n == chunkMax {
		c.id, c.first = 0, c.first+int64(n)
		c.cols.Reset()
	}
}

func (s *Store) appendReadings(t *tx, run *runTail, measurement int, rs []bench.Reading) error {
	if len(rs) == 0 {
		return nil
	}
	c, err := loadTail(t, run, measurement)
	if err != nil {
		return err
	}
	for len(rs) > 0 {
		n := min(len(rs), chunkMax-c.cols.Len())
		c.cols.Append(rs[:n])
		rs = rs[n:]
		if err := s.writeTail(t, run.seq, measurement, c); err != nil {
			return err
		}
		c.rollover()
	}
	return nil
}

// writeTail stores the last chunk, new or grown.
func (s *Store) writeTail(t *tx, seq int64, measurement int, c *tail) error {
	c.blocks = summarise(c.blocks, &c.cols)
	c.summary = appendSummary(c.summary[:0], c.blocks)
	c.data = appendChunk(c.data[:0], &c.cols)
	n := c.cols.Len()
	if c.id != 0 {
		if _, err := s.exec(t, s.stmt.growChunk, n, c.cols.T[n-1], c.summary, c.id); err != nil {
			return err
		}
		_, err := s.exec(t, s.stmt.setData, c.data, c.id)
		return err
	}
	r, err := t.StmtContext(t.ctx, s.stmt.newChunk).ExecContext(t.ctx, seq, measurement, c.first, n, c.cols.T[0], c.cols.T[n-1], c.summary)
	if err != nil {
		return err
	}
	if c.id, err = r.LastInsertId(); err != nil {
		return err
	}
	_, err = s.exec(t, s.stmt.newData, c.id, c.data)
	return err
}

func (s *Store) setResult(t *tx, seq int64, r *procedure.Result) error {
	_, err := s.exec(t, s.stmt.setResult, seq, r.Measurement, r.Key, r.Pin, r.Group, r.Condition, r.Name,
		numberOrNull(r.Value), string(r.Unit), numberOrNull(r.U), pointerOrNull(r.Low), pointerOrNull(r.High),
		string(r.Outcome), int64(r.Flags), r.Note)
	return err
}
