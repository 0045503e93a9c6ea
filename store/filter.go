package store

import (
	"math"
	"strings"
	"time"
	"unicode/utf8"

	"ohmkeep/server/derive"
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

	Bench string // key; no index serves it
}

// clause is one condition of a WHERE with its arguments.
type clause struct {
	sql  string
	args []any
}

// clauses is a list of conditions that must all hold.
type clauses []clause

// where joins conditions to one. Without any it holds always.
func (cs clauses) where() (string, []any) {
	if len(cs) == 0 {
		return "TRUE", nil
	}
	var texts []string
	var args []any
	for _, c := range cs {
		texts, args = append(texts, c.sql), append(args, c.args...)
	}
	return strings.Join(texts, " AND "), args
}

// equal is a condition that an index of its own serves, in the history's order.
type equal struct {
	clause
	index string
}

// equals are the conditions on single columns.
func (f *Filter) equals() (out []equal) {
	for _, c := range []struct{ column, value, extra string }{
		{"device", f.Device, ""}, {"procedure", f.Procedure, ""}, {"serial", f.Serial, ""},
		{"lot", f.Lot, " AND lot <> ''"}, // lets the partial index serve
		{"outcome", string(f.Outcome), ""}, {"status", string(f.Status), ""},
	} {
		if c.value != "" {
			out = append(out, equal{clause{c.column + " = ?" + c.extra, []any{c.value}}, "runs_" + c.column})
		}
	}
	if f.WithoutLimits {
		out = append(out, equal{clause{"outcome = ?", []any{""}}, "runs_outcome"})
	}
	return out
}

// span is the part of the history within the filter's times: below top and not
// below bottom.
func (f *Filter) span() (top, bottom position) {
	top, bottom = newest, oldest
	if !f.To.IsZero() {
		top = position{f.To.UnixNano(), math.MinInt64}
	}
	if !f.From.IsZero() {
		bottom = position{f.From.UnixNano(), math.MinInt64}
	}
	return top, bottom
}

// unindexed are the conditions that no index serves alone.
func (f *Filter) unindexed() clauses {
	out := f.like()
	if f.Bench != "" {
		out = append(out, clause{"bench = ?", []any{f.Bench}})
	}
	return out
}

// like is the condition on the text: it stands in one of the columns, with
// upper and lower case of the letters A to Z the same.
func (f *Filter) like() clauses {
	text := strings.TrimSpace(f.Text)
	if text == "" {
		return nil
	}
	pattern := "%" + strings.NewReplacer(`\`, `\\`, "%", `\%`, "_", `\_`).Replace(text) + "%"
	columns := []string{"device_name", "procedure_name", "note", "serial", "lot", "operator"}
	c := clause{sql: `(`}
	for i, column := range columns {
		if i > 0 {
			c.sql += " OR "
		}
		c.sql += column + ` LIKE ? ESCAPE '\'`
		c.args = append(c.args, pattern)
	}
	c.sql += `)`
	return clauses{c}
}

// phrase is the text as the index of texts is asked for it, or "" where that
// index cannot answer: it knows three characters in a row and no fewer. It
// finds every run that like holds for, and a few more: it also takes letters
// beyond A to Z for the same in either case.
func (f *Filter) phrase() string {
	text := strings.TrimSpace(f.Text)
	if utf8.RuneCountInString(text) < 3 || !utf8.ValidString(text) || strings.ContainsRune(text, 0) {
		return ""
	}
	return `"` + strings.ReplaceAll(text, `"`, `""`) + `"`
}

// condition turns the whole filter into SQL and its arguments, for a scan.
func (f *Filter) condition() (string, []any) {
	top, bottom := f.span()
	all := append(f.unindexed(), between(top, bottom))
	for _, e := range f.equals() {
		all = append(all, e.clause)
	}
	return all.where()
}
