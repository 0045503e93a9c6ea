package bench

import (
	"fmt"
	"slices"
	"strings"

	"ohmkeep/server/dut"
)

// Connection is how one or more cards of a bench are reached, and what they
// are told.
type Connection struct {
	Name  string `json:"name"`
	Cards []int  `json:"cards"`
	// Address is tcp://host:port, or serial:///dev/name with the settings of
	// the line as a query: ?baud=115200&data=8&parity=none&stop=1.
	Address string `json:"address"`
	// Timeout is how much longer than its own time an answer may take, s.
	Timeout float64 `json:"timeout"`
	// Watchdog is after how long a silence the card makes itself safe, s; 0
	// where it has no watchdog.
	Watchdog float64 `json:"watchdog,omitempty"`
	// Serial, where it is given, is the only card that is accepted.
	Serial string `json:"serial,omitempty"`
	// Echo is true where the card sends back every line it is sent.
	Echo bool `json:"echo,omitempty"`
	// Commands are what is sent where the card's dialect differs from the
	// protocol's; what is empty is the protocol's own.
	Commands Commands `json:"commands,omitzero"`
}

// Commands are the messages that make up a dialect, with places for values in
// braces. Each line of a text is a message of its own.
type Commands struct {
	Identify string `json:"identify,omitempty"`
	// Reset is sent after a connection is made, before anything else is set.
	Reset string `json:"reset,omitempty"`
	// Safe takes all outputs to zero and off and opens all paths, also while
	// a reading is under way.
	Safe string `json:"safe,omitempty"`
	// OutputState asks whether a channel's output is on: 0 or 1.
	OutputState string `json:"outputState,omitempty"`
	// ClosedPaths asks for the channel list of the closed paths; "-" where
	// there are no paths.
	ClosedPaths string `json:"closedPaths,omitempty"`
	// ForceVoltage and ForceCurrent set everything of a channel; LevelVoltage
	// and LevelCurrent change the level alone.
	ForceVoltage string `json:"forceVoltage,omitempty"`
	ForceCurrent string `json:"forceCurrent,omitempty"`
	LevelVoltage string `json:"levelVoltage,omitempty"`
	LevelCurrent string `json:"levelCurrent,omitempty"`
	// LocalSense and RemoteSense choose the sense terminals; "-" where there
	// is no such command.
	LocalSense  string `json:"localSense,omitempty"`
	RemoteSense string `json:"remoteSense,omitempty"`
	OutputOn    string `json:"outputOn,omitempty"`
	OutputOff   string `json:"outputOff,omitempty"`
	OpenPaths   string `json:"openPaths,omitempty"`
	ClosePaths  string `json:"closePaths,omitempty"`
	Aperture    string `json:"aperture,omitempty"`
	// Read measures. With {channels} it reads all channels of the connection
	// at once, with {channel} one after the other.
	Read string `json:"read,omitempty"`
	// Fields names the values that Read brings for each channel, in order:
	// v, i (V, A), status (the protocol's bits), limit (0 or 1), level (as
	// set), or skip. Values are separated by commas or semicolons.
	Fields string `json:"fields,omitempty"`
	// Confirm asks, after settings, whether they were carried out: the
	// standard event status register of IEEE 488.2.
	Confirm string `json:"confirm,omitempty"`
	// Error asks for the oldest entry of the error queue.
	Error string `json:"error,omitempty"`
}

// None is a command that the card does not have and does not need.
const None = "-"

// ProtocolCommands are those of the protocol: what is used where a connection
// does not say otherwise. Headers are those of SCPI-1999 and IEEE 488.2.
func ProtocolCommands() Commands {
	return Commands{
		Identify:    "*IDN?",
		Reset:       "*RST\n*CLS",
		Safe:        "ABOR;*RST",
		OutputState: "OUTP{channel}?", ClosedPaths: "ROUT:CLOS:STAT?",
		ForceVoltage: "SOUR{channel}:FUNC:MODE VOLT;:SOUR{channel}:VOLT:RANG {range};:SOUR{channel}:VOLT {level};" +
			":SENS{channel}:CURR:RANG {senseRange};:SENS{channel}:CURR:PROT {compliance}",
		ForceCurrent: "SOUR{channel}:FUNC:MODE CURR;:SOUR{channel}:CURR:RANG {range};:SOUR{channel}:CURR {level};" +
			":SENS{channel}:VOLT:RANG {senseRange};:SENS{channel}:VOLT:PROT {compliance}",
		LevelVoltage: "SOUR{channel}:VOLT {level}",
		LevelCurrent: "SOUR{channel}:CURR {level}",
		LocalSense:   "SOUR{channel}:VOLT:ALC:SOUR INT",
		RemoteSense:  "SOUR{channel}:VOLT:ALC:SOUR EXT",
		OutputOn:     "OUTP{channel} ON",
		OutputOff:    "OUTP{channel} OFF",
		OpenPaths:    "ROUT:OPEN {paths}",
		ClosePaths:   "ROUT:CLOS {paths}",
		Aperture:     "SENS{channel}:CURR:APER {aperture}",
		Read:         "READ? {channels}",
		Fields:       "v,i,status,level",
		Confirm:      "*ESR?",
		Error:        "SYST:ERR?",
	}
}

// Blank is one text of a dialect: its name in JSON, what it is for, the
// places for values that it may have, and whether it may be None.
type Blank struct {
	Name, Title string
	Text        func(*Commands) *string
	Places      []string
	Optional    bool
}

// Blanks lists the texts of a dialect in the order in which they are shown.
func Blanks() []Blank {
	force := []string{"channel", "level", "range", "compliance", "senseRange"}
	ch := []string{"channel"}
	return []Blank{
		{"identify", "Who the card is", func(c *Commands) *string { return &c.Identify }, nil, false},
		{"reset", "After connecting", func(c *Commands) *string { return &c.Reset }, nil, false},
		{"safe", "Make safe", func(c *Commands) *string { return &c.Safe }, nil, false},
		{"outputState", "Is an output on?", func(c *Commands) *string { return &c.OutputState }, ch, false},
		{"closedPaths", "Which paths are closed?", func(c *Commands) *string { return &c.ClosedPaths }, nil, true},
		{"forceVoltage", "Force a voltage", func(c *Commands) *string { return &c.ForceVoltage }, force, false},
		{"forceCurrent", "Force a current", func(c *Commands) *string { return &c.ForceCurrent }, force, true},
		{"levelVoltage", "Change the voltage alone", func(c *Commands) *string { return &c.LevelVoltage }, force[:2], false},
		{"levelCurrent", "Change the current alone", func(c *Commands) *string { return &c.LevelCurrent }, force[:2], true},
		{"localSense", "Sense at the force terminals", func(c *Commands) *string { return &c.LocalSense }, ch, true},
		{"remoteSense", "Sense at the sense terminals", func(c *Commands) *string { return &c.RemoteSense }, ch, true},
		{"outputOn", "Output on", func(c *Commands) *string { return &c.OutputOn }, ch, false},
		{"outputOff", "Output off", func(c *Commands) *string { return &c.OutputOff }, ch, false},
		{"openPaths", "Open paths", func(c *Commands) *string { return &c.OpenPaths }, []string{"paths"}, true},
		{"closePaths", "Close paths", func(c *Commands) *string { return &c.ClosePaths }, []string{"paths"}, true},
		{"aperture", "Set the aperture", func(c *Commands) *string { return &c.Aperture }, []string{"channel", "aperture", "cycles"}, true},
		{"read", "Read", func(c *Commands) *string { return &c.Read }, []string{"channel", "channels"}, false},
		{"fields", "What a reading brings", func(c *Commands) *string { return &c.Fields }, nil, false},
		{"confirm", "Confirm settings", func(c *Commands) *string { return &c.Confirm }, nil, false},
		{"error", "Oldest error", func(c *Commands) *string { return &c.Error }, nil, false},
	}
}

// Filled is the dialect with the protocol's own text wherever it is empty.
func (c Commands) Filled() Commands {
	own := ProtocolCommands()
	for _, b := range Blanks() {
		if text := b.Text(&c); *text == "" {
			*text = *b.Text(&own)
		}
	}
	return c
}

// Fill puts values into a text's places, {name} each. A place without a value
// is an error.
func Fill(text string, values map[string]string) (string, error) {
	var b strings.Builder
	for {
		before, rest, found := strings.Cut(text, "{")
		b.WriteString(before)
		if !found {
			return b.String(), nil
		}
		name, after, closed := strings.Cut(rest, "}")
		value, known := values[name]
		if !closed || !known {
			return "", fmt.Errorf("bench: there is no value for {%s} here", name)
		}
		b.WriteString(value)
		text = after
	}
}

// FieldNames are what Fields may name.
var FieldNames = []string{"v", "i", "status", "limit", "level", "skip"}

// ConnectionOf returns the connection that a card is behind.
func (d *Definition) ConnectionOf(card int) (*Connection, bool) {
	for i := range d.Connections {
		if slices.Contains(d.Connections[i].Cards, card) {
			return &d.Connections[i], true
		}
	}
	return nil, false
}

// CardOf is the card that a path's switch is on.
func (d *Definition) CardOf(p *Path) int {
	if p.Card != 0 {
		return p.Card
	}
	if ch, ok := d.ChannelByID(p.Channel); ok {
		return ch.Card
	}
	if len(d.Channels) > 0 {
		return d.Channels[0].Card
	}
	return 0
}

// NumberOf is what a channel is called on its card.
func (c *Channel) NumberOf() int {
	if c.Number != 0 {
		return c.Number
	}
	return int(c.ID)
}

// maxConnections bounds what a bench may have.
const maxConnections = 16

func (d *Definition) checkConnections(ps *dut.Problems) {
	if len(d.Connections) > maxConnections {
		ps.Add("connections", "must be at most %d, not %d", maxConnections, len(d.Connections))
		return
	}
	names, behind := map[string]bool{}, map[int]string{}
	for i := range d.Connections {
		c := &d.Connections[i]
		at := fmt.Sprintf("connections[%d].", i)
		switch {
		case strings.TrimSpace(c.Name) == "" || len(c.Name) > 64:
			ps.Add(at+"name", "give it a name of at most 64 characters")
		case names[c.Name]:
			ps.Add(at+"name", "two connections are called %s", c.Name)
		}
		names[c.Name] = true
		for _, card := range c.Cards {
			if other, twice := behind[card]; twice {
				ps.Add(at+"cards", "card %d is behind %s already", card, other)
			}
			behind[card] = c.Name
		}
		within(ps, at+"timeout", c.Timeout, 1e-3, 60, "s")
		within(ps, at+"watchdog", c.Watchdog, 0, 600, "s")
		if err := CheckAddress(c.Address); err != nil {
			ps.Add(at+"address", "%s", err)
		}
		c.Commands.check(ps, at+"commands.")
		d.checkReach(ps, c, at+"commands.")
	}
	if len(d.Connections) == 0 {
		return
	}
	for i := range d.Channels {
		if card := d.Channels[i].Card; behind[card] == "" {
			ps.Add(fmt.Sprintf("channels[%d].card", i), "card %d is behind no connection", card)
		}
	}
	for i := range d.Paths {
		if card := d.CardOf(&d.Paths[i]); behind[card] == "" {
			ps.Add(fmt.Sprintf("paths[%d].card", i), "card %d is behind no connection", card)
		}
	}
}

// checkReach refuses a dialect that cannot tell apart, or cannot ask about, what
// is behind its connection: what is believed safe must have been asked for.
func (d *Definition) checkReach(ps *dut.Problems, c *Connection, at string) {
	channels, paths := 0, 0
	for i := range d.Channels {
		if slices.Contains(c.Cards, d.Channels[i].Card) {
			channels++
		}
	}
	for i := range d.Paths {
		if slices.Contains(c.Cards, d.CardOf(&d.Paths[i])) {
			paths++
		}
	}
	filled := c.Commands.Filled()
	for _, b := range Blanks() {
		text := *b.Text(&filled)
		switch b.Name {
		case "outputState", "outputOn", "outputOff", "forceVoltage", "forceCurrent", "levelVoltage", "levelCurrent", "read":
			// {channels} names them as well.
			if channels > 1 && text != None && !strings.Contains(text, "{channel") {
				ps.Add(at+b.Name, "must name {channel}: there are %d channels behind this connection", channels)
			}
		case "closedPaths", "openPaths", "closePaths":
			if paths > 0 && text == None {
				ps.Add(at+b.Name, "cannot be left out: there are %d paths behind this connection", paths)
			}
		}
	}
}

func (c Commands) check(ps *dut.Problems, at string) {
	for _, b := range Blanks() {
		text := *b.Text(&c)
		switch {
		case text == "":
		case len(text) > 400:
			ps.Add(at+b.Name, "must be at most 400 characters")
		case text == None && !b.Optional:
			ps.Add(at+b.Name, "cannot be left out")
		case b.Name == "fields":
			checkFields(ps, at+b.Name, text)
		default:
			values := map[string]string{}
			for _, p := range b.Places {
				values[p] = ""
			}
			if _, err := Fill(text, values); err != nil {
				ps.Add(at+b.Name, "%s", strings.TrimPrefix(err.Error(), "bench: "))
			}
		}
	}
}

func checkFields(ps *dut.Problems, field, text string) {
	names := strings.Split(text, ",")
	for _, n := range names {
		if !slices.Contains(FieldNames, strings.TrimSpace(n)) {
			ps.Add(field, "%q is none of %s", n, strings.Join(FieldNames, ", "))
		}
	}
	for _, needed := range []string{"v", "i"} {
		if !slices.Contains(names, needed) {
			ps.Add(field, "a reading needs %s", needed)
		}
	}
}

// NewConnection is a connection to cards at an address, with the times that a
// card of the protocol needs: an answer may take 1 s, and a card that hears
// nothing for 2 s switches itself off.
func NewConnection(name, address string, cards []int) Connection {
	return Connection{Name: name, Cards: cards, Address: address, Timeout: 1, Watchdog: 2}
}

// Cards are the cards that the bench's channels are on, in the channels' order.
func (d *Definition) Cards() []int {
	var out []int
	for _, c := range d.Channels {
		if !slices.Contains(out, c.Card) {
			out = append(out, c.Card)
		}
	}
	return out
}
