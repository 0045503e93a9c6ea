package form

import (
	"fmt"
	"net/url"
	"strings"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
)

// newBenchValues is the short form of a bench with four cards.
func newBenchValues() url.Values {
	v := url.Values{"name": {"Four cards"}, "cards": {"4"}, "perCard": {"2"}, "contacts": {"40"}, "lineHz": {"60"}, "switchTime": {"3 ms"}, "ways": {"16"},
		"return": {"1"}, "sense": {"1"}, "resistance": {"5"}, "leakage": {"10 pS"}, "sourceR": {"1"}}
	for i := range 4 {
		v.Set("addresses", strings.TrimSpace(v.Get("addresses")+fmt.Sprintf("\r\ntcp://192.0.2.%d:5025", i+1)))
	}
	for _, row := range [][]string{{"2 V; 10 V", "16 bit", "0.05 %", "0.02 %", "5 ppm"}, {"100 µA, 10 mA,1 mA", "16 bit", "0.1 %", "300 ppm", ""},
		{"10,5", "20 bits", "300 ppm", "1 mV", ""}, {"1e-3", "1 nA", "0,05 %", "", "1 nA"}} {
		NewBenchColumns.Add(v, row...)
	}
	return v
}

// TestNewBench: the short form makes a bench with nothing to mend but its key,
// which the caller chooses.
func TestNewBench(t *testing.T) {
	d, ps := ReadNewBench(newBenchValues())
	if len(ps) > 0 {
		t.Fatal(ps)
	}
	if d.Key = KeyFor(d.Name); len(d.Check()) > 0 {
		t.Errorf("to mend: %v", d.Check())
	}
	last := d.Channels[len(d.Channels)-1]
	if len(d.Channels) != 8 || len(d.Connections) != 4 || len(d.Paths) != 9*40 || last.Number != 2 || last.Name != "4B" || d.LineHz != 60 {
		t.Errorf("%d channels, %d connections, %d paths, %+v", len(d.Channels), len(d.Connections), len(d.Paths), last)
	}
	c := d.Channels[0]
	if len(c.ForceI) != 3 || c.ForceI[1].FullScale != 1e-3 || c.SenseV[0].FullScale != 10.5 || c.ForceV[1].Offset != 2e-3 || c.SenseI[0].Gain != 5e-4 {
		t.Errorf("channel %+v", c)
	}
	one := newBenchValues()
	one.Set("addresses", "serial:///dev/ttyACM0")
	if d, ps := ReadNewBench(one); len(ps) > 0 || len(d.Connections) != 1 || len(d.Connections[0].Cards) != 4 || d.Channels[3].Number != 0 {
		t.Errorf("behind one address: %v, %+v", ps, d.Connections)
	}
}

func TestNewBenchProblems(t *testing.T) {
	for name, c := range map[string]struct{ field, value, at string }{
		"a name": {"name", " ", "name"}, "cards": {"cards", "0", "cards"}, "channels": {"perCard", "20", "perCard"}, "no number": {"cards", "x", "cards"},
		"addresses": {"addresses", "tcp://a:1 tcp://b:1", "addresses"}, "an address": {"addresses", "card", "addresses"},
		"contacts": {"contacts", "49", "contacts"}, "ways": {"ways", "", "ways"}, "scales": {"newScales", "", "functions[0].scales"},
		"a gain": {"newGain", "5", "functions[0].gain"}, "too much": {"newScales", "100 V", "functions[0].scales"}, "twice": {"newScales", "2 V; 2 V", "functions[0].scales"},
		"leakage": {"leakage", "5 A", "leakage"}, "resistance": {"resistance", "x", "resistance"}, "step": {"newStep", "5 A", "functions[0].step"},
	} {
		v := newBenchValues()
		v[c.field][0] = c.value
		d, ps := ReadNewBench(v)
		if d.Key = "k"; len(ps) == 0 {
			ps = NewBenchProblems(d.Check())
		}
		if !named(ps, c.at) {
			t.Errorf("%s: %v, want %s", name, ps, c.at)
		}
	}
	for field, want := range map[string]string{"key": "key", "channels": "perCard", "channels[3].name": "perCard", "paths[0].mux": "ways", "connections[1].address": "addresses",
		"channels[0].senseI[2].fullScale": "functions[3].scales", "channels[0].forceI": "functions[1].scales", "channels[0].senseV[0].noise": "functions[2].noise"} {
		if got := NewBenchProblems(dut.Problems{{Field: field, Message: "m"}, {Field: field, Message: "m"}}); len(got) != 1 || got[0].Field != want {
			t.Errorf("%s leads to %v, want %s", field, got, want)
		}
	}
}

// FuzzNewBench: whatever the short form holds is read without harm; what passes
// has no more channels and paths than a bench may have.
func FuzzNewBench(f *testing.F) {
	f.Add(newBenchValues().Encode())
	f.Add("cards=16&perCard=4&contacts=-3&ways=48&newScales=1V&newScales=1&newScales=1&newScales=1&name=x&return=1")
	f.Fuzz(func(t *testing.T, query string) {
		v, err := url.ParseQuery(query)
		if err != nil {
			t.Skip()
		}
		d, ps := ReadNewBench(v)
		if NewBenchProblems(d.Check()); len(ps) == 0 && (len(d.Channels) > mostChannels || len(d.Paths) > bench.MaxPaths) {
			t.Fatalf("%d channels, %d paths", len(d.Channels), len(d.Paths))
		}
	})
}
