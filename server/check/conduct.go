package check

import (
	"math"
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
)

// What an open switch may pass before it counts as one that conducts: its stated
// leakage with its tolerance, twice over, since an insulation that is damp is no
// switch that is broken; and the resistance below which it is closed. Common
// practice; no standard says either.
const (
	conductsBeyond = 2.0
	closedBelow    = 200.0 // Ω
)

// leakageOf is what an open path may pass, S: both switches of a Kelvin path.
func leakageOf(p *bench.Path) float64 {
	g := p.Leakage * (1 + p.ToleranceOfLeakage())
	if p.Kelvin {
		g *= 2
	}
	return g
}

// lineMay is what may leak from a channel's line by all its open switches, S.
func (q *sequence) lineMay(ch *bench.Channel) float64 {
	sum := 0.0
	for c := range q.paths {
		if p := q.paths[c][ch.ID]; p != nil {
			sum += leakageOf(p)
		}
	}
	return sum
}

// openSwitches finds the switches of channels that conduct although no path is
// closed: with every contact at 0 V, no current may flow out of a channel. It
// returns the conductance of those that conduct, S.
func (q *sequence) openSwitches() map[bench.PathID]float64 {
	conducts := map[bench.PathID]float64{}
	for i := range q.Def.Channels {
		ch := &q.Def.Channels[i]
		for _, group := range q.groundGroups(ch) {
			if !q.groupPasses(ch, group) {
				continue
			}
			for _, g := range group {
				if q.passes(ch, []bench.PathID{g.ground.ID}, scanLevel, q.lineMay(ch)) {
					conducts[g.switchTo.ID] = q.lastConductance
				}
			}
		}
		q.rest()
	}
	return conducts
}

// groupPasses reports whether more flows out of a channel into the contacts of a
// group together than its open switches may pass.
func (q *sequence) groupPasses(ch *bench.Channel, group []grounding) bool {
	var closed []bench.PathID
	for _, g := range group {
		closed = append(closed, g.ground.ID)
	}
	return q.passes(ch, closed, scanLevel, q.lineMay(ch))
}

// notTight are the channels from whose lines more flows than open switches may pass.
func (q *sequence) notTight() []*bench.Channel {
	var out []*bench.Channel
	for i := range q.Def.Channels {
		ch := &q.Def.Channels[i]
		if slices.ContainsFunc(q.groundGroups(ch), func(g []grounding) bool { return q.groupPasses(ch, g) }) {
			out = append(out, ch)
		}
		q.rest()
	}
	return out
}

// grounding is one contact that is held at 0 V by another line while a channel's
// switch to it is looked at.
type grounding struct{ switchTo, ground *bench.Path }

// groundGroups divides the contacts that a channel reaches into groups that can
// be held at 0 V together: by the return where it reaches them, otherwise by
// another channel.
func (q *sequence) groundGroups(ch *bench.Channel) [][]grounding {
	var groups [][]grounding
	var taken []map[string]bool // by group: multiplexers in use
	for c := 1; c <= q.Def.Contacts; c++ {
		to, ground := q.paths[c][ch.ID], q.groundAt(c, ch.ID)
		if to == nil || ground == nil {
			continue
		}
		k := 0
		for k < len(groups) && ground.Mux != "" && taken[k][ground.Mux] {
			k++
		}
		if k == len(groups) {
			groups, taken = append(groups, nil), append(taken, map[string]bool{})
		}
		groups[k] = append(groups[k], grounding{to, ground})
		taken[k][ground.Mux] = true
	}
	return groups
}

// groundAt is the path that holds a contact at 0 V: the return's, or that of a
// channel other than this one. nil where none does.
func (q *sequence) groundAt(contact int, not bench.ChannelID) *bench.Path {
	if p := q.paths[contact][0]; p != nil {
		return p
	}
	for i := range q.Def.Channels {
		id := q.Def.Channels[i].ID
		if p := q.paths[contact][id]; p != nil && id != not {
			return p
		}
	}
	return nil
}

// passes measures what flows out of a channel into these grounded contacts and
// reports whether it is more than open switches may pass, in siemens. What was
// measured is in lastConductance.
func (q *sequence) passes(ch *bench.Channel, grounds []bench.PathID, level, allowed float64) bool {
	q.connect(grounds...)
	q.ground(grounds, scanLimit)
	g, limited := q.conductance(ch, level, lowest(ch))
	if limited {
		if g, limited = q.conductance(ch, level, scanLimit); limited {
			q.lastConductance = g.X // a closed switch: both were sensed, whatever was asked
			return true
		}
	}
	q.lastConductance = g.X
	return q.err == nil && g.X > conductsBeyond*allowed+sure(g)
}

// ground holds at 0 V what these paths lead to, by the channels that they belong
// to, for currents up to limit, A.
func (q *sequence) ground(paths []bench.PathID, limit float64) {
	for _, id := range paths {
		if p, ok := q.Def.PathByID(id); ok && p.Channel > 0 {
			ch, _ := q.Def.ChannelByID(p.Channel)
			q.force(ch, volts(ch, 0, scanLevel, limit))
		}
	}
}

// conductance is the current out of a channel by its voltage, from the difference
// of two levels, so that the offset of the range is in neither, S: 0 and level, V,
// as far as the channel reaches. limited says that the current was at limit, A.
func (q *sequence) conductance(ch *bench.Channel, level, limit float64) (budget.Value, bool) {
	level = math.Copysign(min(math.Abs(level), reach(ch)), level)
	q.force(ch, volts(ch, 0, level, limit))
	before := q.read(ch)[ch.ID]
	q.force(ch, volts(ch, level, level, limit))
	after := q.read(ch)[ch.ID]
	if after.limited || after.overflow {
		return budget.Exact(after.I.X / math.Copysign(math.Max(math.Abs(after.V.X), 1e-6), level)), true
	}
	if before.limited { // held at 0 V beyond its limit: something else drives it
		return budget.Exact(math.Inf(1)), true
	}
	return after.I.Sub(before.I).Div(after.V.Sub(before.V)), false
}

// returnSwitches finds switches to the return that conduct although they are
// open, and measures what leaks at each contact: all its open switches with
// their lines at 0 V. closes are the paths that do close.
func (q *sequence) returnSwitches(conducts map[bench.PathID]float64, closes func(bench.PathID) bool) {
	for c := 1; c <= q.Def.Contacts; c++ {
		ch := q.driverAt(c, closes)
		if ch == nil {
			continue
		}
		allowed, others := 0.0, []*bench.Channel{}
		for _, p := range q.paths[c] {
			allowed += leakageOf(p)
		}
		for i := range q.Def.Channels {
			if other := &q.Def.Channels[i]; other.ID != ch.ID {
				others = append(others, other)
			}
		}
		q.contactLeakage(c, ch, others, allowed, conducts)
	}
	q.rest()
}

// contactLeakage measures one contact by one channel, with all other lines and
// all other contacts at 0 V.
func (q *sequence) contactLeakage(c int, ch *bench.Channel, others []*bench.Channel, allowed float64, conducts map[bench.PathID]float64) {
	own := q.paths[c][ch.ID].ID
	q.connect(append(q.otherReturns(c), own)...)
	for _, other := range others {
		q.force(other, volts(other, 0, scanLevel, scanLimit))
	}
	g, limited := q.conductance(ch, leakLevel, lowest(ch))
	line := q.lineLeakage(ch)
	g = g.Sub(line).Add(ownLeakage(q.paths[c][ch.ID]))
	if !limited && g.X <= conductsBeyond*allowed+sure(g) {
		if finite(g) {
			q.result.Leakages = append(q.result.Leakages, ContactValue{c, g.X, half(g)})
		}
		return
	}
	// More than leakage. With the other lines cut off and the other contacts
	// open, the return of this contact is left alone.
	for _, other := range others {
		q.off(other)
	}
	if ret := q.paths[c][0]; ret != nil && q.passes(ch, []bench.PathID{own}, scanLevel, leakageOf(ret)+q.lineMay(ch)) {
		conducts[ret.ID] = q.lastConductance
		return
	}
	if !q.knownAt(c, conducts) {
		q.found(leaks(c, g.X, allowed))
	}
}

// joins reports whether more than leakage flows from a contact to the others, at
// either polarity and too little to harm a part that was left in the socket.
func (q *sequence) joins(ch *bench.Channel, c int) bool {
	p := q.paths[c][ch.ID]
	allowed := q.lineMay(ch)
	for _, other := range q.paths[c] {
		allowed += leakageOf(other)
	}
	q.rest()
	for _, level := range []float64{scanLevel, -scanLevel} {
		q.connect(append(q.otherReturns(c), p.ID)...)
		g, limited := q.conductance(ch, level, lowest(ch))
		if q.err == nil && (limited || g.X > conductsBeyond*allowed+sure(g)) {
			return true
		}
	}
	return false
}

// ownLeakage is what the path that is closed at a contact leaks when it is open, as
// stated, S: it is in the leakage of its line, and not in that of the contact
// while it is closed.
func ownLeakage(p *bench.Path) budget.Value {
	g := p.Leakage
	if p.Kelvin {
		g *= 2
	}
	s := budget.NewSource("leakage of path "+p.Address, budget.Leakage, budget.Rectangular, budget.Rectangular.FromHalfWidth(g*p.ToleranceOfLeakage()))
	return budget.Of(g, s)
}

// lineLeakage is what leaks from a channel's line to all contacts while none of its
// paths is closed and every contact is at 0 V, S. It is measured once.
func (q *sequence) lineLeakage(ch *bench.Channel) budget.Value {
	if g, is := q.lines[ch.ID]; is {
		return g
	}
	closed, level := slices.Clone(q.closed), q.up[ch.ID]
	q.connect(q.otherReturns(0)...)
	g, _ := q.conductance(ch, leakLevel, lowest(ch))
	q.lines[ch.ID] = g
	q.connect(closed...)
	q.force(ch, level)
	return g
}

// otherReturns are the paths that hold all contacts but one at 0 V, as far as the
// return reaches them without switches that exclude each other.
func (q *sequence) otherReturns(c int) []bench.PathID {
	var out []bench.PathID
	taken := map[string]bool{}
	if ret := q.paths[c][0]; ret != nil { // there is no contact 0
		taken[ret.Mux] = ret.Mux != ""
	}
	for other := 1; other <= q.Def.Contacts; other++ {
		if p := q.paths[other][0]; p != nil && other != c && !taken[p.Mux] {
			taken[p.Mux] = p.Mux != ""
			out = append(out, p.ID)
		}
	}
	return out
}

// knownAt reports whether a switch at a contact is known to conduct.
func (q *sequence) knownAt(c int, conducts map[bench.PathID]float64) bool {
	for _, p := range q.paths[c] {
		if _, is := conducts[p.ID]; is {
			return true
		}
	}
	return false
}

// driverAt is a channel that reaches a contact by a path that closes, and none of
// whose switches conducts where one is left; nil where none reaches it.
func (q *sequence) driverAt(c int, closes func(bench.PathID) bool) *bench.Channel {
	var doubtful *bench.Channel
	for i := range q.Def.Channels {
		ch := &q.Def.Channels[i]
		p := q.paths[c][ch.ID]
		if p == nil || !closes(p.ID) {
			continue
		}
		if !q.spoilt.channels[ch.ID] {
			return ch
		}
		if doubtful == nil {
			doubtful = ch
		}
	}
	return doubtful
}

func (q *sequence) found(f Finding) {
	if q.err == nil {
		q.result.Findings = append(q.result.Findings, f)
	}
}
