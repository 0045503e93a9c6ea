package store

import (
	"context"
	"math"

	"ohmkeep/server/derive"
	"ohmkeep/server/lot"
	"ohmkeep/server/procedure"
)

// WideRow is one run with its values, in the columns' order, the interval of each
// and its outcome; NaN where the run has none, and where a value has no interval.
type WideRow struct {
	Run      RunRow
	Values   []float64
	From, To []float64
	Outcomes []derive.Outcome
}

// newWideRow has room for so many columns.
func newWideRow(n int) WideRow {
	return WideRow{Values: make([]float64, n), From: make([]float64, n), To: make([]float64, n), Outcomes: make([]derive.Outcome, n)}
}

// maxWide is the largest number of columns: a wider table is of no use to
// anybody.
const maxWide = 4000

// Wide makes a table of the runs that the filter picks: a row for each run,
// newest first, a column for each result. It calls columns once, then row for
// each run; no lock is held while they run.
//
// The results are read once, to find the columns, and their values are kept
// for the rows; beyond what may be kept, they are read a second time.
func (s *Store) Wide(ctx context.Context, f Filter, columns func([]lot.Column) error, row func(*WideRow) error) error {
	t := &wideTable{store: s, sources: s.newRunSources(), kept: keptValues{store: s, runs: map[int64]runValues{}}}
	defer t.kept.release()
	err := eachPage(ctx, s, &f, runKeys, resultBlock, func(runs []runKey) error {
		return wrap("wide table", t.gather(ctx, runs))
	})
	if err != nil {
		return err
	}
	order := t.index.Order()
	cols := make([]lot.Column, len(order))
	t.place = make([]int, len(order))
	for i, n := range order {
		cols[i], t.place[n] = *t.index.Column(n), i
	}
	if err := columns(cols); err != nil {
		return err
	}
	out := newWideRow(len(cols))
	return eachPage(ctx, s, &f, wholeRuns, resultBlock, func(rows []RunRow) error {
		if err := t.load(ctx, rows); err != nil {
			return wrap("wide table", err)
		}
		for i := range rows {
			out.Run = rows[i]
			t.fill(rows[i].seq, &out)
			if err := row(&out); err != nil {
				return err
			}
		}
		return nil
	})
}

// wideTable is a wide table in the making.
type wideTable struct {
	store   *Store
	sources *runSources
	index   lot.Index
	place   []int // of each number of the index among the columns
	kept    keptValues
	said    outcomes
	again   map[int64]runValues // of a page's runs that were not kept, by seq
}

// gather finds the columns of a block of runs, and keeps its values where
// there is room.
func (t *wideTable) gather(ctx context.Context, runs []runKey) error {
	b := valueBlock{runs: runs}
	err := t.store.blockResults(ctx, t.sources, runs, withIntervals, func(run int, from *lot.Source, x *procedure.Result, order int64) error {
		n := t.index.Number(from, x, order)
		if n >= maxWide {
			return errorf(Invalid, "the runs have more than %d different results: pick one device or procedure", maxWide)
		}
		b.add(run, n, x, t.said.number(x.Outcome))
		return nil
	})
	if err == nil {
		t.kept.keep(&b)
	}
	return err
}

// load reads the values of those of a page's runs that were not kept: they did
// not fit, or have come since.
func (t *wideTable) load(ctx context.Context, rows []RunRow) error {
	var b valueBlock
	for i := range rows {
		if _, kept := t.kept.runs[rows[i].seq]; !kept {
			b.runs = append(b.runs, rows[i].key())
		}
	}
	err := t.store.blockResults(ctx, t.sources, b.runs, withIntervals, func(run int, from *lot.Source, x *procedure.Result, order int64) error {
		// A result that a running run has just added has no column yet.
		if n := t.index.Number(from, x, order); n < len(t.place) {
			b.add(run, n, x, t.said.number(x.Outcome))
		}
		return nil
	})
	t.again = map[int64]runValues{}
	b.pack(t.again)
	return err
}

// fill puts a run's values into the columns' order.
func (t *wideTable) fill(seq int64, into *WideRow) {
	for i := range into.Values {
		into.Values[i], into.From[i], into.To[i], into.Outcomes[i] = math.NaN(), math.NaN(), math.NaN(), ""
	}
	run, kept := t.kept.runs[seq]
	if !kept {
		run = t.again[seq]
	}
	for i, n := range run.numbers {
		v, at := &run.values, t.place[n]
		into.Values[at], into.From[at], into.To[at] = v.value[i], v.interval[i][0], v.interval[i][1]
		into.Outcomes[at] = t.said.list[v.outcome[i]]
	}
}
