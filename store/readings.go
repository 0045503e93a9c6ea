package store

import (
	"cmp"
	"context"
	"database/sql"
	"slices"
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
// memory may be kept. No lock is held while fn runs. Where any of what is asked for
// is damaged, it fails; see WholeChunks.
func (s *Store) Chunks(ctx context.Context, runID string, measurement int, from int64, fn func(Chunk) error) error {
	w := chunkWalk{store: s, measurement: measurement, from: from, fn: fn}
	return w.run(ctx, runID)
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

// chunkRow is a chunk as the disk has it. One that is not sound may claim to be of
// anywhere.
type chunkRow struct {
	Chunk
	sound bool
}

// chunkPage is a number of chunks that one query fetches, in their order.
type chunkPage struct {
	rows []chunkRow
	more bool  // others may follow
	tail error // the newest readings, which no chunk holds yet, are damaged
}

// fill reads the chunks after a place, up to those of the measurement last, and
// among them what the tail holds, as of one moment.
func (p *chunkPage) fill(ctx context.Context, s *Store, seq int64, after place, last int) error {
	p.rows, p.more, p.tail = p.rows[:0], false, nil
	return s.view(ctx, func(q querier) error {
		err := each(ctx, q, `SELECT measurement, first, count, data, `+soundSQL("chunks")+` FROM chunks LEFT JOIN chunk_data ON chunk = id
			WHERE run = ?1 AND (measurement, first) > (?2, ?3) AND measurement <= ?4
			ORDER BY measurement, first LIMIT ?5`, []any{seq, after.measurement, after.first, last, pageChunks}, func(r *sql.Rows) error {
			var k chunkRow
			if err := r.Scan(&k.Measurement, &k.First, &k.Count, &k.data, &k.sound); err != nil {
				return errUnsound
			}
			p.rows = append(p.rows, k)
			return nil
		})
		if err != nil {
			return err
		}
		p.more = len(p.rows) == pageChunks
		p.tail = p.addTail(ctx, q, seq, after, last)
		if isDamage(p.tail) {
			return nil
		}
		return p.tail
	})
}

// addTail puts what the tail holds into its places. What belongs behind the last of
// a full page comes with a later one.
func (p *chunkPage) addTail(ctx context.Context, q querier, seq int64, after place, last int) error {
	tail, err := tailChunks(ctx, q, seq, after.measurement, last)
	for _, k := range tail {
		i, _ := slices.BinarySearchFunc(p.rows, placeOf(k), func(r chunkRow, at place) int { return placeOf(r.Chunk).compare(at) })
		if placeOf(k).compare(after) > 0 && !(p.more && i == len(p.rows)) {
			p.rows = slices.Insert(p.rows, i, chunkRow{k, true})
		}
	}
	return err
}

// place is where a chunk belongs in its run.
type place struct {
	measurement int
	first       int64
}

func placeOf(k Chunk) place { return place{k.Measurement, k.First} }

// compare orders places by measurement, and by place in it.
func (p place) compare(o place) int {
	return cmp.Or(cmp.Compare(p.measurement, o.measurement), cmp.Compare(p.first, o.first))
}

// Readings calls fn with the readings of a measurement from index from on, in
// order, up to 1024 at a time; first is the index of the first of them. The
// columns are used again for the next call. No lock is held while fn runs. Where any
// of them is damaged, it fails; see WholeReadings.
func (s *Store) Readings(ctx context.Context, runID string, measurement int, from int64, fn func(first int64, c *Columns) error) error {
	return s.Chunks(ctx, runID, measurement, from, s.decoding(runID, measurement, from, fn))
}

// decoding is what has the readings from index from on of each chunk decoded and
// given to fn.
func (s *Store) decoding(runID string, measurement int, from int64, fn func(first int64, c *Columns) error) func(Chunk) error {
	var c Columns
	return func(k Chunk) error {
		c.Reset()
		if err := k.Decode(&c); err != nil {
			return s.readingsError(runID, err)
		}
		if skip := from - k.First; skip > 0 && measurement != AllMeasurements {
			tail := c.slice(int(skip), c.Len())
			return fn(from, &tail)
		}
		return fn(k.First, &c)
	}
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
