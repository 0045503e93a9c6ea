package dut

import (
	_ "embed"
	"encoding/csv"
	"math"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

//go:embed testdata/levels-published.csv
var publishedCSV string

// TestLevelsArePublished: the table of logic families is the published one,
// row by row, with a key in front. The source stands in the file's first line.
func TestLevelsArePublished(t *testing.T) {
	read := func(text string) [][]string {
		r := csv.NewReader(strings.NewReader(text))
		r.Comment = '#'
		rows, err := r.ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		return rows
	}
	ours, published := read(levelsCSV), read(publishedCSV)
	if len(ours) != len(published) {
		t.Fatalf("%d rows, %d published", len(ours), len(published))
	}
	for i, row := range published {
		got := append([]string{}, ours[i][1:]...)
		if got[0] == "TTL (no JEDEC document)" { // named by its series where it was published
			got[0] = row[0]
		}
		if diff := cmp.Diff(row, got); diff != "" {
			t.Errorf("row %d (%s): %s", i+1, ours[i][0], diff)
		}
	}
}

// TestLevelsOfStandards: levels at the supplies that the standards name, from
// the documents named beside them.
func TestLevelsOfStandards(t *testing.T) {
	for _, c := range []struct {
		key                string
		supply             float64
		vil, vih, vol, voh float64
		source             string
	}{
		{"3v3-lvttl", 3.3, 0.8, 2.0, 0.4, 2.4, "JESD8C.01, table 4"},
		{"3v3-lvttl", 3.0, 0.8, 2.0, 0.4, 2.4, "JESD8C.01: the same over the range"},
		{"3v3-lvcmos", 3.3, 0.8, 2.0, 0.2, 3.1, "JESD8C.01, LVCMOS: VDD - 0.2 V"},
		{"3v3-lvcmos", 3.0, 0.8, 2.0, 0.2, 2.8, "JESD8C.01, LVCMOS at 3.0 V"},
		{"2v5", 2.5, 0.7, 1.7, 0.4, 2.0, "JESD8-5A.01, normal range"},
		{"2v5", 2.3, 0.7, 1.7, 0.4, 2.0, "JESD8-5A.01, normal range"},
		{"1v8", 1.8, 0.63, 1.17, 0.45, 1.35, "JESD8-7A: 0.35 and 0.65 VDD, VDD - 0.45 V"},
		{"1v8", 1.65, 0.5775, 1.0725, 0.45, 1.2, "JESD8-7A at 1.65 V"},
		{"1v5", 1.5, 0.525, 0.975, 0.375, 1.125, "JESD8-11A.01: 0.25 and 0.75 VDD out"},
		{"1v2", 1.2, 0.42, 0.78, 0.3, 0.9, "JESD8-12A.01"},
		{"5v-ttl", 5, 0.8, 2.0, 0.4, 2.4, "common practice: the TTL levels"},
		{"5v-hc", 4.5, 1.35, 3.15, 0.1, 4.4, "JESD7A at 4.5 V"},
		{"5v-hct", 4.5, 0.8, 2.0, 0.1, 4.4, "JESD7A at 4.5 V, from memory"},
	} {
		l, err := LogicLevels(c.key, c.supply)
		if err != nil {
			t.Errorf("%s at %g V: %v", c.key, c.supply, err)
			continue
		}
		for _, x := range []struct {
			name      string
			got, want float64
		}{{"VIL", l.VIL, c.vil}, {"VIH", l.VIH, c.vih}, {"VOL", l.VOL, c.vol}, {"VOH", l.VOH, c.voh}} {
			if math.Abs(x.got-x.want) > 1e-9 {
				t.Errorf("%s at %g V: %s is %g V, not %g V (%s)", c.key, c.supply, x.name, x.got, x.want, c.source)
			}
		}
	}
}

// TestLevelsKeepTheirOrder: at every supply of its range a family's levels lie
// in the order VOL, VIL, VIH, VOH within the supply, and have noise margins.
func TestLevelsKeepTheirOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := rapid.SampledFrom(LogicFamilies()).Draw(t, "family")
		supply := rapid.Float64Range(0.5, 6).Draw(t, "supply")
		l, err := LogicLevels(f.Key, supply)
		if err != nil {
			return
		}
		if !(0 < l.VIL && l.VIL < l.VIH && l.VIH < supply) {
			t.Fatalf("%s at %g V: %+v", f.Key, supply, l)
		}
		if l.Outputs && !(0 < l.VOL && l.VOL <= l.VIL && l.VIH <= l.VOH && l.VOH <= supply && l.IOL > 0 && l.IOH < 0) {
			t.Fatalf("%s at %g V: %+v", f.Key, supply, l)
		}
	})
}

// TestLogicFamilyNominal: each family has levels at its own nominal supply,
// without a note.
func TestLogicFamilyNominal(t *testing.T) {
	for _, f := range LogicFamilies() {
		l, err := LogicLevels(f.Key, f.Nominal)
		if err != nil || l.Source == "" {
			t.Errorf("%s at %s V: %+v, %v", f.Key, strconv.FormatFloat(f.Nominal, 'g', -1, 64), l, err)
		}
	}
}
