package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/turn"
)

// Page is a part of a list, newest first.
type Page struct {
	Runs []RunRow
	Next string // cursor of the next page; empty on the last
	// Total is the number of runs that the filter picks, as far as they were
	// counted: where no count of them is kept, up to TotalBound.
	Total int
	More  bool // there are, or may be, more runs than Total
}

const (
	// TotalBound is the largest total that a list counts up to, in runs.
	TotalBound = 10_000
	// lookBound is the largest number of runs that one page reads, where no
	// index knows of each whether the filter picks it: so the cost does not
	// grow with the history. The next page goes on from there.
	lookBound = 2_000
	// countBound is the largest number of runs that are read only to count
	// them.
	countBound = 1_000
)

// position is a place in the history: just below the run that started then and
// has this number.
type position struct{ started, seq int64 }

// newest and oldest are the ends of the history: every run lies between them.
var (
	newest = position{math.MaxInt64, math.MaxInt64}
	oldest = position{math.MinInt64, math.MinInt64}
)

func (p position) below(q position) bool {
	return p.started < q.started || p.started == q.started && p.seq < q.seq
}

func (p position) cursor() string {
	return strconv.FormatInt(p.started, 36) + "." + strconv.FormatInt(p.seq, 36)
}

// positionOf reads a cursor; "" is the newest end.
func positionOf(cursor string) (position, error) {
	if cursor == "" {
		return newest, nil
	}
	at, seq, ok := strings.Cut(cursor, ".")
	started, err1 := strconv.ParseInt(at, 36, 64)
	before, err2 := strconv.ParseInt(seq, 36, 64)
	if !ok || err1 != nil || err2 != nil {
		return position{}, errNotOfList
	}
	return position{started, before}, nil
}

// between is the condition that a run lies below top and not below bottom.
func between(top, bottom position) clause {
	return clause{"(started, seq) < (?, ?) AND (started, seq) >= (?, ?)", []any{top.started, top.seq, bottom.started, bottom.seq}}
}

// search is the plan of a filter's query: the source of its candidates, newest
// first, and the conditions that each of them must still meet.
type search struct {
	index       string   // of runs, which serves drive
	phrase      string   // for the index of texts, which then gives the candidates
	drive       clauses  // what holds for every candidate
	rest        clauses  // what is asked of each
	top, bottom position // the part of the history that is searched
}

// from is the FROM and WHERE clauses that read the runs that are found in a
// part of the history; with rest, those alone that the filter picks.
func (d *search) from(top, bottom position, rest clauses) (string, []any) {
	where, args := slices.Concat(d.drive, rest, clauses{between(top, bottom)}).where()
	table := "runs INDEXED BY " + d.index
	if d.phrase != "" {
		hits, hitArgs := d.hits(top, bottom)
		table = fmt.Sprintf(`(SELECT rowid AS hit %[2]s) CROSS JOIN runs INDEXED BY runs_started
			ON started BETWEEN hit & ~%[1]d AND hit | %[1]d AND seq & %[1]d = hit & %[1]d`, textStep, hits)
		args = append(hitArgs, args...)
	}
	return table + " WHERE " + notDeleting + " AND " + where, args
}

// textStep is the lowest bits of a start that the index of texts does not
// hold: see migration 00009.
const textStep = 1<<20 - 1

// hits is the FROM and WHERE clauses of the matches in the index of texts, in
// a part of the history. It may hold a few of the runs just outside.
func (d *search) hits(top, bottom position) (string, []any) {
	last := top.started
	if top.seq == math.MinInt64 {
		last-- // no run of that instant is below top
	}
	return "FROM runs_text WHERE runs_text MATCH ? AND rowid BETWEEN ? AND ?",
		[]any{d.phrase, bottom.started &^ textStep, last | textStep}
}

// search picks the condition that leaves the fewest candidates to drive it.
func (s *Store) search(ctx context.Context, f *Filter) (*search, error) {
	top, bottom := f.span()
	var drives []search
	equals := f.equals()
	for i, e := range equals {
		d := search{index: e.index, drive: clauses{e.clause}, rest: f.unindexed(), top: top, bottom: bottom}
		for k, other := range equals {
			if k != i {
				d.rest = append(d.rest, other.clause)
			}
		}
		drives = append(drives, d)
	}
	if phrase := f.phrase(); phrase != "" {
		d := search{phrase: phrase, rest: f.unindexed(), top: top, bottom: bottom}
		for _, e := range equals {
			d.rest = append(d.rest, e.clause)
		}
		drives = append(drives, d)
	}
	switch len(drives) {
	case 0:
		return &search{index: "runs_started", rest: f.unindexed(), top: top, bottom: bottom}, nil
	case 1:
		return &drives[0], nil
	}
	best, fewest := 0, math.MaxInt
	for i := range drives {
		n, err := s.candidates(ctx, &drives[i], lookBound)
		if err != nil {
			return nil, err
		}
		if n < fewest {
			best, fewest = i, n
		}
	}
	return &drives[best], nil
}

// candidates counts a search's candidates, up to a bound.
func (s *Store) candidates(ctx context.Context, d *search, bound int) (n int, err error) {
	from, args := d.hits(d.top, d.bottom)
	if d.phrase == "" {
		from, args = d.from(d.top, d.bottom, nil)
		from = "FROM " + from
	}
	err = s.reader(ctx).QueryRowContext(ctx, `SELECT count(*) FROM (SELECT 1 `+from+` LIMIT ?)`, append(args, bound)...).Scan(&n)
	return n, err
}

// ListRuns returns up to limit runs that the filter picks, newest first, from
// a cursor on ("" for the first page). A cursor stays valid while runs come
// and go. A cursor that is none of ours is Invalid. A page that would have to
// look at too many runs ends early, with fewer than limit and a cursor.
func (s *Store) ListRuns(ctx context.Context, f Filter, cursor string, limit int) (*Page, error) {
	if limit < 1 {
		return nil, errorf(Invalid, "a page needs at least one row")
	}
	top, err := positionOf(cursor)
	if err != nil {
		return nil, err
	}
	d, err := s.search(ctx, &f)
	if err != nil {
		return nil, wrap("list runs", err)
	}
	p := &Page{}
	var next position
	if p.Runs, next, err = s.page(ctx, d, top, limit); err != nil {
		return nil, wrap("list runs", err)
	}
	if next != (position{}) {
		p.Next = next.cursor()
	}
	if cursor == "" && len(p.Runs) < limit {
		p.Total, p.More = len(p.Runs), p.Next != "" // all that was looked at
		return p, nil
	}
	p.Total, p.More, err = s.total(ctx, d)
	return p, wrap("list runs", err)
}

// EachRun calls fn for every run that the filter picks, newest first, page by
// page: no lock is held while fn runs.
func (s *Store) EachRun(ctx context.Context, f Filter, fn func(*RunRow) error) error {
	return eachPage(ctx, s, &f, wholeRuns, 1000, func(rows []RunRow) error {
		for i := range rows {
			if err := fn(&rows[i]); err != nil {
				return err
			}
		}
		return nil
	})
}

// listed is the part of a run that a list reads: its columns, their scanner,
// and the run's place in the history.
type listed[T any] struct {
	columns string
	scanner func() func(*sql.Rows) (T, error) // reads the rows of one query
	at      func(*T) position
}

var wholeRuns = listed[RunRow]{selectRow, runScanner, (*RunRow).position}

// eachPage calls fn with every run that the filter picks, newest first, by
// pages of that size: no lock is held while fn runs.
func eachPage[T any](ctx context.Context, s *Store, f *Filter, what listed[T], size int, fn func([]T) error) error {
	d, err := s.search(ctx, f)
	if err != nil {
		return wrap("each run", err)
	}
	for at := newest; ; {
		rows, next, err := pageOf(ctx, s, d, what, at, size)
		if err != nil {
			return wrap("each run", err)
		}
		if err := fn(rows); err != nil {
			return err
		}
		if next == (position{}) {
			return nil
		}
		if err := turn.Pass(ctx); err != nil {
			return wrap("each run", err)
		}
		at = next
	}
}

// page returns the runs below a position, at most limit, and where the next
// page goes on: nowhere (zero) after the last.
func (s *Store) page(ctx context.Context, d *search, top position, limit int) (rows []RunRow, next position, err error) {
	return pageOf(ctx, s, d, wholeRuns, top, limit)
}

func pageOf[T any](ctx context.Context, s *Store, d *search, what listed[T], top position, limit int) (rows []T, next position, err error) {
	if d.top.below(top) {
		top = d.top
	}
	// Steps grow, since most searches fill a page with what they look at first.
	for looked, take := 0, limit+1; ; take *= 4 {
		take = min(take, lookBound-looked)
		bottom, more, err := s.lookEnd(ctx, d, top, take)
		if err != nil {
			return nil, next, err
		}
		from, args := d.from(top, bottom, d.rest)
		got, err := runRows(ctx, s, what, from, args, limit+1-len(rows))
		if err != nil {
			return nil, next, err
		}
		rows, looked, top = append(rows, got...), looked+take, bottom
		switch {
		case len(rows) > limit:
			rows = rows[:limit]
			return rows, what.at(&rows[limit-1]), nil
		case !more:
			return rows, next, nil
		case looked >= lookBound:
			return rows, top, nil
		}
	}
}

// lookEnd returns the position just above which the first n candidates below
// top end, and whether there may be more below. Where nothing is asked of
// candidates, it is all the way: the page ends when it is full.
func (s *Store) lookEnd(ctx context.Context, d *search, top position, n int) (bottom position, more bool, err error) {
	if d.phrase == "" && len(d.rest) == 0 {
		return d.bottom, false, nil
	}
	if d.phrase != "" {
		from, args := d.hits(top, d.bottom)
		err = s.reader(ctx).QueryRowContext(ctx, `SELECT rowid `+from+` ORDER BY rowid DESC LIMIT 1 OFFSET ?`, append(args, n-1)...).Scan(&bottom.started)
		// The index of texts is in the order of starts but for the runs of one
		// step, so that whole steps are taken from it.
		bottom = position{bottom.started &^ textStep, math.MinInt64}
	} else {
		from, args := d.from(top, d.bottom, nil)
		err = s.reader(ctx).QueryRowContext(ctx, `SELECT started, seq FROM `+from+` ORDER BY started DESC, seq DESC LIMIT 1 OFFSET ?`,
			append(args, n-1)...).Scan(&bottom.started, &bottom.seq)
	}
	if errors.Is(err, sql.ErrNoRows) || err == nil && bottom.below(d.bottom) {
		return d.bottom, false, nil
	}
	return bottom, true, err
}

// total counts the runs that a search picks, and says whether there may be
// more: it counts up to TotalBound, or among countBound candidates.
func (s *Store) total(ctx context.Context, d *search) (n int, more bool, err error) {
	if d.phrase == "" && len(d.rest) == 0 {
		if n, kept, err := s.keptTotal(ctx, d); kept || err != nil {
			return n, false, err
		}
		n, err = s.candidates(ctx, d, TotalBound+1)
		return min(n, TotalBound), n > TotalBound, err
	}
	bottom, more, err := s.lookEnd(ctx, d, d.top, countBound)
	if err != nil {
		return 0, false, err
	}
	from, args := d.from(d.top, bottom, d.rest)
	err = s.reader(ctx).QueryRowContext(ctx, `SELECT count(*) FROM `+from, args...).Scan(&n)
	return n, more, err
}

// keptTotal is the number of runs that a search picks, where a count of them is
// kept: of all runs, of a device's, and of those with an outcome.
func (s *Store) keptTotal(ctx context.Context, d *search) (n int, kept bool, err error) {
	query := "SELECT coalesce(sum(n), 0) FROM counts WHERE what = 'outcome'" // every run has one
	switch {
	case d.top != newest || d.bottom != oldest:
		return 0, false, nil
	case len(d.drive) == 0:
	case d.index == "runs_device", d.index == "runs_outcome":
		query = "SELECT coalesce(sum(n), 0) FROM counts WHERE what = ? AND which = ?"
	default:
		return 0, false, nil
	}
	var args []any
	if len(d.drive) > 0 {
		args = append(args, strings.TrimPrefix(d.index, "runs_"), d.drive[0].args[0])
	}
	err = s.reader(ctx).QueryRowContext(ctx, query, args...).Scan(&n)
	return n, true, err
}

// runRows reads runs, newest first. From is what stands after FROM.
func runRows[T any](ctx context.Context, s *Store, what listed[T], from string, args []any, limit int) (out []T, err error) {
	scan := what.scanner()
	err = s.rows(ctx, `SELECT `+what.columns+` FROM `+from+` ORDER BY started DESC, seq DESC LIMIT ?`, append(args, limit),
		func(r *sql.Rows) error {
			x, err := scan(r)
			out = append(out, x)
			return err
		})
	return out, err
}

func (r *RunRow) position() position { return position{r.Started.UnixNano(), r.seq} }
