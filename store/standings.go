package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"strings"
	"sync"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
	"ohmkeep/server/standing"
)

// checksKept is what is known of the checks of each bench, so that what stands
// behind a run costs no query: it is read once and taken in with each check that
// is stored.
type checksKept struct {
	mu     sync.Mutex
	checks map[string]map[string]standing.Check // by bench and id
	lines  map[string]*standing.Timeline        // by bench; none: to be made of the checks
}

// stored takes in a check that was stored, where the others of its bench are known.
func (k *checksKept) stored(benchKey string, c standing.Check) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if of, known := k.checks[benchKey]; known {
		of[c.ID] = c
		delete(k.lines, benchKey)
	}
}

// Timeline is the checks of a bench in the order of time. It must not be changed.
func (s *Store) Timeline(ctx context.Context, benchKey string) (*standing.Timeline, error) {
	k := &s.benchChecks
	k.mu.Lock()
	defer k.mu.Unlock() // held while they are read, so that none is stored in between
	if line := k.lines[benchKey]; line != nil {
		return line, nil
	}
	if k.lines == nil {
		k.lines, k.checks = map[string]*standing.Timeline{}, map[string]map[string]standing.Check{}
	}
	if k.checks[benchKey] == nil {
		all, err := s.allChecks(ctx, benchKey)
		if err != nil {
			return nil, err
		}
		k.checks[benchKey] = all
	}
	var list []standing.Check
	for _, c := range k.checks[benchKey] {
		list = append(list, c)
	}
	k.lines[benchKey] = standing.NewTimeline(list)
	return k.lines[benchKey], nil
}

func (s *Store) allChecks(ctx context.Context, benchKey string) (map[string]standing.Check, error) {
	out := map[string]standing.Check{}
	err := s.rows(ctx, checkColumns+"bench = ?", []any{benchKey}, func(r *sql.Rows) error {
		c, err := s.scanCheck(r.Scan)
		if err != nil {
			return err
		}
		if c.Damaged != "" {
			out[c.ID] = standing.Check{ID: c.ID, At: c.At, Damaged: true}
			return nil
		}
		out[c.ID] = standing.CheckOf(c.Record, c.At)
		return nil
	})
	return out, wrap("checks of a bench", err)
}

// Standings answers what stands behind runs of lists, one after the other. What
// runs have in common is worked out once. It is used by one goroutine at a time.
type Standings struct {
	store *Store
	// Fresh is how long a step of a check speaks for the runs after it; 0:
	// standing.Fresh.
	Fresh time.Duration
	// Demo is the operator of the demonstration's runs, which are measured on a
	// bench that is drawn for them.
	Demo     string
	identity string // that serial was read of
	serial   string
	built    map[int64]string // sums of definitions, by snapshot
	uses     map[[4]int64]*procedure.BenchUse
}

// NewStandings begins a list.
func (s *Store) NewStandings() *Standings {
	return &Standings{store: s, built: map[int64]string{}, uses: map[[4]int64]*procedure.BenchUse{}}
}

// Mark fills the badge of a run in.
func (q *Standings) Mark(ctx context.Context, r *RunRow) error {
	st, err := q.Of(ctx, r)
	r.Badge = st.Badge
	return err
}

// Why checks do not speak of a run.
const (
	apartDamaged = "What is stored of this run is damaged, so no check can be said to stand behind it."
	apartDemo    = "A run of the demonstration: it was measured on a bench that was drawn for it, which nobody has checked."
	apartBrought = "This run was brought from another server; checks of its bench stay there."
)

// Of is what stands behind a run of a list.
func (q *Standings) Of(ctx context.Context, r *RunRow) (standing.Standing, error) {
	run := standing.Run{Started: r.Started}
	run.Apart = q.apart(r.Status, r.Operator, r.Brought != nil)
	if run.Apart == "" {
		if r.identity != q.identity {
			var of bench.Identity
			if err := json.Unmarshal([]byte(r.identity), &of); err != nil {
				return standing.Standing{}, wrap("identity of a bench", err)
			}
			// The row's text is used again by the driver's next row.
			q.identity, q.serial = strings.Clone(r.identity), of.Serial
		}
		run.Serial = q.serial
	}
	line, err := q.line(ctx, r.Bench, run.Apart)
	if err != nil {
		return standing.Standing{}, err
	}
	if run.Apart == "" {
		if run.Built, err = q.builtOf(ctx, r.made[2]); err != nil {
			return standing.Standing{}, err
		}
	}
	run.Use = func() (*procedure.BenchUse, error) { return q.useOf(ctx, r) }
	return line.Of(&run, q.Fresh)
}

// OfRecord is what stands behind a run of which the whole head is known.
func (q *Standings) OfRecord(ctx context.Context, rec *procedure.Record) (standing.Standing, error) {
	run := standing.Run{Started: rec.Started, Serial: rec.Identity.Serial, Built: rec.Bench.Built(),
		Apart: q.apart(rec.Status, rec.Operator, len(rec.Origins) > 0),
		Use:   func() (*procedure.BenchUse, error) { return procedure.BenchUseOf(rec), nil }}
	line, err := q.line(ctx, rec.Bench.Key, run.Apart)
	if err != nil {
		return standing.Standing{}, err
	}
	return line.Of(&run, q.Fresh)
}

func (q *Standings) apart(status procedure.Status, operator string, brought bool) string {
	switch {
	case status == procedure.Damaged:
		return apartDamaged
	case q.Demo != "" && operator == q.Demo:
		return apartDemo
	case brought:
		return apartBrought
	}
	return ""
}

func (q *Standings) line(ctx context.Context, benchKey, apart string) (*standing.Timeline, error) {
	if apart != "" {
		return standing.NewTimeline(nil), nil
	}
	return q.store.Timeline(ctx, benchKey)
}

// builtOf is the sum of a run's bench, by its snapshot; "" where that is damaged.
func (q *Standings) builtOf(ctx context.Context, id int64) (string, error) {
	sum, known := q.built[id]
	if known {
		return sum, nil
	}
	var def bench.Definition
	some, err := q.snapshot(ctx, id, &def)
	if err != nil {
		return "", err
	}
	if some {
		sum = def.Built()
	}
	q.built[id] = sum
	return sum, nil
}

// useOf is what a run uses of its bench; where a document that it was made with is
// damaged, all that is not known counts.
func (q *Standings) useOf(ctx context.Context, r *RunRow) (*procedure.BenchUse, error) {
	key := [4]int64{r.made[0], r.body, r.made[1], r.made[2]}
	if u := q.uses[key]; u != nil {
		return u, nil
	}
	rec := procedure.Record{}
	whole := true
	for i, into := range []any{&rec.Device, &rec.Procedure, &rec.PinMap, &rec.Bench} {
		some, err := q.snapshot(ctx, key[i], into)
		if err != nil {
			return nil, err
		}
		whole = whole && some
	}
	u := procedure.BenchUseOf(&rec)
	if !whole {
		u = procedure.WholeBench(&rec.Bench)
	}
	q.uses[key] = u
	return u, nil
}

// snapshot reads a document that runs were made with, and reports whether it is
// whole.
func (q *Standings) snapshot(ctx context.Context, id int64, into any) (bool, error) {
	ref := snapshotRef{id: id}
	err := q.store.reader(ctx).QueryRowContext(ctx, "SELECT hash FROM snapshots WHERE id = ?", id).Scan(&ref.hash)
	if err == nil {
		err = q.store.readSnapshot(ctx, ref, into)
	}
	if err == nil {
		return true, nil
	}
	if CodeOf(err) == Corrupt || errors.Is(err, sql.ErrNoRows) {
		return false, nil
	}
	return false, wrap("what a run was made with", err)
}
