package bench

import (
	"cmp"
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// WiringRow is one wire of the sheet for the person who plugs them.
type WiringRow struct {
	Pin      int          `json:"pin"`
	Name     string       `json:"name"`
	Function dut.Function `json:"function"`
	Contact  int          `json:"contact"`            // 0: none yet
	Row      string       `json:"row,omitempty"`      // of the socket: left, right
	Position int          `json:"position,omitempty"` // in its row, from the end with contact 1
	Straps   []string     `json:"straps,omitempty"`   // jumpers to make, in words
	Lines    []string     `json:"lines,omitempty"`    // what reaches it, in words
}

// WiringSheet lists the wires in the order of plugging: grounds first, so that
// the part and the board share a potential before anything else touches
// (common practice), then supplies, then signals, then pins that stay
// unconnected; each by contact. A strap stands in one row only, with the
// contact it starts from.
func WiringSheet(def *Definition, pm *PinMap, d *dut.Device) []WiringRow {
	rows := make([]WiringRow, 0, len(d.Pins))
	for _, p := range d.Pins {
		r := WiringRow{Pin: p.Number, Name: p.Name, Function: p.Function, Contact: pm.Contacts[p.Number]}
		r.Row, r.Position = Place(def.Contacts, r.Contact)
		for _, s := range pm.StrapsOf(r.Contact) {
			r.Straps = append(r.Straps, strapWords(def, pm, d, s))
		}
		for _, l := range Reach(def, pm, p.Number) {
			r.Lines = append(r.Lines, l.Words())
		}
		rows = append(rows, r)
	}
	slices.SortStableFunc(rows, func(a, b WiringRow) int {
		return cmp.Or(plugRank(a.Function)-plugRank(b.Function), a.Contact-b.Contact, a.Pin-b.Pin)
	})
	return rows
}

// Words is the line for a sheet or a tooltip: "1A, force and sense".
func (r Reached) Words() string {
	parts := []string{r.Line}
	if r.Kelvin {
		parts = append(parts, "force and sense")
	}
	if r.Strapped {
		parts = append(parts, "by a strap")
	}
	return strings.Join(parts, ", ")
}

// Place is where a contact is on a socket of two rows: which row, and how far
// from the end with contact 1, from 1.
func Place(contacts, contact int) (row string, position int) {
	half := (contacts + 1) / 2
	switch {
	case contact < 1 || contact > contacts:
		return "", 0
	case contact <= half:
		return "left", contact
	}
	return "right", contacts + 1 - contact
}

func plugRank(f dut.Function) int {
	switch f {
	case dut.Ground:
		return 0
	case dut.Supply:
		return 1
	case dut.NoConnect:
		return 3
	}
	return 2
}

// strapWords says what jumper to make, named by the far end.
func strapWords(def *Definition, pm *PinMap, d *dut.Device, s Strap) string {
	switch s.Kind {
	case StrapReturn:
		return "to the return"
	case StrapChannel:
		return "to channel " + lineName(def, s.Channel)
	}
	ohms := quantity.Format(s.Resistance, quantity.Ohm, 3)
	if s.To == 0 {
		return ohms + " to the return"
	}
	to := ohms + " to contact " + strconv.Itoa(s.To)
	if n, ok := pm.PinOf(s.To); ok {
		if p, ok := d.Pin(n); ok {
			to += ", pin " + p.Label()
		}
	}
	return to
}
