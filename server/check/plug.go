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
	ohms budget.Value // Ω
	open bool         // no current flows
	told bool
}

// toCommon measures from a contact to the common point of what is in the socket:
// one channel drives a current into the contact, out by the return at another
// one; a second channel senses the contact, a third one the common point by a
// contact that carries none. With two channels the one that drives senses its own
// path as well, unless that has a sense wire. limit is the current, A.
func (q *sequence) toCommon(c, away int, limit float64) touching {
	near, far := q.usableAt(c), q.usableAt(q.quietContact(c, away))
	sink := q.paths[away][0]
	if len(near) == 0 || sink == nil {
		return touching{}
	}
	drive := near[0]
	var senses *bench.Channel
	others := slices.DeleteFunc(far, func(ch *bench.Channel) bool { return ch == drive })
	switch {
	case len(near) > 1 && len(others) > 1:
		senses = near[1]
		others = slices.DeleteFunc(others, func(ch *bench.Channel) bool { return ch == senses })
	case len(others) == 0:
		return touching{}
	}
	common := others[0]
	closed := append(q.pathsAt(q.quietContact(c, away), common), q.paths[c][drive.ID].ID, sink.ID)
	read := []*bench.Channel{drive, common}
	if senses != nil {
		closed, read = append(closed, q.paths[c][senses.ID].ID), append(read, senses)
	}
	q.rest()
	q.connect(closed...)
	for _, ch := range read[1:] {
		q.force(ch, listening(ch, senseLimit))
	}
	remote := senses == nil && drive.RemoteSense && q.paths[c][drive.ID].Kelvin
	amp := min(limit, q.current(drive, q.paths[c][drive.ID], sink))
	var both [2]map[bench.ChannelID]seen
	for j, level := range []float64{amp, -amp} {
		s := amps(drive, level, amp, senseLimit)
		s.Remote = remote
		q.force(drive, s)
		both[j] = q.read(read...)
	}
	if q.err != nil {
		return touching{}
	}
	if senses != nil {
		return commonOf(both, drive, senses, common)
	}
	out := commonOf(both, drive, drive, common)
	if !remote {
		out.ohms = out.ohms.Sub(q.pathValue(drive, q.paths[c][drive.ID]))
	}
	return out
}

// usableAt are the channels that reach a contact by a path of which nothing bad is
// known, those with a sense wire first.
func (q *sequence) usableAt(c int) []*bench.Channel {
	var out []*bench.Channel
	for _, kelvin := range []bool{true, false} {
		for i := range q.Def.Channels {
			ch := &q.Def.Channels[i]
			p := q.paths[c][ch.ID]
			if p != nil && (p.Kelvin && ch.RemoteSense) == kelvin && !q.spoilt.paths[p.ID] && !q.spoilt.channels[ch.ID] {
				out = append(out, ch)
			}
		}
	}
	return out
}

// pathValue is what a path has with its channel's output: as the empty socket
// showed it, or as it is stated, Ω.
func (q *sequence) pathValue(ch *bench.Channel, p *bench.Path) budget.Value {
	if q.Before != nil {
		if empty := q.Before.Result(Empty); empty != nil {
			for _, v := range empty.Paths {
				if v.Path == p.ID {
					s := budget.NewSource("path "+p.Address+" as measured", budget.Path, budget.Normal, v.U/2)
					return budget.Of(v.Ohms, s)
				}
			}
		}
	}
	return q.errors.Series(ch, p.ID, p.Contact)
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

// probed is how many contacts are looked at with little current, before more is
// driven through what may be something else than the plug that was asked for.
const probed = 8

// everyContact measures all contacts against the common point, if the first few
// look like the plug that is asked for. Contacts that do not touch are not used to
// measure others by: the first pass finds them. ok says whether it is the plug.
func (q *sequence) everyContact(limit float64, isPlug func(map[int]touching) bool) (all map[int]touching, ok bool) {
	q.of = 4 * q.Def.Contacts
	all = map[int]touching{}
	measure := func(from, to int, limit float64) {
		for c := from; c <= to; c++ {
			if q.spoilt.contacts[c] {
				continue // a switch that conducts there carries part of the current
			}
			if t := q.toCommon(c, q.awayContact(c), limit); t.told {
				all[c] = t
			}
		}
	}
	measure(1, min(probed, q.Def.Contacts), probeCurrent)
	if !isPlug(all) {
		return all, len(all) == 0 // nothing could be told: that is said, and no more
	}
	measure(1, q.Def.Contacts, limit)
	q.openContacts = doNotTouch(all)
	if len(q.openContacts) > 0 && len(q.openContacts) < len(all) {
		measure(1, q.Def.Contacts, limit)
		q.openContacts = doNotTouch(all)
	}
	q.rest()
	return all, isPlug(all)
}

// probeCurrent is what a part that was left in the socket bears at any pin, A:
// common practice for a contact test.
const probeCurrent = 100e-6

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
	all, ok := q.everyContact(safeCurrent, isShorting)
	if q.err != nil {
		return
	}
	if !ok {
		q.found(Finding{Kind: OtherSocket, Fault: true,
			Said: "The shorting plug is not in the socket: the contacts are not joined. Nothing was kept of this step.",
			Do:   "Put the shorting plug in, pin 1 to contact 1, and do this step again."})
		return
	}
	q.sayTouching(all)
	for c := 1; c <= q.Def.Contacts; c++ {
		t, is := all[c]
		if !is || t.open || !finite(t.ohms) {
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

// isShorting reports whether what touches is joined by as little as a shorting plug
// has: most of it, since some contacts may be poor.
func isShorting(all map[int]touching) bool {
	touch, low := 0, 0
	for _, t := range all {
		if !t.open {
			touch++
			if math.Abs(t.ohms.X) < 20*poorAbove {
				low++
			}
		}
	}
	return touch >= 2 && 2*low >= touch
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
			Said: fmt.Sprintf("Nothing could be told of %s: two channels, and a return elsewhere, are needed.", contactList(untold))})
	}
}
