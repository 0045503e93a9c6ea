package bench

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"
)

// small is a bench with one card, two channels and four contacts.
func small() Definition {
	d := Definition{Key: "small", Name: "Small", Contacts: 4, LineHz: 50, SwitchTime: 2e-3,
		Connections: []Connection{{Name: "cards", Cards: []int{1}, Address: "tcp://card.example:5025", Timeout: 1, Watchdog: 2}}}
	for n := 1; n <= 2; n++ {
		r := []Range{{FullScale: 2, Step: 1e-4, Gain: 5e-4, Offset: 4e-4, Noise: 1e-5}, {FullScale: 10, Step: 5e-4, Gain: 5e-4, Offset: 2e-3}}
		i := []Range{{FullScale: 1e-3, Step: 1e-8, Gain: 1e-3, Offset: 1e-6, LoopTime: 1e-4}}
		d.Channels = append(d.Channels, Channel{ID: ChannelID(n), Name: string(rune('A' + n - 1)), Card: 1, ForceV: r, SenseV: r, ForceI: i, SenseI: i, RemoteSense: n == 1, SourceR: 0.5})
		for c := 1; c <= 4; c++ {
			d.Paths = append(d.Paths, Path{ID: PathID(len(d.Paths) + 1), Channel: ChannelID(n), Contact: c, Mux: fmt.Sprintf("m%d", n),
				Address: fmt.Sprintf("%d!%d", n, c), Resistance: 4, Leakage: 1e-11, Kelvin: n == 1,
				ResistanceTolerance: 0.1, LeakageTolerance: 0.5})
		}
	}
	for c := 1; c <= 4; c++ {
		d.Paths = append(d.Paths, Path{ID: PathID(len(d.Paths) + 1), Contact: c, Mux: fmt.Sprintf("r%d", c), Address: fmt.Sprintf("0!%d", c), Resistance: 4, ResistanceTolerance: 0.1})
	}
	return d
}

// The document is the definition again when it is read, and the same bytes when
// that is written.
func TestDocumentRoundTrip(t *testing.T) {
	d := small()
	d.Name = `A "small" <bench> & more, 1 Ω`
	d.Connections[0].Commands = Commands{Safe: "ABOR\n*RST", RemoteSense: None}
	d.Channels[1].SourceR = 0.1 + 0.2 // as many digits as a number can have
	first, err := d.Document()
	if err != nil {
		t.Fatal(err)
	}
	back, err := ParseDefinition(first)
	if err != nil {
		t.Fatal(err)
	}
	again, err := back.Document()
	if err != nil || !bytes.Equal(first, again) {
		t.Errorf("%v: the document came back as\n%s", err, again)
	}
	a, _ := json.Marshal(d)
	b, _ := json.Marshal(*back)
	if !bytes.Equal(a, b) {
		t.Errorf("%s became %s", a, b)
	}
	if !strings.Contains(string(first), "\n    {\"id\": 1, \"channel\": 1, \"contact\": 1, ") {
		t.Errorf("a path does not stand on a line of its own:\n%s", first)
	}
}

// Nil lists and empty ones are the same content.
func TestDocumentOfNil(t *testing.T) {
	a, err := Definition{Key: "x"}.Document()
	if err != nil {
		t.Fatal(err)
	}
	b, err := Definition{Key: "x", Channels: []Channel{}, Paths: []Path{}, Connections: []Connection{}}.Document()
	if err != nil || !bytes.Equal(a, b) || strings.Contains(string(a), "null") {
		t.Errorf("%v\n%s%s", err, a, b)
	}
}

// The largest bench that Validate lets pass can be read back: its document is
// not too long.
func TestDocumentOfTheLargest(t *testing.T) {
	d := small()
	d.Contacts = 48
	d.Paths = nil
	for n := range maxPaths {
		d.Paths = append(d.Paths, Path{ID: PathID(n + 1), Channel: ChannelID(n%2 + 1), Contact: n%48 + 1, Mux: "multiplexer " + strconv.Itoa(n/16),
			Address: "1!" + strconv.Itoa(n), Resistance: 4.123, Leakage: 1.2e-11, MaxCurrent: 0.1, Card: 1,
			ResistanceTolerance: 0.125, LeakageTolerance: 0.5})
	}
	text, err := d.Document()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := ParseDefinition(text); err != nil {
		t.Errorf("%d bytes: %v", len(text), err)
	}
}

func TestCheckFinds(t *testing.T) {
	d := small()
	if ps := d.Check(); len(ps) > 0 {
		t.Fatalf("a sound bench has %v", ps)
	}
	if ps := d.Warnings(); len(ps) > 0 {
		t.Fatalf("a sound bench has %v", ps)
	}
	for name, c := range map[string]struct {
		spoil func(*Definition)
		field string
		said  string
	}{
		"no name":          {func(d *Definition) { d.Name = " " }, "name", "give it a name"},
		"two lines":        {func(d *Definition) { d.Paths[3].Mux = "a\tb" }, "paths[3].mux", "one line"},
		"too long":         {func(d *Definition) { d.Channels[0].Name = strings.Repeat("é", 33) }, "channels[0].name", "33 characters"},
		"a name twice":     {func(d *Definition) { d.Channels[1].Name = "A" }, "channels[1].name", "two channels are called A"},
		"a number twice":   {func(d *Definition) { d.Channels[1].Number = 1 }, "channels[1].number", "A has number 1 behind cards too"},
		"an address twice": {func(d *Definition) { d.Paths[9].Address = "1!2" }, "paths[9].address", "address 1!2 is that of A to contact 2 too"},
		"no address":       {func(d *Definition) { d.Paths[9].Address = "" }, "paths[9].address", "has no address"},
		"no item":          {func(d *Definition) { d.Paths[9].Address = "A:2" }, "paths[9].address", "no item of a channel list"},
		"a leading zero":   {func(d *Definition) { d.Paths[9].Address = "1!02" }, "paths[9].address", "no item of a channel list"},
		"no cards":         {func(d *Definition) { d.Connections[0].Cards = nil }, "connections[0].cards", "name the cards"},
		"one place, two ways": {func(d *Definition) {
			c := d.Connections[0]
			c.Name, c.Cards = "more", []int{2}
			c.Address = "tcp://CARD.example:5025"
			d.Connections = append(d.Connections, c)
		}, "connections[1].address", "is the address of cards already"},
		"a range": {func(d *Definition) { d.Channels[0].ForceV[1].FullScale = 1 }, "channels[0].forceV[1].fullScale", "ascend"},
	} {
		d := small()
		c.spoil(&d)
		found := false
		for _, p := range d.Check() {
			found = found || p.Field == c.field && strings.Contains(p.Message, c.said)
		}
		if !found {
			t.Errorf("%s: %v", name, d.Check())
		}
	}
}

func TestWarnings(t *testing.T) {
	d := small()
	d.Connections = nil
	d.Contacts = 7
	d.Paths = d.Paths[:5]
	d.Paths[4].Channel, d.Paths[4].Resistance = 1, 0
	d.Channels[0].SenseI[0].Gain, d.Channels[0].SenseI[0].Offset = 0, 0
	var said []string
	for _, p := range d.Warnings() {
		said = append(said, p.Field+" "+p.Message)
	}
	all := strings.Join(said, "\n")
	for _, want := range []string{
		"connections no connection says", "paths[4].contact a second path joins A to contact 1", "paths no path reaches contacts 5 to 7",
		"paths no resistance is stated of 1 of the 5 paths", "channels[1].name no path leads to B", "paths no path leads to the return", "channels[0].senseI[0].gain no accuracy is stated",
	} {
		if !strings.Contains(all, want) {
			t.Errorf("nothing of %q in\n%s", want, all)
		}
	}
}

// What changed alike is told once; nothing that changed is left out.
func TestDiffDefinitions(t *testing.T) {
	a, b := small(), small()
	if got := DiffDefinitions(&a, &b); len(got) != 0 {
		t.Fatalf("no difference is %v", got)
	}
	b.Name, b.Connections[0].Address, b.Connections[0].Commands.Read = "Other", "serial:///dev/ttyACM0", "READ? (@{channel})"
	for i := range b.Channels {
		b.Channels[i].SenseI = []Range{{FullScale: 1e-3, Step: 1e-8, Gain: 2e-3, Offset: 1e-6, LoopTime: 1e-4}, {FullScale: 1e-2, Gain: 1e-3}}
	}
	for i := range b.Paths {
		b.Paths[i].Resistance = 5
	}
	b.Paths = b.Paths[:11] // the return loses its last contact
	b.Paths[0].Address = "1!9"
	var said []string
	for _, c := range DiffDefinitions(&a, &b) {
		said = append(said, c.What+": "+c.Before+" > "+c.After)
	}
	want := []string{
		"name: Small > Other",
		"connection cards: address: tcp://card.example:5025 > serial:///dev/ttyACM0",
		"connection cards: “Read”: as in the protocol > READ? (@{channel})",
		"A, B senses current, range 1 mA: gain part: 0.1 % > 0.2 %",
		"A, B senses current, range 10 mA added:  > 0.1 %",
		"the return to contact 4: paths gone: 0!4, 4 Ω > ",
		"A to contact 1: address: 1!1 > 1!9",
		"A to contacts 1 to 4: resistance: 4 Ω > 5 Ω",
		"B to contacts 1 to 4: resistance: 4 Ω > 5 Ω",
		"the return to contacts 1 to 3: resistance: 4 Ω > 5 Ω",
	}
	if strings.Join(said, "\n") != strings.Join(want, "\n") {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(said, "\n"), strings.Join(want, "\n"))
	}
}

// Every field of the document is compared: whatever is changed alone gives a
// difference.
func TestDiffSeesEveryField(t *testing.T) {
	a := small()
	for name, change := range map[string]func(*Definition){
		"key": func(d *Definition) { d.Key = "x" }, "name": func(d *Definition) { d.Name = "x" }, "contacts": func(d *Definition) { d.Contacts = 5 },
		"line": func(d *Definition) { d.LineHz = 60 }, "switch": func(d *Definition) { d.SwitchTime = 1 }, "capacitance": func(d *Definition) { d.Capacitance = 1e-9 },
		"connection": func(d *Definition) { d.Connections[0].Name = "x" }, "cards": func(d *Definition) { d.Connections[0].Cards = []int{1, 2} },
		"timeout": func(d *Definition) { d.Connections[0].Timeout = 2 }, "watchdog": func(d *Definition) { d.Connections[0].Watchdog = 0 },
		"serial": func(d *Definition) { d.Connections[0].Serial = "7" }, "echo": func(d *Definition) { d.Connections[0].Echo = true },
		"channel": func(d *Definition) { d.Channels[0].Name = "x" }, "id": func(d *Definition) { d.Channels[0].ID = 9 },
		"card": func(d *Definition) { d.Channels[0].Card = 2 }, "number": func(d *Definition) { d.Channels[0].Number = 7 },
		"remote": func(d *Definition) { d.Channels[0].RemoteSense = false }, "source": func(d *Definition) { d.Channels[0].SourceR = 0.5000001 },
		"order": func(d *Definition) { d.Channels[0], d.Channels[1] = d.Channels[1], d.Channels[0] },
		"scale": func(d *Definition) { d.Channels[0].ForceI[0].FullScale = 2 }, "step": func(d *Definition) { d.Channels[0].ForceI[0].Step = 2 },
		"gain": func(d *Definition) { d.Channels[0].ForceI[0].Gain = 0.001000001 }, "offset": func(d *Definition) { d.Channels[0].ForceI[0].Offset = 2 },
		"noise": func(d *Definition) { d.Channels[0].ForceI[0].Noise = 2 }, "loop": func(d *Definition) { d.Channels[0].ForceI[0].LoopTime = 2 },
		"path": func(d *Definition) { d.Paths[0].ID = 99 }, "path's line": func(d *Definition) { d.Paths[0].Channel = 2 }, "contact": func(d *Definition) { d.Paths[0].Contact = 2 },
		"mux": func(d *Definition) { d.Paths[0].Mux = "x" }, "address": func(d *Definition) { d.Paths[0].Address = "x" },
		"resistance": func(d *Definition) { d.Paths[0].Resistance = 4.0000001 }, "leakage": func(d *Definition) { d.Paths[0].Leakage = 0 },
		"tolerance": func(d *Definition) { d.Paths[0].ResistanceTolerance = 0.1000001 }, "leakage tolerance": func(d *Definition) { d.Paths[0].LeakageTolerance = 0 },
		"kelvin": func(d *Definition) { d.Paths[0].Kelvin = false }, "max current": func(d *Definition) { d.Paths[0].MaxCurrent = 1 }, "path's card": func(d *Definition) { d.Paths[0].Card = 2 },
	} {
		b := small()
		change(&b)
		if len(DiffDefinitions(&a, &b)) == 0 || len(DiffDefinitions(&b, &a)) == 0 {
			t.Errorf("%s: no difference is seen", name)
		}
	}
	for _, blank := range Blanks() {
		b := small()
		*blank.Text(&b.Connections[0].Commands) = "x"
		if len(DiffDefinitions(&a, &b)) != 1 {
			t.Errorf("%s: the difference is not seen", blank.Name)
		}
	}
}

// A part written as percent or ppm is the same number when it is read.
func TestPartIsExact(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	for range 20_000 {
		v := rnd.Float64() * []float64{1, 1e-2, 1e-4, 1e-6, 1e-9, 1e-20, 1e-52, 1e-300}[rnd.IntN(8)]
		text := Part(v)
		got, err := ParsePart(text)
		if err != nil || got != v {
			t.Fatalf("%v is written %q and read as %v, %v", v, text, got, err)
		}
	}
	for text, want := range map[string]float64{"0.05 %": 5e-4, "0,05%": 5e-4, "500 ppm": 5e-4, "500ppm": 5e-4, "0": 0, "": 0, "1 PPM": 1e-6} {
		if got, err := ParsePart(text); err != nil || got != want {
			t.Errorf("%q is read as %v, %v", text, got, err)
		}
	}
	for _, text := range []string{"0.05", "5 mV", "%", "ppm", "1e400 %", "0.05 % + 1 mV", strings.Repeat("9", 70) + " %"} {
		if got, err := ParsePart(text); err == nil {
			t.Errorf("%q is read as %v", text, got)
		}
	}
}

// TestChannelName: a channel is called by its name, and by its number where it
// has none or is not there; the return is no channel.
func TestChannelName(t *testing.T) {
	d := Definition{Channels: []Channel{{ID: 1, Name: "1A"}, {ID: 2}}}
	for id, want := range map[ChannelID]string{0: "", 1: "1A", 2: "2", 3: "3"} {
		if got := d.ChannelName(id); got != want {
			t.Errorf("channel %d is called %q, want %q", id, got, want)
		}
	}
}
