package store

import (
	"cmp"
	"context"
	"database/sql"
	"math"
	"slices"

	"ohmkeep/server/turn"
)

// pageChunks is the number of chunks that one query fetches: the query is over
// before the caller works on them, so that a slow caller holds no lock on the
// log.
const pageChunks = 8

// Chunk is a packed chunk of readings.
type Chunk struct {
	Measurement int
	First       int64 // index of its first reading in the measurement
	Count       int
	data        []byte
}

// Decode checks the chunk and adds its readings to c.
func (k Chunk) Decode(c *Columns) error { return decodeChunk(k.data, c) }

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
	if err := s.allChunks(ctx, seq); err != nil {
		return s.readingsError(runID, err)
	}
	// The first chunk may begin before from.
	at, page := from-chunkMax+1, make([]Chunk, 0, pageChunks)
	next := map[int]int64{}
	for more := true; more; {
		page, more, err = s.chunkPage(ctx, seq, measurement, last, at, page[:0])
		if err != nil {
			return s.readingsError(runID, err)
		}
		for _, k := range page {
			if want, begun := next[k.Measurement]; k.First != want && (begun || from < chunkMax) {
				return s.readingsError(runID, errUnsound) // one is missing, or there twice
			}
			next[k.Measurement] = k.First + int64(k.Count)
			if k.First+int64(k.Count) <= from {
				continue
			}
			if err := fn(k); err != nil {
				return err
			}
		}
		if more {
			if err := turn.Pass(ctx); err != nil {
				return wrap("chunks", err)
			}
			end := page[len(page)-1]
			measurement, at = end.Measurement, end.First+int64(end.Count)
		}
	}
	return nil
}

// allChunks holds the chunks of a run that has ended against the sum that it
// ended with: none is missing, and none is of another state of the run. The index
// that chunks are read by leads to as many as there are.
func (s *Store) allChunks(ctx context.Context, seq int64) error {
	whole := false // also where an index led to a run that is not there
	err := s.rows(ctx, `SELECT readings_sum IS NULL OR status = 'running'
		OR readings_sum = (SELECT coalesce(sum(seal), 0) FROM chunks WHERE run = runs.seq)
		AND (SELECT count(*) FROM chunks WHERE run = runs.seq)
			= (SELECT count(*) FROM chunks WHERE run = runs.seq AND (measurement, first) >= (0, 0) AND measurement <= 2147483647)
		FROM runs WHERE seq = ?`,
		[]any{seq}, func(r *sql.Rows) error { return r.Scan(&whole) })
	if err == nil && !whole {
		return errUnsound
	}
	return err
}

// readingsError is the error of readings that cannot be read; one that is damage
// names the run.
func (s *Store) readingsError(runID string, err error) error {
	if isDamage(err) {
		return s.damaged("readings of run " + runID)
	}
	return wrap("readings of run "+runID, err)
}

// chunkPage adds the chunks from the first that begins at or after reading at
// of the measurement to page, a number of them at a time, and among them what
// the tail holds, as of one moment. More is true where more may follow.
func (s *Store) chunkPage(ctx context.Context, seq int64, measurement, last int, at int64, page []Chunk) (_ []Chunk, more bool, err error) {
	err = s.view(ctx, func(q querier) error {
		err := each(ctx, q, `SELECT measurement, first, count, data, `+soundSQL("chunks")+` FROM chunks LEFT JOIN chunk_data ON chunk = id
			WHERE run = ?1 AND (measurement, first) >= (?2, ?4) AND measurement <= ?3
			ORDER BY measurement, first LIMIT ?5`, []any{seq, measurement, last, at, pageChunks}, func(r *sql.Rows) error {
			var k Chunk
			var sound bool
			if err := r.Scan(&k.Measurement, &k.First, &k.Count, &k.data, &sound); err != nil || !sound {
				return errUnsound
			}
			page = append(page, k)
			return nil
		})
		if err != nil {
			return err
		}
		more = len(page) == pageChunks
		tail, err := tailChunks(ctx, q, seq, measurement, last)
		for _, k := range tail {
			// Behind the last of a full page it comes with a later one.
			i, _ := slices.BinarySearchFunc(page, k, inOrder)
			if !(k.Measurement == measurement && k.First < at) && !(more && i == len(page)) {
				page = slices.Insert(page, i, k)
			}
		}
		return err
	})
	return page, more, err
}

// inOrder compares chunks by measurement, and by place in it.
func inOrder(a, b Chunk) int {
	return cmp.Or(cmp.Compare(a.Measurement, b.Measurement), cmp.Compare(a.First, b.First))
}

// Readings calls fn with the readings of a measurement from index from on, in
// order, up to 1024 at a time; first is the index of the first of them. The
// columns are used again for the next call. No lock is held while fn runs.
func (s *Store) Readings(ctx context.Context, runID string, measurement int, from int64, fn func(first int64, c *Columns) error) error {
	var c Columns
	return s.Chunks(ctx, runID, measurement, from, func(k Chunk) error {
		c.Reset()
		if err := k.Decode(&c); err != nil {
			return s.readingsError(runID, err)
		}
		if skip := from - k.First; skip > 0 && measurement != AllMeasurements {
			tail := c.slice(int(skip), c.Len())
			return fn(from, &tail)
		}
		return fn(k.First, &c)
	})
}

// PackedReadings returns how many readings of a measurement chunks hold: all
// but the newest few of a run at work. It costs the same however many they are.
func (s *Store) PackedReadings(ctx context.Context, runID string, measurement int) (int64, error) {
	seq, err := s.seqOf(ctx, runID)
	if err != nil {
		return 0, err
	}
	n, err := chunksEnd(ctx, s.reader(ctx), seq, measurement)
	return n, wrap("packed readings", err)
}

func (s *Store) seqOf(ctx context.Context, runID string) (seq int64, err error) {
	err = s.reader(ctx).QueryRowContext(ctx, "SELECT seq FROM runs WHERE id = ? AND "+notDeleting, runID).Scan(&seq)
	return seq, wrap("find run", missing(err, "there is no run %s", runID))
}
