package store

import (
	"context"
	"database/sql"
	"fmt"
	"strconv"
	"strings"
	"time"

	"ohmkeep/server/derive"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

// Filter picks runs. Empty fields pick all.
type Filter struct {
	Device    string
	Procedure string
	Serial    string
	Lot       string
	Outcome   derive.Outcome // NoLimits picks all; use WithoutLimits for it
	Status    procedure.Status
	From, To  time.Time // started at or after From and before To
	Text      string    // found in name of device or procedure, note, serial, lot or operator

	WithoutLimits bool // only runs without an outcome
}

// RunRow is a run in a list.
type RunRow struct {
	ID            string           `json:"id"`
	Device        string           `json:"device"`
	DeviceRev     int              `json:"deviceRev"`
	DeviceName    string           `json:"deviceName"`
	Procedure     string           `json:"procedure"`
	ProcRev       int              `json:"procedureRev"`
	ProcedureName string           `json:"procedureName"`
	Bench         string           `json:"bench"`
	Unit          dut.Unit         `json:"unit"`
	Operator      string           `json:"operator"`
	Manual        bool             `json:"manual,omitempty"`
	Rehearsal     bool             `json:"rehearsal"`
	Note          string           `json:"note,omitempty"`
	Status        procedure.Status `json:"status"`
	Outcome       derive.Outcome   `json:"outcome"`
	Reason        string           `json:"reason,omitempty"`
	Started       time.Time        `json:"started"`
	Ended         time.Time        `json:"ended,omitzero"`
	Readings      int64            `json:"readings"`

	seq int64
}

// Page is a part of a list, newest first.
type Page struct {
	Runs []RunRow
	Next string // cursor of the next page; empty on the last
	// Total is the number of runs that the filter picks, counted up to
	// TotalBound: at the bound there may be more.
	Total int
}

// TotalBound is how far a list counts.
const TotalBound = 10_000

// condition turns the filter into SQL and its arguments.
func (f *Filter) condition() (string, []any) {
	where, args := []string{"TRUE"}, []any{}
	add := func(clause string, arg any) {
		where, args = append(where, clause), append(args, arg)
	}
	for _, c := range []struct{ column, value string }{
		{"device", f.Device}, {"procedure", f.Procedure}, {"serial", f.Serial}, {"lot", f.Lot},
		{"outcome", string(f.Outcome)}, {"status", string(f.Status)},
	} {
		if c.value != "" {
			add(c.column+" = ?", c.value)
		}
	}
	if f.Lot != "" {
		where = append(where, "lot <> ''") // lets the partial index serve
	}
	if f.WithoutLimits {
		where = append(where, "outcome = ''")
	}
	if !f.From.IsZero() {
		add("started >= ?", f.From.UnixNano())
	}
	if !f.To.IsZero() {
		add("started < ?", f.To.UnixNano())
	}
	if text := strings.TrimSpace(f.Text); text != "" {
		pattern := "%" + strings.NewReplacer(`\`, `\\`, "%", `\%`, "_", `\_`).Replace(text) + "%"
		columns := []string{"device_name", "procedure_name", "note", "serial", "lot", "operator"}
		where = append(where, `(`+strings.Join(columns, ` LIKE ? ESCAPE '\' OR `)+` LIKE ? ESCAPE '\')`)
		for range columns {
			args = append(args, pattern)
		}
	}
	return strings.Join(where, " AND "), args
}

// ListRuns returns up to limit runs that the filter picks, newest first, from
// a cursor on ("" for the first page). A cursor stays valid while runs come
// and go. A cursor that is none of ours is Invalid.
func (s *Store) ListRuns(ctx context.Context, f Filter, cursor string, limit int) (*Page, error) {
	p := &Page{}
	where, args := f.condition()
	err := s.reader(ctx).QueryRowContext(ctx, fmt.Sprintf(`SELECT count(*) FROM (SELECT 1 FROM runs WHERE %s LIMIT %d)`, where, TotalBound), args...).Scan(&p.Total)
	if err != nil {
		return nil, wrap("list runs", err)
	}
	p.Runs, err = s.runPage(ctx, where, args, cursor, limit+1)
	if err != nil {
		return nil, wrap("list runs", err)
	}
	if len(p.Runs) > limit {
		p.Runs = p.Runs[:limit]
		p.Next = p.Runs[limit-1].cursor()
	}
	return p, nil
}

func (r *RunRow) cursor() string {
	return strconv.FormatInt(r.Started.UnixNano(), 36) + "." + strconv.FormatInt(r.seq, 36)
}

func (s *Store) runPage(ctx context.Context, where string, args []any, cursor string, limit int) ([]RunRow, error) {
	if limit < 1 {
		return nil, errorf(Invalid, "a page needs at least one row")
	}
	if cursor != "" {
		at, seq, ok := strings.Cut(cursor, ".")
		started, err1 := strconv.ParseInt(at, 36, 64)
		before, err2 := strconv.ParseInt(seq, 36, 64)
		if !ok || err1 != nil || err2 != nil {
			return nil, errorf(Invalid, "the page address is not one of this list")
		}
		where += " AND (started, seq) < (?, ?)"
		args = append(args[:len(args):len(args)], started, before)
	}
	var out []RunRow
	err := s.rows(ctx, `SELECT seq, id, device, device_rev, device_name, procedure, procedure_rev, procedure_name, bench,
		serial, lot, operator, manual, rehearsal, note, status, outcome, reason, started, ended, readings
		FROM runs WHERE `+where+` ORDER BY started DESC, seq DESC LIMIT ?`, append(args[:len(args):len(args)], limit),
		func(r *sql.Rows) error {
			x, err := scanRun(r)
			out = append(out, x)
			return err
		})
	return out, err
}

func scanRun(r *sql.Rows) (x RunRow, err error) {
	var deviceRev, procRev, ended sql.NullInt64
	var started int64
	err = r.Scan(&x.seq, &x.ID, &x.Device, &deviceRev, &x.DeviceName, &x.Procedure, &procRev, &x.ProcedureName, &x.Bench,
		&x.Unit.Serial, &x.Unit.Lot, &x.Operator, &x.Manual, &x.Rehearsal, &x.Note, &x.Status, &x.Outcome, &x.Reason,
		&started, &ended, &x.Readings)
	x.DeviceRev, x.ProcRev = int(deviceRev.Int64), int(procRev.Int64)
	x.Started, x.Ended = timeOf(started), timeOfNull(ended)
	return x, err
}

// EachRun calls fn for every run that the filter picks, newest first, page by
// page: no lock is held while fn runs.
func (s *Store) EachRun(ctx context.Context, f Filter, fn func(*RunRow) error) error {
	const page = 200
	where, args := f.condition()
	cursor := ""
	for {
		rows, err := s.runPage(ctx, where, args, cursor, page)
		if err != nil {
			return wrap("each run", err)
		}
		for i := range rows {
			if err := fn(&rows[i]); err != nil {
				return err
			}
		}
		if len(rows) < page {
			return nil
		}
		cursor = rows[page-1].cursor()
	}
}

// Overview is what a home page shows.
type Overview struct {
	Runs     int                    `json:"runs"`
	Readings int64                  `json:"readings"`
	Units    int                    `json:"units"`
	Outcomes map[derive.Outcome]int `json:"outcomes"`
	Last     []RunRow               `json:"last"` // newest first
}

// GetOverview counts runs by outcome and returns the newest.
func (s *Store) GetOverview(ctx context.Context, last int) (*Overview, error) {
	o := &Overview{Outcomes: map[derive.Outcome]int{}}
	err := s.rows(ctx, `SELECT outcome, count(*), sum(readings) FROM runs GROUP BY outcome`, nil, func(r *sql.Rows) error {
		var outcome derive.Outcome
		var n int
		var readings int64
		if err := r.Scan(&outcome, &n, &readings); err != nil {
			return err
		}
		o.Outcomes[outcome] = n
		o.Runs += n
		o.Readings += readings
		return nil
	})
	if err == nil {
		err = s.reader(ctx).QueryRowContext(ctx, "SELECT count(*) FROM units").Scan(&o.Units)
	}
	if err == nil {
		o.Last, err = s.runPage(ctx, "TRUE", nil, "", last)
	}
	if err != nil {
		return nil, wrap("overview", err)
	}
	return o, nil
}
