package procedure

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func at(level float64) Condition { return Condition{Supplies: []SupplyLevel{{Pin: 6, Level: level}}} }

func hot(t float64, c Condition) Condition { c.Temperature = &t; return c }

// cornered is a procedure with contact, leakage, supply current and a voltage
// under a supply of its own, over conditions.
func cornered(conditions ...Condition) Procedure {
	d := inverterDevice()
	var ms []Measurement
	for _, kind := range []string{"contact", "leakage", "supply-current", "voltage"} {
		k, _ := KindByKey(kind)
		ms = append(ms, k.Default(d))
	}
	ms[1].Group = "Inputs"
	ms[3].Hold = []Hold{{Pin: 6, Use: UseVoltage, Level: 3, Compliance: 10e-3}}
	p := procedureOf(ms...)
	p.Device, p.Conditions = d.Key, conditions
	return p
}

func TestExpand(t *testing.T) {
	grouped := at(4.5)
	grouped.Group = "Inputs"
	for name, tc := range map[string]struct {
		conditions []Condition
		want       string // kinds and conditions in order
	}{
		"none":         {nil, "contact; leakage VCC 5 V; supply-current VCC 5 V; voltage VCC 3 V"},
		"two supplies": {[]Condition{at(4.5), at(5.5)}, "contact; leakage VCC 4.5 V; supply-current VCC 4.5 V; voltage VCC 3 V; leakage VCC 5.5 V; supply-current VCC 5.5 V"},
		"two temperatures": {[]Condition{hot(25, Condition{}), hot(85, Condition{})},
			"contact 25 °C; leakage VCC 5 V, 25 °C; supply-current VCC 5 V, 25 °C; voltage VCC 3 V, 25 °C; " +
				"contact 85 °C; leakage VCC 5 V, 85 °C; supply-current VCC 5 V, 85 °C; voltage VCC 3 V, 85 °C"},
		"contact once a temperature": {[]Condition{hot(25, at(4.5)), hot(25, at(5.5))},
			"contact 25 °C; leakage VCC 4.5 V, 25 °C; supply-current VCC 4.5 V, 25 °C; voltage VCC 3 V, 25 °C; leakage VCC 5.5 V, 25 °C; supply-current VCC 5.5 V, 25 °C"},
		"one group": {[]Condition{grouped}, "contact; leakage VCC 4.5 V; supply-current VCC 5 V; voltage VCC 3 V"},
	} {
		t.Run(name, func(t *testing.T) {
			d := inverterDevice()
			p := cornered(tc.conditions...)
			if err := p.Validate(d); err != nil {
				t.Fatal(err)
			}
			before := p.Clone()
			q := Expand(p, d)
			var got []string
			for i := range q.Measurements {
				m := &q.Measurements[i]
				got = append(got, strings.TrimSpace(m.Kind+" "+conditionOf(m, d)))
			}
			if s := strings.Join(got, "; "); s != tc.want {
				t.Errorf("got  %s\nwant %s", s, tc.want)
			}
			if err := q.Validate(d); err != nil {
				t.Errorf("expanded: %v", err)
			}
			if diff := cmp.Diff(q, Expand(q, d)); diff != "" {
				t.Errorf("to expand it again changes it: %s", diff)
			}
			if diff := cmp.Diff(before, p); diff != "" {
				t.Errorf("the procedure itself was changed: %s", diff)
			}
		})
	}
}

// The levels that follow the supply do so: what an input is raised to, what the
// supply is forced to.
func TestExpandedPoints(t *testing.T) {
	d := inverterDevice()
	q := Expand(cornered(at(4.5), at(5.5)), d)
	seen := map[string]bool{}
	for _, m := range q.Measurements {
		if m.At == nil {
			continue
		}
		want := m.At.Supplies[0].Level
		for _, p := range expand(t, m, d) {
			if v := holdAt(p.Hold, 6).Level; v != want && !(p.Auxiliary && v == want*(1-nudge)) {
				t.Errorf("%s: VCC at %g V, want %g", m.Name, v, want)
			}
			if m.Kind == "leakage" && p.Group == groupHigh {
				if v := holdAt(p.Hold, p.Read[0]).Level; v != want {
					t.Errorf("%s: input at %g V, want %g", m.Name, v, want)
				}
			}
			seen[fmt.Sprint(m.Kind, want)] = true
		}
	}
	if len(seen) != 4 {
		t.Errorf("%v", seen)
	}
}

func TestConditionsRefused(t *testing.T) {
	d := inverterDevice()
	twice := at(4.5)
	twice.Supplies = append(twice.Supplies, SupplyLevel{Pin: 6, Level: 5})
	elsewhere := at(4.5)
	elsewhere.Group = "Nowhere"
	for name, tc := range map[string]struct {
		c     []Condition
		field string
		says  string
	}{
		"above the rating":  {[]Condition{at(7.5)}, "conditions[0].supplies[0].level", "rating of pin 6 VCC"},
		"below the rating":  {[]Condition{at(5), at(-1)}, "conditions[1].supplies[0].level", "rating"},
		"not a supply":      {[]Condition{{Supplies: []SupplyLevel{{Pin: 1, Level: 1}}}}, "conditions[0].supplies[0].pin", "not a supply"},
		"not on the device": {[]Condition{{Supplies: []SupplyLevel{{Pin: 49, Level: 1}}}}, "conditions[0].supplies[0].pin", "pin 49"},
		"twice":             {[]Condition{twice}, "conditions[0].supplies[1].pin", "twice"},
		"nothing":           {[]Condition{{}}, "conditions[0]", "changes nothing"},
		"too cold":          {[]Condition{hot(-300, Condition{})}, "conditions[0].temperature", "-273.15"},
		"the same again":    {[]Condition{at(5), at(5)}, "conditions[1]", "same as condition 1"},
		"no such heading":   {[]Condition{elsewhere}, "conditions[0].group", "Nowhere"},
		"too many":          {make([]Condition, MaxConditions+1), "conditions", "at most"},
	} {
		t.Run(name, func(t *testing.T) {
			p := cornered(tc.c...)
			wants(t, p.Validate(d), tc.field, tc.says)
		})
	}
	t.Run("an input above its clamp supply", func(t *testing.T) {
		p := cornered(at(4))
		p.Measurements[1].Level = 5
		good := cornered(at(4))
		if err := good.Validate(d); err != nil {
			t.Fatal(err)
		}
		wants(t, p.Validate(d), "conditions", "at VCC 4 V")
	})
}

// wants fails the test unless a problem of the field says so.
func wants(t *testing.T, err error, field, says string) {
	t.Helper()
	if err == nil || !strings.Contains(err.Error(), field+":") || !strings.Contains(err.Error(), says) {
		t.Errorf("got %v; want %s: … %s", err, field, says)
	}
}

func TestPreview(t *testing.T) {
	for _, tc := range []struct {
		s    Sweep
		most int
		want []float64
	}{
		{Sweep{Spacing: Linear, From: 0, To: 4, Points: 5}, 10, []float64{0, 1, 2, 3, 4}},
		{Sweep{Spacing: Linear, From: 0, To: 4, Points: 5}, 3, []float64{0, 2, 4}},
		{Sweep{Spacing: Linear, From: 0, To: 2, Points: 3, Back: true}, 10, []float64{0, 1, 2, 2, 1, 0}},
		{Sweep{Spacing: List, List: []float64{1, 5, 2}}, 10, []float64{1, 5, 2}},
		{Sweep{Spacing: List, List: []float64{1}}, 10, []float64{1}},
		{Sweep{Spacing: Linear, From: 0, To: 1, Points: MaxPoints}, 2, []float64{0, 1}},
		{Sweep{Spacing: Log, From: 0, To: 1, Points: 3}, 10, nil},
		{Sweep{Spacing: Linear, Points: -1}, 10, nil},
		{Sweep{}, 10, nil},
	} {
		if got := tc.s.Preview(tc.most); !slices.Equal(got, tc.want) {
			t.Errorf("%+v: %v, want %v", tc.s, got, tc.want)
		}
	}
}
