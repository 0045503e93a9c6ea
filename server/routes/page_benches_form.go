package routes

import (
	"fmt"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/form"
	"ohmkeep/server/quantity"
	"ohmkeep/web"
)

// The bench editor as a form: single fields, the rows of three grids, and the
// paths as a table in one text. A problem's field is a path into the document;
// those of ranges and paths are led to the row or the line that they came from.

// The repeated fields of the form. connWas is what a connection is called in the
// revision that the form was made from: its dialect is found by it.
var (
	connColumns  = form.Columns{"connName", "connAddress", "connCards", "connTimeout", "connWatchdog", "connSerial", "connEcho", "connWas"}
	chanColumns  = form.Columns{"chanID", "chanName", "chanCard", "chanNumber", "chanSense", "chanSourceR"}
	rangeColumns = form.Columns{"rangeOf", "rangeFunction", "rangeScale", "rangeStep", "rangeGain", "rangeOffset", "rangeNoise", "rangeLoop"}
)

// rangeTable is one of a channel's tables as a form names it.
type rangeTable struct {
	key  string
	unit quantity.Unit
	of   func(*bench.Channel) *[]bench.Range
}

var rangeTables = []rangeTable{
	{"forceV", quantity.Volt, func(c *bench.Channel) *[]bench.Range { return &c.ForceV }},
	{"forceI", quantity.Ampere, func(c *bench.Channel) *[]bench.Range { return &c.ForceI }},
	{"senseV", quantity.Volt, func(c *bench.Channel) *[]bench.Range { return &c.SenseV }},
	{"senseI", quantity.Ampere, func(c *bench.Channel) *[]bench.Range { return &c.SenseI }},
}

// allChannels stands for every channel of the bench.
const allChannels = "all"

// benchValues writes a definition as form values, exactly: reading them back
// gives the same definition.
func benchValues(d *bench.Definition) url.Values {
	v := url.Values{
		"name": {d.Name}, "key": {d.Key}, "contacts": {strconv.Itoa(d.Contacts)}, "lineHz": {strconv.FormatFloat(d.LineHz, 'g', -1, 64)},
		"switchTime": {typedOrNothing(d.SwitchTime, quantity.Second)}, "capacitance": {typedOrNothing(d.Capacitance, quantity.Farad)},
		"paths": {pathsText(d)},
	}
	for _, c := range d.Connections {
		connColumns.Add(v, c.Name, c.Address, wholeWords(c.Cards), typedOrNothing(c.Timeout, quantity.Second),
			typedOrNothing(c.Watchdog, quantity.Second), c.Serial, yesOrNothing(c.Echo), c.Name)
	}
	for _, c := range d.Channels {
		chanColumns.Add(v, strconv.Itoa(int(c.ID)), c.Name, strconv.Itoa(c.Card), form.Number(c.Number),
			yesOrNothing(c.RemoteSense), typedOrNothing(c.SourceR, quantity.Ohm))
	}
	for _, t := range rangeTables {
		for _, g := range alikeIn(d, t.of) {
			for _, r := range *t.of(&d.Channels[g[0]]) {
				rangeColumns.Add(v, channelWords(d, g), t.key, web.Exact(r.FullScale, t.unit), stepWord(r, t.unit), bench.Part(r.Gain),
					typedOrNothing(r.Offset, t.unit), typedOrNothing(r.Noise, t.unit), typedOrNothing(r.LoopTime, quantity.Second))
			}
		}
	}
	return v
}

func yesOrNothing(v bool) string {
	if v {
		return "yes"
	}
	return ""
}

func wholeWords(list []int) string {
	var parts []string
	for _, n := range list {
		parts = append(parts, strconv.Itoa(n))
	}
	return strings.Join(parts, ", ")
}

// alikeIn groups channels that have the same ranges, by their index.
func alikeIn(d *bench.Definition, of func(*bench.Channel) *[]bench.Range) [][]int {
	var groups [][]int
next:
	for i := range d.Channels {
		for k, g := range groups {
			if slices.Equal(*of(&d.Channels[g[0]]), *of(&d.Channels[i])) {
				groups[k] = append(g, i)
				continue next
			}
		}
		groups = append(groups, []int{i})
	}
	return groups
}

func channelWords(d *bench.Definition, group []int) string {
	if len(group) == len(d.Channels) {
		return allChannels
	}
	var names []string
	for _, i := range group {
		names = append(names, lineWord(d, d.Channels[i].ID))
	}
	return strings.Join(names, ", ")
}

// benchReading is what was made of a form.
type benchReading struct {
	fields
	def      bench.Definition
	rangeRow map[string]int // row of the form, by the range's path in the document
	paths    pathsRead
}

// benchOfForm reads a definition from the form. base is the revision that the
// form was made from: what the form does not show is taken from it. v is tidied.
func benchOfForm(v url.Values, base *bench.Definition) *benchReading {
	connColumns.Tidy(v, "connEcho", "connWas")
	chanColumns.Tidy(v, "chanSense")
	rangeColumns.Tidy(v)
	v.Set("paths", strings.ReplaceAll(v.Get("paths"), "\r\n", "\n"))
	r := &benchReading{fields: fields{values: v}, rangeRow: map[string]int{}}
	r.def = bench.Definition{Key: strings.TrimSpace(v.Get("key")), Name: strings.TrimSpace(v.Get("name")),
		Contacts:    r.whole("contacts", v.Get("contacts")),
		SwitchTime:  r.quantity("switchTime", v.Get("switchTime"), quantity.Second),
		Capacitance: r.quantity("capacitance", v.Get("capacitance"), quantity.Farad)}
	if hz, err := quantity.Parse(v.Get("lineHz"), quantity.Hertz); err == nil {
		r.def.LineHz = hz
	}
	for i := range connColumns.Rows(v) {
		r.connection(i, base)
	}
	r.channels()
	for i := range rangeColumns.Rows(v) {
		r.rangeRowOf(i)
	}
	r.sortRanges()
	r.paths = readPaths(v.Get("paths"), &r.def)
	r.def.Paths = r.paths.paths
	return r
}

func (r *benchReading) connection(i int, base *bench.Definition) {
	at := func(name string) string { return fmt.Sprintf("connections[%d].%s", i, name) }
	text := func(column string) string { return cell(r.values, column, i) }
	c := bench.Connection{Name: text("connName"), Address: text("connAddress"), Serial: text("connSerial"), Echo: text("connEcho") == "yes",
		Timeout: r.quantity(at("timeout"), text("connTimeout"), quantity.Second), Watchdog: r.quantity(at("watchdog"), text("connWatchdog"), quantity.Second)}
	c.Cards = r.wholes(at("cards"), text("connCards"))
	if text("connTimeout") == "" {
		r.problems.Add(at("timeout"), "enter how much longer than its own time an answer may take, such as 1 s")
	}
	for _, b := range base.Connections {
		if b.Name == text("connWas") && b.Name != "" {
			c.Commands = b.Commands
		}
	}
	r.def.Connections = append(r.def.Connections, c)
}

// wholes reads whole numbers with commas or spaces between them.
func (r *benchReading) wholes(field, text string) []int {
	var out []int
	for _, part := range strings.FieldsFunc(text, func(c rune) bool { return c == ',' || c == ';' || c == ' ' }) {
		before := len(r.problems)
		if n := r.whole(field, part); len(r.problems) == before {
			out = append(out, n)
		}
	}
	return out
}

func (r *benchReading) channels() {
	v := r.values
	next := 1
	for i := range chanColumns.Rows(v) {
		if n, err := strconv.Atoi(cell(v, "chanID", i)); err == nil {
			next = max(next, n+1)
		}
	}
	for i := range chanColumns.Rows(v) {
		at := func(name string) string { return fmt.Sprintf("channels[%d].%s", i, name) }
		if cell(v, "chanID", i) == "" {
			v["chanID"][i] = strconv.Itoa(next)
			next++
		}
		id := r.whole(at("id"), cell(v, "chanID", i))
		if id < 0 || id > 255 {
			r.problems.Add(at("id"), "number channels from 1 to 255")
			id = 0
		}
		c := bench.Channel{ID: bench.ChannelID(id), Name: cell(v, "chanName", i), Card: r.whole(at("card"), cell(v, "chanCard", i)),
			RemoteSense: cell(v, "chanSense", i) == "yes", SourceR: r.quantity(at("sourceR"), cell(v, "chanSourceR", i), quantity.Ohm)}
		if text := cell(v, "chanNumber", i); text != "" {
			c.Number = r.whole(at("number"), text)
		}
		r.def.Channels = append(r.def.Channels, c)
	}
}

// rangeRowOf reads row i of the ranges into every channel that it is for.
func (r *benchReading) rangeRowOf(i int) {
	at := func(name string) string { return fmt.Sprintf("ranges[%d].%s", i, name) }
	text := func(column string) string { return cell(r.values, column, i) }
	k := slices.IndexFunc(rangeTables, func(t rangeTable) bool { return t.key == text("rangeFunction") })
	if k < 0 {
		r.problems.Add(at("function"), "choose what the range is of")
		return
	}
	t := rangeTables[k]
	x := r.rangeFrom(at, text, t.unit)
	for _, c := range r.channelsNamed(at("channels"), text("rangeOf")) {
		list := t.of(&r.def.Channels[c])
		r.rangeRow[fmt.Sprintf("channels[%d].%s[%d]", c, t.key, len(*list))] = i
		*list = append(*list, x)
	}
}

func (r *benchReading) rangeFrom(at, text func(string) string, unit quantity.Unit) bench.Range {
	x := bench.Range{FullScale: r.quantity(at("fullScale"), text("rangeScale"), unit), LoopTime: r.quantity(at("loopTime"), text("rangeLoop"), quantity.Second)}
	if text("rangeScale") == "" {
		r.problems.Add(at("fullScale"), "enter the full scale")
	}
	x.Step = r.step(at("step"), text("rangeStep"), x.FullScale, unit)
	x.Offset = r.partOrValue(at("offset"), text("rangeOffset"), x.FullScale, unit)
	x.Noise = r.partOrValue(at("noise"), text("rangeNoise"), x.FullScale, unit)
	gain, err := bench.ParsePart(text("rangeGain"))
	if err != nil {
		r.problems.Add(at("gain"), "%s", err.Error())
	}
	x.Gain = gain
	return x
}

var bits = regexp.MustCompile(`(?i)^([0-9]{1,2})[ -]?bits?$`)

// step reads a converter's step: a quantity, or the bits that both signs of the
// full scale are split into.
func (f *fields) step(field, text string, fullScale float64, unit quantity.Unit) float64 {
	if m := bits.FindStringSubmatch(text); m != nil {
		n, _ := strconv.Atoi(m[1]) // at most two digits
		return stepOf(fullScale, n)
	}
	return f.quantity(field, text, unit)
}

// stepOf is the step of a converter of so many bits over both signs of its full
// scale.
func stepOf(fullScale float64, bits int) float64 {
	return 2 * fullScale / float64(uint64(1)<<min(bits, 62))
}

// stepWord is what step reads as that step: bits where they are what it is.
func stepWord(r bench.Range, unit quantity.Unit) string {
	for n := 8; n <= 32; n++ {
		if r.Step > 0 && r.Step == stepOf(r.FullScale, n) {
			return strconv.Itoa(n) + " bit"
		}
	}
	return typedOrNothing(r.Step, unit)
}

// partOrValue reads a quantity, or a part of the full scale.
func (f *fields) partOrValue(field, text string, fullScale float64, unit quantity.Unit) float64 {
	if lower := strings.ToLower(text); strings.HasSuffix(lower, "%") || strings.HasSuffix(lower, "ppm") {
		v, err := bench.ParsePart(text)
		if err != nil {
			f.problems.Add(field, "%s", err.Error())
		}
		// A product of two decimals is meant as a decimal.
		rounded, _ := strconv.ParseFloat(strconv.FormatFloat(v*fullScale, 'g', 14, 64), 64) // written just before
		return rounded
	}
	return f.quantity(field, text, unit)
}

// channelsNamed are the indexes of the channels that a text names.
func (r *benchReading) channelsNamed(field, text string) []int {
	var out []int
	if text == "" || strings.EqualFold(text, allChannels) {
		for i := range r.def.Channels {
			out = append(out, i)
		}
		return out
	}
	for _, part := range strings.FieldsFunc(text, func(c rune) bool { return c == ',' || c == ';' }) {
		id, ok := lineNamed(&r.def, strings.TrimSpace(part))
		i := slices.IndexFunc(r.def.Channels, func(c bench.Channel) bool { return c.ID == id })
		switch {
		case !ok || i < 0:
			r.problems.Add(field, "there is no channel %q: name channels above, or write %s", dut.Excerpt(part), allChannels)
		case !slices.Contains(out, i):
			out = append(out, i)
		}
	}
	return out
}

// sortRanges puts every table in ascending order of full scale.
func (r *benchReading) sortRanges() {
	for c := range r.def.Channels {
		for _, t := range rangeTables {
			list := t.of(&r.def.Channels[c])
			order := make([]int, len(*list))
			for i := range order {
				order[i] = i
			}
			slices.SortStableFunc(order, func(a, b int) int {
				switch x, y := (*list)[a].FullScale, (*list)[b].FullScale; {
				case x < y:
					return -1
				case x > y:
					return 1
				}
				return 0
			})
			sorted, rows := make([]bench.Range, len(order)), make([]int, len(order))
			for to, from := range order {
				sorted[to], rows[to] = (*list)[from], r.rangeRow[fmt.Sprintf("channels[%d].%s[%d]", c, t.key, from)]
			}
			for to, row := range rows {
				r.rangeRow[fmt.Sprintf("channels[%d].%s[%d]", c, t.key, to)] = row
			}
			*list = sorted
		}
	}
}

// check gathers what is wrong with the form: what could not be read, and where
// everything could, what does not make sense. What is wrong with a line of the
// paths is noted there.
func (r *benchReading) check() dut.Problems {
	ps := slices.Clone(r.problems)
	if len(ps) == 0 && len(r.paths.problems) == 0 {
		for _, p := range r.def.Check() {
			if led, line := r.led(p); line > 0 {
				r.paths.problem(line, "%s", led.Message)
			} else {
				ps = append(ps, led)
			}
		}
	}
	return once(ps)
}

var tablePath = regexp.MustCompile(`^channels\[(\d+)\]\.(forceV|forceI|senseV|senseI)(\[\d+\])?(?:\.(.*))?$`)

// led leads a problem to the row of the form that it is about, or to the line of
// the paths; 0 where it is about no line.
func (r *benchReading) led(p dut.Problem) (dut.Problem, int) {
	if m := tablePath.FindStringSubmatch(p.Field); m != nil {
		if row, ok := r.rangeRow[fmt.Sprintf("channels[%s].%s%s", m[1], m[2], m[3])]; ok {
			return dut.Problem{Field: fmt.Sprintf("ranges[%d].%s", row, m[4]), Message: p.Message}, 0
		}
		c, _ := strconv.Atoi(m[1]) // digits
		k := slices.IndexFunc(rangeTables, func(t rangeTable) bool { return t.key == m[2] })
		return dut.Problem{Field: "ranges", Message: r.def.Channels[c].Name + " " + bench.TableWords[k] + ": " + p.Message}, 0
	}
	var i int
	if _, err := fmt.Sscanf(p.Field, "paths[%d].", &i); err == nil && i < len(r.paths.lines) {
		return dut.Problem{Field: "paths", Message: p.Message}, r.paths.lines[i]
	}
	return p, 0
}

// once leaves out what is said again of the same field.
func once(ps dut.Problems) dut.Problems {
	seen := map[dut.Problem]bool{}
	return slices.DeleteFunc(ps, func(p dut.Problem) bool {
		again := seen[p]
		seen[p] = true
		return again
	})
}
