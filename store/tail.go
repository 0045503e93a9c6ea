package store

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
)

// runReadings is the number of readings of a row of runs, in SQL: runs has it as
// of the chunk written last, the tail as of the last commit of readings. One
// that has ended has no tail, unless that is damaged.
const runReadings = `CASE runs.status WHEN 'running' THEN max(runs.readings, (SELECT coalesce(max(total), 0) FROM tail WHERE tail.run = runs.seq))
	ELSE runs.readings END`

// storedTail is the tail of a run as the disk has it.
type storedTail struct {
	pages  []storedPage
	chunks []tailChunk // by measurement
}

type storedPage struct {
	tailPage
	slot int64
}

// tailChunk are the readings of a measurement that no chunk holds yet.
type tailChunk struct {
	measurement int
	first       int64
	cols        Columns
}

// readTail reads the tail of a run. Records that chunks hold by now are left
// out. It fails with errTailPage or errChunk where it is damaged.
func readTail(ctx context.Context, q querier, seq int64) (storedTail, error) {
	var tail storedTail
	var records []tailRecord
	err := each(ctx, q, "SELECT slot, page FROM tail WHERE run = ? ORDER BY slot", []any{seq}, func(r *sql.Rows) error {
		var slot int64
		var data []byte
		if err := r.Scan(&slot, &data); err != nil {
			return err
		}
		p, err := openTailPage(data, seq)
		if err != nil {
			return fmt.Errorf("tail page %d: %w", slot, err)
		}
		tail.pages = append(tail.pages, storedPage{p, slot})
		for r := range p.records() {
			records = append(records, r)
		}
		return nil
	})
	if err != nil || len(records) == 0 {
		return tail, err
	}
	slices.SortFunc(records, func(a, b tailRecord) int {
		return cmp.Or(cmp.Compare(a.measurement, b.measurement), cmp.Compare(a.first, b.first))
	})
	for len(records) > 0 {
		m := records[0].measurement
		n := 1
		for n < len(records) && records[n].measurement == m {
			n++
		}
		end, err := chunksEnd(ctx, q, seq, m)
		if err != nil {
			return tail, err
		}
		c := tailChunk{measurement: m, first: end}
		if err := c.join(records[:n]); err != nil {
			return tail, err
		}
		if c.cols.Len() > 0 {
			tail.chunks = append(tail.chunks, c)
		}
		records = records[n:]
	}
	return tail, nil
}

// join adds the readings of records in their order, from where the chunks end.
func (c *tailChunk) join(records []tailRecord) error {
	for _, r := range records {
		next := c.first + int64(c.cols.Len())
		if r.first < c.first {
			continue // a chunk has it
		}
		if r.first != next {
			return fmt.Errorf("%w: measurement %d goes on at reading %d instead of %d", errTailPage, c.measurement, r.first, next)
		}
		if err := decodeChunk(r.packed, &c.cols); err != nil {
			return fmt.Errorf("measurement %d, reading %d: %w", c.measurement, r.first, err)
		}
	}
	if c.cols.Len() > chunkMax {
		return fmt.Errorf("%w: measurement %d has %d readings", errTailPage, c.measurement, c.cols.Len())
	}
	return nil
}

// chunksEnd is the index after the last reading of a measurement that a chunk
// holds.
func chunksEnd(ctx context.Context, q querier, seq int64, measurement int) (end int64, err error) {
	err = q.QueryRowContext(ctx, `SELECT first + count FROM chunks WHERE run = ? AND measurement = ?
		ORDER BY first DESC LIMIT 1`, seq, measurement).Scan(&end)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, nil
	}
	return end, err
}

// tailChunks are the readings of measurements low to high of a run that no
// chunk holds yet, packed as if one did.
func tailChunks(ctx context.Context, q querier, seq int64, low, high int) ([]Chunk, error) {
	tail, err := readTail(ctx, q, seq)
	if err != nil {
		return nil, err
	}
	var out []Chunk
	for i := range tail.chunks {
		c := &tail.chunks[i]
		if c.measurement >= low && c.measurement <= high {
			out = append(out, Chunk{c.measurement, c.first, c.cols.Len(), packChunk(nil, &c.cols)})
		}
	}
	return out, nil
}

// closeTail moves what the tail holds of a run into chunks, at its end. A
// damaged tail stays as it is: the run can end, and its readings say so.
func (s *Store) closeTail(t *tx, seq int64) error {
	tail, err := readTail(t.ctx, t, seq)
	if errors.Is(err, errTailPage) || errors.Is(err, errChunk) {
		return nil
	}
	if err != nil || len(tail.pages) == 0 {
		return err
	}
	for i := range tail.chunks {
		c := &tail.chunks[i]
		if err := s.writeChunk(t, seq, c.measurement, &partChunk{first: c.first, cols: c.cols}); err != nil {
			return err
		}
	}
	_, err = t.exec("DELETE FROM tail WHERE run = ?", seq)
	return err
}
