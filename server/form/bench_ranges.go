package form

import (
	"regexp"
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// rangeTable is one of a channel's tables of ranges as a form names it.
type rangeTable struct {
	key  string // JSON name in bench.Channel
	unit quantity.Unit
	of   func(*bench.Channel) *[]bench.Range
}

// rangeTables are in the order of bench.TableWords.
var rangeTables = []rangeTable{
	{"forceV", quantity.Volt, func(c *bench.Channel) *[]bench.Range { return &c.ForceV }},
	{"forceI", quantity.Ampere, func(c *bench.Channel) *[]bench.Range { return &c.ForceI }},
	{"senseV", quantity.Volt, func(c *bench.Channel) *[]bench.Range { return &c.SenseV }},
	{"senseI", quantity.Ampere, func(c *bench.Channel) *[]bench.Range { return &c.SenseI }},
}

// rangesPath leads to the grid of ranges in the form.
var rangesPath = dut.At("ranges")

// rangePlace is where a range stands in the document. An index of -1 is the
// whole table.
type rangePlace struct {
	channel int
	table   string
	index   int
}

// rangeAt reads the path of a range, or of a table of them, in a definition;
// rest is the path of a field inside it.
func rangeAt(field string) (at rangePlace, rest dut.Path, ok bool) {
	path, err := dut.ParsePath(field)
	parts := path.Parts()
	if err != nil || len(parts) < 3 || parts[0].Name != "channels" || parts[1].Name != "" || !isRangeTable(parts[2].Name) {
		return at, rest, false
	}
	at = rangePlace{parts[1].Index, parts[2].Name, -1}
	for _, p := range parts[3:] {
		switch {
		case p.Name != "":
			rest = rest.Name(p.Name)
		case at.index < 0 && rest == dut.Path{}:
			at.index = p.Index
		default:
			rest = rest.Index(p.Index)
		}
	}
	return at, rest, true
}

func isRangeTable(key string) bool {
	return slices.ContainsFunc(rangeTables, func(t rangeTable) bool { return t.key == key })
}

// channelsAlike groups channels that have the same ranges, by their index.
func channelsAlike(d *bench.Definition, t rangeTable) [][]int {
	var groups [][]int
next:
	for i := range d.Channels {
		for k, g := range groups {
			if slices.Equal(*t.of(&d.Channels[g[0]]), *t.of(&d.Channels[i])) {
				groups[k] = append(g, i)
				continue next
			}
		}
		groups = append(groups, []int{i})
	}
	return groups
}

// rangeOfRow reads row i of the ranges into every channel that it is for.
func (r *benchReader) rangeOfRow(i int) {
	at := rangesPath.Index(i)
	field := func(name, column string) Field { return r.Cell(at.Name(name), column, i) }
	function := field("function", "rangeFunction")
	k := slices.IndexFunc(rangeTables, func(t rangeTable) bool { return t.key == function.Text })
	if k < 0 {
		r.Fail(function, "choose what the range is of")
		return
	}
	t := rangeTables[k]
	scale := field("fullScale", "rangeScale")
	x := bench.Range{FullScale: r.Quantity(scale, t.unit), LoopTime: r.Quantity(field("loopTime", "rangeLoop"), quantity.Second)}
	if !scale.Given() {
		r.Fail(scale, "enter the full scale")
	}
	x.Step = r.step(field("step", "rangeStep"), x.FullScale, t.unit)
	x.Offset = r.partOrValue(field("offset", "rangeOffset"), x.FullScale, t.unit)
	x.Noise = r.partOrValue(field("noise", "rangeNoise"), x.FullScale, t.unit)
	x.Gain = r.part(field("gain", "rangeGain"))
	for _, c := range r.channelsNamed(field("channels", "rangeOf"), &r.Def) {
		list := t.of(&r.Def.Channels[c])
		r.rangeRow[rangePlace{c, t.key, len(*list)}] = i
		*list = append(*list, x)
	}
}

// sortRanges puts every table in ascending order of full scale.
func (r *benchReader) sortRanges() {
	for c := range r.Def.Channels {
		for _, t := range rangeTables {
			type placed struct {
				bench.Range
				row int
			}
			list := *t.of(&r.Def.Channels[c])
			rows := make([]placed, len(list))
			for i, x := range list {
				rows[i] = placed{x, r.rangeRow[rangePlace{c, t.key, i}]}
			}
			slices.SortStableFunc(rows, func(a, b placed) int { return byFullScale(a.Range, b.Range) })
			for i, x := range rows {
				list[i] = x.Range
				r.rangeRow[rangePlace{c, t.key, i}] = x.row
			}
		}
	}
}

// byFullScale orders ranges from the smallest.
func byFullScale(a, b bench.Range) int {
	switch {
	case a.FullScale < b.FullScale:
		return -1
	case a.FullScale > b.FullScale:
		return 1
	}
	return 0
}

var bitsPattern = regexp.MustCompile(`(?i)^([0-9]{1,2})[ -]?bits?$`)

// step reads a converter's step: a quantity, or the bits that both signs of the
// full scale are split into.
func (r *Reader) step(f Field, fullScale float64, unit quantity.Unit) float64 {
	if m := bitsPattern.FindStringSubmatch(f.Text); m != nil {
		n, _ := strconv.Atoi(m[1]) // at most two digits
		return stepOf(fullScale, n)
	}
	return r.Quantity(f, unit)
}

// stepOf is the step of a converter of so many bits over both signs of its full
// scale.
func stepOf(fullScale float64, bits int) float64 {
	return 2 * fullScale / float64(uint64(1)<<min(bits, 62))
}

// stepText is what step reads as that step: bits where they are what it is.
func stepText(r bench.Range, unit quantity.Unit) string {
	for n := 8; n <= 32; n++ {
		if r.Step > 0 && r.Step == stepOf(r.FullScale, n) {
			return strconv.Itoa(n) + " bit"
		}
	}
	return quantity.ExactOrEmpty(r.Step, unit)
}

// part reads a part of one, in percent or ppm; nothing is 0.
func (r *Reader) part(f Field) float64 {
	v, err := bench.ParsePart(f.Text)
	if err != nil {
		r.Fail(f, "%s", err.Error())
	}
	return v
}

// partOrValue reads a quantity, or a part of the full scale.
func (r *Reader) partOrValue(f Field, fullScale float64, unit quantity.Unit) float64 {
	if lower := strings.ToLower(f.Text); strings.HasSuffix(lower, "%") || strings.HasSuffix(lower, "ppm") {
		// A product of two decimals is meant as a decimal.
		rounded, _ := strconv.ParseFloat(strconv.FormatFloat(r.part(f)*fullScale, 'g', 14, 64), 64) // written just before
		return rounded
	}
	return r.Quantity(f, unit)
}
