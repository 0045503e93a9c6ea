package check

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/bench"
	"ohmkeep/server/quantity"
)

// What a finding says, and what to do about it, in one place.

const (
	doSwitch  = "Replace the switch or its driver; until then leave the path out of pin maps."
	doContact = "Clean the contact with a brush and alcohol, reseat the plug and do this step again; if it stays, replace the contact or look at the wire behind it."
)

func ohms(x float64) string { return quantity.Format(x, quantity.Ohm, 3) }

func withU(x, u float64, unit quantity.Unit) string {
	return quantity.Format(x, unit, 3) + " ± " + quantity.Format(u, unit, 2)
}

func stuckClosed(d *bench.Definition, p *bench.Path, r float64) Finding {
	return Finding{Kind: StuckClosed, Fault: true, Paths: []bench.PathID{p.ID}, Contacts: []int{p.Contact}, Channels: channelList(p), Mux: p.Mux,
		Said:     fmt.Sprintf("The switch of path %s does not open: %s is always on contact %d.", p.Address, lineOf(d, p), p.Contact),
		Do:       doSwitch,
		Evidence: []string{fmt.Sprintf("%s between %s and contact %d with the path open", ohms(r), lineOf(d, p), p.Contact)}}
}

func stuckOpen(d *bench.Definition, p *bench.Path) Finding {
	return Finding{Kind: StuckOpen, Fault: true, Paths: []bench.PathID{p.ID}, Contacts: []int{p.Contact}, Channels: channelList(p), Mux: p.Mux,
		Said:     fmt.Sprintf("The switch of path %s does not close: %s never reaches contact %d.", p.Address, lineOf(d, p), p.Contact),
		Do:       doSwitch,
		Evidence: []string{fmt.Sprintf("no current from %s to contact %d with the path closed, while the other lines reach it", lineOf(d, p), p.Contact)}}
}

func senseOpen(d *bench.Definition, p *bench.Path) Finding {
	return Finding{Kind: StuckOpen, Fault: true, Paths: []bench.PathID{p.ID}, Contacts: []int{p.Contact}, Channels: channelList(p), Mux: p.Mux,
		Said:     fmt.Sprintf("The sense wire of path %s does not reach contact %d: channel %s reads its own output instead.", p.Address, p.Contact, d.ChannelName(p.Channel)),
		Do:       "Look at the switch of the sense wire and at its driver; until then measure by two wires there.",
		Evidence: []string{"the drop on the force wire is in what the sense wire reads"}}
}

func enableFloats(d *bench.Definition, mux string, paths []*bench.Path, conducts map[bench.PathID]float64) Finding {
	f := Finding{Kind: EnableFloats, Fault: true, Mux: mux, Do: "Pull the enable to its inactive level, by a resistor at the multiplexer; look for an open solder joint or a wire that is off. Until then nothing that uses this multiplexer is to be trusted."}
	all := 0
	for i := range d.Paths {
		if d.Paths[i].Mux == mux {
			all++
		}
	}
	low, high := 0.0, 0.0
	for _, p := range paths {
		r := 1 / conducts[p.ID]
		if low == 0 || r < low {
			low = r
		}
		high = max(high, r)
		f.Paths, f.Contacts = append(f.Paths, p.ID), append(f.Contacts, p.Contact)
		f.Evidence = append(f.Evidence, fmt.Sprintf("path %s: %s when open", p.Address, ohms(r)))
	}
	f.Channels = channelList(paths[0])
	between := ohms(low)
	if len(paths) > 1 {
		between += " to " + ohms(high)
	}
	f.Said = fmt.Sprintf("The enable of multiplexer %s seems to float: %d of its %s conduct %s when they should be open.", mux, len(paths), switches(all), between)
	if len(paths) == 1 {
		f.Said = fmt.Sprintf("The enable of multiplexer %s seems to float, or one of its switches is damaged: 1 of its %s conducts %s when it should be open.", mux, switches(all), between)
	}
	return f
}

func resistanceOff(d *bench.Definition, p *bench.Path, r, u, stated, allowed float64) Finding {
	return Finding{Kind: PathResistance, Fault: true, Paths: []bench.PathID{p.ID}, Contacts: []int{p.Contact}, Channels: channelList(p), Mux: p.Mux,
		Said: fmt.Sprintf("Path %s has %s, where %s ± %s is stated with its channel's output.", p.Address, withU(r, u, quantity.Ohm), ohms(stated), ohms(allowed)),
		Do:   "Look at the switch and the joints of its wire; or state in the bench's definition what it has."}
}

func leaks(c int, g, allowed float64) Finding {
	return Finding{Kind: LeakyContact, Fault: true, Contacts: []int{c},
		Said: fmt.Sprintf("Contact %d leaks: %s to everything else, where its open switches may make %s.", c, ohms(1/g), ohms(1/allowed)),
		Do:   "Clean socket and board of flux and fingerprints, dry them, and do this step again."}
}

func somethingIn(joined []int) Finding {
	return Finding{Kind: OtherSocket, Fault: true, Contacts: joined,
		Said: fmt.Sprintf("Something is in the socket, or contacts are joined: %s. Nothing was kept of this step.", joinedWords(joined)),
		Do:   "Take out what is in the socket, look for a solder bridge or a strap on the board, and do this step again."}
}

// joinedWords says which contacts are joined with others, as far as was looked.
func joinedWords(joined []int) string {
	verb := "reach"
	if len(joined) == 1 {
		verb = "reaches"
	}
	words := contactList(joined)
	if len(joined) >= enoughJoined {
		words += " and perhaps more"
	}
	return words + " " + verb + " other contacts through it"
}

func untoldPaths(d *bench.Definition, paths []*bench.Path) Finding {
	f := Finding{Kind: NotMeasured}
	var names []string
	for _, p := range paths {
		f.Paths = append(f.Paths, p.ID)
		names = append(names, p.Address)
	}
	f.Said = fmt.Sprintf("Nothing could be told of %s: no line leads a current away from there.", list(names))
	return f
}

// lineOf names the line of a path.
func lineOf(d *bench.Definition, p *bench.Path) string {
	if p.Channel == 0 {
		return "the return"
	}
	return "channel " + d.ChannelName(p.Channel)
}

func channelList(p *bench.Path) []bench.ChannelID {
	if p.Channel == 0 {
		return nil
	}
	return []bench.ChannelID{p.Channel}
}

func switches(n int) string {
	if n == 1 {
		return "1 switch"
	}
	return strconv.Itoa(n) + " switches"
}

// contactList names contacts: "contact 3", "contacts 3, 4 and 5".
func contactList(contacts []int) string {
	var words []string
	for _, c := range slices.Sorted(slices.Values(contacts)) {
		words = append(words, strconv.Itoa(c))
	}
	if len(words) == 1 {
		return "contact " + words[0]
	}
	return "contacts " + list(words)
}

// most is how many names a sentence has before the rest is counted.
const most = 12

func list(words []string) string {
	if len(words) > most {
		return strings.Join(words[:most], ", ") + fmt.Sprintf(" and %d more", len(words)-most)
	}
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	return strings.Join(words[:len(words)-1], ", ") + " and " + words[len(words)-1]
}
