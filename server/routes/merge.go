package routes

import (
	"net/url"
	"slices"
)

// Merging two edits of one revision, as forms: mine stays wherever it was
// touched, theirs is taken over everywhere else.

// mergeFields merges single fields.
func mergeFields(was, theirs, mine url.Values, names ...string) {
	for _, n := range names {
		if mine.Get(n) == was.Get(n) {
			mine.Set(n, theirs.Get(n))
		}
	}
}

// mergeColumns merges rows that only make sense together.
func mergeColumns(was, theirs, mine url.Values, columns []string) {
	for _, c := range columns {
		if !slices.Equal(mine[c], was[c]) {
			return
		}
	}
	for _, c := range columns {
		mine[c] = theirs[c]
	}
}

// mergeRows merges rows cell by cell. The first column names the row; rows that
// only one side added or took out are as that side has them.
func mergeRows(was, theirs, mine url.Values, columns []string) {
	key := columns[0]
	out := url.Values{}
	for i, k := range mine[key] {
		before, now := slices.Index(was[key], k), slices.Index(theirs[key], k)
		row := make([]string, len(columns))
		touched := before < 0
		for n, c := range columns {
			row[n] = cell(mine, c, i)
			if before < 0 || row[n] != cell(was, c, before) {
				touched = true
			} else if now >= 0 {
				row[n] = cell(theirs, c, now)
			}
		}
		if touched || now >= 0 {
			addRow(out, columns, row...)
		}
	}
	for i, k := range theirs[key] {
		if !slices.Contains(mine[key], k) && !slices.Contains(was[key], k) {
			row := make([]string, len(columns))
			for n, c := range columns {
				row[n] = cell(theirs, c, i)
			}
			addRow(out, columns, row...)
		}
	}
	for _, c := range columns {
		mine[c] = out[c]
	}
}
