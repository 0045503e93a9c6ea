package store

import (
	"context"
	"database/sql"
	"fmt"
	"slices"
	"time"

	"ohmkeep/server/derive"
	"ohmkeep/server/turn"
)

// Finding is one thing that a check of the database found damaged.
type Finding struct {
	Subject string `json:"subject"` // "run 01a2…", "device tarnel-6, revision 2", "the file"
	What    string `json:"what"`
}

// Checked is the outcome of a check of the whole database: what was read, and
// what of it is damaged.
type Checked struct {
	At        time.Time     `json:"at"`
	Took      time.Duration `json:"took"` // nanoseconds
	Runs      int64         `json:"runs"`
	Results   int64         `json:"results"`
	Readings  int64         `json:"readings"`
	Documents int64         `json:"documents"`
	Events    int64         `json:"events"`
	Findings  []Finding     `json:"findings"`
	More      int           `json:"more,omitempty"` // findings beyond the first thousand
}

// CheckProgress is how far a check has come.
type CheckProgress struct {
	Stage       string `json:"stage"` // "documents", "runs", …
	Done, Total int64  // of the stage
}

// findingsMost is the number of findings that a check lists; the rest is
// counted.
const findingsMost = 1000

// checker is a check at work.
type checker struct {
	store *Store
	out   Checked
	say   func(CheckProgress)
}

// Check reads everything that is kept, and holds it against its checksums: the
// file itself, documents with their revisions, runs with their results, budgets
// and readings, and the chain of the log. It waits for its turn as a report does,
// and holds no lock for long. What is damaged is a finding, no error.
func (s *Store) Check(ctx context.Context, say func(CheckProgress)) (*Checked, error) {
	if say == nil {
		say = func(CheckProgress) {}
	}
	c := &checker{store: s, out: Checked{At: s.now()}, say: say}
	for _, stage := range []func(context.Context) error{c.file, c.documents, c.runs, c.events, c.revoked, c.counts} {
		if err := stage(ctx); err != nil {
			return nil, err
		}
	}
	c.out.Took = s.now().Sub(c.out.At)
	return &c.out, nil
}

// found notes a finding.
func (c *checker) found(subject, format string, args ...any) {
	f := Finding{subject, fmt.Sprintf(format, args...)}
	switch {
	case slices.Contains(c.out.Findings, f):
	case len(c.out.Findings) < findingsMost:
		c.out.Findings = append(c.out.Findings, f)
	default:
		c.out.More++
	}
}

// damage turns an error that is damage into a finding; every other ends the
// check.
func (c *checker) damage(subject string, err error) error {
	if isDamage(err) {
		c.found(subject, "%v", wrap("check", err))
		return nil
	}
	return err
}

// named are the tables that are checked row by row, with how a row is called:
// an SQL expression.
var named = []struct{ table, called string }{
	{"devices", "'device ' || key"}, {"device_revisions", "'device ' || key || ', revision ' || rev"},
	{"benches", "'bench ' || key"}, {"bench_revisions", "'bench ' || key || ', revision ' || rev"},
	{"procedures", "'procedure ' || key"}, {"procedure_revisions", "'procedure ' || key || ', revision ' || rev"},
	{"pin_maps", "'pin map ' || key"}, {"pin_map_revisions", "'pin map ' || key || ', revision ' || rev"},
	{"persons", "'person ' || name"}, {"identities", "'the single sign-on of person ' || person"}, {"sessions", "'browser ' || id"},
	{"tokens", "'token ' || name || ', number ' || id"}, {"invitations", "'invitation ' || id"}, {"shares", "'share link ' || id || ' to ' || kind || ' ' || subject"},
	{"units", "'unit ' || serial || ' of device ' || device"},
	{"seatings", "'what was seated on bench ' || bench"},
	{"bench_checks", "'check ' || id || ' of bench ' || bench"},
	{"corrections", "'corrections ' || revision || ' of bench ' || bench"},
	{"acknowledged", "'what was acknowledged for run ' || run"}, {"confirmed", "'what was confirmed for run ' || run"},
	{"origins", "'where run number ' || run || ' is from'"},
	{"snapshots", "'what runs were made with, number ' || id"},
}

// documents checks documents and all that is kept as one row.
func (c *checker) documents(ctx context.Context) error {
	for i, n := range named {
		c.say(CheckProgress{"documents", int64(i), int64(len(named))})
		err := c.store.rows(ctx, "SELECT "+n.called+", "+soundSQL(n.table)+" FROM "+n.table+" NOT INDEXED", nil, func(r *sql.Rows) error {
			var called string
			var sound bool
			if err := r.Scan(&called, &sound); err != nil || !sound {
				c.found(called, "what the disk has is not what was stored (%s)", n.table)
				return nil
			}
			c.out.Documents++
			return nil
		})
		if err := c.damage("the table "+n.table, err); err != nil {
			return wrap("check", err)
		}
		if err := turn.Pass(ctx); err != nil {
			return err
		}
	}
	return c.latestRevisions(ctx)
}

// latestRevisions looks for documents whose latest revision is missing.
func (c *checker) latestRevisions(ctx context.Context) error {
	for _, k := range documentTables {
		err := c.store.rows(ctx, "SELECT h.key FROM "+k.heads+" h WHERE NOT EXISTS (SELECT 1 FROM "+k.revisions+" r WHERE r.key = h.key AND r.rev = h.rev)",
			nil, func(r *sql.Rows) error {
				var key string
				_ = r.Scan(&key) // damaged, too
				c.found(k.heads+" "+key, "its latest revision is missing")
				return nil
			})
		if err := c.damage("the table "+k.heads, err); err != nil {
			return wrap("check", err)
		}
	}
	return nil
}

// events checks the chain of the log.
func (c *checker) events(ctx context.Context) error {
	const subject = "the log of who did what"
	var last int64
	err := c.store.rows(ctx, selectEvents+" ORDER BY e.id", nil, func(r *sql.Rows) error {
		e, err := scanEvent(r)
		if err != nil {
			return err
		}
		if e.ID != last+1 {
			c.found(subject, "lines %d to %d are missing", last+1, e.ID-1)
		}
		if e.Broken {
			c.found(subject, "line %d is not what was written, or the one before is not", e.ID)
		}
		last = e.ID
		c.out.Events++
		return nil
	})
	var written sql.NullInt64
	if err == nil {
		err = c.store.reader(ctx).QueryRowContext(ctx, "SELECT max(seq) FROM sqlite_sequence WHERE name = 'events'").Scan(&written)
		if err == nil && written.Int64 != last {
			c.found(subject, "its last lines are missing: %d were written, the last that is there is %d", written.Int64, last)
		}
	}
	return wrap("check", c.damage(subject, err))
}

// counts holds the kept counts against the rows.
func (c *checker) counts(ctx context.Context) error {
	want, got, err := c.store.CountAgain(ctx)
	if err == nil && want != got {
		c.found("the counts of runs", "they are not those of the runs that are there")
	}
	return wrap("check", c.damage("the counts of runs", err))
}

// file has SQLite check its file, table by table with the indexes of each.
func (c *checker) file(ctx context.Context) error {
	var tables []string
	err := c.store.rows(ctx, "SELECT name FROM sqlite_schema WHERE type = 'table' AND rootpage > 0 ORDER BY name", nil, func(r *sql.Rows) error {
		var name string
		err := r.Scan(&name)
		tables = append(tables, name)
		return err
	})
	if err := c.damage("the file", err); err != nil {
		return wrap("check", err)
	}
	for i, table := range tables {
		c.say(CheckProgress{"file", int64(i), int64(len(tables))})
		err := c.store.rows(ctx, `PRAGMA integrity_check("`+table+`")`, nil, func(r *sql.Rows) error {
			var line string
			if err := r.Scan(&line); err != nil {
				return err
			}
			if line != "ok" {
				c.found("the table "+table, "%s", line)
			}
			return nil
		})
		if err := c.damage("the table "+table, err); err != nil {
			return wrap("check", err)
		}
		if err := turn.Pass(ctx); err != nil {
			return err
		}
	}
	return c.references(ctx)
}

// references looks for rows that refer to nothing.
func (c *checker) references(ctx context.Context) error {
	err := c.store.rows(ctx, "SELECT \"table\", coalesce(rowid, 0), parent FROM pragma_foreign_key_check", nil, func(r *sql.Rows) error {
		var table, parent string
		var row int64
		if err := r.Scan(&table, &row, &parent); err != nil {
			return err
		}
		c.found("the table "+table, "row %d refers to nothing in %s", row, parent)
		return nil
	})
	return wrap("check", c.damage("the file", err))
}

// runs checks every run with all that belongs to it.
func (c *checker) runs(ctx context.Context) error {
	var last, total int64
	err := c.store.reader(ctx).QueryRowContext(ctx, "SELECT coalesce(max(seq), 0) FROM sqlite_sequence WHERE name = 'runs'").Scan(&total)
	if err := c.damage("the runs", err); err != nil {
		return wrap("check", err)
	}
	for last < total {
		c.say(CheckProgress{"runs", last, total})
		next, err := c.runsFrom(ctx, last)
		switch {
		case err == nil && next == last:
			return nil // none is left
		case err == nil:
			last = next
		case c.damage("the table runs", err) != nil:
			return err
		default:
			last = c.pastDamage(ctx, last, total)
		}
	}
	return nil
}

// runsFrom checks a block of runs after a number, and returns the last number.
func (c *checker) runsFrom(ctx context.Context, after int64) (last int64, err error) {
	last = after
	var ids []string
	err = c.store.rows(ctx, "SELECT seq, id FROM runs NOT INDEXED WHERE seq > ? AND seq NOT IN (SELECT run FROM deleting) ORDER BY seq LIMIT 50",
		[]any{after}, func(r *sql.Rows) error {
			var id string
			if err := r.Scan(&last, &id); err != nil {
				c.found("the runs", "the name of a run after number %d cannot be read", last)
				last++
				return nil
			}
			ids = append(ids, id)
			return nil
		})
	for _, id := range ids {
		if err == nil {
			err = c.run(ctx, id)
		}
		if err == nil {
			err = turn.Pass(ctx)
		}
	}
	return last, err
}

// pastDamage returns the number before the next run that can be read after a
// damaged page of the file.
func (c *checker) pastDamage(ctx context.Context, last, total int64) int64 {
	for last++; last < total; last++ {
		var seq int64
		if c.store.reader(ctx).QueryRowContext(ctx, "SELECT seq FROM runs NOT INDEXED WHERE seq = ?", last+1).Scan(&seq) == nil {
			return last
		}
	}
	return total
}

// run checks one run.
func (c *checker) run(ctx context.Context, id string) error {
	ctx = From(ctx, Pages) // its queries are short, and have a limit
	subject := "run " + id
	c.out.Runs++
	r, err := c.store.GetRun(ctx, id)
	if CodeOf(err) == NotFound {
		return c.unfound(ctx, id)
	}
	if err := c.damage(subject, err); err != nil {
		return err
	}
	results, err := c.store.Budgets(ctx, id)
	if err := c.damage(subject, err); err != nil {
		return err
	}
	for i := range results {
		c.out.Results++
		switch x := &results[i]; {
		case x.Outcome == derive.Damaged:
			c.found(subject, "%s: %s", x.Name, x.Note)
		case budgetDamaged(x):
			c.found(subject, "%s: %s", x.Name, damagedBudget)
		}
	}
	var n int64
	whole := true
	err = c.store.WholeReadings(ctx, id, AllMeasurements, 0, func(_ int64, cols *Columns) error {
		n += int64(cols.Len())
		return nil
	}, func(g Gap) error {
		whole = false
		c.found(subject, "%s", g.Of())
		return nil
	})
	c.out.Readings += n
	if err == nil && whole && r != nil && !r.Ended.IsZero() && n != r.Readings {
		c.found(subject, "it has %d readings and says that it has %d", n, r.Readings)
	}
	if err := c.damage(subject, err); err != nil {
		return err
	}
	return c.extras(ctx, id)
}

// extras checks what only some runs have.
func (c *checker) extras(ctx context.Context, id string) error {
	has, err := c.store.HasTraffic(ctx, id)
	if err == nil && has {
		_, err = c.store.Traffic(ctx, id)
	}
	if err := c.damage("run "+id, err); err != nil {
		return err
	}
	err = c.store.rows(ctx, "SELECT measurement FROM pictures JOIN runs ON runs.seq = run WHERE runs.id = ? AND NOT "+soundSQL("pictures"), []any{id},
		func(r *sql.Rows) error {
			c.found("run "+id, "a picture is damaged; it will be made anew")
			return nil
		})
	return wrap("check", c.damage("run "+id, err))
}

// unfound tells a run that has been deleted meanwhile from one that only the
// table has and its index not.
func (c *checker) unfound(ctx context.Context, id string) error {
	var there bool
	err := c.store.reader(ctx).QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM runs NOT INDEXED WHERE id = ? AND "+notDeleting+")", id).Scan(&there)
	if err == nil && there {
		c.found("run "+id, "it is there and is not found: an index is damaged")
	}
	return wrap("check", c.damage("run "+id, err))
}
