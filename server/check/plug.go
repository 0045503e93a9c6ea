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
	near, sink := q.usableAt(c), q.paths[away][0]
	if len(near) == 0 || sink == nil {
		return touching{}
	}
	drive := near[0]
	var senses *bench.Channel
	quiet, others := q.quietContact(c, away, drive)
	switch {
	case len(near) > 1 && len(others) > 1:
		senses = near[1]
		others = slices.DeleteFunc(others, func(ch *bench.Channel) bool { return ch == senses })
	case len(others) == 0:
		return touching{}
	}
	common := others[0]
	closed := append(q.pathsAt(quiet, common), q.paths[c][drive.ID].ID, sink.ID)
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
		s := amps(drive, level, amp, partOfScale*limitOf(read))
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

// limitOf is the voltage at which the first of several channels takes part in what it
// is to sense, V. What drives stays below it, or the current of a contact that
// touches nothing would flow from one channel into the other.
func limitOf(all []*bench.Channel) float64 {
	limit := senseLimit
	for _, ch := range all {
		limit = min(limit, farthestOf(ch))
	}
	return limit
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
	if near != drive && (both[0][near.ID].limited || both[1][near.ID].limited) {
		return touching{told: true, open: true} // its sense takes what flows: nothing else does
	}
	flows := both[0][drive.ID].I.Sub(both[1][drive.ID].I)
	drop := both[0][near.ID].V.Sub(both[1][near.ID].V).Sub(both[0][far.ID].V.Sub(both[1][far.ID].V))
	out := touching{told: true}
	if out.open = !(math.Abs(flows.X) > senseLimit/openAbove); !out.open {
		out.ohms = drop.Div(flows)
	}
	return out
}

// quietContact is a contact that carries no current while two others do, and the
// channels beside the driver that sense it: of several that touch something, the
// first that two reach; where none touches anything, the first of all.
func (q *sequence) quietContact(a, b int, driver *bench.Channel) (quiet int, others []*bench.Channel) {
	first := 0
	for c := 1; c <= q.Def.Contacts && len(others) < 2; c++ {
		if c == a || c == b || q.openContacts[c] || q.spoilt.contacts[c] {
			continue
		}
		here := slices.DeleteFunc(q.usableAt(c), func(ch *bench.Channel) bool { return ch == driver })
		if len(here) > 0 && first == 0 {
			first = c
		}
		if len(here) > len(others) && q.touches(c) {
			quiet, others = c, here
		}
	}
	if quiet == 0 && first > 0 {
		return first, slices.DeleteFunc(q.usableAt(first), func(ch *bench.Channel) bool { return ch == driver })
	}
	return quiet, others
}

// awayContact is where the current leaves while a contact is measured: the last that
// touches something, since a plug may have fewer pins than the socket. Where none
// does, the last of all.
func (q *sequence) awayContact(c int) int {
	last := 0
	for away := q.Def.Contacts; away >= 1; away-- {
		p := q.paths[away][0]
		if away == c || p == nil || q.spoilt.paths[p.ID] || q.spoilt.contacts[away] || q.openContacts[away] {
			continue
		}
		if q.touches(away) {
			return away
		}
		if last == 0 {
			last = away
		}
	}
	return last
}

// touches reports whether a contact has a way to the others that measuring can use,
// by as little current as a part that was left in the socket bears. It is measured once.
func (q *sequence) touches(c int) bool {
	is, known := q.touching[c]
	if known {
		return is
	}
	if near := q.usableAt(c); len(near) > 0 {
		q.rest()
		q.connect(append(q.otherReturns(c), q.paths[c][near[0].ID].ID)...)
		g, limited := q.conductance(near[0], scanLevel, probeCurrent)
		is = q.err == nil && (limited || g.X*q.plug.below > 1)
	}
	q.touching[c] = is
	return is
}

// plugKind is what a plug is known and measured by.
type plugKind struct {
	current float64 // through it, A
	fewest  int     // contacts that it takes to know it
	// below is the resistance to the other contacts below which one is good enough to
	// measure others by, Ω: more than the plug has.
	below float64
	is    func(map[int]touching) bool
}

// probed is how many contacts are looked at with little current, before more is
// driven through what may be something else than the plug that was asked for.
const probed = 8

// everyContact measures all contacts against the common point, if the first few
// look like the plug that is asked for. Contacts that do not touch are not used to
// measure others by: the first pass finds them. ok says whether it is the plug.
func (q *sequence) everyContact(plug plugKind) (all map[int]touching, ok bool) {
	q.plug = plug
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
	if len(all) < plug.fewest {
		return nil, true // too little could be told to know a plug by: that is said, and no more
	}
	if !plug.is(all) {
		return all, false
	}
	measure(1, q.Def.Contacts, plug.current)
	q.openContacts = doNotTouch(all)
	if len(q.openContacts) > 0 && len(q.openContacts) < len(all) {
		measure(1, q.Def.Contacts, plug.current)
		q.openContacts = doNotTouch(all)
	}
	q.rest()
	return all, plug.is(all)
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
	all, ok := q.everyContact(plugKind{safeCurrent, fewestShorting, 1e3, isShorting})
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

// fewestShorting is how many contacts it takes to tell a shorting plug.
const fewestShorting = 2

// isShorting reports whether what touches is joined by as little as a shorting plug
// has: most of it, since some contacts may be poor. Where a few contacts touch alone,
// it may as well be a part that was left in the socket.
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
	return (touch > fewOpen || touch == len(all)) && touch >= fewestShorting && 2*low > touch
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
