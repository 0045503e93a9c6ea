package check

import (
	"math"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
)

// openAbove is the resistance above which a path that should be closed is open,
// Ω: what the leakage of a bench can look like at the levels of a check.
const openAbove = 1e6

// closing is what was measured of a path that was told to close.
type closing struct {
	path  *bench.Path
	by    bench.ChannelID // that drove the current
	with  *bench.Path     // measured together with it, where nobody sensed the contact between them
	ohms  budget.Value    // with the output resistance of its channel
	open  bool
	sense bool // the sense wire does not carry the contact's potential
	told  bool // something was measured
}

// closedPaths measures every path closed, contact by contact: a channel drives a
// current through its path into the contact and out by the return, another one
// senses the contact. Both polarities, so that no offset is in the difference.
func (q *sequence) closedPaths() map[bench.PathID]*closing {
	out := map[bench.PathID]*closing{}
	for c := 1; c <= q.Def.Contacts; c++ {
		for _, set := range q.together(c) {
			q.closeSet(c, set, out)
		}
	}
	q.rest()
	return out
}

// closeSet is the paths of a contact that are closed at the same time: one that
// leads the current away, and those of channels.
type closeSet struct {
	sink  *bench.Path
	paths []*bench.Path
}

// together divides the paths of a contact into sets that do not exclude each
// other. Each has the return, or where there is none the last channel, to lead
// the current away.
func (q *sequence) together(c int) []closeSet {
	var paths []*bench.Path
	for i := range q.Def.Channels {
		if p := q.paths[c][q.Def.Channels[i].ID]; p != nil {
			paths = append(paths, p)
		}
	}
	sink := q.paths[c][0]
	if sink == nil && len(paths) > 1 {
		last := len(paths) - 1
		return []closeSet{{paths[last], paths[:last]}, {paths[0], paths[1:]}}
	}
	if sink == nil {
		return nil
	}
	var out []closeSet
	for len(paths) > 0 {
		set, left := closeSet{sink: sink}, []*bench.Path(nil)
		taken := map[string]bool{sink.Mux: sink.Mux != ""}
		for _, p := range paths {
			if taken[p.Mux] {
				left = append(left, p)
				continue
			}
			taken[p.Mux] = p.Mux != ""
			set.paths = append(set.paths, p)
		}
		if len(set.paths) == 0 {
			return out // they exclude the return itself: nothing can be told of them
		}
		out, paths = append(out, set), left
	}
	return out
}

// closeSet measures the paths of a set at a contact.
func (q *sequence) closeSet(c int, set closeSet, out map[bench.PathID]*closing) {
	ids := []bench.PathID{set.sink.ID}
	var channels []*bench.Channel
	for _, p := range set.paths {
		ids = append(ids, p.ID)
		ch, _ := q.Def.ChannelByID(p.Channel)
		channels = append(channels, ch)
	}
	q.rest()
	q.connect(ids...)
	q.ground([]bench.PathID{set.sink.ID}, 2*safeCurrent)
	for _, ch := range channels {
		q.force(ch, listening(ch, senseLimit))
	}
	for k, p := range set.paths {
		amp := q.current(channels[k], p, set.sink)
		if sink, ok := q.Def.ChannelByID(set.sink.Channel); ok {
			amp = min(amp, highest(sink)/2) // so that it is never at its limit
		}
		both := [2]map[bench.ChannelID]seen{}
		for j, level := range []float64{amp, -amp} {
			q.force(channels[k], amps(channels[k], level, amp, senseLimit))
			both[j] = q.read(channels...)
		}
		m := q.weigh(p, set.sink, channels[k], channels, both)
		if m.told && !m.open && p.Kelvin && channels[k].RemoteSense {
			m.sense = q.senseWire(channels[k], channels, amp, m.ohms.X)
		}
		out[p.ID] = m
		if sink := q.sinkOf(set.sink, channels[k], channels, both); sink != nil {
			if known := out[set.sink.ID]; known == nil || q.spoilt.channels[known.by] && !q.spoilt.channels[sink.by] {
				out[set.sink.ID] = sink
			}
		}
		q.force(channels[k], listening(channels[k], senseLimit))
	}
}

// weigh works out what a driven path has, from the readings at both polarities:
// the difference between its own channel and one that senses the contact.
func (q *sequence) weigh(p, sink *bench.Path, ch *bench.Channel, all []*bench.Channel, both [2]map[bench.ChannelID]seen) *closing {
	m := &closing{path: p, by: ch.ID}
	if q.err != nil {
		return m
	}
	amperes := both[0][ch.ID].I.Sub(both[1][ch.ID].I)
	own := both[0][ch.ID].V.Sub(both[1][ch.ID].V)
	ear := q.listener(ch, all, both)
	switch {
	case ear == nil && len(all) > 1 && both[0][ch.ID].limited:
		// Nobody senses a held contact: it is the sink that does not close.
		return m
	case ear == nil:
		m.told, m.with = true, sink
		m.open = math.Abs(own.X) > openAbove*math.Abs(amperes.X)
		m.ohms = own.Div(amperes)
		return m
	}
	at := both[0][ear.ID].V.Sub(both[1][ear.ID].V)
	if both[0][ch.ID].limited && 2*math.Abs(at.X) > math.Abs(own.X) {
		return m // the voltage is across the sink: it is that which does not close
	}
	drop := own.Sub(at)
	m.told = true
	if m.open = !(math.Abs(drop.X) < openAbove*math.Abs(amperes.X)); !m.open {
		m.ohms = drop.Div(amperes)
	}
	return m
}

// sinkOf works out what the path that leads the current away has: the contact's
// potential by that current. nil where nobody senses it or no current flows.
func (q *sequence) sinkOf(p *bench.Path, ch *bench.Channel, all []*bench.Channel, both [2]map[bench.ChannelID]seen) *closing {
	if q.err != nil || p.Channel > 0 {
		return nil
	}
	ear := q.listener(ch, all, both)
	if ear == nil {
		if len(all) > 1 && both[0][ch.ID].limited {
			return &closing{path: p, open: true, told: true, by: ch.ID}
		}
		return nil
	}
	amperes := both[0][ch.ID].I.Sub(both[1][ch.ID].I)
	at := both[0][ear.ID].V.Sub(both[1][ear.ID].V)
	if both[0][ch.ID].limited {
		// The voltage is across what does not close. What flows all the same is
		// taken by the channels that sense.
		if own := both[0][ch.ID].V.Sub(both[1][ch.ID].V); 2*math.Abs(at.X) > math.Abs(own.X) {
			return &closing{path: p, open: true, told: true, by: ch.ID}
		}
		return nil
	}
	return &closing{path: p, ohms: at.Div(amperes), told: true, by: ch.ID}
}

// listener is a channel beside the driver that senses the contact: one that
// nothing holds at its limit, and of whose line no switch conducts where there is
// such a one. nil where there is none.
func (q *sequence) listener(driver *bench.Channel, all []*bench.Channel, both [2]map[bench.ChannelID]seen) *bench.Channel {
	var doubtful *bench.Channel
	for _, ch := range all {
		if ch.ID == driver.ID || both[0][ch.ID].limited || both[1][ch.ID].limited {
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

// senseWire reports whether the sense wire of a Kelvin path is open: then the
// channel reads its own output instead of the contact. amp is what is driven, A;
// ohms is the path's resistance.
func (q *sequence) senseWire(ch *bench.Channel, all []*bench.Channel, amp, ohms float64) bool {
	s := amps(ch, -amp, amp, senseLimit)
	s.Remote = true
	q.force(ch, s)
	got := q.read(all...)
	both := [2]map[bench.ChannelID]seen{got, got}
	ear := q.listener(ch, all, both)
	if q.err != nil || ear == nil || got[ch.ID].limited {
		return false
	}
	drop := got[ch.ID].V.Sub(got[ear.ID].V)
	return math.Abs(drop.X) > half(drop)+amp*ohms/2
}
