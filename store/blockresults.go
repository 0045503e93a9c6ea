package store

import (
	"context"
	"database/sql"
	"errors"
	"strconv"

	"ohmkeep/server/lot"
	"ohmkeep/server/procedure"
)

// blockResults reads the results of a block of runs, in the order in which
// they lie in the file. What is damaged of a run comes as one result of its own,
// without a value and in no other's place; the other runs are read all the same.
func (s *Store) blockResults(ctx context.Context, sources *runSources, runs []runKey, with intervals, visit resultVisit) error {
	if len(runs) == 0 {
		return nil
	}
	if err := sources.load(ctx, runs); err != nil {
		return err
	}
	b := newBlockReader(s, sources, runs, with, visit)
	where, args, err := s.whereResultsLie(ctx, b.seqs)
	if err == nil && where != "" {
		err = b.read(ctx, where, args)
	}
	if isDamage(err) {
		err = b.readEach(ctx)
	}
	if err != nil {
		return err
	}
	return b.sayDamage()
}

// blockReader reads the results of a block of runs.
type blockReader struct {
	store   *Store
	sources *runSources
	runs    []runKey
	seqs    []int64
	at      map[int64]int // place of a run in the block, by its number
	sums    []resultSum
	visit   resultVisit
	visited []int64 // ids of the results that have been visited

	columns          string
	into             []any
	x                procedure.Result
	value, low, high any
	lower, upper     any
	seq, id, lastSeq int64
	seal             sql.NullInt64
	sound            bool
	run              int // place of the run that was read last; -1: none
	from             *lot.Source
}

func newBlockReader(s *Store, sources *runSources, runs []runKey, with intervals, visit resultVisit) *blockReader {
	b := &blockReader{store: s, sources: sources, runs: runs, visit: visit, run: -1,
		at: make(map[int64]int, len(runs)), seqs: make([]int64, len(runs)), sums: make([]resultSum, len(runs))}
	for i, r := range runs {
		b.at[r.seq], b.seqs[i], b.sums[i].stored = i, r.seq, r.sum
		// What cannot be named is no result of anything.
		b.sums[i].damage = len(sources.known[r.body].Measurements) == 0
	}
	x := &b.x
	b.columns = `id, run, seal, ` + soundSQL("results") + `, measurement, key, pin, curve, condition, name, value, unit, low, high, outcome`
	b.into = []any{&b.id, &b.seq, &b.seal, &b.sound, &x.Measurement, &x.Key, &x.Pin, &x.Group, &x.Condition, &x.Name, &b.value, (*string)(&x.Unit),
		&b.low, &b.high, (*string)(&x.Outcome)}
	if with {
		b.columns, b.into = b.columns+`, interval_from, interval_to`, append(b.into, &b.lower, &b.upper)
	}
	return b
}

func (b *blockReader) read(ctx context.Context, where string, args []any) error {
	return b.store.rows(ctx, `SELECT `+b.columns+` FROM results WHERE `+where, args, b.row)
}

// row takes in the row that a query has come to.
func (b *blockReader) row(r *sql.Rows) error {
	if err := r.Scan(b.into...); err != nil { // a value that is not of its column's type
		b.sound = false
		b.seq, b.seal = 0, sql.NullInt64{}
		if err := anyValues(r, len(b.into), map[int]any{0: &b.id, 1: &b.seq}); err != nil {
			return err
		}
	}
	if b.run < 0 || b.seq != b.lastSeq {
		i, ours := b.at[b.seq]
		if !ours {
			return nil // another bench's run, stored at the same time
		}
		b.run, b.lastSeq, b.from = i, b.seq, b.sources.known[b.runs[i].body]
	}
	sum := &b.sums[b.run]
	sum.sum += b.seal.Int64
	b.visited = append(b.visited, b.id)
	if !b.sound || len(b.from.Measurements) == 0 {
		sum.damage = true
		return nil
	}
	x := &b.x
	x.Value, x.Low, x.High = floatOf(b.value), limitOf(b.low), limitOf(b.high)
	x.From, x.To = floatOf(b.lower), floatOf(b.upper)
	return b.visit(b.run, b.from, x, b.id)
}

// readEach reads what has not been read yet, run by run, after a damaged page of
// the file has ended the common query.
func (b *blockReader) readEach(ctx context.Context) error {
	done := make(map[int64]bool, len(b.visited))
	for _, id := range b.visited {
		done[id] = true
	}
	for i, seq := range b.seqs {
		err := b.store.rows(ctx, `SELECT `+b.columns+` FROM results WHERE run = ?`, []any{seq}, func(r *sql.Rows) error {
			var id int64
			if anyValues(r, len(b.into), map[int]any{0: &id}) == nil && done[id] {
				return nil
			}
			return b.row(r)
		})
		if isDamage(err) {
			b.sums[i].damage, err = true, nil
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// sayDamage visits, for each run of which something is damaged, one result that
// says so.
func (b *blockReader) sayDamage() error {
	var errs []error
	for i := range b.sums {
		if sum := &b.sums[i]; sum.damage || !sum.fits() {
			_ = b.store.damaged(b.store.resultsOfSeq(b.seqs[i]))
			x := damagedResult()
			errs = append(errs, b.visit(i, b.sources.known[b.runs[i].body], &x, 0))
		}
	}
	return errors.Join(errs...)
}

// resultsOfSeq names the results of the run of a number.
func (s *Store) resultsOfSeq(seq int64) string {
	var id string
	if err := s.read[Pages].QueryRow("SELECT id FROM runs WHERE seq = ?", seq).Scan(&id); err != nil {
		id = "number " + strconv.FormatInt(seq, 10)
	}
	return "results of run " + id
}
