package routes

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/form"
	"ohmkeep/server/quantity"
	"ohmkeep/web"
)

// A new bench begins with a short form: as many channels as there are, all with
// the same ranges, and paths by one rule. What differs is for the editor.

// newColumns are the repeated fields of the short form: a row for each function,
// in the order of rangeTables.
var newColumns = form.Columns{"newScales", "newStep", "newGain", "newOffset", "newNoise"}

func (s *Server) benchNewPage(w http.ResponseWriter, r *http.Request) error {
	v := url.Values{"cards": {"1"}, "perCard": {"2"}, "contacts": {"48"}, "lineHz": {"50"}, "switchTime": {"2 ms"}, "ways": {"16"}, "return": {"1"}, "sense": {"1"}}
	return s.showBenchNew(w, r, http.StatusOK, web.Form{ID: "new", Values: v})
}

func (s *Server) showBenchNew(w http.ResponseWriter, r *http.Request, status int, f web.Form) error {
	return show(r.Context(), w, status, web.BenchNew(web.BenchNewProps{Page: s.frame(r.Context(), "Describe a bench", "/bench"), Form: f}))
}

func (s *Server) benchNewForm(w http.ResponseWriter, r *http.Request) error {
	ctx := r.Context()
	if err := r.ParseForm(); err != nil {
		return err
	}
	def, ps := benchBegun(r.PostForm)
	typed := def.Key
	if typed == "" {
		key, err := s.Lab.FreeBenchKey(ctx, form.KeyFor(def.Name))
		if err != nil {
			return err
		}
		def.Key = key
	}
	if len(ps) == 0 {
		ps = begunProblems(def.Check())
	}
	if len(ps) > 0 {
		return s.showBenchNew(w, r, http.StatusUnprocessableEntity, web.FormFrom("new", r.PostForm, ps))
	}
	_, err := s.Lab.SaveBench(ctx, personOf(ctx), def, 0)
	if err != nil {
		p := classify(err, s.Log)
		if p.Status == http.StatusInternalServerError {
			return err
		}
		f := web.FormFrom("new", r.PostForm, p.Fields)
		if len(p.Fields) == 0 {
			f.Errors["key"] = sentence(p.Detail) + ": choose another key."
		}
		return s.showBenchNew(w, r, p.Status, f)
	}
	return seeOther(w, r, "/benches/"+def.Key+"/edit")
}

// benchBegun makes a bench of the short form.
func benchBegun(v url.Values) (bench.Definition, dut.Problems) {
	f := fields{values: v}
	def := bench.Definition{Key: strings.TrimSpace(v.Get("key")), Name: strings.TrimSpace(v.Get("name")), Contacts: f.whole("contacts", v.Get("contacts")),
		SwitchTime: f.quantity("switchTime", v.Get("switchTime"), quantity.Second)}
	def.LineHz, _ = strconv.ParseFloat(v.Get("lineHz"), 64) // anything but 50 and 60 is refused later
	if def.Name == "" {
		f.problems.Add("name", "give it a name")
	}
	cards, perCard := f.within("cards", 1, 16), f.within("perCard", 1, 26)
	if cards*perCard > 64 {
		f.problems.Add("perCard", "makes %d channels; a bench has at most 64", cards*perCard)
	}
	ranges := f.begunRanges(v)
	addresses := strings.FieldsFunc(v.Get("addresses"), func(c rune) bool { return c == '\n' || c == '\r' || unicode.IsSpace(c) })
	if n := len(addresses); n > 1 && n != cards {
		f.problems.Add("addresses", "gives %d addresses for %d cards: write one that all cards are behind, or one for each", n, cards)
	}
	if len(f.problems) > 0 {
		return def, f.problems
	}
	for i := range cards * perCard {
		c := bench.Channel{ID: bench.ChannelID(i + 1), Name: fmt.Sprintf("%d%c", i/perCard+1, 'A'+i%perCard), Card: i/perCard + 1,
			ForceV: ranges[0], ForceI: ranges[1], SenseV: ranges[2], SenseI: ranges[3], RemoteSense: v.Get("sense") == "1",
			SourceR: f.quantity("sourceR", v.Get("sourceR"), quantity.Ohm)}
		if len(addresses) > 1 {
			c.Number = i%perCard + 1
		}
		def.Channels = append(def.Channels, c)
	}
	for i, address := range addresses {
		c := connectionTo("Cards", address, cardsOf(&def))
		if len(addresses) > 1 {
			c = connectionTo(fmt.Sprintf("Card %d", i+1), address, []int{i + 1})
		}
		def.Connections = append(def.Connections, c)
	}
	f.begunPaths(v, &def)
	return def, f.problems
}

// within reads a whole number between bounds; low stands for any other.
func (f *fields) within(name string, low, high int) int {
	before := len(f.problems)
	n := f.whole(name, f.values.Get(name))
	switch {
	case len(f.problems) > before:
		return low
	case n < low || n > high:
		f.problems.Add(name, "must be %d to %d", low, high)
		return low
	}
	return n
}

// begunRanges reads a row for each function into its table.
func (f *fields) begunRanges(v url.Values) [4][]bench.Range {
	var out [4][]bench.Range
	for i, t := range rangeTables {
		at := func(name string) string { return fmt.Sprintf("functions[%d].%s", i, name) }
		parts := scales(cell(v, "newScales", i))
		if len(parts) == 0 {
			f.problems.Add(at("scales"), "enter the full scale of each range, such as %s", map[quantity.Unit]string{quantity.Volt: "2 V; 10 V", quantity.Ampere: "1 µA; 1 mA"}[t.unit])
		}
		gain, err := bench.ParsePart(cell(v, "newGain", i))
		if err != nil {
			f.problems.Add(at("gain"), "%s", err.Error())
		}
		for _, text := range parts {
			x := bench.Range{FullScale: f.quantity(at("scales"), text, t.unit), Gain: gain}
			x.Step = f.step(at("step"), cell(v, "newStep", i), x.FullScale, t.unit)
			x.Offset = f.partOrValue(at("offset"), cell(v, "newOffset", i), x.FullScale, t.unit)
			x.Noise = f.partOrValue(at("noise"), cell(v, "newNoise", i), x.FullScale, t.unit)
			out[i] = append(out[i], x)
		}
		slices.SortFunc(out[i], func(a, b bench.Range) int {
			if a.FullScale < b.FullScale {
				return -1
			}
			return 1
		})
	}
	f.problems = once(f.problems)
	return out
}

// scales splits a list of quantities: by semicolons, or by commas that do not
// stand inside a number.
func scales(text string) []string {
	var out []string
	begin := 0
	r := []rune(text)
	add := func(end int) {
		if s := strings.TrimSpace(string(r[begin:end])); s != "" {
			out = append(out, s)
		}
		begin = end + 1
	}
	for i, c := range r {
		inside := i > 0 && i+1 < len(r) && unicode.IsDigit(r[i-1]) && unicode.IsDigit(r[i+1])
		if c == ';' || c == '\n' || c == ',' && !inside {
			add(i)
		}
	}
	add(len(r))
	return out
}

// begunPaths reaches every contact from every channel, and from the return.
func (f *fields) begunPaths(v url.Values, def *bench.Definition) {
	rule := pathRule{from: 1, to: def.Contacts, ways: f.within("ways", 1, dut.MaxPins), address: "{channel}!{contact}",
		resistance: f.quantity("resistance", v.Get("resistance"), quantity.Ohm), kelvin: true}
	rule.leakage = f.leakage(strings.TrimSpace(v.Get("leakage")))
	if def.Contacts < 1 || def.Contacts > dut.MaxPins {
		return // reported with the bench
	}
	for _, c := range def.Channels {
		rule.lines = append(rule.lines, c.ID)
	}
	rule.make(def)
	if v.Get("return") == "1" {
		rule.lines, rule.ways = []bench.ChannelID{0}, 1
		rule.make(def)
	}
}

// begunProblems leads what is wrong with the bench to the fields of the short
// form.
func begunProblems(ps dut.Problems) dut.Problems {
	var out dut.Problems
	for _, p := range ps {
		if m := tablePath.FindStringSubmatch(p.Field); m != nil {
			i := slices.IndexFunc(rangeTables, func(t rangeTable) bool { return t.key == m[2] })
			column := map[string]string{"fullScale": "scales", "": "scales"}[m[4]]
			if column == "" {
				column = m[4]
			}
			p.Field = fmt.Sprintf("functions[%d].%s", i, column)
		} else if name, _, row := strings.Cut(p.Field, "["); row {
			p.Field = map[string]string{"connections": "addresses", "channels": "perCard", "paths": "ways"}[name]
		} else if p.Field == "channels" || p.Field == "paths" {
			p.Field = "perCard"
		}
		out = append(out, p)
	}
	return once(out)
}
