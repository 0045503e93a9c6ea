package web

import (
	"maps"
	"net/url"
	"slices"
	"strconv"

	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

// ToConfirm is one safety point that a person is asked to confirm.
type ToConfirm struct {
	Name string // by which a request confirms it
	Text string // a sentence
}

// ConfirmProps is the page that asks before a bench with cards is energised.
type ConfirmProps struct {
	Page Page
	// What is the word on the button: what was asked for and is done then.
	What string
	// Action is where the form is posted, with Carried: what was entered.
	Action  string
	Carried url.Values
	Items   []ToConfirm
	Ticked  []string // names of items
	// TakesControl says that nobody holds control of the bench.
	TakesControl bool
	// Device and Socket are what is to be in the socket; nil where nothing is.
	Device *dut.Device
	Socket *Socket
}

// confirmedBy returns who confirmed a point and when, in words.
func confirmedBy(c procedure.Confirmation) string { return c.By + ", " + moment(c.At) }

type hiddenField struct{ name, value string }

// hidden returns the form's entries that go along as hidden fields: all but
// the confirmations.
func (p ConfirmProps) hidden() []hiddenField {
	var out []hiddenField
	for _, name := range slices.Sorted(maps.Keys(p.Carried)) {
		if name == "confirm" {
			continue
		}
		for _, v := range p.Carried[name] {
			out = append(out, hiddenField{name, v})
		}
	}
	return out
}

// oneContact returns the number of the contact that pin 1 is on, as text.
func (p ConfirmProps) oneContact() string { return strconv.Itoa(p.Socket.Map.Contacts[1]) }
