package form

import (
	"fmt"
	"net/url"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// gridColumns are a grid whose first column names the row.
var gridColumns = Columns{"key", "a", "b"}

// drawGrid draws a grid of rows with different keys in any order.
func drawGrid(t *rapid.T, label string) url.Values {
	v := url.Values{}
	keys := rapid.Permutation([]string{"1", "2", "3", "4", "5"}).Draw(t, label)
	cell := rapid.SampledFrom([]string{"", "x", "y"})
	for _, key := range keys[:rapid.IntRange(0, len(keys)).Draw(t, label+" rows")] {
		gridColumns.Add(v, key, cell.Draw(t, label+" a"), cell.Draw(t, label+" b"))
	}
	return v
}

func cloned(v url.Values) url.Values {
	out := url.Values{}
	for k, list := range v {
		out[k] = slices.Clone(list)
	}
	return out
}

// rowsOf are a grid's rows by key.
func rowsOf(v url.Values) map[string][]string {
	out := map[string][]string{}
	for i, key := range v["key"] {
		out[key] = gridColumns.Row(v, i)
	}
	return out
}

func sameGrid(a, b url.Values) bool { return fmt.Sprint(rowsOf(a)) == fmt.Sprint(rowsOf(b)) }

// TestMergeOfRowsCellByCell: every cell of a merged grid is mine where I touched
// it and theirs everywhere else; a row is there once, and where one side alone
// added or took it out as that side has it.
func TestMergeOfRowsCellByCell(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		was, theirs, mine := drawGrid(t, "was"), drawGrid(t, "theirs"), drawGrid(t, "mine")
		merged := cloned(mine)
		Edits{cloned(was), cloned(theirs), merged}.Rows(gridColumns)
		w, th, m, got := rowsOf(was), rowsOf(theirs), rowsOf(mine), rowsOf(merged)
		if len(got) != len(merged["key"]) {
			t.Fatalf("a row comes twice: %v", merged["key"])
		}
		for _, key := range []string{"1", "2", "3", "4", "5"} {
			before, inWas := w[key]
			their, inTheirs := th[key]
			my, inMine := m[key]
			row, inMerged := got[key]
			touched := inMine && (!inWas || !slices.Equal(my, before))
			want := touched || inMine && inTheirs || inTheirs && !inMine && !inWas
			if inMerged != want {
				t.Fatalf("row %s is there %v: was %v, theirs %v, mine %v", key, inMerged, before, their, my)
			}
			for n := 1; inMerged && n < len(gridColumns); n++ {
				cell := ""
				switch {
				case !inMine:
					cell = their[n]
				case !inWas || my[n] != before[n] || !inTheirs:
					cell = my[n]
				default:
					cell = their[n]
				}
				if row[n] != cell {
					t.Fatalf("row %s, cell %d is %q, want %q: was %v, theirs %v, mine %v", key, n, row[n], cell, before, their, my)
				}
			}
		}
	})
}

// TestMergeWithoutTwoSides: where one side touched nothing, the merged grid is
// the other's, and where both did the same it is that.
func TestMergeWithoutTwoSides(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		was, other := drawGrid(t, "was"), drawGrid(t, "other")
		for name, c := range map[string]struct{ theirs, mine url.Values }{
			"they touched nothing": {was, other}, "I touched nothing": {other, was}, "both the same": {other, other},
		} {
			for how, merge := range map[string]func(Edits, Columns){"rows": Edits.Rows, "table": Edits.Table} {
				mine := cloned(c.mine)
				merge(Edits{cloned(was), cloned(c.theirs), mine}, gridColumns)
				if !sameGrid(mine, other) {
					t.Fatalf("%s, %s: %v, want %v; was %v", name, how, rowsOf(mine), rowsOf(other), rowsOf(was))
				}
			}
		}
	})
}

// TestRowsMove: moving a row up and the other one up again leaves every row as
// it was, ragged columns too once they are tidy; a row that is not there moves
// nothing.
func TestRowsMove(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := drawGrid(t, "grid")
		v["b"] = v["b"][:rapid.IntRange(0, len(v["b"])).Draw(t, "cells of b")]
		gridColumns.Tidy(v, "a")
		before := cloned(v)
		i := rapid.IntRange(-1, 6).Draw(t, "row")
		gridColumns.Up(v, i)
		if n := len(before["key"]); i < 1 || i >= n {
			if fmt.Sprint(v) != fmt.Sprint(before) {
				t.Fatalf("row %d of %d moved something: %v", i, n, v)
			}
			return
		}
		if !slices.Equal(gridColumns.Row(v, i-1), gridColumns.Row(before, i)) || !slices.Equal(gridColumns.Row(v, i), gridColumns.Row(before, i-1)) {
			t.Fatalf("row %d did not change places: %v was %v", i, v, before)
		}
		gridColumns.Up(v, i)
		if fmt.Sprint(v) != fmt.Sprint(before) {
			t.Fatalf("after two moves %v, was %v", v, before)
		}
	})
}
