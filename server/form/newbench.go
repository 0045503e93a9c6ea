package form

import (
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// NewBenchColumns is the grid of the short form that a new bench begins with: a
// row for each function, in the order of rangeTables. The form has as many
// channels as there are, all with the same ranges, and paths by one rule; what
// differs is for the editor.
var NewBenchColumns = Columns{"newScales", "newStep", "newGain", "newOffset", "newNoise"}

// What the short form takes.
const (
	mostCards, mostPerCard = 16, 26
	mostChannels           = 64
)

// ReadNewBench makes a bench of the short form. The problems are those of
// reading; NewBenchProblems leads those of the bench to the form's fields.
func ReadNewBench(v url.Values) (bench.Definition, dut.Problems) {
	r := NewReader(v)
	def := bench.Definition{Key: r.Line("key"), Name: r.Line("name"), Contacts: r.NeedWhole(r.Field(dut.At("contacts"))),
		SwitchTime: r.Quantity(r.Field(dut.At("switchTime")), quantity.Second)}
	def.LineHz, _ = strconv.ParseFloat(v.Get("lineHz"), 64) // anything but 50 and 60 is refused later
	if def.Name == "" {
		r.Problems.Add("name", "give it a name")
	}
	cards, perCard := r.numberBetween("cards", 1, mostCards), r.numberBetween("perCard", 1, mostPerCard)
	if cards*perCard > mostChannels {
		r.Problems.Add("perCard", "makes %d channels; a bench has at most %d", cards*perCard, mostChannels)
	}
	ranges := r.newRanges()
	addresses := strings.Fields(v.Get("addresses"))
	if n := len(addresses); n > 1 && n != cards {
		r.Problems.Add("addresses", "gives %d addresses for %d cards: write one that all cards are behind, or one for each", n, cards)
	}
	if len(r.Problems) > 0 {
		return def, r.Problems
	}
	own := len(addresses) > 1 // each card has a connection of its own
	for i := range cards * perCard {
		c := bench.Channel{ID: bench.ChannelID(i + 1), Name: fmt.Sprintf("%d%c", i/perCard+1, 'A'+i%perCard), Card: i/perCard + 1,
			ForceV: ranges[0], ForceI: ranges[1], SenseV: ranges[2], SenseI: ranges[3], RemoteSense: r.Checked("sense"),
			SourceR: r.Quantity(r.Field(dut.At("sourceR")), quantity.Ohm)}
		if own {
			c.Number = i%perCard + 1
		}
		def.Channels = append(def.Channels, c)
	}
	for i, address := range addresses {
		c := bench.NewConnection("Cards", address, def.Cards())
		if own {
			c = bench.NewConnection(fmt.Sprintf("Card %d", i+1), address, []int{i + 1})
		}
		def.Connections = append(def.Connections, c)
	}
	r.newPaths(&def)
	return def, Once(r.Problems)
}

// newRanges reads a row for each function into its table.
func (r *Reader) newRanges() [4][]bench.Range {
	var out [4][]bench.Range
	for i, t := range rangeTables {
		at := dut.At("functions").Index(i)
		field := func(name, column string) Field { return r.Cell(at.Name(name), column, i) }
		scales := field("scales", "newScales")
		list := splitScales(scales.Text)
		if len(list) == 0 {
			r.Fail(scales, "enter the full scale of each range, such as %s", map[quantity.Unit]string{quantity.Volt: "2 V; 10 V", quantity.Ampere: "1 µA; 1 mA"}[t.unit])
		}
		gain := r.part(field("gain", "newGain"))
		for _, text := range list {
			x := bench.Range{FullScale: r.Quantity(Field{scales.At, text}, t.unit), Gain: gain}
			x.Step = r.step(field("step", "newStep"), x.FullScale, t.unit)
			x.Offset = r.partOrValue(field("offset", "newOffset"), x.FullScale, t.unit)
			x.Noise = r.partOrValue(field("noise", "newNoise"), x.FullScale, t.unit)
			out[i] = append(out[i], x)
		}
		slices.SortFunc(out[i], byFullScale)
	}
	r.Problems = Once(r.Problems)
	return out
}

// splitScales splits a list of quantities: by semicolons, or by commas that do not
// stand inside a number.
func splitScales(text string) []string {
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

// newPaths reaches every contact from every channel, and from the return.
func (r *Reader) newPaths(def *bench.Definition) {
	rule := PathRule{from: 1, to: def.Contacts, ways: r.numberBetween("ways", 1, dut.MaxPins), address: plainAddress,
		resistance: r.Quantity(r.Field(dut.At("resistance")), quantity.Ohm), leakage: r.leakage(r.Field(dut.At("leakage"))), kelvin: true,
		onTolerance: r.part(r.Field(dut.At("tolerance"))), offTolerance: r.part(r.Field(dut.At("leakageTolerance")))}
	if def.Contacts < 1 || def.Contacts > dut.MaxPins {
		return // reported with the bench
	}
	for _, c := range def.Channels {
		rule.lines = append(rule.lines, c.ID)
	}
	rule.Apply(def)
	if r.Checked("return") {
		rule.lines, rule.ways = []bench.ChannelID{0}, 1
		rule.Apply(def)
	}
}

// NewBenchProblems leads what is wrong with a new bench to the fields of the
// short form.
func NewBenchProblems(ps dut.Problems) dut.Problems {
	var out dut.Problems
	for _, p := range ps {
		p.Field = newBenchField(p.Field)
		out = append(out, p)
	}
	return Once(out)
}

// newBenchField is the field of the short form that a path of the document comes
// from.
func newBenchField(field string) string {
	if at, rest, ok := rangeAt(field); ok {
		i := slices.IndexFunc(rangeTables, func(t rangeTable) bool { return t.key == at.table })
		if rest == (dut.Path{}) || rest == dut.At("fullScale") {
			rest = dut.At("scales")
		}
		return dut.At("functions").Index(i).Join(rest).String()
	}
	path, err := dut.ParsePath(field)
	parts := path.Parts()
	switch {
	case err != nil || len(parts) == 0:
		return field
	case len(parts) > 1 && parts[1].Name == "":
		return map[string]string{"connections": "addresses", "channels": "perCard", "paths": "ways"}[parts[0].Name]
	case field == "channels" || field == "paths":
		return "perCard"
	}
	return field
}
