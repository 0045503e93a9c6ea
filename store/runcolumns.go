package store

import (
	"database/sql"
	"fmt"
	"strings"
	"time"

	"ohmkeep/server/derive"
	"ohmkeep/server/procedure"
)

// newRun is a run at its beginning, with what is stored of it elsewhere.
type newRun struct {
	*procedure.Record
	unit   any                      // id of its unit, nil: it has no serial number
	bodies [len(runDocuments)]int64 // ids of the snapshots of its documents
}

// runColumn is a column of the table of runs.
type runColumn struct {
	name string
	read string // what is selected in its place; empty: the column
	// begin is its value when a run begins; nil: the database has one.
	begin func(*newRun) any
	// row and head are where a list and the head of a run have it; nil: nowhere.
	row  func(*RunRow) any
	head func(*procedure.Record) any
	csv  string // heading in the history's file, which has its columns in this order; empty: not there
	wide bool   // it is in the table of results too
}

// runColumns are the columns of the table of runs: a new one is a line here,
// a field of procedure.Record, of RunRow or of both, and a migration.
var runColumns = []runColumn{
	{name: "seq", row: func(r *RunRow) any { return &r.seq }},
	{name: "id", csv: "run", wide: true,
		begin: func(r *newRun) any { return r.ID }, row: func(r *RunRow) any { return &r.ID }},
	{name: "started", csv: "started", wide: true,
		begin: func(r *newRun) any { return r.Started.UnixNano() },
		row:   func(r *RunRow) any { return storedTime{&r.Started} }, head: func(r *procedure.Record) any { return storedTime{&r.Started} }},
	{name: "ended", csv: "ended", wide: true,
		begin: func(r *newRun) any { return timeOrNull(r.Ended) },
		row:   func(r *RunRow) any { return storedTime{&r.Ended} }, head: func(r *procedure.Record) any { return storedTime{&r.Ended} }},
	{name: "device", csv: "device", wide: true,
		begin: func(r *newRun) any { return r.Device.Key }, row: func(r *RunRow) any { return &r.Device }},
	{name: "device_rev", csv: "device revision", wide: true,
		begin: func(r *newRun) any { return orNull(r.DeviceRev) },
		row:   func(r *RunRow) any { return revision{&r.DeviceRev} }, head: func(r *procedure.Record) any { return revision{&r.DeviceRev} }},
	{name: "device_name",
		begin: func(r *newRun) any { return r.Device.Name }, row: func(r *RunRow) any { return &r.DeviceName }},
	{name: "procedure", csv: "procedure", wide: true,
		begin: func(r *newRun) any { return r.Procedure.Key }, row: func(r *RunRow) any { return &r.Procedure }},
	{name: "procedure_rev", csv: "procedure revision", wide: true,
		begin: func(r *newRun) any { return orNull(r.ProcRev) },
		row:   func(r *RunRow) any { return revision{&r.ProcRev} }, head: func(r *procedure.Record) any { return revision{&r.ProcRev} }},
	{name: "procedure_name",
		begin: func(r *newRun) any { return r.Procedure.Name }, row: func(r *RunRow) any { return &r.ProcedureName }},
	{name: "unit", begin: func(r *newRun) any { return r.unit }},
	{name: "serial", csv: "serial", wide: true,
		begin: func(r *newRun) any { return r.Unit.Serial },
		row:   func(r *RunRow) any { return &r.Unit.Serial }, head: func(r *procedure.Record) any { return &r.Unit.Serial }},
	{name: "lot", csv: "lot", wide: true,
		begin: func(r *newRun) any { return r.Unit.Lot },
		row:   func(r *RunRow) any { return &r.Unit.Lot }, head: func(r *procedure.Record) any { return &r.Unit.Lot }},
	{name: "outcome", csv: "outcome", wide: true,
		begin: func(r *newRun) any { return r.Outcome },
		row:   func(r *RunRow) any { return &r.Outcome }, head: func(r *procedure.Record) any { return &r.Outcome }},
	{name: "status", csv: "status", wide: true,
		begin: func(r *newRun) any { return r.Status },
		row:   func(r *RunRow) any { return &r.Status }, head: func(r *procedure.Record) any { return &r.Status }},
	{name: "reason", csv: "reason",
		begin: func(r *newRun) any { return r.Reason },
		row:   func(r *RunRow) any { return &r.Reason }, head: func(r *procedure.Record) any { return &r.Reason }},
	{name: "operator", csv: "operator",
		begin: func(r *newRun) any { return r.Operator },
		row:   func(r *RunRow) any { return &r.Operator }, head: func(r *procedure.Record) any { return &r.Operator }},
	{name: "bench", csv: "bench",
		begin: func(r *newRun) any { return r.Bench.Key }, row: func(r *RunRow) any { return &r.Bench }},
	{name: "rehearsal", csv: "rehearsal", wide: true,
		begin: func(r *newRun) any { return r.Rehearsal },
		row:   func(r *RunRow) any { return &r.Rehearsal }, head: func(r *procedure.Record) any { return &r.Rehearsal }},
	{name: "manual", csv: "kept by hand",
		begin: func(r *newRun) any { return r.Manual },
		row:   func(r *RunRow) any { return &r.Manual }, head: func(r *procedure.Record) any { return &r.Manual }},
	{name: "readings", read: runReadings, csv: "readings",
		row: func(r *RunRow) any { return &r.Readings }, head: func(r *procedure.Record) any { return &r.Readings }},
	{name: "note", csv: "note",
		begin: func(r *newRun) any { return r.Note },
		row:   func(r *RunRow) any { return &r.Note }, head: func(r *procedure.Record) any { return &r.Note }},
	{name: "identity",
		begin: func(r *newRun) any { return asJSON{r.Identity} }, head: func(r *procedure.Record) any { return asJSON{&r.Identity} }},
	{name: "seated",
		begin: func(r *newRun) any { return asJSON{r.Seated} }, head: func(r *procedure.Record) any { return rawJSON{&r.Seated} }},
	{name: "lists", begin: func(r *newRun) any { return r.lists() }},
	{name: "device_body", begin: func(r *newRun) any { return r.bodies[0] }},
	{name: "procedure_body", begin: func(r *newRun) any { return r.bodies[1] }, row: func(r *RunRow) any { return &r.body }},
	{name: "pin_map_body", begin: func(r *newRun) any { return r.bodies[2] }},
	{name: "bench_body", begin: func(r *newRun) any { return r.bodies[3] }},
}

// runDocuments are the documents that a run was made with, by the column that
// refers to the snapshot of each.
var runDocuments = [...]struct {
	column string
	of     func(*procedure.Record) any
}{
	{"device_body", func(r *procedure.Record) any { return &r.Device }},
	{"procedure_body", func(r *procedure.Record) any { return &r.Procedure }},
	{"pin_map_body", func(r *procedure.Record) any { return &r.PinMap }},
	{"bench_body", func(r *procedure.Record) any { return &r.Bench }},
}

// runLists are the lists of a run. Each has a table of its own, as JSON,
// because most runs have none.
var runLists = [...]struct {
	table, column string
	of            func(*procedure.Record) any
}{
	{"acknowledged", "findings", func(r *procedure.Record) any { return &r.Acknowledged }},
	{"confirmed", "items", func(r *procedure.Record) any { return &r.Confirmed }},
}

// lists says which of its lists a run has rows for, one bit each.
func (r *newRun) lists() (bits int64) {
	for i, n := range [len(runLists)]int{len(r.Acknowledged), len(r.Confirmed)} {
		if n > 0 {
			bits |= 1 << i
		}
	}
	return bits
}

// SQL made of the columns.
var (
	insertRun = func() string {
		var names []string
		for _, c := range runColumns {
			if c.begin != nil {
				names = append(names, c.name)
			}
		}
		return "INSERT INTO runs (" + strings.Join(names, ", ") + ") VALUES (" + strings.Repeat("?, ", len(names)-1) + "?)"
	}()
	selectRow  = selected(func(c *runColumn) bool { return c.row != nil }) + ", results_sum, " + soundSQL("runs")
	selectHead = func() string {
		from := "runs"
		columns := soundSQL("runs")
		joined := ""
		for i, d := range runDocuments {
			columns += " AND " + soundAs("snapshots", fmt.Sprintf("d%d", i))
			joined += fmt.Sprintf(", d%d.id, d%d.hash", i, i)
			from += fmt.Sprintf(" JOIN snapshots d%d ON d%d.id = %s", i, i, d.column)
		}
		for i, l := range runLists {
			columns += fmt.Sprintf(" AND (%s.run IS NULL OR %s)", l.table, soundSQL(l.table))
			columns += fmt.Sprintf(" AND (runs.lists IS NULL OR (runs.lists >> %d & 1) = (%s.run IS NOT NULL))", i, l.table)
			joined += ", " + l.column
			from += fmt.Sprintf(" LEFT JOIN %s ON %s.run = runs.id", l.table, l.table)
		}
		columns += " AND (origins.run IS NULL OR " + soundSQL("origins") + ")"
		joined += ", origins.body"
		from += " LEFT JOIN origins ON origins.run = runs.seq"
		columns += ", " + selected(func(c *runColumn) bool { return c.head != nil }) + joined
		return "SELECT " + columns + " FROM " + from + " WHERE runs.id = ? AND " + notDeleting
	}()
)

// selected lists what is selected of the columns that pick picks.
func selected(pick func(*runColumn) bool) string {
	var out []string
	for i := range runColumns {
		switch c := &runColumns[i]; {
		case !pick(c):
		case c.read != "":
			out = append(out, c.read)
		default:
			out = append(out, "runs."+c.name)
		}
	}
	return strings.Join(out, ", ")
}

// beginning returns the values of insertRun.
func (r *newRun) beginning() (values []any) {
	for _, c := range runColumns {
		if c.begin != nil {
			values = append(values, c.begin(r))
		}
	}
	return values
}

// runScanner returns what reads rows of selectRow, one after the other. Where
// the columns go is made once: every row is read into the same place.
func runScanner() func(*sql.Rows) (RunRow, error) {
	var x RunRow
	into := make([]any, 0, len(runColumns))
	for i := range runColumns {
		if c := &runColumns[i]; c.row != nil {
			into = append(into, c.row(&x))
		}
	}
	var sound bool
	into = append(into, &x.sum, &sound)
	return func(rows *sql.Rows) (RunRow, error) {
		switch err := rows.Scan(into...); {
		case err == nil && sound:
			return x, nil
		case err != nil && rows.Err() == nil: // a value that is not of its column's type
			x = RunRow{}
			if err := anyValues(rows, len(into), map[int]any{0: &x.seq, 1: &x.ID, 2: storedTime{&x.Started}}); err != nil {
				return x, err
			}
		}
		return x.damaged(), nil
	}
}

// anyValues reads a row whose values may be of any type, and keeps of some
// columns what can be read.
func anyValues(rows *sql.Rows, n int, keep map[int]any) error {
	values, into := make([]any, n), make([]any, n)
	for i := range values {
		into[i] = &values[i]
	}
	if err := rows.Scan(into...); err != nil {
		return err
	}
	for i, place := range keep {
		switch place := place.(type) {
		case *int64:
			*place, _ = values[i].(int64)
		case *string:
			*place, _ = values[i].(string)
		case sql.Scanner:
			if n, ok := values[i].(int64); ok {
				_ = place.Scan(n)
			}
		}
	}
	return nil
}

// scanHead reads the columns of selectHead; made receives the references to
// the snapshots of the run's documents, sound whether all that belongs to the
// head fits its seals.
func scanHead(row *sql.Row, r *procedure.Record, made *[len(runDocuments)]snapshotRef, sound *bool) error {
	into := []any{sound}
	for _, c := range runColumns {
		if c.head != nil {
			into = append(into, c.head(r))
		}
	}
	for i := range made {
		into = append(into, &made[i].id, &made[i].hash)
	}
	for _, l := range runLists {
		into = append(into, asJSON{l.of(r)})
	}
	into = append(into, asJSON{&r.Origins})
	return row.Scan(into...)
}

// runCell writes a column of a run as a cell.
func (c *csvWriter) runCell(column *runColumn, r *RunRow) {
	switch v := column.row(r).(type) {
	case *string:
		c.text(*v)
	case *derive.Outcome:
		c.text(string(*v))
	case *procedure.Status:
		c.text(string(*v))
	case *bool:
		c.yes(*v)
	case *int64:
		c.integer(*v)
	case storedTime:
		c.time(*v.Time)
	case revision:
		if *v.n == 0 {
			c.text("") // it was never stored
			return
		}
		c.integer(int64(*v.n))
	default:
		panic(fmt.Sprintf("store: column %s of runs is a %T, which has no cell", column.name, v))
	}
}

// storedTime reads a time from Unix nanoseconds, zero from NULL.
type storedTime struct{ *time.Time }

func (t storedTime) Scan(v any) error {
	var ns sql.NullInt64
	err := ns.Scan(v)
	*t.Time = timeOfNull(ns)
	return err
}

// revision reads a revision number, 0 from NULL.
type revision struct{ n *int }

func (r revision) Scan(v any) error {
	var n sql.NullInt64
	err := n.Scan(v)
	*r.n = int(n.Int64)
	return err
}
