package store

import (
	"context"
	"database/sql"
	"fmt"
	"math"

	"ohmkeep/server/turn"
)

// pageChunks is how many chunks one query fetches: the query is over before
// the caller works on them, so that a slow caller holds no lock on the log.
const pageChunks = 8

// Chunk is a packed chunk of readings as it is stored.
type Chunk struct {
	Measurement int
	First       int64 // index of its first reading in the measurement
	Count       int
	data        []byte
	skip        int // readings of data before First
}

// Decode checks the chunk and adds its readings to c.
func (k Chunk) Decode(c *Columns) error {
	had := c.Len()
	if err := decodeChunk(k.data, c); err != nil {
		return err
	}
	if k.skip > 0 {
		c.cut(had, had+k.skip)
	}
	return nil
}

// after is the chunk without its readings before index from of the
// measurement.
func (k Chunk) after(from int64) Chunk {
	n := int(from - k.First)
	k.First, k.Count, k.skip = from, k.Count-n, k.skip+n
	return k
}

// AllMeasurements stands for every measurement of a run, in order.
const AllMeasurements = -1

// Chunks calls fn for each packed chunk that holds readings at or after from
// (an index in the measurement; for AllMeasurements it must be 0). The chunk's
// memory may be kept. No lock is held while fn runs.
func (s *Store) Chunks(ctx context.Context, runID string, measurement int, from int64, fn func(Chunk) error) error {
	seq, err := s.seqOf(ctx, runID)
	if err != nil {
		return err
	}
	last := measurement
	if measurement == AllMeasurements {
		measurement, last, from = 0, math.MaxInt32, 0
	}
	// The first chunk may begin before from. The last of a page is fetched again
	// with the next, where it is not full: it may have grown since.
	at, page := from-chunkMax+1, make([]Chunk, 0, pageChunks)
	var end Chunk // of the page before
	for {
		page, err = s.chunkPage(ctx, seq, measurement, last, at, page[:0])
		if err != nil {
			return wrap("chunks", err)
		}
		for _, k := range page {
			if k.First+int64(k.Count) <= from {
				continue
			}
			if given := end.First + int64(end.Count); end.Count > 0 && k.Measurement == end.Measurement && k.First < given {
				if k = k.after(given); k.Count == 0 {
					continue
				}
			}
			if err := fn(k); err != nil {
				return err
			}
		}
		if len(page) < pageChunks {
			return nil
		}
		if err := turn.Pass(ctx); err != nil {
			return wrap("chunks", err)
		}
		end = page[len(page)-1]
		if measurement, at = end.Measurement, end.First; end.Count == chunkMax {
			at += chunkMax
		}
	}
}

func (s *Store) chunkPage(ctx context.Context, seq int64, measurement, last int, at int64, page []Chunk) ([]Chunk, error) {
	err := s.rows(ctx, `SELECT measurement, first, count, data FROM chunks JOIN chunk_data ON chunk = id
		WHERE run = ?1 AND (measurement, first) >= (?2, ?4) AND measurement <= ?3
		ORDER BY measurement, first LIMIT ?5`, []any{seq, measurement, last, at, pageChunks}, func(r *sql.Rows) error {
		var k Chunk
		if err := r.Scan(&k.Measurement, &k.First, &k.Count, &k.data); err != nil {
			return err
		}
		page = append(page, k)
		return nil
	})
	return page, err
}

// Readings calls fn with the readings of a measurement from index from on, in
// order, up to 1024 at a time; first is the index of the first of them. The
// columns are used again for the next call. No lock is held while fn runs.
func (s *Store) Readings(ctx context.Context, runID string, measurement int, from int64, fn func(first int64, c *Columns) error) error {
	var c Columns
	return s.Chunks(ctx, runID, measurement, from, func(k Chunk) error {
		c.Reset()
		if err := k.Decode(&c); err != nil {
			return wrap("readings", fmt.Errorf("run %s, measurement %d, reading %d: %w", runID, k.Measurement, k.First, err))
		}
		if skip := from - k.First; skip > 0 && measurement != AllMeasurements {
			tail := c.from(int(skip))
			return fn(from, &tail)
		}
		return fn(k.First, &c)
	})
}

func (s *Store) seqOf(ctx context.Context, runID string) (seq int64, err error) {
	err = s.reader(ctx).QueryRowContext(ctx, "SELECT seq FROM runs WHERE id = ?", runID).Scan(&seq)
	return seq, wrap("find run", missing(err, "there is no run %s", runID))
}
