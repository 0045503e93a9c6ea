package web

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/bench"
	"ohmkeep/server/quantity"
)

// Parts of the bench editor that are drawn anew while somebody types.
const (
	PartAddresses = "bench-addresses"
	PartRanges    = "bench-ranges-read"
	PartPaths     = "bench-paths-read"
)

// LineNote is a problem with one line of a pasted table; line 0 is the table
// as a whole.
type LineNote struct {
	Line    int
	Message string
}

// PathColumnRead is what was understood of one column of a table of paths.
type PathColumnRead struct {
	Heading string
	Means   string // "" where it is not used
}

// BenchEditProps is the editor of a bench.
type BenchEditProps struct {
	Page Page
	// Form holds the single fields, the repeated ones of the grids, the paths as
	// a text, and the fields of the rule that makes paths. Its errors are keyed
	// by the path in the document: "channels[1].name", "ranges[3].gain".
	Form        Form
	Key         string
	Rev         int
	Removed     bool
	InUse       bool
	Def         bench.Definition   // as far as the form could be read
	Stored      []bench.Connection // whose dialects can be edited
	Conflict    *Conflict
	Findings    []Finding
	PathNotes   []LineNote
	PathColumns []PathColumnRead
	PathSplit   string // what the cells are split by
	Made        int    // paths that a rule made just now
}

// benchCell describes one column of a grid of the bench editor.
type benchCell struct {
	name, path, heading, spoken string
	unit                        quantity.Unit
	choices                     []Option // of a choice
	placeholder                 string
}

var connCells = []benchCell{
	{name: "connName", path: "name", heading: "Connection", spoken: "name of the connection"},
	{name: "connAddress", path: "address", heading: "Address", spoken: "address", placeholder: "tcp://host:port"},
	{name: "connCards", path: "cards", heading: "Cards", spoken: "cards behind it"},
	{name: "connTimeout", path: "timeout", heading: "Timeout", spoken: "timeout", unit: quantity.Second},
	{name: "connWatchdog", path: "watchdog", heading: "Watchdog", spoken: "watchdog", unit: quantity.Second},
	{name: "connSerial", path: "serial", heading: "Serial no.", spoken: "serial number expected"},
	{name: "connEcho", path: "echo", heading: "Echo", spoken: "whether the card sends back what it is sent", choices: []Option{{Value: "", Label: "no"}, {Value: "yes", Label: "yes"}}},
}

var chanCells = []benchCell{
	{name: "chanID", path: "id", heading: "No.", spoken: "number of the channel"},
	{name: "chanName", path: "name", heading: "Name", spoken: "name"},
	{name: "chanCard", path: "card", heading: "Card", spoken: "card"},
	{name: "chanNumber", path: "number", heading: "On its card", spoken: "number on its card"},
	{name: "chanSense", path: "remoteSense", heading: "Sense terminals", spoken: "sense terminals", choices: []Option{{Value: "", Label: "none"}, {Value: "yes", Label: "of its own"}}},
	{name: "chanSourceR", path: "sourceR", heading: "Source resistance", spoken: "source resistance", unit: quantity.Ohm},
}

var rangeCells = []benchCell{
	{name: "rangeOf", path: "channels", heading: "Channels", spoken: "channels"},
	{name: "rangeFunction", path: "function", heading: "Function", spoken: "function", choices: functionChoices()},
	{name: "rangeScale", path: "fullScale", heading: "Full scale", spoken: "full scale"},
	{name: "rangeStep", path: "step", heading: "Step", spoken: "converter step"},
	{name: "rangeGain", path: "gain", heading: "Gain part", spoken: "gain part of the error"},
	{name: "rangeOffset", path: "offset", heading: "Offset part", spoken: "offset part of the error"},
	{name: "rangeNoise", path: "noise", heading: "Noise, rms", spoken: "noise"},
	{name: "rangeLoop", path: "loopTime", heading: "Loop time", spoken: "time constant of the channel’s loop"},
}

func functionChoices() []Option {
	out := []Option{{Value: "", Label: "choose"}}
	for i, key := range []string{"forceV", "forceI", "senseV", "senseI"} {
		out = append(out, Option{Value: key, Label: bench.TableWords[i]})
	}
	return out
}

func fieldsOf(cells []benchCell) []string {
	var out []string
	for _, c := range cells {
		out = append(out, c.path)
	}
	return out
}

func connPath(i int, field string) string  { return fmt.Sprintf("connections[%d].%s", i, field) }
func chanPath(i int, field string) string  { return fmt.Sprintf("channels[%d].%s", i, field) }
func rangePath(i int, field string) string { return fmt.Sprintf("ranges[%d].%s", i, field) }

// addressWords describes how an address is understood; wrong is set where it
// is not.
func addressWords(address string) (words string, ok bool) {
	a, err := bench.ParseAddress(address)
	switch {
	case err != nil:
		return err.Error(), false
	case a.Network == "tcp":
		host, port := a.Place[:strings.LastIndexByte(a.Place, ':')], a.Place[strings.LastIndexByte(a.Place, ':')+1:]
		return "over the network, host " + host + ", port " + port, true
	}
	return fmt.Sprintf("serial line %s, %d bits/s, %d data bits, parity %s, %s", a.Place, a.Baud, a.Data, a.Parity, count(a.Stop, "stop bit", "stop bits")), true
}

// rangeRead is one range as it was understood.
type rangeRead struct{ channels, function, scale, step, error, part string }

// rangesRead lists the ranges of a bench; channels that have the same ones are
// named together.
func rangesRead(d *bench.Definition) []rangeRead {
	var out []rangeRead
	for k, unit := range []quantity.Unit{quantity.Volt, quantity.Ampere, quantity.Volt, quantity.Ampere} {
		of := func(c *bench.Channel) []bench.Range {
			return [][]bench.Range{c.ForceV, c.ForceI, c.SenseV, c.SenseI}[k]
		}
		done := map[int]bool{}
		for i := range d.Channels {
			if done[i] {
				continue
			}
			names := []string{}
			for j := i; j < len(d.Channels); j++ {
				if slices.Equal(of(&d.Channels[i]), of(&d.Channels[j])) {
					names, done[j] = append(names, d.Channels[j].Name), true
				}
			}
			for _, r := range of(&d.Channels[i]) {
				out = append(out, rangeOf(r, strings.Join(names, ", "), bench.TableWords[k], unit))
			}
		}
	}
	return out
}

func rangeOf(r bench.Range, channels, function string, unit quantity.Unit) rangeRead {
	x := rangeRead{channels: channels, function: function, scale: "±" + short(r.FullScale, unit), step: "not stated", error: "not stated"}
	if r.Step > 0 {
		x.step = short(r.Step, unit)
	}
	if worst := r.MaxError(r.FullScale); worst > 0 {
		x.error = "±" + short(worst, unit)
		if r.FullScale > 0 {
			x.part = short(100*worst/r.FullScale, quantity.Percent)
		}
	}
	return x
}

// lineRead is what was understood of the paths of one line.
type lineRead struct{ line, paths, muxes, resistance, sense string }

// linesRead summarises the paths, line by line.
func linesRead(d *bench.Definition) []lineRead {
	var out []lineRead
	ids := []bench.ChannelID{}
	for _, c := range d.Channels {
		ids = append(ids, c.ID)
	}
	for _, id := range append(ids, 0) {
		var contacts []int
		muxes, senses := map[string]bool{}, 0
		low, high := 0.0, 0.0
		for _, p := range d.Paths {
			if p.Channel != id {
				continue
			}
			if len(contacts) == 0 {
				low, high = p.Resistance, p.Resistance
			}
			low, high = min(low, p.Resistance), max(high, p.Resistance)
			contacts, muxes[p.Mux] = append(contacts, p.Contact), true
			if p.Kelvin {
				senses++
			}
		}
		if len(contacts) == 0 {
			continue
		}
		slices.Sort(contacts)
		l := lineRead{line: d.LineName(id), paths: contactSpans(slices.Compact(contacts)), muxes: strconv.Itoa(len(muxes)), resistance: short(low, quantity.Ohm), sense: "none"}
		if high != low {
			l.resistance += " to " + short(high, quantity.Ohm)
		} else if high == 0 {
			l.resistance = "not stated"
		}
		if senses == len(contacts) {
			l.sense = "all"
		} else if senses > 0 {
			l.sense = fmt.Sprintf("%d of %d", senses, len(contacts))
		}
		out = append(out, l)
	}
	return out
}

// contactSpans returns a list of contacts in words: "1 to 48", "3, 7 and 9 to
// 12".
func contactSpans(contacts []int) string {
	words := pinSpans(contacts)
	_, numbers, _ := strings.Cut(words, " ")
	return numbers
}

func (c PathColumnRead) words() string {
	if c.Means == "" {
		return c.Heading + " → not used"
	}
	if strings.EqualFold(c.Heading, c.Means) {
		return c.Heading
	}
	return c.Heading + " → " + c.Means
}
