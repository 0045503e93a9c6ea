package form

import (
	"net/url"
	"slices"
)

// Edits are three states of one form: as it was when both sides opened it, as
// theirs was saved since, and as mine stands now. Merging keeps mine wherever
// it was touched and takes theirs everywhere else; it changes Mine alone.
type Edits struct{ Was, Theirs, Mine url.Values }

// Fields merges single fields.
func (e Edits) Fields(names ...string) {
	for _, n := range names {
		if e.Mine.Get(n) == e.Was.Get(n) {
			e.Mine.Set(n, e.Theirs.Get(n))
		}
	}
}

// Table merges rows that only make sense together: all of mine or all of theirs.
func (e Edits) Table(c Columns) {
	for _, name := range c {
		if !slices.Equal(e.Mine[name], e.Was[name]) {
			return
		}
	}
	c.replace(e.Mine, e.Theirs)
}

// Rows merges rows cell by cell. The first column names the row; rows that only
// one side added or took out are as that side has them.
func (e Edits) Rows(c Columns) {
	key, out := c[0], url.Values{}
	for i, name := range e.Mine[key] {
		was, theirs := slices.Index(e.Was[key], name), slices.Index(e.Theirs[key], name)
		row := c.Row(e.Mine, i)
		touched := was < 0
		for n, column := range c {
			if was < 0 || row[n] != cell(e.Was, column, was) {
				touched = true
			} else if theirs >= 0 {
				row[n] = cell(e.Theirs, column, theirs)
			}
		}
		if touched || theirs >= 0 {
			c.Add(out, row...)
		}
	}
	for i, name := range e.Theirs[key] {
		if !slices.Contains(e.Mine[key], name) && !slices.Contains(e.Was[key], name) {
			c.Add(out, c.Row(e.Theirs, i)...)
		}
	}
	c.replace(e.Mine, out)
}
