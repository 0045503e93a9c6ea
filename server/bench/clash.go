package bench

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/quantity"
)

// Clash says which pins cannot be connected at the same time, and why. No pin
// can be left out of the list without the clash going away.
type Clash struct {
	Pins   []int  `json:"pins"`          // ascending
	Mux    string `json:"mux,omitempty"` // the multiplexer they clash on, if it is one
	Reason string `json:"reason"`
	Remedy string `json:"remedy"`
}

func (c *Clash) Error() string { return c.Reason + ": " + c.Remedy }

func clashf(pins []int, mux, reason, remedy string, args ...any) *Clash {
	slices.Sort(pins)
	return &Clash{Pins: slices.Compact(pins), Mux: mux, Reason: fmt.Sprintf(reason, args...), Remedy: remedy}
}

// unreachable says why no path serves a need by itself.
func (s *Solver) unreachable(n Need, contact int) *Clash {
	pins := []int{n.Pin}
	var lines, withSense, untied []candidate
	for _, c := range s.reach[contact] {
		if (c.channel == 0) != (n.Line == ToReturn) {
			continue
		}
		lines = append(lines, c)
		if ch := s.channels[c.channel]; c.kelvin && (c.channel == 0 || ch != nil && ch.RemoteSense) {
			withSense = append(withSense, c)
		}
		if len(s.tied[c.channel]) == 0 {
			untied = append(untied, c)
		}
	}
	switch {
	case len(lines) == 0:
		return clashf(pins, "", "no path leads from pin %d on contact %d to a %s",
			"move the pin to another contact, or strap it", n.Pin, contact, n.Line)
	case n.Kelvin && len(withSense) == 0:
		return clashf(pins, "", "no path with a sense wire leads to pin %d on contact %d",
			"move the pin to a contact with one, or measure it two-wire", n.Pin, contact)
	case len(untied) == 0:
		return clashf(pins, "", "every channel that reaches pin %d is strapped to another pin",
			"remove a strap, or move the pin to another contact", n.Pin)
	}
	return s.unable(n, 0)
}

// unable says that the channels in reach lack the range for a need. With an
// id it speaks of that channel, to which the pin is strapped.
func (s *Solver) unable(n Need, id ChannelID) *Clash {
	who := "no free channel that reaches pin %d"
	if id != 0 {
		who = "channel " + strconv.Itoa(int(id)) + ", strapped to pin %d,"
		if ch := s.channels[id]; ch != nil && n.Kelvin && !ch.RemoteSense {
			return clashf([]int{n.Pin}, "", who+" has no sense terminals", "measure the pin two-wire, or move the strap", n.Pin)
		}
	}
	can := " can "
	if id != 0 {
		can = " cannot "
	}
	volts, amps := quantity.Format(n.Voltage, quantity.Volt, 3), quantity.Format(n.Current, quantity.Ampere, 3)
	what := "force " + volts + " with a limit of " + amps
	if n.Mode == ForceCurrent {
		what = "force " + amps + " with a limit of " + volts
	}
	return clashf([]int{n.Pin}, "", who+can+what, "lower the level or the limit, or move the pin to a channel with that range", n.Pin)
}

// explain finds a smallest set of needs that cannot be served together, by
// leaving out one after another whatever the clash does not need.
func (s *Solver) explain(vars []variable) *Clash {
	core := slices.Clone(vars)
	for i := 0; i < len(core); {
		without := slices.Delete(slices.Clone(core), i, i+1)
		if _, ok := search(without, nil); ok {
			i++
		} else {
			core = without
		}
	}
	var pins []int
	muxes, channels := map[string]int{}, map[ChannelID]bool{}
	private, returns := false, false
	for _, v := range core {
		pins = append(pins, v.need.Pin)
		seen := map[string]bool{}
		for _, c := range v.cands {
			name := s.muxNames[c.mux]
			private = private || name == ""
			returns = returns || c.channel == 0
			channels[c.channel] = true
			if name != "" && !seen[name] {
				seen[name] = true
				muxes[name]++
			}
		}
	}
	slices.Sort(pins)
	list := pinList(pins)
	switch {
	case !private && len(muxes) == 1:
		mux := commonest(muxes)
		return clashf(pins, mux, "%s are reached only through multiplexer %s, which closes one path at a time",
			"measure them one after another, or move all but one of them to contacts of another multiplexer", list, mux)
	case !private && len(muxes) < len(core):
		return clashf(pins, commonest(muxes), "%s are reached only through multiplexers %s, each of which closes one path at a time",
			"connect fewer of them at a time, or move one to a contact of another multiplexer", list, names(muxes))
	case !returns && len(channels) < len(core):
		return clashf(pins, "", "%s each need a channel but only %d can serve them",
			"connect fewer of them at a time, or use the return for pins that only need 0 V", list, len(channels))
	}
	return clashf(pins, commonest(muxes), "%s exclude each other: their paths share channels and multiplexers %s",
		"connect fewer of them at a time, or move one to another contact", list, names(muxes))
}

func pinList(pins []int) string {
	parts := make([]string, len(pins))
	for i, p := range pins {
		parts[i] = strconv.Itoa(p)
	}
	if len(parts) == 1 {
		return "pin " + parts[0]
	}
	return "pins " + strings.Join(parts[:len(parts)-1], ", ") + " and " + parts[len(parts)-1]
}

func names(muxes map[string]int) string {
	var out []string
	for m := range muxes {
		out = append(out, m)
	}
	slices.Sort(out)
	return strings.Join(out, ", ")
}

// commonest is the multiplexer that most of the pins share; of several, the
// first by name.
func commonest(muxes map[string]int) string {
	best, most := "", 1
	for m, n := range muxes {
		if n > most || n == most && n > 1 && (best == "" || m < best) {
			best, most = m, n
		}
	}
	return best
}
