package form

import (
	"net/url"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/bench"
)

func testWorlds() []bench.NamedWorld {
	quiet := bench.World{Distribution: bench.Rectangular, Errors: 1, Ambient: 27}
	loud := bench.World{Distribution: bench.Rectangular, Errors: 1, Noise: 1, Drift: 0.1, Ambient: 23}
	return []bench.NamedWorld{{Key: "quiet", Title: "a quiet one", World: quiet}, {Key: "loud", Title: "a loud one", World: loud}}
}

// TestSurroundingsRoundTrip: bench, world and room to form and back is the
// identity, also for a world that has no name.
func TestSurroundingsRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		worlds := testWorlds()
		w := rapid.SampledFrom(worlds).Draw(t, "world").World
		w.Ambient = rapid.Float64Range(-55, 150).Draw(t, "room")
		if rapid.Bool().Draw(t, "of its own") {
			w.Hum = 3
		}
		seed := rapid.Uint64Range(0, 1<<53-1).Draw(t, "seed")
		v := url.Values{}
		SurroundingsValues(v, seed, w, worlds)
		sent, err := url.ParseQuery(v.Encode())
		if err != nil {
			t.Fatal(err)
		}
		var q bench.Seating
		if ps := CheckSurroundings(sent, w, worlds, &q); len(ps) > 0 || *q.BenchSeed != seed || *q.World != w {
			t.Fatalf("%v: %+v of %+v", ps, q, w)
		}
	})
}

// TestSurroundingsChange: what is empty stays; another world brings its own
// room unless one is given.
func TestSurroundingsChange(t *testing.T) {
	worlds := testWorlds()
	now := worlds[0].World
	now.Ambient = 30
	for name, x := range map[string]struct {
		sent  url.Values
		world func() *bench.World
	}{
		"nothing":        {url.Values{}, func() *bench.World { return nil }},
		"the room":       {url.Values{"ambient": {"-5 °C"}}, func() *bench.World { w := now; w.Ambient = -5; return &w }},
		"the same world": {url.Values{"world": {"quiet"}}, func() *bench.World { return &now }},
		"another world":  {url.Values{"world": {"loud"}}, func() *bench.World { return &worlds[1].World }},
		"both of them":   {url.Values{"world": {"loud"}, "ambient": {"21,5"}}, func() *bench.World { w := worlds[1].World; w.Ambient = 21.5; return &w }},
	} {
		var q bench.Seating
		ps := CheckSurroundings(x.sent, now, worlds, &q)
		want := x.world()
		if len(ps) > 0 || q.BenchSeed != nil || (q.World == nil) != (want == nil) || want != nil && *q.World != *want {
			t.Errorf("%s: %v, %+v", name, ps, q.World)
		}
	}
	for field, v := range map[string]string{"benchSeed": "-1", "world": "none", "ambient": "warm"} {
		var q bench.Seating
		if ps := CheckSurroundings(url.Values{field: {v}}, now, worlds, &q); len(ps) != 1 || ps[0].Field != field {
			t.Errorf("%s %q: %v", field, v, ps)
		}
	}
	if said := SurroundingsText(48, now, worlds); !strings.Contains(said, "seed 48") || !strings.Contains(said, "30 °C") || !strings.Contains(said, "a quiet one") {
		t.Error(said)
	}
	now.Hum = 2
	if said := SurroundingsText(48, now, worlds); !strings.Contains(said, "of its own") {
		t.Error(said)
	}
}
