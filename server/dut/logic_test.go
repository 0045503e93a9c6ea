package dut

import (
	"encoding/csv"
	"math"
	"slices"
	"strings"
	"testing"
)

// TestLogicAtNominal compares the levels worked out from the formulas with the
// figures at the nominal supply, which the same file gives as plain numbers. Its
// sources (JEDEC JESD8C.01, JESD8-5A.01, JESD8-7A.01, JESD8-11A.01, JESD8-12A.01,
// JESD7A) and how far each row was checked stand in the file.
func TestLogicAtNominal(t *testing.T) {
	rows, err := csv.NewReader(strings.NewReader(levelsCSV)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	col := func(row []string, name string) float64 {
		s := row[slices.Index(rows[0], name)]
		if s == "" {
			return math.NaN()
		}
		return mustFloat(s)
	}
	if len(rows) != 17 {
		t.Fatalf("%d rows", len(rows))
	}
	for _, row := range rows[1:] {
		l, err := LogicLevels(row[0], col(row, "vdd_nominal_V"))
		if err != nil {
			t.Error(err)
			continue
		}
		if !l.Outputs {
			l.VOL, l.VOH = math.NaN(), math.NaN()
		}
		for name, got := range map[string]float64{"VIL": l.VIL, "VIH": l.VIH, "VOL": l.VOL, "VOH": l.VOH} {
			want := col(row, name+"_at_nominal_V")
			if math.IsNaN(want) != math.IsNaN(got) || math.Abs(got-want) > 1e-12 {
				t.Errorf("%s %s: %g, published %g", row[0], name, got, want)
			}
		}
		if l.Source == "" || l.VIL >= l.VIH || l.Outputs && (l.IOL <= 0 || l.IOH >= 0) {
			t.Errorf("%s: %+v", row[0], l)
		}
	}
}

func TestLogicLevels(t *testing.T) {
	// JESD7A at 6 V, from memory: VIL 1.8 V, VIH 4.2 V, VOH 5.9 V at 20 µA.
	l, err := LogicLevels("5v-hc", 6)
	if err != nil || math.Abs(l.VIL-1.8) > 1e-12 || math.Abs(l.VIH-4.2) > 1e-12 || math.Abs(l.VOH-5.9) > 1e-12 || len(l.Notes) != 1 {
		t.Errorf("%+v %v", l, err)
	}
	if l, err := LogicLevels("3v3-lvttl", 2.8); err != nil || len(l.Notes) != 1 {
		t.Errorf("extended range: %+v %v", l, err)
	}
	if l, err := LogicLevels("3v3-lvttl", 3*1.2); err != nil || len(l.Notes) != 0 {
		t.Errorf("end of the range: %+v %v", l, err)
	}
	for _, c := range []struct {
		key    string
		supply float64
	}{{"3v3-lvttl", 5}, {"3v3-lvttl", 2.6}, {"5v-hc", 3}, {"5v-cmos", 0}, {"5v-cmos", -5}, {"5v-cmos", math.NaN()}, {"", 3.3}, {"steam", 3.3}} {
		if l, err := LogicLevels(c.key, c.supply); err == nil {
			t.Errorf("%s at %g V: %+v", c.key, c.supply, l)
		}
	}
	seen := map[string]bool{}
	for _, f := range LogicFamilies() {
		if seen[f.Key] || !KeyPattern.MatchString(f.Key) || f.Name == "" || f.Standard == "" || f.Status == "" {
			t.Errorf("%+v", f)
		}
		seen[f.Key] = true
	}
	f, _ := LogicFamilyOf("1v8")
	g, _ := LogicFamilyOf("5v-hct")
	if !f.Checked() || g.Checked() {
		t.Error("checked and from memory are mixed up")
	}
}
