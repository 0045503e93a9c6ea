package form

import (
	"fmt"
	"net/url"
	"strings"
	"testing"
)

func TestMergeRows(t *testing.T) {
	columns := Columns{"n", "a", "b"}
	table := func(rows ...string) url.Values {
		v := url.Values{}
		for _, r := range rows {
			columns.Add(v, strings.Split(r, " ")...)
		}
		return v
	}
	was := table("1 x y", "2 x y", "3 x y", "4 x y", "5 x y")
	theirs := table("1 T y", "2 x T", "4 x y", "5 x y", "7 T T")
	mine := table("1 x M", "2 x y", "3 x y", "4 M y", "6 M M")
	Edits{was, theirs, mine}.Rows(columns)
	want := table("1 T M", "2 x T", "4 M y", "6 M M", "7 T T")
	if fmt.Sprint(mine) != fmt.Sprint(want) {
		t.Errorf("merged %v, want %v", mine, want)
	}
}

func TestMergeFieldsAndTables(t *testing.T) {
	columns := Columns{"a", "b"}
	state := func(x, y, a, b string) url.Values { return url.Values{"x": {x}, "y": {y}, "a": {a}, "b": {b}} }
	for _, c := range []struct{ was, theirs, mine, want url.Values }{
		{state("1", "1", "1", "1"), state("T", "T", "T", "T"), state("1", "M", "1", "1"), state("T", "M", "T", "T")},
		{state("1", "1", "1", "1"), state("T", "1", "T", "T"), state("M", "1", "1", "M"), state("M", "1", "1", "M")}, // a table touched anywhere is mine
		{state("1", "1", "1", "1"), state("1", "1", "1", "1"), state("M", "", "M", "M"), state("M", "", "M", "M")},
	} {
		mine := url.Values{}
		for k, v := range c.mine {
			mine[k] = append([]string(nil), v...)
		}
		e := Edits{c.was, c.theirs, mine}
		e.Fields("x", "y")
		e.Table(columns)
		if fmt.Sprint(mine) != fmt.Sprint(c.want) {
			t.Errorf("merged %v, want %v", mine, c.want)
		}
	}
}
