package form

import (
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/bench"
)

// drawPaths draws paths of the bench on the desk, with numbers of their own.
func drawPaths(t *rapid.T, d *bench.Definition) {
	d.Paths = nil
	ids := rapid.Permutation([]int{1, 2, 3, 4, 5, 900, 4096}).Draw(t, "numbers")
	value := rapid.SampledFrom([]float64{0, 4.7, 1e-3, 0.1 + 0.2, 1.0 / 3})
	for _, id := range ids[:rapid.IntRange(1, len(ids)).Draw(t, "paths")] {
		d.Paths = append(d.Paths, bench.Path{ID: bench.PathID(id), Channel: bench.ChannelID(rapid.IntRange(0, 2).Draw(t, "line")),
			Contact: rapid.IntRange(1, 8).Draw(t, "contact"), Mux: rapid.SampledFrom([]string{"", "m1", "bank 2/1-16"}).Draw(t, "mux"),
			Address: rapid.SampledFrom([]string{"", "2!3", "@101"}).Draw(t, "address"), Resistance: value.Draw(t, "Ω"), Leakage: value.Draw(t, "S") * 1e-12,
			Kelvin: rapid.Bool().Draw(t, "sense"), MaxCurrent: value.Draw(t, "A"), ResistanceTolerance: value.Draw(t, "tolerance"), LeakageTolerance: value.Draw(t, "leakage tolerance"), Card: rapid.IntRange(0, 3).Draw(t, "card")})
	}
}

// TestPathsInAnyOrder: a table of paths is read the same with its columns in any
// order, with columns between that mean nothing, split by what spreadsheets
// split by, and with every cell in quotes.
func TestPathsInAnyOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := deskBench()
		drawPaths(t, &d)
		var lines [][]string
		for _, line := range strings.Split(PathsText(&d), "\n") {
			lines = append(lines, append(strings.Split(line, "\t"), "remark of nobody", ""))
		}
		places := make([]int, len(pathColumns)+2)
		for i := range places {
			places[i] = i
		}
		order := rapid.Permutation(places).Draw(t, "order")
		last := len(pathColumns) - 1
		mark := rapid.SampledFrom([]string{"\t", ";", "|"}).Draw(t, "mark")
		quoted := rapid.Bool().Draw(t, "quotes")
		var text strings.Builder
		for _, cells := range lines {
			row := make([]string, len(order))
			for i, from := range order {
				if row[i] = cells[from]; quoted {
					row[i] = ` "` + row[i] + `" `
				}
			}
			text.WriteString(strings.Join(row, mark) + "\n")
		}
		got := ReadPaths(text.String(), &d)
		if len(got.Notes) > 0 || !slices.Equal(got.Paths, d.Paths) {
			t.Fatalf("%v\n%+v\nwant\n%+v\nof\n%s", got.Notes, got.Paths, d.Paths, text.String())
		}
		for i, from := range order {
			if means := got.Columns[i].Means; (means == "") != (from > last) || from <= last && means != strings.ToLower(pathColumns[from].heading) {
				t.Fatalf("column %d, %q, means %q", i, got.Columns[i].Heading, means)
			}
		}
	})
}

// TestPathsWithoutNumbers: paths that are given no number get the first that are
// free, in their order, and those that have one keep it.
func TestPathsWithoutNumbers(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := deskBench()
		given := rapid.SliceOfNDistinct(rapid.IntRange(1, 9), 0, 6, rapid.ID[int]).Draw(t, "numbers")
		rows := rapid.Permutation(append(slices.Clone(given), make([]int, rapid.IntRange(0, 4).Draw(t, "blanks"))...)).Draw(t, "rows")
		text := "Path\tLine\tContact\n"
		for i, n := range rows {
			text += Number(n) + "\t1A\t" + strconv.Itoa(i%8+1) + "\n"
		}
		got := ReadPaths(text, &d)
		if len(got.Notes) > 0 || len(got.Paths) != len(rows) {
			t.Fatalf("%v, %d paths of %d", got.Notes, len(got.Paths), len(rows))
		}
		free := 1
		for i, n := range rows {
			if n == 0 {
				for slices.Contains(given, free) {
					free++
				}
				n = free
				free++
			}
			if int(got.Paths[i].ID) != n {
				t.Fatalf("row %d of %v has number %d, want %d", i, rows, got.Paths[i].ID, n)
			}
		}
	})
}

// TestNewBenchReachesEverything: the short form makes as many channels as were
// asked for, each with a name of its own, each reaching every contact once
// through multiplexers of no more ways than were asked for, whose paths exclude
// each other; the return has a switch of its own for each contact.
func TestNewBenchReachesEverything(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cards, each := rapid.IntRange(1, 5).Draw(t, "cards"), rapid.IntRange(1, 4).Draw(t, "channels each")
		contacts, ways := rapid.IntRange(1, 48).Draw(t, "contacts"), rapid.IntRange(1, 48).Draw(t, "ways")
		withReturn := rapid.Bool().Draw(t, "return")
		v := newBenchValues()
		v.Set("cards", strconv.Itoa(cards))
		v.Set("perCard", strconv.Itoa(each))
		v.Set("contacts", strconv.Itoa(contacts))
		v.Set("ways", strconv.Itoa(ways))
		v.Set("addresses", "tcp://192.0.2.1:5025")
		if !withReturn {
			v.Del("return")
		}
		d, ps := ReadNewBench(v)
		if len(ps) > 0 || len(d.Channels) != cards*each {
			t.Fatalf("%v, %d channels", ps, len(d.Channels))
		}
		names, reached, ids := map[string]bool{}, map[[2]int]int{}, map[bench.PathID]bool{}
		mux := map[string]map[int]bool{}
		for _, c := range d.Channels {
			names[c.Name] = true
		}
		for _, p := range d.Paths {
			ids[p.ID] = true
			reached[[2]int{int(p.Channel), p.Contact}]++
			if mux[p.Mux] == nil {
				mux[p.Mux] = map[int]bool{}
			}
			mux[p.Mux][p.Contact] = true
			if most := map[bool]int{true: 1, false: ways}[p.Channel == 0]; len(mux[p.Mux]) > most {
				t.Fatalf("multiplexer %s has %d ways, and %d were asked for", p.Mux, len(mux[p.Mux]), most)
			}
		}
		lines := cards * each
		if withReturn {
			lines++
		}
		if len(names) != cards*each || len(ids) != len(d.Paths) || len(reached) != lines*contacts || len(d.Paths) != lines*contacts {
			t.Fatalf("%d names, %d numbers, %d paths to %d places of %d lines and %d contacts", len(names), len(ids), len(d.Paths), len(reached), lines, contacts)
		}
	})
}
