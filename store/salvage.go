package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
)

// Salvaged is what was brought over from a damaged database.
type Salvaged struct {
	Rows    int64    // copied
	Lost    []string // tables of which something could not be read
	Checked *Checked // of the new database
}

// madeAnew are the tables that the new database fills by itself, by its triggers
// and its migrations.
var madeAnew = []string{"counts", "lots", "lot_units", "deleting", "pictures", "unsealed", "access_changes", "goose_db_version"}

// Salvage makes a new database at to of every row that can still be read of a
// damaged one, which nobody uses meanwhile: indexes, counts and pictures are made
// anew. Seals come over as they are, so that what is damaged stays damaged; a run
// that was being deleted comes back with what is left of it. It fails where the
// file's schema cannot be read.
func Salvage(ctx context.Context, from, to string) (_ *Salvaged, err error) {
	s, err := Open(ctx, to, Options{})
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	conn, err := s.write.Conn(ctx)
	if err != nil {
		return nil, wrap("salvage", err)
	}
	salvaged, err := salvage(ctx, conn, from)
	if err = errors.Join(err, conn.Close()); err != nil {
		return nil, wrap("salvage", err)
	}
	salvaged.Checked, err = s.Check(ctx, nil)
	return salvaged, err
}

func salvage(ctx context.Context, conn *sql.Conn, from string) (out *Salvaged, err error) {
	out = &Salvaged{}
	for _, query := range []string{"PRAGMA foreign_keys = 0", "PRAGMA synchronous = 0", "ATTACH 'file:" + strings.ReplaceAll(escaped(from), "'", "''") + "?mode=ro' AS old"} {
		if _, err := conn.ExecContext(ctx, query); err != nil {
			return nil, err
		}
	}
	defer func() {
		for _, query := range []string{"DETACH old", "PRAGMA synchronous = 2", "PRAGMA foreign_keys = 1"} {
			_, e := conn.ExecContext(ctx, query)
			err = errors.Join(err, e)
		}
	}()
	var tables []string
	err = each(ctx, conn, `SELECT name FROM main.sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%' AND name NOT LIKE 'runs_text%' ORDER BY rowid`,
		nil, func(r *sql.Rows) error {
			var name string
			err := r.Scan(&name)
			tables = append(tables, name)
			return err
		})
	if err != nil {
		return nil, err
	}
	for _, table := range tables {
		if slices.Contains(madeAnew, table) {
			continue
		}
		c := &copier{ctx: ctx, conn: conn, table: table, out: out}
		if err := c.copy(); err != nil {
			return nil, fmt.Errorf("%s: %w", table, err)
		}
	}
	// What old rows without a seal there are is said by the old database, where it
	// can be read.
	_, err = conn.ExecContext(ctx, "UPDATE main.unsealed SET runs = coalesce((SELECT runs FROM old.unsealed), 0)")
	if isDamage(err) {
		out.lost("unsealed")
		err = nil
	}
	return out, err
}

// escaped is a path as part of a URI.
func escaped(path string) string {
	return strings.NewReplacer("%", "%25", "?", "%3f", "#", "%23").Replace(path)
}

func (s *Salvaged) lost(table string) {
	if !slices.Contains(s.Lost, table) {
		s.Lost = append(s.Lost, table)
	}
}

// copier copies one table.
type copier struct {
	ctx   context.Context
	conn  *sql.Conn
	table string
	from  string // its columns in the damaged database
	to    string // the same columns in the new one, in the same order
	out   *Salvaged
}

// copy copies a table at once, or, where that fails, each row that can be read.
func (c *copier) copy() error {
	from, err := c.columnsOf("old")
	if err != nil || len(from) == 0 {
		c.out.lost(c.table)
		return nil
	}
	to, err := c.columnsOf("main")
	if err != nil {
		return err
	}
	c.from, c.to = quoted(from), quoted(places(from, to))
	n, err := c.rows("TRUE")
	if err == nil {
		c.out.Rows += n
		return nil
	}
	if !c.notThere(err) {
		return err
	}
	c.out.lost(c.table)
	return c.rowByRow()
}

// columnsOf are the names of the table's columns in one of the two databases.
func (c *copier) columnsOf(database string) (names []string, err error) {
	err = each(c.ctx, c.conn, "SELECT name FROM pragma_table_info(?, ?)", []any{c.table, database}, func(r *sql.Rows) error {
		var name string
		err := r.Scan(&name)
		names = append(names, name)
		return err
	})
	return names, err
}

// places are the columns of a new table that those of a damaged one go to: of the
// same name, or, where a name is damaged, at the same place. Seals tell whether what
// stands there was stored there.
func places(from, to []string) []string {
	out := slices.Clone(from)
	if len(from) != len(to) {
		return out
	}
	for i, name := range from {
		if !slices.Contains(to, name) && !slices.Contains(from, to[i]) {
			out[i] = to[i]
		}
	}
	return out
}

// quoted is a list of columns in SQL, whatever is in their names.
func quoted(names []string) string {
	out := make([]string, len(names))
	for i, name := range names {
		out[i] = `"` + strings.ReplaceAll(name, `"`, `""`) + `"`
	}
	return strings.Join(out, ", ")
}

// notThere reports whether an error says that what is read is damaged: it cannot
// be read, or stands in the way of another row.
func (c *copier) notThere(err error) bool {
	code := CodeOf(wrap("", err))
	return isDamage(err) || code == Conflict || code == Invalid || strings.Contains(err.Error(), "constraint")
}

// rows copies the rows that a condition picks.
func (c *copier) rows(where string) (int64, error) {
	r, err := c.conn.ExecContext(c.ctx, fmt.Sprintf("INSERT INTO main.%[1]s (%[2]s) SELECT %[3]s FROM old.%[1]s NOT INDEXED WHERE %[4]s", c.table, c.to, c.from, where))
	if err != nil {
		return 0, err
	}
	return r.RowsAffected()
}

// gapMost is the number of row numbers in a row that are tried after one that
// cannot be read: more than a lost page of the file holds.
const gapMost = 4096

// rowByRow copies the rows of a table one by one, by their numbers.
func (c *copier) rowByRow() error {
	for next, missed := int64(1), 0; missed < gapMost; next++ {
		if err := c.ctx.Err(); err != nil {
			return err
		}
		n, err := c.rows(fmt.Sprint("rowid = ", next))
		switch {
		case err == nil && n > 0:
			c.out.Rows, missed = c.out.Rows+n, 0
		case err != nil && !c.notThere(err):
			return err
		case err != nil && strings.Contains(err.Error(), "no such column: rowid"):
			return nil // its rows have no numbers: it is of keys alone
		default:
			missed++
			if further, ok := c.further(next); ok {
				next, missed = further-1, 0
			}
		}
	}
	return nil
}

// further returns the number of the next row, where that can be read.
func (c *copier) further(after int64) (next int64, ok bool) {
	err := c.conn.QueryRowContext(c.ctx, "SELECT rowid FROM old."+c.table+" NOT INDEXED WHERE rowid > ? ORDER BY rowid LIMIT 1", after).Scan(&next)
	return next, err == nil
}
