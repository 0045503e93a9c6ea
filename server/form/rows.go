package form

import (
	"net/url"
	"slices"
	"strings"

	"ohmkeep/server/dut"
)

// Columns are the repeated fields of a form that are the columns of one grid:
// value i of each makes up row i.
type Columns []string

// maxRows bounds what is read of a form: more than any device has, so that too
// many are seen and named rather than cut.
const maxRows = 4 * dut.MaxPins

// Add appends a row, one cell for each column.
func (c Columns) Add(v url.Values, cells ...string) {
	for i, name := range c {
		v[name] = append(v[name], cells[i])
	}
}

// Rows is how many rows the form has, at most maxRows.
func (c Columns) Rows(v url.Values) int {
	n := 0
	for _, name := range c {
		n = max(n, len(v[name]))
	}
	return min(n, maxRows)
}

// Row is row i, cell by cell.
func (c Columns) Row(v url.Values, i int) []string {
	row := make([]string, len(c))
	for k, name := range c {
		row[k] = cell(v, name, i)
	}
	return row
}

// Tidy gives every column as many cells as there are rows, and takes out rows
// in which nothing was typed. A choice, which always says something, is no
// typing.
func (c Columns) Tidy(v url.Values, choices ...string) {
	kept := url.Values{}
	for i := range c.Rows(v) {
		row, empty := c.Row(v, i), true
		for k, name := range c {
			empty = empty && (row[k] == "" || slices.Contains(choices, name))
		}
		if !empty {
			c.Add(kept, row...)
		}
	}
	c.replace(v, kept)
}

// replace puts the rows of another form in place of those of v.
func (c Columns) replace(v, with url.Values) {
	for _, name := range c {
		v[name] = with[name]
	}
}

// cell is row i of one column, without blanks around it.
func cell(v url.Values, column string, i int) string {
	if list := v[column]; i < len(list) {
		return strings.TrimSpace(list[i])
	}
	return ""
}

// Up moves row i before the one above it; where there is none, nothing moves.
func (c Columns) Up(v url.Values, i int) {
	if i < 1 || i >= c.Rows(v) {
		return
	}
	for _, name := range c {
		if list := v[name]; i < len(list) {
			list[i-1], list[i] = list[i], list[i-1]
		}
	}
}
