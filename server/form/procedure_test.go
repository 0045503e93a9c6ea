package form

import (
	"net/url"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

// twoSupplies is a device with two power steps, on pins 7 and 14.
func twoSupplies() *dut.Device {
	return &dut.Device{Key: "two", Power: []dut.PowerStep{{Pin: 14, Level: 5}, {Pin: 7, Level: -5}}}
}

// TestProcedureRoundTrip: document to form to document is the identity, for all
// that the form shows; the measurements stay as they were.
func TestProcedureRoundTrip(t *testing.T) {
	d := twoSupplies()
	rapid.Check(t, func(t *rapid.T) {
		word := rapid.StringMatching(`[a-z]([a-z ]{0,10}[a-z])?`)
		p := procedure.Procedure{Key: "p", Device: "two", Name: word.Draw(t, "name"), Notes: rapid.StringMatching(`[a-z\n ]{0,20}`).Draw(t, "notes"),
			Guard: rapid.Float64Range(0, 10).Draw(t, "guard"), StopOnFail: rapid.Bool().Draw(t, "stop"),
			Measurements: []procedure.Measurement{{ID: "a", Name: "A", Kind: "contact"}}}
		switch rapid.IntRange(0, 3).Draw(t, "rule") {
		case 0:
			p.Guard = float64(rapid.IntRange(0, 1).Draw(t, "whole"))
		case 1: // a probability of up to ten digits
			p.Guard, p.Risk = 0, float64(rapid.Int64Range(1e6, 5e9-1).Draw(t, "risk"))/1e10
		}
		for range rapid.IntRange(0, 5).Draw(t, "conditions") {
			var c procedure.Condition
			for _, x := range d.Power {
				if rapid.Bool().Draw(t, "supply") {
					c.Supplies = append(c.Supplies, procedure.SupplyLevel{Pin: x.Pin, Level: rapid.Float64Range(-10, 10).Draw(t, "level")})
				}
			}
			if degrees := rapid.Float64Range(-200, 500).Draw(t, "degrees"); rapid.Bool().Draw(t, "temperature") {
				c.Temperature = &degrees
			}
			c.Note, c.Group = word.Draw(t, "note"), rapid.SampledFrom([]string{"", "A heading"}).Draw(t, "group")
			p.Conditions = append(p.Conditions, c)
		}
		got := procedure.Procedure{Key: p.Key, Device: p.Device, Measurements: p.Measurements}
		ps := ReadProcedure(ProcedureValues(&p), &got, d)
		if diff := cmp.Diff(p, got, cmpopts.EquateEmpty()); diff != "" || len(ps) > 0 {
			t.Fatalf("%v\n%s", ps, diff)
		}
	})
}

// TestProcedureRefuses: each field that cannot be read is named, and the rest is
// read all the same.
func TestProcedureRefuses(t *testing.T) {
	for name, c := range map[string]struct {
		v    url.Values
		want []string // the fields at fault, with the start of their messages
	}{
		"good":         {url.Values{"guard": {"1"}}, nil},
		"no guard":     {url.Values{}, []string{"guard: nothing given"}},
		"a guard":      {url.Values{"guard": {"1 V"}}, []string{"guard: "}},
		"another rule": {url.Values{"rule": {"coin"}}, []string{"rule: "}},
		"w = U":        {url.Values{"rule": {"u"}, "guard": {"x"}, "risk": {"x"}}, nil}, // what the rule does not use
		"no risk":      {url.Values{"rule": {"risk"}, "guard": {"1"}}, []string{"risk: nothing given"}},
		"a risk":       {url.Values{"rule": {"risk"}, "risk": {"2.5 V"}}, []string{"risk: "}},
		"times":        {url.Values{"rule": {"times"}, "guard": {"much"}}, []string{"guard: "}},
		"supply":       {url.Values{"guard": {"1"}, "conditions[0].supply.14": {"5 A"}}, []string{"conditions[0].supply.14: "}},
		"temperature":  {url.Values{"guard": {"1"}, "conditions[0].temperature": {"warm"}}, []string{"conditions[0].temperature: "}},
		"moved up": {url.Values{"guard": {"x"}, "conditions[2].supply.7": {"x"}, "conditions[9].temperature": {"y"}, "conditions[9].note": {"n"}},
			[]string{"conditions[0].supply.7: ", "conditions[1].temperature: ", "guard: "}},
		"no such supply":    {url.Values{"guard": {"1"}, "conditions[0].supply.3": {"x"}}, nil}, // the device has none there
		"beyond the bounds": {url.Values{"guard": {"1"}, "conditions[64].temperature": {"x"}}, nil},
	} {
		var p procedure.Procedure
		c.v.Set("name", " N ")
		ps := ReadProcedure(c.v, &p, twoSupplies())
		if p.Name != "N" || len(ps) != len(c.want) {
			t.Errorf("%s: %q, %v; want %v", name, p.Name, ps, c.want)
			continue
		}
		for i, w := range c.want {
			if got := ps[i].Field + ": " + ps[i].Message; !strings.HasPrefix(got, w) || got == w {
				t.Errorf("%s: %q, want %q", name, got, w)
			}
		}
	}
}

// TestConditionRows: empty rows go, those that are filled move together in the
// form too, and a heading alone fills none.
func TestConditionRows(t *testing.T) {
	v := url.Values{"guard": {"1"}, "conditions[1].group": {"H"}, "conditions[3].note": {" cold "}, "conditions[3].group": {"H"}, "conditions[5].supply.14": {"4.5"}}
	if n := ConditionRows(v); n != 6+spareConditions {
		t.Errorf("%d rows", n)
	}
	var p procedure.Procedure
	if ps := ReadProcedure(v, &p, twoSupplies()); len(ps) > 0 {
		t.Fatal(ps)
	}
	want := []procedure.Condition{{Note: "cold", Group: "H"}, {Supplies: []procedure.SupplyLevel{{Pin: 14, Level: 4.5}}}}
	if diff := cmp.Diff(want, p.Conditions); diff != "" {
		t.Error(diff)
	}
	var names []string
	for name := range v {
		if strings.HasPrefix(name, "conditions") {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	if want := []string{"conditions[0].group", "conditions[0].note", "conditions[1].supply.14"}; !slices.Equal(names, want) {
		t.Errorf("the form has %v, want %v", names, want)
	}
	for _, c := range []struct {
		v    url.Values
		want int
	}{
		{url.Values{}, spareConditions}, {url.Values{"do": {"rows"}}, 3 * spareConditions},
		{url.Values{"conditions[63].note": {"n"}}, procedure.MaxConditions}, {url.Values{"conditions[0].note": {"n"}}, 1 + spareConditions},
		{url.Values{"conditions[0].temperature": {" "}}, spareConditions},
	} {
		if got := ConditionRows(c.v); got != c.want {
			t.Errorf("%v: %d rows, want %d", c.v, got, c.want)
		}
	}
}

// TestConditionField: a supply is entered by its pin, in the document it is an
// element of a list.
func TestConditionField(t *testing.T) {
	conditions := []procedure.Condition{{}, {Supplies: []procedure.SupplyLevel{{Pin: 14}, {Pin: 7}}}}
	for path, want := range map[string]string{
		"conditions[1].supplies[0].level": "conditions[1].supply.14", "conditions[1].supplies[1].pin": "conditions[1].supply.7",
		"conditions[1].supplies[2].level": "conditions[1].supplies[2].level", "conditions[0].supplies[0]": "conditions[0].supplies[0]",
		"conditions[2].supplies[0]": "conditions[2].supplies[0]", "conditions[1].temperature": "conditions[1].temperature", "name": "name",
	} {
		if got := ConditionField(path, conditions); got != want {
			t.Errorf("%s is entered in %s, want %s", path, got, want)
		}
	}
}

// FuzzProcedure: whatever the form holds is read without harm; what passes
// comes back from its own form. A row of which only its heading or a field that
// is gone is filled is none there.
func FuzzProcedure(f *testing.F) {
	f.Add("name=a&guard=1&conditions[0].supply.14=4.5&conditions[3].temperature=85&conditions[3].group=x")
	f.Add("name=a&guard=x&conditions[-1].note=a&conditions[0].=b&conditions[00].note=c&conditions[63].supply.7=1e999")
	f.Add("name=a&guard=1&conditions[0].supply.3=5&conditions[1].note=n")
	f.Add("guard=0.5&notes=a%0D%0Ab&stopOnFail=1&conditions[1].temperature=NaN&conditions[1].note=%20")
	d := twoSupplies()
	f.Fuzz(func(t *testing.T, query string) {
		v, err := url.ParseQuery(query)
		if err != nil {
			t.Skip()
		}
		var p, again procedure.Procedure
		if ps := ReadProcedure(v, &p, d); len(ps) > 0 {
			return
		}
		ps := ReadProcedure(ProcedureValues(&p), &again, d)
		p.Conditions = slices.DeleteFunc(p.Conditions, func(c procedure.Condition) bool {
			return len(c.Supplies) == 0 && c.Temperature == nil && c.Note == ""
		})
		if diff := cmp.Diff(p, again, cmpopts.EquateEmpty()); len(ps) > 0 || diff != "" {
			t.Fatalf("read back differently: %v\n%s", ps, diff)
		}
	})
}
