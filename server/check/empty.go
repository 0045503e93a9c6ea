package check

import (
	"math"
	"slices"

	"ohmkeep/server/bench"
)

// emptySocket checks every switch of the bench, open and closed. Nothing may be
// in the socket: what is there would conduct like a switch.
func (q *sequence) emptySocket() {
	reading := 8 + len(q.Def.Channels)*2 // about, by contact
	q.of = q.Def.Contacts*reading + 2*len(q.Def.Channels)
	conducts := q.openSwitches()
	for id := range conducts {
		if p, _ := q.Def.PathByID(id); p.Channel > 0 {
			q.spoilt.channels[p.Channel] = true // there is another way from its line beside any path
		}
	}
	if q.findJoined(conducts); len(q.joined) > 0 {
		q.found(somethingIn(q.joined))
		return
	}
	closed := q.closedPaths()
	closes := func(id bench.PathID) bool {
		m := closed[id]
		return m == nil || !m.told || !m.open && !(m.ohms.X > closedBelow)
	}
	q.returnSwitches(conducts, closes)
	if q.err != nil {
		return
	}
	q.result.Findings = append(q.conducting(conducts), q.result.Findings...)
	q.notClosing(closed, conducts)
	q.sayUntold(closed)
}

// enoughJoined is how many joined contacts are found before the search ends: that
// many are no solder bridge.
const enoughJoined = 4

// findJoined finds contacts that something joins with others, before anything is
// driven that a part which was left in the socket could not bear.
func (q *sequence) findJoined(conducts map[bench.PathID]float64) {
	for c := 1; c <= q.Def.Contacts && len(q.joined) < enoughJoined; c++ {
		if q.knownAt(c, conducts) {
			continue
		}
		ch := q.driverAt(c, func(bench.PathID) bool { return true })
		if ch == nil || !q.joins(ch, c) {
			continue
		}
		ret, own := q.paths[c][0], q.paths[c][ch.ID]
		if ret != nil && q.passes(ch, []bench.PathID{own.ID}, scanLevel, leakageOf(ret)+q.lineMay(ch)) {
			conducts[ret.ID] = q.lastConductance // with the other contacts open: its own return
			continue
		}
		q.joined = append(q.joined, c)
	}
	q.rest()
}

// conducting groups the switches that conduct by their multiplexer.
func (q *sequence) conducting(conducts map[bench.PathID]float64) []Finding {
	var out []Finding
	byMux := map[string][]*bench.Path{}
	var order []string
	for i := range q.Def.Paths {
		p := &q.Def.Paths[i]
		g, is := conducts[p.ID]
		if !is {
			continue
		}
		if g*closedBelow >= 1 {
			out = append(out, stuckClosed(q.Def, p, 1/g))
			continue
		}
		if byMux[p.Mux] == nil {
			order = append(order, p.Mux)
		}
		byMux[p.Mux] = append(byMux[p.Mux], p)
	}
	for _, mux := range order {
		out = append(out, enableFloats(q.Def, mux, byMux[mux], conducts))
	}
	return out
}

// notClosing says which paths do not close, or are not what they are stated to
// be, and keeps what was measured of the others.
func (q *sequence) notClosing(closed map[bench.PathID]*closing, conducts map[bench.PathID]float64) {
	for i := range q.Def.Paths {
		p := &q.Def.Paths[i]
		m := closed[p.ID]
		if m == nil || !m.told {
			continue
		}
		if _, floats := conducts[p.ID]; floats && (m.open || m.ohms.X > closedBelow) {
			continue // its multiplexer has been named
		}
		stated, allowed := StatedOf(q.Def, p)
		switch {
		case m.open:
			q.found(stuckOpen(q.Def, p))
			continue
		case m.sense && !q.spoilt.channels[m.by]:
			q.found(senseOpen(q.Def, p))
		}
		if q.spoilt.channels[m.by] {
			continue // what it drives is not what it says
		}
		u := half(m.ohms)
		if m.with == nil && finite(m.ohms) {
			q.result.Paths = append(q.result.Paths, PathValue{p.ID, m.ohms.X, u})
		} else if m.with != nil {
			more, moreAllowed := StatedOf(q.Def, m.with)
			stated, allowed = stated+more, allowed+moreAllowed
		}
		if math.Abs(m.ohms.X-stated) > allowed+offSure*u {
			q.found(resistanceOff(q.Def, p, m.ohms.X, u, stated, allowed))
		}
	}
}

// offSure is by how many half-widths of its interval a path must be beyond its
// tolerance to be a finding, so that none of some hundred paths at the end of their
// tolerance is called off by chance: four standard deviations, as noiseSure.
const offSure = 2.0

// StatedOf is what a closed path is stated to have with its channel's output, and
// by how much it may differ, Ω.
func StatedOf(def *bench.Definition, p *bench.Path) (stated, allowed float64) {
	stated, allowed = p.Resistance, p.Resistance*p.ToleranceOfResistance()
	if ch, ok := def.ChannelByID(p.Channel); ok {
		stated += ch.SourceR
		allowed += ch.SourceR * bench.AssumedResistanceTolerance
	}
	return stated, allowed
}

// sayUntold says of which paths nothing could be told.
func (q *sequence) sayUntold(closed map[bench.PathID]*closing) {
	var untold []*bench.Path
	for i := range q.Def.Paths {
		if m := closed[q.Def.Paths[i].ID]; m == nil || !m.told {
			untold = append(untold, &q.Def.Paths[i])
		}
	}
	// A contact whose return is open is named by that.
	untold = slices.DeleteFunc(untold, func(p *bench.Path) bool {
		ret := q.paths[p.Contact][0]
		return ret != nil && closed[ret.ID] != nil && closed[ret.ID].open
	})
	if len(untold) > 0 {
		q.found(untoldPaths(q.Def, untold))
	}
}
