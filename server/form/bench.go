package form

import (
	"net/url"
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// The grids of the bench editor. connWas is what a connection is called in the
// revision that the form was made from: its dialect is found by it.
var (
	ConnectionColumns = Columns{"connName", "connAddress", "connCards", "connTimeout", "connWatchdog", "connSerial", "connEcho", "connWas"}
	ChannelColumns    = Columns{"chanID", "chanName", "chanCard", "chanNumber", "chanSense", "chanSourceR"}
	RangeColumns      = Columns{"rangeOf", "rangeFunction", "rangeScale", "rangeStep", "rangeGain", "rangeOffset", "rangeNoise", "rangeLoop"}
)

// BenchValues writes a definition as a form, exactly: reading it back gives the
// same definition. The paths are a table in one text.
func BenchValues(d *bench.Definition) url.Values {
	v := url.Values{
		"name": {d.Name}, "key": {d.Key}, "contacts": {strconv.Itoa(d.Contacts)}, "lineHz": {strconv.FormatFloat(d.LineHz, 'g', -1, 64)},
		"switchTime": {quantity.ExactOrEmpty(d.SwitchTime, quantity.Second)}, "capacitance": {quantity.ExactOrEmpty(d.Capacitance, quantity.Farad)},
		"paths": {PathsText(d)},
	}
	for _, c := range d.Connections {
		ConnectionColumns.Add(v, c.Name, c.Address, wholesText(c.Cards), quantity.ExactOrEmpty(c.Timeout, quantity.Second),
			quantity.ExactOrEmpty(c.Watchdog, quantity.Second), c.Serial, yes(c.Echo), c.Name)
	}
	for _, c := range d.Channels {
		ChannelColumns.Add(v, strconv.Itoa(int(c.ID)), c.Name, strconv.Itoa(c.Card), Number(c.Number),
			yes(c.RemoteSense), quantity.ExactOrEmpty(c.SourceR, quantity.Ohm))
	}
	for _, t := range rangeTables {
		for _, group := range channelsAlike(d, t) {
			for _, r := range *t.of(&d.Channels[group[0]]) {
				RangeColumns.Add(v, channelsText(d, group), t.key, quantity.Exact(r.FullScale, t.unit), stepText(r, t.unit), bench.Part(r.Gain),
					quantity.ExactOrEmpty(r.Offset, t.unit), quantity.ExactOrEmpty(r.Noise, t.unit), quantity.ExactOrEmpty(r.LoopTime, quantity.Second))
			}
		}
	}
	return v
}

// Bench merges two edits of a bench.
func (e Edits) Bench() {
	e.Fields("name", "contacts", "lineHz", "switchTime", "capacitance", "paths")
	e.Rows(ConnectionColumns)
	e.Rows(ChannelColumns)
	e.Table(RangeColumns)
}

// wholesText writes whole numbers as Wholes reads them.
func wholesText(list []int) string {
	var parts []string
	for _, n := range list {
		parts = append(parts, strconv.Itoa(n))
	}
	return strings.Join(parts, ", ")
}

// Bench is what was read of a bench's form.
type Bench struct {
	Def bench.Definition // as far as it could be read
	// Problems are those of the form's fields, by their paths in the document;
	// those of ranges and paths by their row of the form and as "paths".
	Problems dut.Problems
	Paths    PathTable // the table of paths, line by line
	rangeRow map[rangePlace]int
}

// CheckBench reads a definition from its form, which is tidied, and reports
// what could not be read; where everything could, what does not make sense.
// base is the revision that the form was made from: what the form does not show
// is taken from it.
func CheckBench(v url.Values, base *bench.Definition) *Bench {
	b := readBench(v, base)
	b.check()
	return b
}

// readBench reads a definition and reports what could not be read.
func readBench(v url.Values, base *bench.Definition) *Bench {
	ConnectionColumns.Tidy(v, "connEcho", "connWas")
	ChannelColumns.Tidy(v, "chanSense")
	RangeColumns.Tidy(v)
	v.Set("paths", PlainLines(v.Get("paths")))
	r := &benchReader{Reader: NewReader(v), Bench: &Bench{rangeRow: map[rangePlace]int{}}}
	r.Def = bench.Definition{Key: r.Line("key"), Name: r.Line("name"),
		Contacts:    r.NeedWhole(r.Field(dut.At("contacts"))),
		SwitchTime:  r.Quantity(r.Field(dut.At("switchTime")), quantity.Second),
		Capacitance: r.Quantity(r.Field(dut.At("capacitance")), quantity.Farad)}
	if hz, err := quantity.Parse(v.Get("lineHz"), quantity.Hertz); err == nil {
		r.Def.LineHz = hz
	}
	for i := range ConnectionColumns.Rows(v) {
		r.connection(i, base)
	}
	r.channels()
	for i := range RangeColumns.Rows(v) {
		r.rangeOfRow(i)
	}
	r.sortRanges()
	b := r.Bench
	b.Paths = ReadPaths(v.Get("paths"), &b.Def)
	b.Def.Paths = b.Paths.Paths
	b.Problems = r.Reader.Problems
	return b
}

// Sound tells whether everything could be read and makes sense.
func (b *Bench) Sound() bool { return len(b.Problems) == 0 && len(b.Paths.Notes) == 0 }

// check adds what does not make sense, where everything could be read. What is
// wrong with a path is noted at its line.
func (b *Bench) check() {
	if b.Sound() {
		for _, p := range b.Def.Check() {
			if there, line := b.Lead(p); line > 0 {
				b.Paths.note(line, "%s", there.Message)
			} else {
				b.Problems = append(b.Problems, there)
			}
		}
	}
	b.Problems = Once(b.Problems)
}

// Lead leads a problem with the definition to the row of the form that it is
// about, or to the line of the paths; 0 where it is about no line.
func (b *Bench) Lead(p dut.Problem) (there dut.Problem, line int) {
	if at, rest, ok := rangeAt(p.Field); ok {
		if row, ok := b.rangeRow[at]; ok {
			return dut.Problem{Field: rangesPath.Index(row).Join(rest).String(), Message: p.Message}, 0
		}
		words := bench.TableWords[slices.IndexFunc(rangeTables, func(t rangeTable) bool { return t.key == at.table })]
		return dut.Problem{Field: rangesPath.String(), Message: b.Def.Channels[at.channel].Name + " " + words + ": " + p.Message}, 0
	}
	path, err := dut.ParsePath(p.Field)
	parts := path.Parts()
	if err == nil && len(parts) > 2 && parts[0].Name == "paths" && parts[1].Name == "" && parts[1].Index < len(b.Paths.lines) {
		return dut.Problem{Field: "paths", Message: p.Message}, b.Paths.lines[parts[1].Index]
	}
	return p, 0
}

// Once leaves out what is said again of the same field.
func Once(ps dut.Problems) dut.Problems {
	seen := map[dut.Problem]bool{}
	return slices.DeleteFunc(ps, func(p dut.Problem) bool {
		again := seen[p]
		seen[p] = true
		return again
	})
}

// benchReader reads the form of a bench.
type benchReader struct {
	*Reader
	*Bench
}

// connection reads row i of the connections.
func (r *benchReader) connection(i int, base *bench.Definition) {
	at := dut.At("connections").Index(i)
	field := func(name, column string) Field { return r.Cell(at.Name(name), column, i) }
	timeout := field("timeout", "connTimeout")
	c := bench.Connection{Name: field("name", "connName").Text, Address: field("address", "connAddress").Text, Serial: field("serial", "connSerial").Text,
		Echo: field("echo", "connEcho").Text == yes(true), Timeout: r.Quantity(timeout, quantity.Second),
		Watchdog: r.Quantity(field("watchdog", "connWatchdog"), quantity.Second)}
	c.Cards = r.Wholes(field("cards", "connCards"))
	if !timeout.Given() {
		r.Fail(timeout, "enter how much longer than its own time an answer may take, such as 1 s")
	}
	was := cell(r.Values, "connWas", i)
	for _, b := range base.Connections {
		if b.Name == was && b.Name != "" {
			c.Commands = b.Commands
		}
	}
	r.Def.Connections = append(r.Def.Connections, c)
}

// channels reads the channels. One without a number gets the next that is free.
func (r *benchReader) channels() {
	v := r.Values
	next := 1
	for i := range ChannelColumns.Rows(v) {
		if n, err := strconv.Atoi(cell(v, "chanID", i)); err == nil {
			next = max(next, n+1)
		}
	}
	for i := range ChannelColumns.Rows(v) {
		if cell(v, "chanID", i) == "" {
			v["chanID"][i] = strconv.Itoa(next)
			next++
		}
		r.Def.Channels = append(r.Def.Channels, r.channel(i))
	}
}

// channel reads row i of the channels.
func (r *benchReader) channel(i int) bench.Channel {
	at := dut.At("channels").Index(i)
	field := func(name, column string) Field { return r.Cell(at.Name(name), column, i) }
	number := field("id", "chanID")
	id := r.NeedWhole(number)
	if id < 0 || id > 255 {
		r.Fail(number, "number channels from 1 to 255")
		id = 0
	}
	return bench.Channel{ID: bench.ChannelID(id), Name: field("name", "chanName").Text, Card: r.NeedWhole(field("card", "chanCard")),
		RemoteSense: field("remoteSense", "chanSense").Text == yes(true), SourceR: r.Quantity(field("sourceR", "chanSourceR"), quantity.Ohm),
		Number: r.Whole(field("number", "chanNumber"))}
}

// channelsNamed reads which of a bench's channels a text names, by their indexes;
// nothing is all of them.
func (r *Reader) channelsNamed(f Field, d *bench.Definition) []int {
	var out []int
	if !f.Given() || strings.EqualFold(f.Text, AllChannels) {
		for i := range d.Channels {
			out = append(out, i)
		}
		return out
	}
	for _, part := range parts(f, ",;") {
		id, ok := Line(d, part.Text)
		i := slices.IndexFunc(d.Channels, func(c bench.Channel) bool { return c.ID == id })
		switch {
		case !ok || i < 0:
			r.Fail(f, "there is no channel %q: name channels above, or write %s", dut.Excerpt(part.Text), AllChannels)
		case !slices.Contains(out, i):
			out = append(out, i)
		}
	}
	return out
}

// channelsText writes channels, by their indexes, as channelsNamed reads them.
func channelsText(d *bench.Definition, group []int) string {
	if len(group) == len(d.Channels) {
		return AllChannels
	}
	var names []string
	for _, i := range group {
		names = append(names, LineText(d, d.Channels[i].ID))
	}
	return strings.Join(names, ", ")
}

// numberBetween reads a whole number between bounds; low stands for any other.
func (r *Reader) numberBetween(name string, low, high int) int {
	f := r.Field(dut.At(name))
	n, ok := r.TryWhole(f)
	switch {
	case !ok:
		return low
	case n < low || n > high:
		r.Fail(f, "must be %d to %d", low, high)
		return low
	}
	return n
}
