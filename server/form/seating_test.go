package form

import (
	"net/url"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"ohmkeep/server/bench"
)

// testModels and testFaults are those of a bench that can be rehearsed.
var (
	testModels = []bench.Model{{Key: "load", Title: "Load", Options: []bench.ModelOption{{Key: "ohms", Title: "Resistance", Unit: "Ω", Default: 100}}}, {Key: "plug", Title: "Plug"}}
	testFaults = []bench.FaultKind{
		{Kind: "floating", Title: "Enable floating", Fields: []string{"mux"}}, {Kind: "stuck", Title: "Path stuck", Fields: []string{"path"}},
		{Kind: "drift", Title: "Gain drift", Fields: []string{"channel", "value"}, Unit: "1"},
		{Kind: "swapped", Title: "Contacts swapped", Fields: []string{"contact", "contact2"}},
		{Kind: "contact", Title: "Contact resistance", Fields: []string{"contact", "value"}, Unit: "Ω"},
	}
	unitFaults = []bench.FaultKind{{Kind: "open", Title: "Open bond", Fields: []string{"pin"}}, {Kind: "leak", Title: "Leaky", Fields: []string{"pin", "pin2", "value"}, Unit: "Ω"}}
)

// TestSeatingRoundTrip: document to form to document is the identity. The pin
// map and the bench's own faults are no part of the form.
func TestSeatingRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := bench.Seating{Model: "load", Serial: rapid.StringMatching(`[A-Z0-9-]{0,8}`).Draw(t, "serial"), Lot: rapid.StringMatching(`[A-Z0-9-]{0,8}`).Draw(t, "lot"),
			Seed: rapid.Uint64Range(0, 1<<53-1).Draw(t, "seed")}
		model := ""
		if rapid.Bool().Draw(t, "of a device") {
			q.Device, model = "load", "load"
		}
		if rapid.Bool().Draw(t, "option") {
			q.Options = map[string]float64{"ohms": rapid.Float64Range(1, 1e6).Draw(t, "ohms")}
		}
		for range rapid.IntRange(0, 3).Draw(t, "faults") {
			q.UnitFaults = append(q.UnitFaults, bench.UnitFault{Kind: rapid.SampledFrom(unitFaults).Draw(t, "kind").Kind, Pin: rapid.IntRange(0, 48).Draw(t, "pin"),
				Pin2: rapid.IntRange(0, 48).Draw(t, "pin2"), Value: rapid.Float64Range(0, 1e9).Draw(t, "value")})
		}
		sent, err := url.ParseQuery(SeatingValues(&q).Encode())
		if err != nil {
			t.Fatal(err)
		}
		got, seeded, ps := CheckSeating(sent, testModels, model)
		if diff := cmp.Diff(q, got, cmpopts.EquateEmpty()); diff != "" || len(ps) > 0 || !seeded {
			t.Fatalf("%v, seeded %v\n%s", ps, seeded, diff)
		}
	})
}

// TestBenchFaultsRoundTrip: document to form to document is the identity.
func TestBenchFaultsRoundTrip(t *testing.T) {
	def := deskBench()
	rapid.Check(t, func(t *rapid.T) {
		var faults []bench.BenchFault
		for range rapid.IntRange(0, 4).Draw(t, "faults") {
			f := bench.BenchFault{Kind: rapid.SampledFrom(testFaults).Draw(t, "kind").Kind}
			switch f.Kind {
			case "floating":
				f.Mux = rapid.SampledFrom([]string{"1A/1-16", "m 1"}).Draw(t, "mux")
			case "stuck":
				f.Path = bench.PathID(rapid.IntRange(1, 4096).Draw(t, "path"))
			case "drift":
				f.Channel, f.Value = rapid.SampledFrom(def.Channels).Draw(t, "channel").ID, rapid.Float64Range(-1, 1).Filter(func(v float64) bool { return v != 0 }).Draw(t, "part")
			default:
				f.Contact, f.Contact2, f.Value = rapid.IntRange(1, 48).Draw(t, "contact"), rapid.IntRange(0, 48).Draw(t, "contact2"), rapid.Float64Range(0, 1e6).Draw(t, "ohms")
			}
			faults = append(faults, f)
		}
		got, ps := CheckBenchFaults(BenchFaultValues(faults, testFaults), testFaults, &def)
		if diff := cmp.Diff(faults, got, cmpopts.EquateEmpty()); diff != "" || len(ps) > 0 {
			t.Fatalf("%v\n%s", ps, diff)
		}
	})
}

func TestSeatingProblems(t *testing.T) {
	for name, c := range map[string]struct {
		v    url.Values
		want []string
	}{
		"nothing":       {url.Values{}, []string{"model"}},
		"a model":       {url.Values{"model": {"model:plug"}}, nil},
		"no such model": {url.Values{"model": {"model:x"}}, []string{"model"}},
		"an option":     {url.Values{"model": {"model:load"}, "option": {"5 V"}}, []string{"option"}},
		"no option":     {url.Values{"model": {"model:plug"}, "option": {"5 V"}}, nil}, // the model has none
		"a seed":        {url.Values{"model": {"model:load"}, "seed": {"-1"}}, []string{"seed"}},
		"a large seed":  {url.Values{"model": {"model:load"}, "seed": {"9007199254740992"}}, []string{"seed"}},
		"rows": {url.Values{"model": {"model:load"}, "fault": {"open", "", "leak"}, "at": {"x", "y", "1"}, "other": {"", "", "-2"}, "value": {"", "", "5 V"}},
			[]string{"at-1", "other-3", "value-3"}},
	} {
		_, seeded, ps := CheckSeating(c.v, testModels, "")
		var got []string
		for _, p := range ps {
			got = append(got, p.Field)
		}
		if !slices.Equal(got, c.want) || seeded != (c.v.Get("seed") != "") {
			t.Errorf("%s: %v, want %v", name, ps, c.want)
		}
	}
	def := deskBench()
	v := url.Values{"fault": {"drift", "drift", "drift", "stuck", "floating"}, "at": {"1b", "2", "9Z", "1A/1", "1A/1"}, "other": {"x"}, "value": {"2 %", "0.02", "", "", ""}}
	got, ps := CheckBenchFaults(v, testFaults, &def)
	want := []bench.BenchFault{{Kind: "drift", Channel: 2, Value: 0.02}, {Kind: "drift", Channel: 2, Value: 0.02}}
	if !slices.Equal(got[:2], want) || got[4].Mux != "1A/1" || len(ps) != 3 || ps[0].Field != "at-3" || ps[1].Field != "value-3" || ps[2].Field != "at-4" {
		t.Errorf("%+v, %v", got, ps)
	}
}

// TestFaultTexts writes each kind of fault in words.
func TestFaultTexts(t *testing.T) {
	def := deskBench()
	for want, f := range map[string]bench.BenchFault{
		"Enable floating: 1A/1-16":                          {Kind: "floating", Mux: "1A/1-16"},
		"Path stuck: path 1 (" + def.Paths[0].Address + ")": {Kind: "stuck", Path: def.Paths[0].ID},
		"Path stuck: path 9999":                             {Kind: "stuck", Path: 9999},
		"Gain drift: 1B, 2.00 %":                            {Kind: "drift", Channel: 2, Value: 0.02},
		"Contacts swapped: contact 1 and contact 2":         {Kind: "swapped", Contact: 1, Contact2: 2},
		"Contact resistance: contact 3, 5.00 Ω":             {Kind: "contact", Contact: 3, Value: 5},
		"gone: contact 4":                                   {Kind: "gone", Contact: 4},
	} {
		if got := BenchFaultText(testFaults, f, &def); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
	if got := UnitFaultText(unitFaults, bench.UnitFault{Kind: "leak", Pin: 1, Pin2: 2, Value: 1e6}); got != "Leaky, pin 1 and pin 2, 1.00 MΩ" {
		t.Errorf("%q", got)
	}
}

// FuzzSeating: whatever the forms of a rehearsal bench hold is read without harm.
func FuzzSeating(f *testing.F) {
	f.Add("model=model:load&option=5&fault=open&at=1&other=&value=")
	f.Add("model=model:plug&serial=A-1&lot=L&seed=0&fault=leak&at=1&other=2&value=1M%CE%A9&fault=&at=x")
	f.Add("model=model:load&option=4k7&seed=9007199254740991&fault=open&at=65536&fault=open&at=-1")
	f.Add("model=device:&fault=stuck&at=7&fault=swapped&at=1&other=48&fault=contact&at=3&value=5&fault=gone&at=4")
	f.Add("fault=drift&at=%231&value=NaN%25&fault=drift&at=&value=1e400&fault=drift&at=1b&value=-0,5+%25")
	f.Add("model=device:load&seed=99999999999999999999&fault=drift&at=1A&value=%25&fault=floating&at=1A/1-16")
	def := deskBench()
	f.Fuzz(func(t *testing.T, query string) {
		v, err := url.ParseQuery(query)
		if err != nil {
			t.Skip()
		}
		if q, seeded, ps := CheckSeating(v, testModels, "load"); len(ps) == 0 && seeded {
			again, _, ps := CheckSeating(SeatingValues(&q), testModels, "load")
			if diff := cmp.Diff(q, again, cmpopts.EquateEmpty()); len(ps) > 0 || diff != "" {
				t.Fatalf("read back differently: %v\n%s", ps, diff)
			}
		}
		faults, ps := CheckBenchFaults(v, testFaults, &def)
		if len(ps) == 0 {
			_, _ = CheckBenchFaults(BenchFaultValues(faults, testFaults), testFaults, &def)
		}
	})
}
