package check

import (
	"fmt"
	"math"
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
	"ohmkeep/server/quantity"
)

// poorAbove is the resistance between a contact and a plug from which it counts
// as poor, Ω. A new contact of a test socket has some tens of milliohms, and is
// replaced at about half an ohm: common practice.
const poorAbove = 0.5

// touching is what a contact has to the common point of a plug.
type touching struct {
	ohms    budget.Value
	open    bool // no current flows
	told    bool
	between bool // measured with the path in it, which earlier steps know
}

// toCommon measures from a contact to the common point of what is in the socket:
// one channel drives a current into the contact, out by the return at another
// one; a second channel senses the contact, a third one the common point by a
// contact that carries none. limit is the current, A.
func (q *sequence) toCommon(c, away int, limit float64) touching {
	good := func(contact int, not ...bench.ChannelID) (*bench.Channel, *bench.Path) {
		for i := range q.Def.Channels {
			ch := &q.Def.Channels[i]
			if p := q.paths[contact][ch.ID]; p != nil && !q.spoilt.paths[p.ID] && !q.spoilt.channels[ch.ID] && !slices.Contains(not, ch.ID) {
				return ch, p
			}
		}
		return nil, nil
	}
	drive, path := good(c)
	sink := q.paths[away][0]
	if drive == nil || sink == nil {
		return touching{}
	}
	closed, read := []bench.PathID{path.ID, sink.ID}, []*bench.Channel{drive}
	senses, at := good(c, drive.ID)
	if senses != nil {
		closed, read = append(closed, at.ID), append(read, senses)
	}
	common := q.quietContact(c, away)
	var far *bench.Channel
	if senses != nil {
		var farPath *bench.Path
		if far, farPath = good(common, drive.ID, senses.ID); far != nil {
			closed, read = append(closed, farPath.ID), append(read, far)
		}
	}
	q.rest()
	q.connect(closed...)
	for _, ch := range read[1:] {
		q.force(ch, listening(ch, senseLimit))
	}
	amp := min(limit, q.current(drive, path, sink))
	var both [2]map[bench.ChannelID]seen
	for j, level := range []float64{amp, -amp} {
		q.force(drive, amps(drive, level, amp, senseLimit))
		both[j] = q.read(read...)
	}
	if q.err != nil || far == nil {
		return touching{}
	}
	return commonOf(both, drive, senses, far)
}

// commonOf works a contact out from the readings at both polarities.
func commonOf(both [2]map[bench.ChannelID]seen, drive, near, far *bench.Channel) touching {
	flows := both[0][drive.ID].I.Sub(both[1][drive.ID].I)
	drop := both[0][near.ID].V.Sub(both[1][near.ID].V).Sub(both[0][far.ID].V.Sub(both[1][far.ID].V))
	out := touching{told: true}
	if out.open = !(math.Abs(flows.X) > senseLimit/openAbove); !out.open {
		out.ohms = drop.Div(flows)
	}
	return out
}

// quietContact is a contact that carries no current while two others do.
func (q *sequence) quietContact(a, b int) int {
	for c := 1; c <= q.Def.Contacts; c++ {
		if c != a && c != b && len(q.paths[c]) > 0 && !q.openContacts[c] && !q.spoilt.contacts[c] {
			return c
		}
	}
	return 0
}

// awayContact is where the current leaves while a contact is measured.
func (q *sequence) awayContact(c int) int {
	for away := q.Def.Contacts; away >= 1; away-- {
		if p := q.paths[away][0]; away != c && p != nil && !q.spoilt.paths[p.ID] && !q.spoilt.contacts[away] && !q.openContacts[away] {
			return away
		}
	}
	return 0
}

// everyContact measures all contacts against the common point. Contacts that do
// not touch are not used to measure others by: the first pass finds them.
func (q *sequence) everyContact(limit float64) map[int]touching {
	q.of = 4 * q.Def.Contacts
	out := map[int]touching{}
	measure := func(c int) {
		if q.spoilt.contacts[c] {
			return // a switch that conducts there carries part of the current
		}
		if t := q.toCommon(c, q.awayContact(c), limit); t.told {
			out[c] = t
		}
	}
	for c := 1; c <= q.Def.Contacts; c++ {
		measure(c)
	}
	q.openContacts = doNotTouch(out)
	if len(q.openContacts) > 0 && len(q.openContacts) < len(out) {
		for c := 1; c <= q.Def.Contacts; c++ {
			measure(c)
		}
		q.openContacts = doNotTouch(out)
	}
	q.rest()
	return out
}

func doNotTouch(all map[int]touching) map[int]bool {
	open := map[int]bool{}
	for c, t := range all {
		if t.open {
			open[c] = true
		}
	}
	return open
}

// shortingPlug measures what each contact has to the plug.
func (q *sequence) shortingPlug() {
	all := q.everyContact(safeCurrent)
	if q.err != nil {
		return
	}
	if q.noPlug(all) {
		q.found(Finding{Kind: OtherSocket, Fault: true,
			Said: "The shorting plug is not in the socket: the contacts are not joined. Nothing was kept of this step.",
			Do:   "Put the shorting plug in, pin 1 to contact 1, and do this step again."})
		return
	}
	q.sayTouching(all)
	for c := 1; c <= q.Def.Contacts; c++ {
		t, is := all[c]
		if !is || t.open {
			continue
		}
		u := half(t.ohms)
		q.result.Contacts = append(q.result.Contacts, ContactValue{c, t.ohms.X, u})
		if t.ohms.X > poorAbove+u {
			q.found(Finding{Kind: PoorContact, Fault: true, Contacts: []int{c},
				Said: fmt.Sprintf("Contact %d is poor: %s to the plug.", c, withU(t.ohms.X, u, quantity.Ohm)), Do: doContact})
		}
	}
}

// noPlug reports whether most of what touches has a resistance that no plug has.
func (q *sequence) noPlug(all map[int]touching) bool {
	if len(all)-len(q.openContacts) < 2 {
		return len(all) > 0
	}
	high := 0
	for _, t := range all {
		if !t.open && math.Abs(t.ohms.X) > 20*poorAbove {
			high++
		}
	}
	return 2*high > len(all)-len(q.openContacts)
}

// fewOpen is the most contacts that are named as open, beyond which a plug is
// taken to have no pins there.
const fewOpen = 4

// sayTouching says which contacts touch nothing and of which nothing was told.
func (q *sequence) sayTouching(all map[int]touching) {
	var open, untold []int
	for c := 1; c <= q.Def.Contacts; c++ {
		t, is := all[c]
		switch {
		case !is && len(q.paths[c]) > 0 && !q.spoilt.contacts[c]:
			untold = append(untold, c)
		case is && t.open:
			open = append(open, c)
		}
	}
	switch {
	case len(open) > fewOpen:
		q.found(Finding{Kind: NotMeasured, Contacts: open,
			Said: fmt.Sprintf("Nothing touches %s. Where the plug has no pins this is as it should be, and nothing is said of them; where it has, the wires to them are off.", contactList(open))})
	case len(open) > 0:
		for _, c := range open {
			q.found(Finding{Kind: OpenContact, Fault: true, Contacts: []int{c},
				Said: fmt.Sprintf("Contact %d touches nothing: no current reaches the plug through it.", c), Do: doContact})
		}
	}
	if len(untold) > 0 {
		q.found(Finding{Kind: NotMeasured, Contacts: untold,
			Said: fmt.Sprintf("Nothing could be told of %s: three channels that reach it, and a return elsewhere, are needed.", contactList(untold))})
	}
}
