package store

import (
	"context"
	"database/sql"

	"ohmkeep/server/procedure"
)

// statements are the prepared statements of Append. They are made once, on the
// writer's one connection.
type statements struct {
	running, setReadings, newChunk, newData, newPage, setPage, setResult, setBudget, noBudget *sql.Stmt
}

func (st *statements) prepare(ctx context.Context, db *sql.DB) error {
	for _, p := range []struct {
		into  **sql.Stmt
		query string
	}{
		{&st.running, `SELECT seq FROM runs WHERE id = ? AND status = 'running'`},
		{&st.setReadings, `UPDATE runs SET readings = ? WHERE seq = ?`},
		{&st.newChunk, `INSERT INTO chunks (run, measurement, first, count, t_first, t_last, summary, seal)
			VALUES (?1, ?2, ?3, ?4, ?5, ?6, x'', ` + sealSQL("chunks", map[string]string{"run": "?1", "measurement": "?2", "first": "?3",
			"count": "?4", "t_first": "?5", "t_last": "?6", "summary": "x''", "data": "?7"}) + `)`},
		{&st.newData, `INSERT INTO chunk_data (chunk, data) VALUES (?, ?)`},
		{&st.newPage, `INSERT INTO tail (run, total, page) VALUES (?, ?, ?)`},
		{&st.setPage, `UPDATE tail SET total = ?, page = ? WHERE slot = ?`},
		{&st.setResult, `INSERT INTO results (run, measurement, key, pin, curve, condition, name, value, unit, u, low, high, outcome, flags, note,
			k, interval_from, interval_to, band, conformity, seal)
			VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18, ?19, ?20, ` + sealSQL("results", numbered("results")) + `)
			ON CONFLICT (run, measurement, key, pin, curve, condition) DO UPDATE SET name = excluded.name,
			value = excluded.value, unit = excluded.unit, u = excluded.u, low = excluded.low, high = excluded.high,
			outcome = excluded.outcome, flags = excluded.flags, note = excluded.note, k = excluded.k, interval_from = excluded.interval_from,
			interval_to = excluded.interval_to, band = excluded.band, conformity = excluded.conformity, seal = excluded.seal RETURNING id, seal`},
		{&st.setBudget, `INSERT INTO budgets (result, body, seal) VALUES (?1, ?2, ` + sealSQL("budgets", numbered("budgets")) + `)
			ON CONFLICT (result) DO UPDATE SET body = excluded.body, seal = excluded.seal`},
		{&st.noBudget, `DELETE FROM budgets WHERE result = ?`},
	} {
		s, err := db.PrepareContext(ctx, p.query)
		if err != nil {
			return err
		}
		*p.into = s
	}
	return nil
}

// Append commits a batch: its readings and results are on the disk when it
// returns nil, and nothing of it is when it returns an error. The run must be
// running, else NotFound or Conflict.
//
// Readings go into the tail, until there are enough of a measurement for a full
// chunk or the batch says that the measurement is complete: a chunk is written
// once. A commit of few readings touches one page of the file.
func (s *Store) Append(ctx context.Context, runID string, b procedure.Batch) error {
	s.appendMu.Lock()
	defer s.appendMu.Unlock()
	err := s.update(ctx, "append", func(t *tx) error {
		run, err := s.openRun(t, runID)
		if err != nil {
			return err
		}
		if err := s.appendReadings(t, run, &b); err != nil {
			return err
		}
		for i := range b.Results {
			if err := s.setResult(t, run.seq, &b.Results[i]); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		delete(s.open, runID) // it may be ahead of the disk
		return err
	}
	for _, m := range b.Readings {
		s.counted.readings.Add(int64(len(m.Readings)))
	}
	return nil
}

func (s *Store) exec(t *tx, st *sql.Stmt, args ...any) (sql.Result, error) {
	return t.StmtContext(t.ctx, st).ExecContext(t.ctx, args...)
}

// appendReadings stores the readings of a batch in chunks and in the tail.
func (s *Store) appendReadings(t *tx, run *openRun, b *procedure.Batch) error {
	chunks := false
	for _, m := range b.Readings {
		full, err := s.fillChunks(t, run, m)
		if err != nil {
			return err
		}
		chunks = chunks || full
	}
	for _, m := range b.Complete {
		c := run.open[m]
		if c == nil || c.cols.Len() == 0 {
			continue
		}
		if err := s.writeChunk(t, run.seq, m, c); err != nil {
			return err
		}
		chunks = true
	}
	if chunks {
		if _, err := s.exec(t, s.stmt.setReadings, run.total, run.seq); err != nil {
			return err
		}
	}
	for _, m := range b.Readings {
		if c := run.open[m.Measurement]; c != nil {
			run.keepInTail(m.Measurement, c)
		}
	}
	return s.writePages(t, run)
}

// fillChunks adds readings to the unfinished chunk of their measurement, and writes
// each chunk that is full.
func (s *Store) fillChunks(t *tx, run *openRun, m procedure.MeasurementReadings) (full bool, err error) {
	rs := m.Readings
	run.total += int64(len(rs))
	if len(rs) == 0 {
		return false, nil
	}
	c, err := run.partChunk(t, m.Measurement)
	if err != nil {
		return false, err
	}
	for len(rs) > 0 {
		n := min(len(rs), chunkMax-c.cols.Len())
		c.cols.Append(rs[:n])
		rs = rs[n:]
		if c.cols.Len() == chunkMax {
			if err := s.writeChunk(t, run.seq, m.Measurement, c); err != nil {
				return false, err
			}
			full = true
		}
	}
	return full, nil
}

// writeChunk stores an unfinished chunk, and opens the next.
func (s *Store) writeChunk(t *tx, seq int64, measurement int, c *partChunk) error {
	n := c.cols.Len()
	s.packed = packChunk(s.packed[:0], &c.cols)
	r, err := s.exec(t, s.stmt.newChunk, seq, measurement, c.first, n, c.cols.T[0], c.cols.T[n-1], s.packed[4:chunkHeader])
	if err != nil {
		return err
	}
	id, err := r.LastInsertId()
	if err != nil {
		return err
	}
	if _, err := s.exec(t, s.stmt.newData, id, s.packed); err != nil {
		return err
	}
	c.first += int64(n)
	c.kept = 0
	c.cols.Reset()
	return nil
}

// setResult stores a result with its budget, in the place of an earlier one.
func (s *Store) setResult(t *tx, seq int64, r *procedure.Result) error {
	var id, seal int64
	err := t.StmtContext(t.ctx, s.stmt.setResult).QueryRowContext(t.ctx, seq, r.Measurement, r.Key, r.Pin, r.Group, r.Condition, r.Name,
		numberOrNull(r.Value), string(r.Unit), numberOrNull(r.U), pointerOrNull(r.Low), pointerOrNull(r.High),
		string(r.Outcome), int64(r.Flags), r.Note, numberOrNull(r.K), numberOrNull(r.From), numberOrNull(r.To),
		pointerOrNull(r.Band), pointerOrNull(r.Conformity)).Scan(&id, &seal)
	if err != nil {
		return err
	}
	return s.setBudget(t, id, seal, r.Budget)
}
