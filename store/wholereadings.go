package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"

	"ohmkeep/server/turn"
)

// Gap is a stretch of readings that the disk does not have as they were stored.
type Gap struct {
	Measurement int   // AllMeasurements: not known
	First, End  int64 // indexes of the first reading and of the one after the last; both 0: not known
	why         string
}

// Of says what is damaged with its measurement, both counted from 1 as on the pages.
func (g Gap) Of() string {
	if g.Measurement == AllMeasurements {
		return g.Words()
	}
	return fmt.Sprintf("measurement %d: %s", g.Measurement+1, g.Words())
}

// Words says what is damaged.
func (g Gap) Words() string {
	if g.End > g.First {
		return fmt.Sprintf("readings %d to %d are damaged: %s", g.First+1, g.End, g.why)
	}
	return g.why
}

const (
	notStored   = "what the disk has is not what was stored"
	unreadable  = "damaged from here on: the disk does not give back what was stored"
	tailDamaged = "the newest readings are damaged: " + notStored
)

// WholeChunks is Chunks for a run of which something may be damaged: fn is called
// for each chunk that is whole, and damaged for each stretch of readings that is
// not, in their order; last for what is not known to belong anywhere.
func (s *Store) WholeChunks(ctx context.Context, runID string, measurement int, from int64, fn func(Chunk) error, damaged func(Gap) error) error {
	w := chunkWalk{store: s, measurement: measurement, from: from, fn: fn, damaged: damaged}
	return w.run(ctx, runID)
}

// WholeReadings is Readings for a run of which something may be damaged, as
// WholeChunks is Chunks.
func (s *Store) WholeReadings(ctx context.Context, runID string, measurement int, from int64, fn func(first int64, c *Columns) error, damaged func(Gap) error) error {
	return s.WholeChunks(ctx, runID, measurement, from, s.decoding(runID, measurement, from, fn), damaged)
}

// chunkWalk goes through the chunks of a run.
type chunkWalk struct {
	store       *Store
	measurement int
	from        int64
	fn          func(Chunk) error
	damaged     func(Gap) error // nil: the first damage ends the walk

	runID  string
	seq    int64
	last   int     // measurement
	ledger *ledger // nil: the chunks are those that the run ended with
	tail   bool    // it was said that the tail is damaged

	at      int   // measurement at hand
	begun   bool  // one of its chunks that is whole was met
	next    int64 // index of the reading that must come next
	broken  bool  // a chunk that is not whole was met since then
	claimed int64 // where the readings of such chunks end, as they say; 0: not known
}

func (w *chunkWalk) run(ctx context.Context, runID string) (err error) {
	w.runID = runID
	if w.seq, err = w.store.seqOf(ctx, runID); err != nil {
		return err
	}
	after := place{w.measurement, w.from - chunkMax} // the first chunk may begin before from
	w.last, w.at = w.measurement, w.measurement
	if w.measurement == AllMeasurements {
		after, w.last, w.from = place{0, -chunkMax}, math.MaxInt32, 0
	}
	err = w.store.allChunks(ctx, w.seq)
	if isDamage(err) {
		w.ledger, err = w.store.ledgerOf(ctx, w.seq)
	}
	if err == nil && w.damaged == nil && !w.ledger.sound(w.measurement) {
		err = errUnsound
	}
	if err == nil {
		err = w.pages(ctx, after)
	}
	if err == nil {
		err = w.endMeasurement()
	}
	if err == nil && w.ledger != nil && w.ledger.unexplained != "" {
		err = w.tell(Gap{Measurement: AllMeasurements, why: w.ledger.unexplained})
	}
	var callers *callersError
	if errors.As(err, &callers) {
		return callers.error
	}
	return w.store.readingsError(runID, err)
}

// pages goes from page to page.
func (w *chunkWalk) pages(ctx context.Context, after place) error {
	page := chunkPage{rows: make([]chunkRow, 0, pageChunks)}
	for more := true; more; {
		err := page.fill(ctx, w.store, w.seq, after, w.last)
		if isDamage(err) && w.damaged != nil {
			err = page.oneByOne(ctx, w.store, w.seq, after, w.last)
			if isDamage(err) { // not even its index
				w.broken = false
				if err = w.tell(Gap{Measurement: after.measurement, why: unreadable}); err == nil {
					after, more = w.past(ctx, after)
				}
				if err != nil {
					return err
				}
				continue
			}
		}
		if err != nil {
			return err
		}
		if err := w.take(&page); err != nil {
			return err
		}
		if more = page.more; more {
			after = placeOf(page.rows[len(page.rows)-1].Chunk)
			if err := turn.Pass(ctx); err != nil {
				return &callersError{wrap("chunks", err)}
			}
		}
	}
	return nil
}

// take gives what is whole of a page, and tells what is not.
func (w *chunkWalk) take(page *chunkPage) error {
	for _, k := range page.rows {
		if k.Measurement != w.at {
			if err := w.endMeasurement(); err != nil {
				return err
			}
			w.at = k.Measurement
		}
		if k.sound && w.damaged != nil {
			k.sound = checkChunk(k.data) == nil
		}
		if err := w.chunk(&k); err != nil {
			return err
		}
	}
	if page.tail != nil && !w.tail {
		w.tail = true
		return w.tell(Gap{Measurement: AllMeasurements, why: tailDamaged})
	}
	return nil
}

// chunk gives one chunk of the measurement at hand, if it is whole.
func (w *chunkWalk) chunk(k *chunkRow) error {
	if !k.sound {
		w.broken = true // the next one that is whole tells how far
		if k.First == max(w.next, w.claimed) && k.Count > 0 && k.Count <= chunkMax {
			w.claimed = k.First + int64(k.Count)
		}
		if w.damaged == nil {
			return errUnsound
		}
		return nil
	}
	if !w.begun {
		w.begun, w.next = true, min(w.from, k.First) // it may begin before from
	}
	switch {
	case k.First > w.next:
		if err := w.tell(Gap{k.Measurement, w.next, k.First, notStored}); err != nil {
			return err
		}
	case k.First < w.next:
		return w.tell(Gap{Measurement: k.Measurement, why: "damaged: some readings are there twice, and stand here once"})
	}
	w.broken, w.next = false, k.First+int64(k.Count)
	if w.next <= w.from {
		return nil
	}
	if err := w.fn(k.Chunk); err != nil {
		return &callersError{err}
	}
	return nil
}

// endMeasurement tells what is missing at the end of the measurement at hand, and
// goes on to another.
func (w *chunkWalk) endMeasurement() error {
	m, broken, first, end := w.at, w.broken, max(w.next, w.from), w.claimed
	w.broken, w.begun, w.next, w.claimed = false, false, 0, 0
	switch {
	case !broken || end != 0 && end <= w.from:
		return nil
	case end > first:
		return w.tell(Gap{m, first, end, notStored})
	}
	return w.tell(Gap{Measurement: m, why: fmt.Sprintf("damaged from reading %d on: %s", first+1, notStored)})
}

// tell says what is damaged, or ends the walk for it.
func (w *chunkWalk) tell(g Gap) error {
	if w.damaged == nil {
		return errUnsound
	}
	_ = w.store.damaged("readings of run " + w.runID) // kept in mind for the pages
	if err := w.damaged(g); err != nil {
		return &callersError{err}
	}
	return nil
}

// callersError is an error of what chunks are given to: it is none of theirs.
type callersError struct{ error }

// past returns the place before the next measurement that can be read after one
// whose chunks cannot be found.
func (w *chunkWalk) past(ctx context.Context, after place) (place, bool) {
	var m int
	err := w.store.reader(ctx).QueryRowContext(ctx, "SELECT measurement FROM chunks WHERE run = ? AND measurement > ? ORDER BY measurement LIMIT 1",
		w.seq, after.measurement).Scan(&m)
	return place{m, -chunkMax}, err == nil && m <= w.last
}

// oneByOne is fill for a damaged file: what cannot be read stands as unsound.
func (p *chunkPage) oneByOne(ctx context.Context, s *Store, seq int64, after place, last int) error {
	p.rows, p.more, p.tail = p.rows[:0], false, nil
	var ids []int64
	err := s.rows(ctx, `SELECT id, measurement, first FROM chunks WHERE run = ?1 AND (measurement, first) > (?2, ?3) AND measurement <= ?4
		ORDER BY measurement, first LIMIT ?5`, []any{seq, after.measurement, after.first, last, pageChunks}, func(r *sql.Rows) error {
		var id int64
		var k chunkRow
		if err := r.Scan(&id, &k.Measurement, &k.First); err != nil {
			return errUnsound
		}
		ids, p.rows = append(ids, id), append(p.rows, k)
		return nil
	})
	if err != nil {
		return err
	}
	for i, id := range ids {
		k := &p.rows[i]
		err := s.reader(ctx).QueryRowContext(ctx, "SELECT count, data, "+soundSQL("chunks")+" FROM chunks JOIN chunk_data ON chunk = id WHERE id = ?", id).
			Scan(&k.Count, &k.data, &k.sound)
		if err != nil {
			k.sound = false
		}
	}
	p.more = len(p.rows) == pageChunks
	p.tail = p.addTail(ctx, s.reader(ctx), seq, after, last)
	return nil
}

// ledger is what the index of chunks says of a run whose readings are not those
// that it ended with.
type ledger struct {
	damaged map[int]bool // by measurement
	// unexplained says that more is wrong than a known stretch of readings; "".
	unexplained string
}

// sound reports whether a measurement's readings are all there for certain.
func (l *ledger) sound(measurement int) bool {
	return l == nil || measurement != AllMeasurements && l.unexplained == "" && !l.damaged[measurement]
}

// ledgerOf works out where readings of a run are missing, and whether these are
// all: as many are then missing as the run ended with more.
func (s *Store) ledgerOf(ctx context.Context, seq int64) (*ledger, error) {
	l := &ledger{damaged: map[int]bool{}}
	next, ends := map[int]int64{}, map[int]int64{} // by measurement: of those that are whole, and as the others claim
	var here, ended int64                          // readings that are whole, and that the run ended with
	var twice bool
	err := s.rows(ctx, "SELECT measurement, first, count, "+soundSQL("chunks")+` FROM chunks LEFT JOIN chunk_data ON chunk = id
		WHERE run = ? ORDER BY measurement, first`, []any{seq}, func(r *sql.Rows) error {
		var m int
		var first, count int64
		var sound bool
		if err := r.Scan(&m, &first, &count, &sound); err != nil {
			return errUnsound
		}
		switch {
		case !sound:
			l.damaged[m] = true
			if first == max(next[m], ends[m]) && count > 0 && count <= chunkMax { // as it claims
				ends[m] = first + count
			}
			return nil
		case first > next[m]:
			l.damaged[m] = true
		case first < next[m]:
			l.damaged[m], twice = true, true
			return nil
		}
		next[m], here = first+count, here+count
		ends[m] = next[m]
		return nil
	})
	if err == nil {
		err = s.rows(ctx, "SELECT readings FROM runs WHERE seq = ? AND "+soundSQL("runs"), []any{seq}, func(r *sql.Rows) error { return r.Scan(&ended) })
	}
	if err != nil && !isDamage(err) {
		return nil, err
	}
	var known int64
	for _, end := range ends {
		known += end
	}
	switch {
	case err != nil || twice || here == ended && known != ended || len(l.damaged) == 0 && known == ended:
		l.unexplained = "damaged: the readings are not those that the run ended with; which of them is not known"
	case known != ended:
		l.unexplained = fmt.Sprintf("damaged: the run ended with %d readings, and the disk has %d of them; where the others belong is not known", ended, here)
	}
	return l, nil
}
