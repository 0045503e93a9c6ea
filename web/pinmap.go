package web

import (
	"fmt"
	"strconv"
	"strings"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
)

// PinMapProps is the editor of a pin map: where each pin of a device sits on a
// bench, and the straps of the device board.
type PinMapProps struct {
	Page   Page
	Device dut.Device
	// Form holds contact, one for each of Pins, and for each strap strapAt,
	// strapKind, strapTo and strapOhms. Its errors are keyed by the path in the
	// document: "contacts[7]" by pin, "straps[1].to".
	Form     Form
	Pins     []MappedPin
	Rev      int // that the edit started from; 0 where there is no pin map yet
	Bench    *bench.Definition
	Socket   Socket
	Findings []Finding
	Says     []string // what a proposal assumed
	Conflict *Conflict
	CanEdit  bool
}

// MappedPin is one pin with the bench's lines that reach its contact.
type MappedPin struct {
	Pin     dut.Pin
	Reached []bench.Reached
}

// reachWords names the lines that reach a pin, each in a word or two.
func reachWords(list []bench.Reached) string {
	if len(list) == 0 {
		return "nothing"
	}
	words := make([]string, len(list))
	for i, r := range list {
		words[i] = r.Line
		if r.Kelvin {
			words[i] += " (4-wire)"
		}
		if r.Strapped {
			words[i] += ", strapped"
		}
	}
	return strings.Join(words, ", ")
}

func contactPath(pin int) string                 { return fmt.Sprintf("contacts[%d]", pin) }
func strapPath(i int, field string) string       { return fmt.Sprintf("straps[%d].%s", i, field) }
func (p PinMapProps) address(tail string) string { return "/devices/" + p.Device.Key + "/" + tail }

var strapKinds = []Option{
	{Value: "", Label: "—"},
	{Value: string(bench.StrapReturn), Label: "to the return"},
	{Value: string(bench.StrapChannel), Label: "to a channel"},
	{Value: string(bench.StrapResistor), Label: "through a resistor"},
}

var strapFields = []string{"contact", "kind", "to", "channel", "resistance"}

// channelWords names the channels of a bench, for a hint.
func channelWords(def *bench.Definition) string {
	names := make([]string, len(def.Channels))
	for i, c := range def.Channels {
		names[i] = def.ChannelName(c.ID)
	}
	return strings.Join(names, ", ")
}

// WiringProps is the wiring sheet for the person who plugs the wires.
type WiringProps struct {
	Page      Page
	Device    dut.Device
	Rev       int // of the device
	MapRev    int
	Bench     *bench.Definition
	Rows      []bench.WiringRow
	Loose     []string // straps on contacts without a pin
	Socket    Socket
	Part      Drawing
	Findings  []Finding
	Rehearsal bool
}

// placeWords returns in words where in the socket a contact is.
func placeWords(r bench.WiringRow) string {
	if r.Contact == 0 {
		return "none"
	}
	return r.Row + " row, place " + strconv.Itoa(r.Position)
}

// LooseStraps returns the straps on contacts that hold no pin, in words.
func LooseStraps(pm *bench.PinMap, def *bench.Definition) []string {
	var out []string
	for _, s := range pm.Straps {
		if _, taken := pm.PinOf(s.Contact); !taken {
			out = append(out, strapWords(s, def))
		}
	}
	return out
}

// pinOneWords returns in words how pin 1 is found on a package.
func pinOneWords(p dut.Package) string {
	switch p.Family {
	case dut.DualRow:
		return "with the notch up, pin 1 is at the top left, beside the dot."
	case dut.SingleRow:
		return "pin 1 is at the end with the dot."
	}
	return "pin 1 is at the cut corner."
}
