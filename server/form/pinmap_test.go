package form

import (
	"net/url"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"ohmkeep/server/bench"
	"ohmkeep/server/demo"
	"ohmkeep/server/dut"
	"ohmkeep/server/rehearsal"
)

// drawPinMap draws a pin map that Validate accepts.
func drawPinMap(t *rapid.T, d *dut.Device, def *bench.Definition) bench.PinMap {
	contacts := make([]int, def.Contacts)
	for i := range contacts {
		contacts[i] = i + 1
	}
	contacts = rapid.Permutation(contacts).Draw(t, "contacts")
	pm := bench.PinMap{Device: d.Key, Bench: def.Key, Contacts: map[int]int{}}
	for i, p := range d.Pins {
		pm.Contacts[p.Number] = contacts[i]
	}
	for i := range rapid.IntRange(0, 4).Draw(t, "straps") {
		s := bench.Strap{Contact: contacts[i], Kind: rapid.SampledFrom([]bench.StrapKind{bench.StrapReturn, bench.StrapChannel, bench.StrapResistor}).Draw(t, "kind")}
		switch s.Kind {
		case bench.StrapChannel:
			s.Channel = rapid.SampledFrom(def.Channels).Draw(t, "channel").ID
		case bench.StrapResistor:
			s.To = rapid.SampledFrom(append([]int{0}, contacts[10:]...)).Draw(t, "to")
			s.Resistance = rapid.Float64Range(0.1, 1e6).Draw(t, "ohms")
		}
		pm.Straps = append(pm.Straps, s)
	}
	return pm
}

// awkwardBench is a bench whose channels' names could be taken for numbers, for
// each other or for the return.
func awkwardBench() bench.Definition {
	def := rehearsal.DefaultBench()
	def.Channels = append([]bench.Channel(nil), def.Channels...)
	for i, name := range []string{"2", "return", "x;y", "#3"} {
		if i < len(def.Channels) {
			def.Channels[i].Name = name
		}
	}
	return def
}

// TestPinMapRoundTrip: document to form to document is the identity.
func TestPinMapRoundTrip(t *testing.T) {
	d := demo.Scenario().Devices[0]
	for name, def := range map[string]bench.Definition{"rehearsal": rehearsal.DefaultBench(), "awkward names": awkwardBench()} {
		t.Run(name, func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				pm := drawPinMap(t, &d, &def)
				sent, err := url.ParseQuery(PinMapValues(&pm, &d, &def).Encode())
				if err != nil {
					t.Fatal(err)
				}
				got, ps := CheckPinMap(sent, &d, &def)
				if diff := cmp.Diff(pm, got); diff != "" || len(ps) > 0 {
					t.Fatalf("%v\n%s", ps, diff)
				}
			})
		})
	}
}

func TestPinMapProblems(t *testing.T) {
	d, def := demo.Scenario().Devices[0], rehearsal.DefaultBench()
	pm, _, err := bench.Propose(&def, &d)
	if err != nil {
		t.Fatal(err)
	}
	strap := func(cells ...string) func(url.Values) { return func(v url.Values) { StrapColumns.Add(v, cells...) } }
	for name, c := range map[string]struct {
		change func(url.Values)
		fields []string
	}{
		"as proposed":        {func(url.Values) {}, nil},
		"no number":          {func(v url.Values) { v["contact"][1] = "four" }, []string{"contacts[2]", "contacts[2]"}},
		"no contact":         {func(v url.Values) { v["contact"][1] = "" }, []string{"contacts[2]"}},
		"twice":              {func(v url.Values) { v["contact"][1] = v["contact"][0] }, []string{"contacts[2]"}},
		"unknown channel":    {strap("40", "channel", "7X", ""), []string{"straps[0].to"}},
		"return as channel":  {strap("40", "channel", "return", ""), []string{"straps[0].to"}},
		"no kind":            {strap("40", "", "", ""), []string{"straps[0].kind"}},
		"wire of a value":    {strap("40", "return", "", "5"), []string{"straps[0].resistance"}},
		"negative":           {strap("40", "resistor", "", "-5"), []string{"straps[0].resistance"}},
		"leads to no number": {strap("40", "resistor", "x", "5"), []string{"straps[0].to"}},
		"empty row":          {strap("", "", "", ""), nil},
		"no contact number":  {strap("x", "return", "", ""), []string{"straps[0].contact"}},
	} {
		v := PinMapValues(&pm, &d, &def)
		c.change(v)
		_, ps := CheckPinMap(v, &d, &def)
		var fields []string
		for _, p := range ps {
			fields = append(fields, p.Field)
		}
		if name == "no number" {
			fields, c.fields = fields[:1], c.fields[:1]
		}
		if diff := cmp.Diff(c.fields, fields); diff != "" {
			t.Errorf("%s: %v\n%s", name, ps, diff)
		}
	}
}

// TestContactPin: the path of a pin's contact leads back to the pin.
func TestContactPin(t *testing.T) {
	if pin, ok := ContactPin(dut.Problem{Field: ContactPath(14).String()}); !ok || pin != 14 {
		t.Errorf("%d, %v", pin, ok)
	}
	for _, field := range []string{"", "contacts", "contacts[-1]", "straps[3].contact", "contacts.3"} {
		if pin, ok := ContactPin(dut.Problem{Field: field}); ok {
			t.Errorf("%q leads to pin %d", field, pin)
		}
	}
}

// FuzzPinMap: whatever a form holds is read without harm, and what passes is
// read back as the same.
func FuzzPinMap(f *testing.F) {
	def, d := rehearsal.DefaultBench(), demo.Scenario().Devices[0]
	f.Add("pin=1&contact=1&pin=2&contact=48&pin=3&contact=0&pin=4&contact=x")
	f.Add("pin=1&contact=1&strapAt=1&strapKind=resistor&strapTo=9&strapOhms=4k7&strapAt=&strapKind=channel&strapTo=1a")
	pm, _, _ := bench.Propose(&def, &d)
	f.Add(PinMapValues(&pm, &d, &def).Encode() + "&strapAt=40&strapKind=channel&strapTo=%231&strapOhms=")
	f.Fuzz(func(t *testing.T, query string) {
		v, err := url.ParseQuery(query)
		if err != nil {
			t.Skip()
		}
		pm, ps := CheckPinMap(v, &d, &def)
		if len(ps) > 0 {
			return
		}
		again, ps := CheckPinMap(PinMapValues(&pm, &d, &def), &d, &def)
		if diff := cmp.Diff(pm, again, cmpopts.EquateEmpty()); len(ps) > 0 || diff != "" {
			t.Fatalf("read back differently: %v\n%s", ps, diff)
		}
	})
}
