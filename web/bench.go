package web

import (
	"strconv"
	"strings"

	"ohmkeep/server/bench"
	"ohmkeep/server/cardinfo"
	"ohmkeep/server/dut"
	"ohmkeep/server/quantity"
)

// FaultChoice is one kind of fault that a form offers for a rehearsal bench.
type FaultChoice struct {
	Key, Label string
	Unit       quantity.Unit // of its value; One where it has none
	At         string        // what "at" means: "pin", "path", "channel", "contact"
	Other      string        // what "other" means; "" where it has none
	ValueLabel string        // "" where it has no value
}

// BenchProps is the bench page.
type BenchProps struct {
	Page     Page
	Def      bench.Definition
	Identity bench.Identity
	State    bench.State
	Reason   string // why the state is what it is
	HasCards bool
	Health   []cardinfo.Health // of the connections to its cards
	Holder   string            // who has control; "" for nobody
	Mine     bool              // Holder is who is looking
	// CanTakeOver: an owner takes control from whoever has it. Asked: whoever
	// looks has asked for it.
	CanTakeOver, Asked bool
	AtWork             bool // control stays where it is meanwhile
	Faults             []bench.Fault
	DueWords           string // when the last good check was, and whether one is due
	CanUse             bool   // operator or owner

	// Seat puts a unit into the socket of a rehearsal bench. Fields: model
	// ("device:KEY" or "model:KEY"), serial, lot, seed, option (the model's
	// first value), and for each row of unit faults fault, at, other, value.
	// Posted to /bench/seat.
	Seat       Form
	Models     []Option
	UnitFaults []FaultChoice
	Drawn      string   // which bench is drawn and in which room, in words
	Worlds     []Option // what the bench can have of a real one
	Seated     []string // what is in the socket and what is wrong with it, in words

	// BenchFaults are faults of the bench itself: rows of fault, at, other,
	// value. Posted to /bench/faults; an empty list clears them.
	BenchForm   Form
	BenchFaults []FaultChoice
	Given       []string // the bench faults in force, in words
	// Check is the last check of the bench, nil for none, and CheckWords what is
	// said of it.
	Check      *BenchCheckRow
	CheckWords string
	// Channels of the bench as they stand now; nil where unknown.
	Now []ChannelNow
}

// ChannelNow is the present state of one channel of the bench.
type ChannelNow struct {
	On   bool
	V, I float64 // NaN: never read
}

// faultRows is the number of rows for faults in a form.
const faultRows = 3

func rangeWords(rs []bench.Range, unit quantity.Unit) string {
	s := ""
	for i, r := range rs {
		if i > 0 {
			s += ", "
		}
		s += "±" + strings.ReplaceAll(short(r.FullScale, unit), " ", "\u00a0")
	}
	return orDash(s)
}

// pathRow is one row of the table of paths: the paths of one contact.
type pathRow struct {
	contact int
	cells   []*bench.Path // by column: the return, then each channel
}

// pathRows returns the table of paths, with a row for each contact and a
// column for each line.
func pathRows(def *bench.Definition) []pathRow {
	rows := make([]pathRow, min(max(def.Contacts, 0), dut.MaxPins))
	for i := range rows {
		rows[i] = pathRow{contact: i + 1, cells: make([]*bench.Path, len(def.Channels)+1)}
	}
	for i := range def.Paths {
		p := &def.Paths[i]
		if p.Contact < 1 || p.Contact > len(rows) {
			continue
		}
		if c := columnOf(def, p.Channel); c >= 0 {
			rows[p.Contact-1].cells[c] = p
		}
	}
	return rows
}

func columnOf(def *bench.Definition, id bench.ChannelID) int {
	if id == 0 {
		return 0
	}
	for i, c := range def.Channels {
		if c.ID == id {
			return i + 1
		}
	}
	return -1
}

func pathWords(p *bench.Path) string {
	s := p.Mux + " " + p.Address + ", " + short(p.Resistance, quantity.Ohm)
	if p.Kelvin {
		s += ", remote sense"
	}
	return s
}

func channelState(now []ChannelNow, i int) string {
	if i >= len(now) {
		return "—"
	}
	if !now[i].On {
		return "off"
	}
	return "on"
}

func faultOptions(choices []FaultChoice) []Option {
	out := []Option{{"", "no fault", ""}}
	for _, c := range choices {
		label := c.Label + " (at " + c.At
		if c.Other != "" {
			label += ", other " + c.Other
		}
		if c.ValueLabel != "" {
			label += ", " + c.ValueLabel
			if c.Unit != quantity.One {
				label += " in " + string(c.Unit)
			}
		}
		out = append(out, Option{c.Key, label + ")", ""})
	}
	return out
}

func rowName(name string, i int) string { return name + "-" + strconv.Itoa(i+1) }

// hasFaults reports whether a form names a fault or has one refused.
func hasFaults(f Form) bool {
	for _, v := range f.Values["fault"] {
		if v != "" {
			return true
		}
	}
	return wrongIn(f, "fault", "at", "other", "value")
}
