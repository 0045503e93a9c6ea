package procedure

import (
	"reflect"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"

	"ohmkeep/server/dut"
)

// What a procedure comes to under its conditions: each measurement once for each
// condition that changes it, those that nothing changes once, all with ids and
// names of their own that fit; and no condition is applied twice.
func TestExpandAnyProcedure(t *testing.T) {
	d := inverterDevice()
	rapid.Check(t, func(t *rapid.T) {
		p := anyProcedure(t)
		before := p.Clone()
		x := Expand(p, d)
		if diff := same(before, p); diff != "" {
			t.Fatalf("expanding changed the procedure: %s", diff)
		}
		if diff := same(x, Expand(x, d)); diff != "" {
			t.Fatalf("expanding twice: %s", diff)
		}
		ids := idsOf(x)
		slices.Sort(ids)
		if len(slices.Compact(ids)) != len(x.Measurements) {
			t.Fatalf("ids %q", idsOf(x))
		}
		want := 0
		for i := range p.Measurements {
			want += max(1, len(changing(&p, &p.Measurements[i], d)))
		}
		if len(x.Measurements) != want {
			t.Fatalf("%d measurements, want %d: %q", len(x.Measurements), want, idsOf(x))
		}
		for i := range x.Measurements {
			checkExpanded(t, &p, &x.Measurements[i], d)
		}
	})
}

// changing are the different conditions that change a measurement.
func changing(p *Procedure, m *Measurement, d *dut.Device) (out []Condition) {
	for i := range p.Conditions {
		at, changes := p.Conditions[i].on(m, d)
		if changes && !slices.ContainsFunc(out, func(c Condition) bool { return reflect.DeepEqual(c, at) }) {
			out = append(out, at)
		}
	}
	return out
}

// checkExpanded is what holds of every measurement that is carried out.
func checkExpanded(t *rapid.T, p *Procedure, m *Measurement, d *dut.Device) {
	if m.At == nil {
		if !slices.Contains(idsOf(*p), m.ID) {
			t.Fatalf("%q stands under no condition and is not of the procedure", m.ID)
		}
		return
	}
	if utf8.RuneCountInString(m.ID) > maxID || utf8.RuneCountInString(m.Name) > maxName {
		t.Fatalf("id %q, name %q", m.ID, m.Name)
	}
	if words := m.At.Words(d); words == "" || !strings.HasSuffix(m.Name, words) {
		t.Fatalf("%q does not end in the condition %q", m.Name, words)
	}
	if m.Disabled {
		t.Fatalf("%q is switched off and repeated", m.ID)
	}
	for _, s := range m.At.Supplies {
		step, ok := m.powerStep(d, s.Pin)
		if !ok || step.Level != s.Level || !m.Powered {
			t.Fatalf("%q: supply %d comes up at %g V, its condition says %g V", m.ID, s.Pin, step.Level, s.Level)
		}
	}
}

// A condition in words names each supply with its level, by its number too
// where two supplies share a name, and the temperature last.
func TestWordsOfConditions(t *testing.T) {
	hot, cold := 85.0, -40.0
	two := twoSupplies()
	twins := twoSupplies()
	twins.Pins[1].Name = twins.Pins[5].Name
	for _, c := range []struct {
		d    *dut.Device
		at   Condition
		want string
	}{
		{two, Condition{}, ""},
		{two, Condition{Temperature: &hot}, "85 °C"},
		{two, Condition{Temperature: &cold, Supplies: []SupplyLevel{{6, 4.5}}}, "VCC 4.5 V, -40 °C"},
		{two, Condition{Supplies: []SupplyLevel{{6, 4.5}, {2, 1.8}}}, "VCC 4.5 V, VIO 1.8 V"},
		{twins, Condition{Supplies: []SupplyLevel{{6, 4.5}, {2, 1.8}}}, "6 VCC 4.5 V, 2 VCC 1.8 V"},
	} {
		if got := c.at.Words(c.d); got != c.want {
			t.Errorf("%+v: %q, want %q", c.at, got, c.want)
		}
	}
}
