package store

import (
	"context"
	"database/sql"
	"encoding/json"

	"ohmkeep/server/lot"
	"ohmkeep/server/procedure"
	"ohmkeep/server/turn"
)

// resultBlock is the number of runs whose results one query reads. The query
// is over before the caller goes on, so that a slow reader holds no lock on
// the log.
const resultBlock = 100

// runKey is the key of a run's results: its number, its start in Unix ns, the
// snapshot of its procedure, and the sum of their seals.
type runKey struct {
	seq, started, body int64
	sum                sql.NullInt64 // NULL while the run is at work
}

var runKeys = listed[runKey]{"seq, started, procedure_body, results_sum, " + soundSQL("runs"), func() func(*sql.Rows) (runKey, error) {
	return func(r *sql.Rows) (k runKey, err error) {
		var sound bool
		if err = r.Scan(&k.seq, &k.started, &k.body, &k.sum, &sound); err != nil && r.Err() == nil {
			err = anyValues(r, 5, map[int]any{0: &k.seq, 1: &k.started})
		}
		if !sound {
			k.body = noBody
		}
		return k, err
	}
}, func(k *runKey) position { return position{k.started, k.seq} }}

// runSources is a cache of the names of measurements, by the snapshot of the
// run's procedure: most runs share theirs.
type runSources struct {
	store *Store
	known map[int64]*lot.Source
}

func (s *Store) newRunSources() *runSources {
	return &runSources{store: s, known: map[int64]*lot.Source{}}
}

// load reads the procedures of runs, each once.
func (q *runSources) load(ctx context.Context, runs []runKey) error {
	var missing []int64
	for _, r := range runs {
		if _, ok := q.known[r.body]; !ok {
			q.known[r.body] = &lot.Source{Revision: r.body}
			missing = append(missing, r.body)
		}
	}
	if len(missing) == 0 {
		return nil
	}
	return q.store.rows(ctx, `SELECT s.id, coalesce(json_extract(s.body, '$.key'), ''),
		coalesce(json_extract(m.value, '$.id'), ''), coalesce(json_extract(m.value, '$.name'), '')
		FROM snapshots s, json_each(s.body, '$.measurements') m
		WHERE s.id IN (SELECT value FROM json_each(?)) AND `+soundAs("snapshots", "s")+` ORDER BY s.id, m.key`, []any{numberList(missing)}, func(r *sql.Rows) error {
		var body int64
		var key string
		var m lot.Measurement
		if err := r.Scan(&body, &key, &m.ID, &m.Name); err != nil {
			return err
		}
		from := q.known[body]
		from.Procedure = key
		from.Measurements = append(from.Measurements, m)
		return nil
	})
}

// numberList is a list of numbers as one argument of a query.
func numberList(numbers []int64) string {
	b, _ := json.Marshal(numbers) // numbers always marshal
	return string(b)
}

// resultVisit is called for each result of a block of runs: run is the place
// of its run in the block, order grows in the order in which results were
// stored. The result is valid until the call returns.
type resultVisit func(run int, from *lot.Source, x *procedure.Result, order int64) error

// intervals says whether the intervals of results are read with them: lists that
// do not show them need not pay for them.
type intervals bool

const (
	withIntervals    intervals = true
	withoutIntervals intervals = false
)

// whereResultsLie is the condition that finds the results of runs. A run's
// results mostly lie side by side, and reading a stretch of the file costs a
// third of looking each row up by the index; where other runs' results lie
// between them, the index is cheaper. It is empty where there are none.
func (s *Store) whereResultsLie(ctx context.Context, seqs []int64) (string, []any, error) {
	const ofRuns = "run IN (SELECT value FROM json_each(?))"
	list := numberList(seqs)
	var first, last sql.NullInt64
	var n int64
	err := s.reader(ctx).QueryRowContext(ctx, "SELECT min(id), max(id), count(*) FROM results WHERE "+ofRuns, list).Scan(&first, &last, &n)
	switch {
	case err != nil || n == 0:
		return "", nil, err
	case last.Int64-first.Int64 < 2*n:
		return "id BETWEEN ? AND ?", []any{first.Int64, last.Int64}, nil
	}
	return ofRuns, []any{list}, nil
}

// floatOf is a REAL column as the driver gives it; NULL is NaN.
func floatOf(v any) float64 {
	if f, ok := v.(float64); ok {
		return f
	}
	return orNaN(sql.NullFloat64{})
}

func limitOf(v any) *float64 {
	if f, ok := v.(float64); ok {
		return &f
	}
	return nil
}

// EachResult calls fn with every result of runs that were listed, block by
// block of them: run is the place of its run in runs, order grows in the order
// in which results were stored. Results of one run may come before those of an
// earlier one. No lock is held while fn runs.
func (s *Store) EachResult(ctx context.Context, runs []RunRow, fn func(run int, from *lot.Source, x *procedure.Result, order int64) error) error {
	sources := s.newRunSources()
	for first := 0; first < len(runs); first += resultBlock {
		var block []runKey
		for i := range runs[first:min(first+resultBlock, len(runs))] {
			block = append(block, runs[first+i].key())
		}
		err := s.blockResults(ctx, sources, block, withoutIntervals, func(run int, from *lot.Source, x *procedure.Result, order int64) error {
			return fn(first+run, from, x, order)
		})
		if err == nil {
			err = turn.Pass(ctx)
		}
		if err != nil {
			return wrap("results of runs", err)
		}
	}
	return nil
}
