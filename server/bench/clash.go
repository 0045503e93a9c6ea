package bench

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/problem"
	"ohmkeep/server/quantity"
)

// Clash says which pins cannot be connected at the same time, and why. No pin
// can be left out of the list without the clash going away, and on benches of a
// usual size no fewer pins clash.
type Clash struct {
	Pins   []int  `json:"pins"`          // ascending
	Mux    string `json:"mux,omitempty"` // the multiplexer they clash on, if it is one
	Reason string `json:"reason"`
	// Remedy says what would free the pins, found by solving again with it; where
	// nothing was found, what to leave out.
	Remedy string `json:"remedy"`
	// Fix is the change to the pin map that the remedy speaks of, if it does.
	Fix *Fix `json:"fix,omitempty"`
}

// What always frees a clash: a pin that cannot be connected is left out; of
// pins that exclude each other, one, since no smaller set of them clashes.
const (
	leaveOut = "leave the pin out of this measurement"
	oneLess  = "leave one of them out and measure it by itself"
)

func (c *Clash) Error() string { return c.Reason + ": " + c.Remedy }

// ProblemCode implements problem.Coded.
func (c *Clash) ProblemCode() problem.Code { return problem.Conflict }

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
			leaveOut, n.Pin, contact, n.Line)
	case n.Kelvin && len(withSense) == 0:
		return clashf(pins, "", "no path with a sense wire leads to pin %d on contact %d",
			leaveOut, n.Pin, contact)
	case len(untied) == 0:
		return clashf(pins, "", "every channel that reaches pin %d is strapped to another pin",
			leaveOut, n.Pin)
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
			return clashf([]int{n.Pin}, "", who+" has no sense terminals", leaveOut, n.Pin)
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
	return clashf([]int{n.Pin}, "", who+can+what, leaveOut, n.Pin)
}

// explain says of a smallest set of needs why they cannot be served together.
func (s *Solver) explain(vars []variable) *Clash {
	core := smallest(vars)
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
			oneLess, list, mux)
	case !private && len(muxes) < len(core):
		return clashf(pins, commonest(muxes), "%s are reached only through multiplexers %s, each of which closes one path at a time",
			oneLess, list, names(muxes))
	case !returns && len(channels) < len(core):
		return clashf(pins, "", "%s each need a channel but only %d can serve them",
			oneLess, list, len(channels))
	}
	return clashf(pins, commonest(muxes), "%s exclude each other: their paths share channels and multiplexers %s",
		oneLess, list, names(muxes))
}

// maxSubsets bounds the search for a clash of fewer pins.
const maxSubsets = 3000

// smallest finds a smallest set of needs that cannot be served together: first
// one that needs every member, by leaving out whatever it does not need, then
// one with fewer members as long as there are not too many to try.
func smallest(vars []variable) []variable {
	core := slices.Clone(vars)
	for i := 0; i < len(core); {
		without := slices.Delete(slices.Clone(core), i, i+1)
		if _, ok := search(without, nil); ok {
			i++
		} else {
			core = without
		}
	}
	looked := 0
	for size := 2; size < len(core); size++ {
		if found := clashingSet(vars, nil, 0, size, &looked); found != nil {
			return found
		}
		if looked >= maxSubsets {
			break
		}
	}
	return core
}

// clashingSet is the first set of so many needs, chosen on top of others from a
// place on, that cannot be served together.
func clashingSet(vars, chosen []variable, from, size int, looked *int) []variable {
	if len(chosen) == size {
		*looked++
		if _, ok := search(chosen, nil); !ok {
			return slices.Clone(chosen)
		}
		return nil
	}
	for i := from; i <= len(vars)-(size-len(chosen)) && *looked < maxSubsets; i++ {
		if found := clashingSet(vars, append(chosen, vars[i]), i+1, size, looked); found != nil {
			return found
		}
	}
	return nil
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
