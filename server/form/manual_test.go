package form

import (
	"maps"
	"net/url"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"ohmkeep/server/demo"
	"ohmkeep/server/procedure"
)

// TestManual reads each thing that can be done by hand.
func TestManual(t *testing.T) {
	d := demo.Scenario().Devices[0].SortPins()
	base := url.Values{"pin": {"2"}, "use": {"voltage"}, "level": {"1 V"}, "compliance": {"1 mA"}, "cycles": {"1"}, "against": {"0"}, "powered": {"1"}}
	with := func(more url.Values) url.Values {
		v := maps.Clone(base)
		maps.Copy(v, more)
		return v
	}
	for name, c := range map[string]struct {
		v    url.Values
		want procedure.Measurement
	}{
		"read": {with(url.Values{"do": {"read"}, "settle": {"2 ms"}}), procedure.Measurement{Kind: "watch", Name: "Force and read", Use: procedure.UseVoltage, Level: 1,
			Duration: watchFor, Interval: watchEvery, Settle: procedure.Settle{Time: 0.002}}},
		"read against a pin, with another held": {with(url.Values{"do": {"read"}, "against": {"3"}, "hold-pin": {"", "4"}, "hold-use": {"", "current"}, "hold-level": {"", "1 µA"}, "hold-compliance": {"", "2 V"}}),
			procedure.Measurement{Kind: "watch", Name: "Force and read", Use: procedure.UseVoltage, Level: 1, Duration: watchFor, Interval: watchEvery,
				Hold: []procedure.Hold{{Pin: 4, Use: procedure.UseCurrent, Level: 1e-6, Compliance: 2}, {Pin: 3, Use: procedure.UseReturn}}}},
		"ohmmeter": {with(url.Values{"do": {"ohm"}, "method": {string(procedure.TwoWire)}, "current": {"100 µA"}, "compliance": {"1 V"}, "against": {"3"}}),
			procedure.Measurement{Kind: "resistance", Name: "Resistance", Use: procedure.UseCurrent, Method: procedure.TwoWire, Against: 3, Level: 1e-4, Repeats: ohmRepeats}},
		"curve": {with(url.Values{"do": {"curve"}, "spacing": {"linear"}, "from": {"0"}, "to": {"1 V"}, "points": {"11"}, "back": {"1"}, "hold-pin": {"4"}, "hold-use": {"return"}}),
			procedure.Measurement{Kind: "sweep", Name: "I–V curve", Use: procedure.UseVoltage, Sweep: &procedure.Sweep{Spacing: procedure.Linear, To: 1, Points: 11, Back: true},
				Hold: []procedure.Hold{{Pin: 4, Use: procedure.UseReturn}}}},
	} {
		c.want.ID, c.want.Pins, c.want.Powered, c.want.Aperture.Cycles = "manual", []int{2}, true, 1
		c.want.Compliance = map[bool]float64{true: 1, false: 1e-3}[c.want.Kind == "resistance"]
		r := NewReader(c.v)
		got := r.manual(&d)
		if diff := cmp.Diff(c.want, got); diff != "" || len(r.Problems) > 0 {
			t.Errorf("%s: %v\n%s", name, r.Problems, diff)
		}
	}
}

func TestManualProblems(t *testing.T) {
	d := demo.Scenario().Devices[0].SortPins()
	for name, c := range map[string]struct {
		v    url.Values
		want []string
	}{
		"empty": {url.Values{}, []string{"pin", "do", "compliance", "cycles"}},
		"fields": {url.Values{"do": {"curve"}, "pin": {"99"}, "against": {"x"}, "use": {"voltage"}, "from": {"1 A"}, "to": {"1 V"}, "points": {"0"}, "compliance": {"1 mA"}, "cycles": {"1"}},
			[]string{"pin", "against", "from", "points"}},
		"holds": {url.Values{"do": {"read"}, "pin": {"2"}, "use": {"voltage"}, "level": {"1"}, "compliance": {"1 mA"}, "cycles": {"1"}, "settle": {"1 V"},
			"hold-pin": {"77", "3"}, "hold-use": {"return", "voltage"}, "hold-level": {"", "1 A"}, "hold-compliance": {"", ""}},
			[]string{"hold-pin", "hold-level-2", "hold-compliance-2", "settle"}},
		"what makes no sense": {url.Values{"do": {"curve"}, "pin": {"2"}, "use": {"voltage"}, "spacing": {"odd"}, "from": {"0"}, "to": {"1"}, "points": {"5"}, "compliance": {"1 mA"}, "cycles": {"1"}},
			[]string{"spacing"}},
	} {
		_, ps := CheckManual(c.v, &d)
		var got []string
		for _, p := range ps {
			got = append(got, p.Field)
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, want %v", name, ps, c.want)
		}
	}
}

// FuzzManual: whatever the form holds is read without harm; what passes is what
// its kind accepts.
func FuzzManual(f *testing.F) {
	d := demo.Scenario().Devices[0]
	f.Add("do=read&pin=2&use=voltage&level=1&compliance=1m&cycles=1&hold-pin=3&hold-use=current")
	f.Add("do=curve&pin=2&use=current&spacing=log&from=1u&to=1m&points=9&compliance=1V&cycles=1&against=3&back=1")
	f.Add("do=ohm&method=4-wire&pin=2&current=100u&compliance=1V&cycles=0.5&against=3&powered=1&settle=2ms")
	f.Add("do=read&pin=2&use=current&level=-1u&compliance=1&cycles=1&against=0&hold-pin=&hold-use=return&hold-pin=4&hold-use=return")
	f.Add("do=curve&pin=2&use=voltage&spacing=list&from=0&to=1e999&points=10001&cycles=1&compliance=1")
	f.Add("do=&pin=00002&use=open&hold-pin=-1&hold-pin=99999999999999999999&hold-level=1&cycles=NaN")
	f.Add("do=ohm&method=x&pin=1&current=NaN")
	f.Fuzz(func(t *testing.T, query string) {
		v, err := url.ParseQuery(query)
		if err != nil {
			t.Skip()
		}
		m, ps := CheckManual(v, &d)
		if len(ps) > 0 {
			return
		}
		k, ok := procedure.KindByKey(m.Kind)
		if !ok || len(k.Validate(&m, &d)) > 0 {
			t.Fatalf("passed: %+v", m)
		}
	})
}
