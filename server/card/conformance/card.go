package conformance

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/scpi"
)

// The largest level and compliance that the check puts on an output that is
// on.
const (
	maxLevel      = 0.1   // V, forced or as the limit while a current is forced
	maxCompliance = 10e-6 // A, unless the smallest range cannot hold so little
)

// Channel is the description of a channel of the card, as far as it is known.
type Channel struct {
	Number int // what the card calls it
	// The ranges, in ascending order of full scale; V and A.
	ForceV, ForceI, SenseV, SenseI []bench.Range
	RemoteSense                    bool
}

// Path is the description of a path of the card, as far as it is known.
type Path struct {
	Item    string // of a channel list, such as 1!12
	Line    int    // the number of its channel; 0: the return
	Contact int
	Mux     string // paths of one multiplexer exclude each other; "": not known
}

// OptionsOf are the options for the cards behind a connection of a bench.
func OptionsOf(d *bench.Definition, connection string) (Options, error) {
	i := slices.IndexFunc(d.Connections, func(c bench.Connection) bool { return c.Name == connection })
	if i < 0 {
		return Options{}, fmt.Errorf("conformance: there is no connection %q", connection)
	}
	conn := &d.Connections[i]
	o := Options{
		Connection: connection, Echo: conn.Echo,
		Watchdog: seconds(conn.Watchdog), Timeout: seconds(conn.Timeout), SwitchTime: seconds(d.SwitchTime),
	}
	if a, err := bench.ParseAddress(conn.Address); err == nil {
		o.Baud = a.Baud
	}
	for j := range d.Channels {
		if ch := &d.Channels[j]; slices.Contains(conn.Cards, ch.Card) {
			o.Channels = append(o.Channels, Channel{
				Number: ch.NumberOf(), RemoteSense: ch.RemoteSense,
				ForceV: ch.ForceV, ForceI: ch.ForceI, SenseV: ch.SenseV, SenseI: ch.SenseI,
			})
		}
	}
	o.Paths = []Path{}
	for j := range d.Paths {
		p := &d.Paths[j]
		if !slices.Contains(conn.Cards, d.CardOf(p)) {
			continue
		}
		line := 0
		if ch, ok := d.ChannelByID(p.Channel); ok {
			line = ch.NumberOf()
		}
		o.Paths = append(o.Paths, Path{Item: p.Address, Line: line, Contact: p.Contact, Mux: p.Mux})
	}
	if len(o.Channels) == 0 {
		return o, fmt.Errorf("conformance: there is no channel behind %q", connection)
	}
	return o, nil
}

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

// card is the description of the card under check, as far as it is known.
type card struct {
	identity string
	channels []Channel
	paths    []Path
	// why says, where there are no paths or ranges, why.
	noPaths  string
	noRanges string
	// learned is true where ranges and paths were found out by asking.
	learned bool
	// hasPaths is true once it has said which paths are closed.
	hasPaths  bool
	watchdog  time.Duration // 0: none is known
	message   int           // bytes of the longest message
	announced int           // channels, by *OPT?
}

func (c *card) numbers() []int {
	out := make([]int, len(c.channels))
	for i := range c.channels {
		out[i] = c.channels[i].Number
	}
	return out
}

func (c *card) first() int { return c.channels[0].Number }

func (c *card) channel(number int) *Channel {
	for i := range c.channels {
		if c.channels[i].Number == number {
			return &c.channels[i]
		}
	}
	return &c.channels[0]
}

// list writes items as a channel list.
func list(items ...string) string { return "(@" + strings.Join(items, ",") + ")" }

// values returns the replacements of the placeholders of a channel's messages.
func (c *card) values(number int) values {
	v := values{}
	ch := c.channel(number)
	all := make([]string, len(c.channels))
	for i, n := range c.numbers() {
		all[i] = strconv.Itoa(n)
	}
	v.set("n", strconv.Itoa(number))
	v.missing("one", "the card has no channel 1")
	if slices.Contains(c.numbers(), 1) {
		v.set("one", "1")
	}
	v.set("all", list(all...))
	slices.Reverse(all)
	v.set("reversed", list(all...))
	v.set("nobody", strconv.Itoa(max(c.announced, slices.Max(c.numbers()))+1))
	v.set("channels", strconv.Itoa(len(all)))
	v.set("message", strconv.Itoa(c.message))
	v.missing("external", "the channel has no sense terminals")
	if ch.RemoteSense {
		v.set("external", "EXT")
	}
	c.levels(v, ch)
	c.ranges(v, "force voltage", ch.ForceV, "v")
	c.ranges(v, "force current", ch.ForceI, "i")
	c.ranges(v, "sense voltage", ch.SenseV, "sv")
	c.ranges(v, "sense current", ch.SenseI, "si")
	c.routes(v, number)
	return v
}

// levels are those that outputs which are on get: {v} in range {vr} with
// compliance {ic} in range {ir}, and {i} in range {fr} with {vc} in {cr}.
func (c *card) levels(v values, ch *Channel) {
	if c.noRanges != "" || len(ch.ForceV) == 0 || len(ch.SenseI) == 0 || len(ch.ForceI) == 0 || len(ch.SenseV) == 0 {
		for _, name := range []string{"v", "v2", "vr", "ic", "ir", "i", "fr", "vc", "cr"} {
			v.missing(name, cmp.Or(c.noRanges, "the channel has not all four kinds of range"))
		}
		return
	}
	vr := rangeFor(ch.ForceV, maxLevel)
	most := min(maxLevel, vr.FullScale)
	v.number("v", most/2)
	v.number("v2", most)
	v.number("vr", vr.FullScale)
	ir := rangeFor(ch.SenseI, maxCompliance)
	v.number("ic", min(ir.FullScale, max(maxCompliance, ir.FullScale/100)))
	v.number("ir", ir.FullScale)
	fr := ch.ForceI[0]
	v.number("fr", fr.FullScale)
	v.number("i", min(fr.FullScale/2, maxCompliance/2))
	cr := rangeFor(ch.SenseV, maxLevel)
	v.number("vc", min(maxLevel, cr.FullScale))
	v.number("cr", cr.FullScale)
}

// rangeFor is the smallest range that holds x, or the largest there is.
func rangeFor(ranges []bench.Range, x float64) bench.Range {
	for _, r := range ranges {
		if r.FullScale >= x {
			return r
		}
	}
	return ranges[len(ranges)-1]
}

// ranges are values beside the ranges of a kind: the full scale of the
// smallest and largest, something between them that the smallest does not
// hold, and something beyond all.
func (c *card) ranges(v values, kind string, ranges []bench.Range, prefix string) {
	names := []string{".small", ".large", ".between", ".beyond", ".half"}
	if c.noRanges != "" || len(ranges) == 0 {
		for _, n := range names {
			v.missing(prefix+n, cmp.Or(c.noRanges, "the channel has no "+kind+" range"))
		}
		return
	}
	small, large := ranges[0].FullScale, ranges[len(ranges)-1].FullScale
	v.number(prefix+".small", small)
	v.number(prefix+".large", large)
	v.number(prefix+".half", small/2)
	v.number(prefix+".beyond", 2*large) // converters may reach some percent beyond their full scale
	v.missing(prefix+".between", "the channel has only one "+kind+" range")
	if len(ranges) > 1 {
		v.number(prefix+".between", math.Min(2*small, ranges[1].FullScale))
	}
}

// routes are the paths used by a check: {path} of a channel, {return} at the
// same contact, and {rival}, which shares the multiplexer.
func (c *card) routes(v values, number int) {
	v.set("nowhere", "255!255")
	if !c.hasPaths {
		v.missing("nowhere", c.noPaths)
	}
	c.many(v, number)
	for _, name := range []string{"path", "return", "rival", "two", "twosorted"} {
		v.missing(name, cmp.Or(c.noPaths, "no such path of the card is known"))
	}
	var own, ret *Path
	for i := range c.paths {
		p := &c.paths[i]
		if p.Line != number || ret != nil {
			continue
		}
		j := slices.IndexFunc(c.paths, func(r Path) bool { return r.Line == 0 && r.Contact == p.Contact })
		if own == nil || j >= 0 {
			own = p
		}
		if j >= 0 {
			ret = &c.paths[j]
		}
	}
	if own == nil {
		return
	}
	v.set("path", own.Item)
	if ret != nil {
		v.set("return", ret.Item)
		v.set("two", list(own.Item, ret.Item))
		v.set("twosorted", list(ret.Item, own.Item))
	}
	for _, p := range c.paths {
		if p.Line == number && p.Item != own.Item && p.Mux == own.Mux {
			v.set("rival", p.Item)
			return
		}
	}
}

// many is a channel list of more items than a card must take, of paths that
// are there.
func (c *card) many(v values, number int) {
	var contacts []int
	for _, p := range c.paths {
		if p.Line == number && p.Item == fmt.Sprintf("%d!%d", number, p.Contact) {
			contacts = append(contacts, p.Contact)
		}
	}
	slices.Sort(contacts)
	// The first contacts without a gap.
	n := 0
	for n < len(contacts) && contacts[n] == contacts[0]+n {
		n++
	}
	v.missing("many", cmp.Or(c.noPaths, "no list of so many paths that are there fits into a message"))
	if n == 0 {
		return
	}
	item := fmt.Sprintf("%d!%d:%d!%d", number, contacts[0], number, contacts[n-1])
	times := maxItems/n + 1
	if times*(len(item)+1) < c.message*9/10 {
		v.set("many", list(slices.Repeat([]string{item}, times)...))
	}
}

// maxItems is the number of items of a channel list that the protocol asks a
// card to take.
const maxItems = 1024

// echoes returns the tolerance of a level that a card sends back, in the force
// range that a value names: one part in a million and half a step. Where the
// step is not known, that of a converter of 11 bits and a sign.
func (t *trial) echoes(x float64, of string) float64 {
	text, err := t.values.fill(of)
	if err != nil {
		return 1e-6 * math.Abs(x)
	}
	full, _ := strconv.ParseFloat(text, 64)
	step := full / 2048
	ch := t.card.channel(t.channel)
	ranges := ch.ForceI
	if strings.HasPrefix(of, "{v") {
		ranges = ch.ForceV
	}
	for _, r := range ranges {
		if r.FullScale == full && r.Step > 0 {
			step = r.Step
		}
	}
	return 1e-6*math.Abs(x) + step/2
}

// ParsePath reads a path as a person writes it: line!contact.
func ParsePath(text string) (Path, error) {
	text = strings.TrimSpace(text)
	items, err := scpi.ParseChannelList(nil, list(text))
	if err != nil || len(items) != 1 || items[0].B < 0 {
		return Path{}, fmt.Errorf("%q is no path; write line!contact, such as 1!12, or 0!12 for the return", text)
	}
	return Path{Item: text, Line: items[0].A, Contact: items[0].B}, nil
}
