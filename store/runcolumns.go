package store

import (
	"database/sql"
	"fmt"
	"strings"
	"time"

	"ohmkeep/server/derive"
	"ohmkeep/server/procedure"
	"ohmkeep/server/standing"
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
	// beside says that it is none of the table's own, but read of where the run is from.
	beside bool
	// cell is where the history's file has it, of a column that is read with another.
	cell func(*RunRow) any
	csv  string // heading in the history's file, which has its columns in this order; empty: not there
	wide bool   // it is in the table of results too
}

// benchCheckHeading is the heading of the badge of what stands behind a run, the
// last column of each file that has it: older columns keep their places.
const benchCheckHeading = "bench check"

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
	{name: "origin", beside: true, row: func(r *RunRow) any { return asBrought{&r.Brought} }},
	{csv: "brought from", beside: true, cell: func(r *RunRow) any { return &r.brought().Server }},
	{csv: "run there", beside: true, cell: func(r *RunRow) any { return &r.brought().Run }},
	{csv: "file (SHA-256)", beside: true, cell: func(r *RunRow) any { return &r.brought().File }},
	{csv: benchCheckHeading, beside: true, cell: func(r *RunRow) any { return &r.Badge }},
	{name: "identity",
		begin: func(r *newRun) any { return asJSON{r.Identity} }, row: func(r *RunRow) any { return &r.identity }, head: func(r *procedure.Record) any { return asJSON{&r.Identity} }},
	{name: "seated",
		begin: func(r *newRun) any { return asJSON{r.Seated} }, head: func(r *procedure.Record) any { return rawJSON{&r.Seated} }},
	{name: "lists", begin: func(r *newRun) any { return r.lists() }},
	{name: "device_body", begin: func(r *newRun) any { return r.bodies[0] }, row: func(r *RunRow) any { return &r.made[0] }},
	{name: "procedure_body", begin: func(r *newRun) any { return r.bodies[1] }, row: func(r *RunRow) any { return &r.body }},
	{name: "pin_map_body", begin: func(r *newRun) any { return r.bodies[2] }, row: func(r *RunRow) any { return &r.made[1] }},
	{name: "bench_body", begin: func(r *newRun) any { return r.bodies[3] }, row: func(r *RunRow) any { return &r.made[2] }},
}

// originOf is where a run was brought from last, as JSON; NULL of one that was made
// here.
var originOf = "(SELECT CASE WHEN " + soundSQL("origins") + ` THEN json_extract(body, '$[#-1]') ELSE '{"server": "not known: damaged"}' END
	FROM origins WHERE origins.run = runs.seq)`

// asBrought reads where a run was brought from; of one that was made here it is nil.
type asBrought struct{ b **procedure.Brought }

// Scan reads JSON or NULL.
func (a asBrought) Scan(v any) error {
	*a.b = nil
	if v == nil {
		return nil
	}
	*a.b = new(procedure.Brought)
	return asJSON{*a.b}.Scan(v)
}

// runDocuments are the documents that a run was made with, by the column that
// refers to the snapshot of each.
var runDocuments = [...]struct {
	column string
	of     func(*procedure.Record) any
	called string
}{
	{"device_body", func(r *procedure.Record) any { return &r.Device }, "the device as it was"},
	{"procedure_body", func(r *procedure.Record) any { return &r.Procedure }, "the procedure as it was carried out"},
	{"pin_map_body", func(r *procedure.Record) any { return &r.PinMap }, "the pin map as it was"},
	{"bench_body", func(r *procedure.Record) any { return &r.Bench }, "the bench as it was"},
}

// runLists are the lists of a run. Each has a table of its own, as JSON,
// because most runs have none.
var runLists = [...]struct {
	table, column string
	of            func(*procedure.Record) any
	called        string
}{
	{"acknowledged", "findings", func(r *procedure.Record) any { return &r.Acknowledged }, "what was acknowledged before it"},
	{"confirmed", "items", func(r *procedure.Record) any { return &r.Confirmed }, "what was confirmed before it"},
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
		sound := []string{soundSQL("runs")}
		joined := ""
		for i, d := range runDocuments {
			sound = append(sound, soundAs("snapshots", fmt.Sprintf("d%d", i)))
			joined += fmt.Sprintf(", d%d.id, d%d.hash", i, i)
			from += fmt.Sprintf(" LEFT JOIN snapshots d%d ON d%d.id = %s", i, i, d.column)
		}
		for i, l := range runLists {
			sound = append(sound, fmt.Sprintf("(%s.run IS NULL OR %s) AND (runs.lists IS NULL OR (runs.lists >> %d & 1) = (%s.run IS NOT NULL))",
				l.table, soundSQL(l.table), i, l.table))
			joined += ", " + l.column
			from += fmt.Sprintf(" LEFT JOIN %s ON %s.run = runs.id", l.table, l.table)
		}
		sound = append(sound, "origins.run IS NULL OR "+soundSQL("origins"))
		joined += ", origins.body"
		from += " LEFT JOIN origins ON origins.run = runs.seq"
		return "SELECT " + strings.Join(sound, ", ") + ", " + selected(func(c *runColumn) bool { return c.head != nil }) + joined +
			" FROM " + from + " WHERE runs.id = ? AND " + notDeleting
	}()
)

// selected lists what is selected of the columns that pick picks.
func selected(pick func(*runColumn) bool) string {
	var out []string
	for i := range runColumns {
		switch c := &runColumns[i]; {
		case !pick(c):
		case c.beside:
			out = append(out, originOf)
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

// headParts is the number of parts of the head of a run with a seal of their own:
// its row, what it was made with, its lists, and where it is from.
const headParts = 1 + len(runDocuments) + len(runLists) + 1

// runHeadRow is the head of a run as the disk has it.
type runHeadRow struct {
	made  [len(runDocuments)]snapshotRef
	sound [headParts]sql.NullBool
}

// scan reads the columns of selectHead.
func (h *runHeadRow) scan(row *sql.Row, r *procedure.Record) error {
	var into []any
	for i := range h.sound {
		into = append(into, &h.sound[i])
	}
	for _, c := range runColumns {
		if c.head != nil {
			into = append(into, c.head(r))
		}
	}
	for i := range h.made {
		into = append(into, asNumber{&h.made[i].id}, &h.made[i].hash)
	}
	for _, l := range runLists {
		into = append(into, asJSON{l.of(r)})
	}
	into = append(into, asJSON{&r.Origins})
	return row.Scan(into...)
}

// asNumber reads a whole number, 0 from NULL.
type asNumber struct{ n *int64 }

func (a asNumber) Scan(v any) error {
	var n sql.NullInt64
	err := n.Scan(v)
	*a.n = n.Int64
	return err
}

// runCell writes a column of a run as a cell.
func (c *csvWriter) runCell(column *runColumn, r *RunRow) {
	of := column.row
	if column.cell != nil {
		of = column.cell
	}
	switch v := of(r).(type) {
	case *string:
		c.text(*v)
	case *derive.Outcome:
		c.text(string(*v))
	case *standing.Badge:
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
