package standing

import (
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/check"
	"ohmkeep/server/procedure"
)

// touches reports whether a fault is about something that a run used, and says
// what. Among are all faults of the same checks: two switches that conduct at a
// contact without a pin join their lines.
func touches(f *check.Finding, among []*check.Finding, u *procedure.BenchUse) (string, bool) {
	switch f.Kind {
	case check.EnableFloats, check.StuckClosed:
		if f.Mux != "" && f.Kind == check.EnableFloats && u.Muxes[f.Mux] {
			return "multiplexer " + f.Mux, true
		}
		if c := used(f.Contacts, u.Contacts); len(c) > 0 {
			return contactWords(c), true
		}
		return joins(f, among, u)
	case check.StuckOpen, check.PathResistance:
		for _, id := range f.Paths {
			if u.Paths[id] {
				return "that path", true
			}
		}
		return "", len(f.Paths) == 0
	case check.LeakyContact:
		c := used(f.Contacts, u.Contacts)
		return contactWords(c), len(c) > 0
	case check.PoorContact, check.OpenContact, check.WrongContact:
		c := used(f.Contacts, u.Held)
		return contactWords(c), len(c) > 0
	case check.ChannelDisagrees:
		for _, ch := range f.Channels {
			if u.Channels[ch] {
				return "that channel", true
			}
		}
		return "", len(f.Channels) == 0
	}
	return "", true // its place is not known: it may be anywhere
}

// joins reports whether a switch that conducts at a contact without a pin joins its
// line there with another that conducts, and the run used one of the lines.
func joins(f *check.Finding, among []*check.Finding, u *procedure.BenchUse) (string, bool) {
	for _, o := range among {
		if o == f || o.Kind != check.EnableFloats && o.Kind != check.StuckClosed {
			continue
		}
		if !slices.ContainsFunc(f.Contacts, func(c int) bool { return slices.Contains(o.Contacts, c) }) {
			continue
		}
		for _, ch := range f.Channels {
			if u.Channels[ch] {
				return "a channel whose line is joined with another there", true
			}
		}
	}
	return "", false
}

func used(contacts []int, by map[int]bool) (out []int) {
	for _, c := range contacts {
		if by[c] {
			out = append(out, c)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// contactWords names contacts: "contact 3", "contacts 3, 4 and 5".
func contactWords(contacts []int) string {
	var words []string
	for _, c := range contacts {
		words = append(words, strconv.Itoa(c))
	}
	switch n := len(words); {
	case n == 0:
		return ""
	case n == 1:
		return "contact " + words[0]
	case n > 6:
		return strconv.Itoa(n) + " of its contacts"
	default:
		return "contacts " + strings.Join(words[:n-1], ", ") + " and " + words[n-1]
	}
}
