package routes

import (
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/form"
	"ohmkeep/store"
)

// deskForm is the editor's form of the bench as it is stored.
func deskForm(a *apiRig) url.Values {
	a.t.Helper()
	b, err := a.store.GetBench(a.t.Context(), "desk", 0)
	must(a.t, err)
	v := form.BenchValues(&b.Body)
	v.Set("rev", strconv.Itoa(b.Rev))
	return v
}

func newDeskBench(t *testing.T) *apiRig {
	t.Helper()
	a := newAPI(t)
	def := cardBench()
	def.Connections[0].Commands.Safe = "ABOR"
	read[apiSaved](a, a.ask(store.Operator, "PUT", "/benches/desk/definition", def), 201)
	return a
}

func (a *apiRig) editDesk(v url.Values, do string, status int, parts ...string) string {
	a.t.Helper()
	v.Set("do", do)
	w := a.askPage(store.Operator, "POST", "/benches/desk/edit", v)
	if w.Code != status {
		a.t.Errorf("%s: status %d, want %d", do, w.Code, status)
	}
	for _, part := range parts {
		if !strings.Contains(w.Body.String(), part) {
			a.t.Errorf("%s: nothing of %q", do, part)
		}
	}
	return w.Body.String()
}

// An edit is a revision; the dialect, which the form does not show, stays with
// its connection, whatever that is called now.
func TestBenchEditSaves(t *testing.T) {
	a := newDeskBench(t)
	v := deskForm(a)
	a.editDesk(v, "save", http.StatusSeeOther) // nothing was edited
	if b, _ := a.store.GetBench(t.Context(), "desk", 0); b.Rev != 1 {
		t.Errorf("an untouched form made revision %d", b.Rev)
	}
	v["connName"][0], v["connAddress"][0] = "main", "serial:///dev/ttyACM0?baud=9600"
	v["rangeGain"][0], v["rangeStep"][0] = "400 ppm", "20 bit"
	v["chanName"] = append(v["chanName"], "1C") // a third channel, numbered by the program
	for _, c := range []string{"chanID", "chanCard", "chanNumber", "chanSense", "chanSourceR"} {
		v[c] = append(v[c], map[string]string{"chanCard": "1"}[c])
	}
	page := a.editDesk(v, "look", http.StatusOK, "serial line /dev/ttyACM0, 9600 bits/s", "No path leads to 1C")
	if strings.Contains(page, "is wrong") {
		t.Error("a sound form is refused")
	}
	a.editDesk(v, "save", http.StatusSeeOther)
	b, err := a.store.GetBench(t.Context(), "desk", 0)
	must(t, err)
	if c := b.Body.Connections[0]; c.Name != "main" || c.Commands.Safe != "ABOR" || c.Address != "serial:///dev/ttyACM0?baud=9600" {
		t.Errorf("connection %+v", c)
	}
	if r := b.Body.Channels[2].ForceV[0]; b.Rev != 2 || b.Body.Channels[2].ID != 3 || r.Gain != 4e-4 || r.Step != 4.0/(1<<20) {
		t.Errorf("revision %d, channel %+v", b.Rev, b.Body.Channels[2])
	}
}

// Whatever is typed wrong is told at its field, and nothing is saved.
func TestBenchEditRefuses(t *testing.T) {
	a := newDeskBench(t)
	for name, c := range map[string]struct {
		spoil func(url.Values)
		said  []string
	}{
		"empty":               {func(v url.Values) { clear(v) }, []string{"bench-contacts-error", "enter a number"}},
		"no channels":         {func(v url.Values) { v.Del("chanID"); v.Del("chanName"); v.Del("chanCard") }, []string{"there is no channel"}},
		"a unit":              {func(v url.Values) { v["rangeOffset"][0] = "5 mA" }, []string{"bench-ranges-0-offset-error", "write a voltage such as"}},
		"a bare part":         {func(v url.Values) { v["rangeGain"][2] = "0.05" }, []string{"bench-ranges-2-gain-error", "write a part such as 0.05 % or 500 ppm"}},
		"a decimal comma":     {func(v url.Values) { v["rangeScale"][0] = "1,000" }, []string{"bench-ranges-0-fullScale-error"}},
		"the same full scale": {func(v url.Values) { v["rangeScale"][1] = v["rangeScale"][0] }, []string{"bench-ranges-1-fullScale-error", "ranges must ascend"}},
		"no such channel":     {func(v url.Values) { v["rangeOf"][0] = "9Z" }, []string{"bench-ranges-0-channels-error", "there is no channel &#34;9Z&#34;"}},
		"no function":         {func(v url.Values) { v["rangeFunction"][0] = "" }, []string{"bench-ranges-0-function-error", "choose what the range is of"}},
		"a table too few":     {func(v url.Values) { dropRows(v, form.RangeColumns, "rangeFunction", "senseI") }, []string{"1A senses current: must be 1 to 16 ranges"}},
		"an address":          {func(v url.Values) { v["connAddress"][0] = "card:5025" }, []string{"bench-connections-0-address-error", "write tcp://host:port"}},
		"a card twice":        {func(v url.Values) { form.ConnectionColumns.Add(v, "more", "tcp://x:1", "1", "1 s", "", "", "", "") }, []string{"card 1 is behind cards already"}},
		"a place twice": {func(v url.Values) {
			form.ConnectionColumns.Add(v, "more", v["connAddress"][0], "2", "1 s", "", "", "", "")
		}, []string{"is the address of cards already"}},
		"no timeout":       {func(v url.Values) { v["connTimeout"][0] = "" }, []string{"bench-connections-0-timeout-error"}},
		"a card behind it": {func(v url.Values) { v["chanCard"][1] = "7" }, []string{"bench-channels-1-card-error", "card 7 is behind no connection"}},
		"a number twice":   {func(v url.Values) { v["chanNumber"][1] = "1" }, []string{"1A has number 1 behind cards too"}},
		"an address twice": {func(v url.Values) { v.Set("paths", strings.Replace(v.Get("paths"), "1!2", "1!1", 1)) }, []string{"line 3 of the paths: address 1!1 is that of 1A to contact 1 too"}},
		"a contact":        {func(v url.Values) { v.Set("contacts", "4") }, []string{"line 6 of the paths: contact 5 is not on this bench"}},
		"10,000 paths":     {func(v url.Values) { v.Set("paths", strings.Repeat("1A\t1\tm\t1!1\n", 10_000)) }, []string{"the table has 10000 lines"}},
	} {
		v := deskForm(a)
		c.spoil(v)
		t.Run(name, func(t *testing.T) {
			was := a.t
			a.t = t
			defer func() { a.t = was }()
			a.editDesk(v, "save", http.StatusUnprocessableEntity, c.said...)
		})
	}
	if b, _ := a.store.GetBench(t.Context(), "desk", 0); b.Rev != 1 {
		t.Errorf("revision %d was kept", b.Rev)
	}
}

func dropRows(v url.Values, columns []string, column, value string) {
	kept := url.Values{}
	for i, x := range v[column] {
		if x != value {
			for _, c := range columns {
				kept[c] = append(kept[c], v[c][i])
			}
		}
	}
	for _, c := range columns {
		v[c] = kept[c]
	}
}

// A second path between the same is told of and kept.
func TestSecondPath(t *testing.T) {
	a := newDeskBench(t)
	v := deskForm(a)
	v.Set("paths", v.Get("paths")+"\n\t1A\t1\tm\t1!99")
	a.editDesk(v, "look", http.StatusOK, "Line 26 of the paths: a second path joins 1A to contact 1")
	a.editDesk(v, "save", http.StatusSeeOther)
}

// The second of two editors is told what the first changed, loses nothing, and
// can take over what does not clash.
func TestBenchTwoEditors(t *testing.T) {
	a := newDeskBench(t)
	mine, theirs := deskForm(a), deskForm(a)
	theirs.Set("contacts", "9")
	theirs["chanSourceR"][0] = "1 Ω"
	a.editDesk(theirs, "save", http.StatusSeeOther)
	mine["chanSourceR"][1] = "3 Ω"
	page := a.editDesk(mine, "save", http.StatusConflict, "saved revision 2 of this bench", "channel 1A: source resistance", "channel 1B: source resistance", `value="3 Ω"`, "Take over theirs")
	mine.Set("rev", "2")
	mine.Set("from", "1")
	if !strings.Contains(page, `name="rev" value="2"`) || !strings.Contains(page, `name="from" value="1"`) {
		t.Error("the form does not start from their revision")
	}
	a.editDesk(mine, "merge", http.StatusOK, `value="3 Ω"`, `value="1 Ω"`, `value="9"`)
	b, err := a.store.GetBench(t.Context(), "desk", 1)
	must(t, err)
	now, err := a.store.GetBench(t.Context(), "desk", 2)
	must(t, err)
	e := benchEditing{values: mine, stored: now}
	e.values.Set("key", "desk")
	must(t, a.server.mergeBench(t.Context(), &e))
	if d := e.read.Def; d.Contacts != 9 || d.Channels[0].SourceR != 1 || d.Channels[1].SourceR != 3 || b.Body.Contacts != 8 {
		t.Errorf("merged to %d contacts, %g and %g Ω", d.Contacts, d.Channels[0].SourceR, d.Channels[1].SourceR)
	}
	if w := a.askPage(store.Owner, "POST", "/benches/desk/delete", url.Values{}); w.Code != http.StatusSeeOther {
		t.Fatalf("deleting: %d", w.Code)
	}
	mine = deskForm(a)
	mine.Set("name", "Renamed")
	a.editDesk(mine, "save", http.StatusConflict, "deleted this bench")
	mine.Set("revive", "1")
	a.editDesk(mine, "save", http.StatusSeeOther)
}

// A rule makes the paths of multiplexers, in place of those that join the same.
func TestPathRule(t *testing.T) {
	a := newDeskBench(t)
	v := deskForm(a)
	for name, value := range map[string]string{"ruleLines": "1A, return", "ruleFrom": "3", "ruleTo": "8", "ruleWays": "4", "ruleAddress": "{channel}!{mux}{way}",
		"ruleResistance": "2,5", "ruleLeakage": "200 GΩ", "ruleMax": "50 mA", "ruleSense": "1"} {
		v.Set(name, value)
	}
	a.editDesk(v, "generate", http.StatusOK, "12 paths were made by the rule", "1A/3-6", "1A/7-8", "return/7-8")
	e := benchEditing{values: v, stored: &store.Revised[bench.Definition]{Body: cardBench()}}
	e.look()
	if status := e.generate(); status != http.StatusOK || len(e.read.Def.Paths) != 24 || len(e.problems) > 0 {
		t.Fatalf("%d: %d paths, %v", status, len(e.read.Def.Paths), e.problems)
	}
	want := bench.Path{ID: 7, Channel: 1, Contact: 7, Mux: "1A/7-8", Address: "1!21", Resistance: 2.5, Leakage: 5e-12, Kelvin: true, MaxCurrent: 0.05}
	if got := e.read.Def.Paths[6]; got != want {
		t.Errorf("got  %+v\nwant %+v", got, want)
	}
	for name, c := range map[string]struct{ field, value, said string }{
		"no line": {"ruleLines", "", "name channels, all, or return"}, "a line": {"ruleLines", "7Q", "there is no channel"},
		"beyond": {"ruleTo", "9", "the contacts go from 1 to 8"}, "backwards": {"ruleTo", "2", "the contacts go from 1 to 8"}, "no ways": {"ruleWays", "0", "1 to 48 ways"},
		"a place": {"ruleAddress", "{pin}", "there is no value for {pin} here"}, "a brace": {"ruleAddress", "{channel", "there is no value"}, "a unit": {"ruleResistance", "5 V", "write a resistance"},
	} {
		bad := url.Values{}
		for k, x := range v {
			bad[k] = append([]string(nil), x...)
		}
		bad.Set(c.field, c.value)
		if page := a.editDesk(bad, "generate", http.StatusUnprocessableEntity, c.said); !strings.Contains(page, "bench-"+c.field+"-error") {
			t.Errorf("%s: not told at its field", name)
		}
	}
}

// A bench from the short form can be used: it has channels, ranges, paths and
// connections, and nothing to mend.
func TestBenchFromNothing(t *testing.T) {
	a := newAPI(t)
	filled := func() url.Values {
		v := url.Values{"name": {"Four cards"}, "cards": {"4"}, "perCard": {"2"}, "contacts": {"40"}, "lineHz": {"60"}, "switchTime": {"3 ms"}, "ways": {"16"},
			"return": {"1"}, "sense": {"1"}, "resistance": {"5"}, "leakage": {"10 pS"}, "sourceR": {"1"}}
		for i := range 4 {
			v.Set("addresses", strings.TrimSpace(v.Get("addresses")+fmt.Sprintf("\r\ntcp://192.0.2.%d:5025", i+1)))
		}
		for _, row := range [][]string{{"2 V; 10 V", "16 bit", "0.05 %", "0.02 %", "5 ppm"}, {"100 µA, 10 mA,1 mA", "16 bit", "0.1 %", "300 ppm", ""},
			{"10,5", "20 bits", "300 ppm", "1 mV", ""}, {"1e-3", "1 nA", "0,05 %", "", "1 nA"}} {
			form.NewBenchColumns.Add(v, row...)
		}
		return v
	}
	w := a.askPage(store.Operator, "POST", "/benches/new", filled())
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/benches/four-cards/edit" {
		t.Fatalf("%d to %q: %s", w.Code, w.Header().Get("Location"), w.Body)
	}
	d := get[bench.Definition](a, "/benches/four-cards/definition")
	if len(d.Channels) != 8 || len(d.Connections) != 4 || len(d.Paths) != 9*40 || d.Channels[7].Number != 2 || d.Channels[7].Name != "4B" || d.LineHz != 60 {
		t.Errorf("%d channels, %d connections, %d paths", len(d.Channels), len(d.Connections), len(d.Paths))
	}
	c := d.Channels[0]
	if len(c.ForceI) != 3 || c.ForceI[1].FullScale != 1e-3 || c.SenseV[0].FullScale != 10.5 || c.ForceV[1].Offset != 2e-3 || c.SenseI[0].Gain != 5e-4 {
		t.Errorf("channel %+v", c)
	}
	if ps := d.Check(); len(ps) > 0 {
		t.Errorf("to mend: %v", ps)
	}
	if w := a.askPage(store.Operator, "GET", "/benches/four-cards/edit", nil); w.Code != 200 || !strings.Contains(w.Body.String(), "host 192.0.2.4, port 5025") {
		t.Errorf("editor: %d", w.Code)
	}
	for name, c := range map[string]struct{ field, value, said string }{
		"a name": {"name", " ", "new-name-error"}, "cards": {"cards", "0", "must be 1 to 16"}, "channels": {"perCard", "20", "a bench has at most 64"},
		"addresses": {"addresses", "tcp://a:1 tcp://b:1", "write one that all cards are behind, or one for each"}, "an address": {"addresses", "card", "write tcp://host:port"},
		"contacts": {"contacts", "49", "must be 1 to 48"}, "a key": {"key", "Four Cards", "new-key-error"}, "a taken key": {"key", "four-cards", "choose another key"},
		"a reserved key": {"key", "new", "new-key-error"}, "ways": {"ways", "", "new-ways-error"}, "scales": {"newScales", "", "new-functions-0-scales-error"},
		"a gain": {"newGain", "5", "new-functions-0-gain-error"}, "too much": {"newScales", "100 V", "new-functions-0-scales-error"}, "twice": {"newScales", "2 V; 2 V", "new-functions-0-scales-error"},
	} {
		v := filled()
		v.Set("name", "Another")
		if len(v[c.field]) == 0 {
			v.Set(c.field, "")
		}
		v[c.field][0] = c.value
		w := a.askPage(store.Operator, "POST", "/benches/new", v)
		if w.Code < 400 || w.Code >= 500 || !strings.Contains(w.Body.String(), c.said) {
			t.Errorf("%s: %d, nothing of %q", name, w.Code, c.said)
		}
	}
	if w := a.askPage(store.Operator, "POST", "/benches/new", url.Values{}); w.Code != http.StatusUnprocessableEntity {
		t.Errorf("an empty form: %d", w.Code)
	}
}
