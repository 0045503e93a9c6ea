package check

import (
	"fmt"
	"math"
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/quantity"
)

// partOfScale is how far up a range is compared: near its end, where its gain
// counts most, with room for the errors of whatever forces.
const partOfScale = 0.9

// deviation is what one channel reads beside another in one range, each as a part
// of the level: the difference that was seen, and the most that both are stated
// to err by.
type deviation struct {
	a, b       int // channels, by index
	unit       quantity.Unit
	fullScale  float64
	gain, off  float64 // part of the level; V or A
	most       float64 // as a part of the level, gain and offset together
	mostOffset float64 // V or A
}

// channels holds the channels against each other: on a common contact, all sense
// one voltage; in pairs, one's current flows into the other. What is found there
// is looked for at a second contact, by other multiplexers: a switch that is not
// as it should be spoils one of them, a channel both.
func (q *sequence) channels() {
	q.of = channelReadings(q.Def.Channels)
	others := q.notTight()
	for _, ch := range others {
		q.spoilt.channels[ch.ID] = true
		q.found(Finding{Kind: NotMeasured, Channels: []bench.ChannelID{ch.ID},
			Said: fmt.Sprintf("Channel %s was not held against the others: a switch of it conducts when it should be open. The empty socket tells which.", ch.Name)})
	}
	untold := slices.Clone(q.result.Findings)
	all, contact := q.meetingPlace(nil)
	if len(all) < 2 {
		q.found(Finding{Kind: NotMeasured, Said: "No contact is reached by two channels at once, so they cannot be held against each other."})
		return
	}
	if q.joins(all[0], contact) {
		// Something in the socket, or a switch at this contact: another tells.
		from := contact
		if all, contact = q.meetingPlace(q.paths[from]); len(all) < 2 || q.joins(all[0], contact) {
			q.found(somethingIn([]int{from}))
			return
		}
	}
	q.compareAt(all, contact)
	if q.result.OK() {
		return
	}
	again, other := q.meetingPlace(q.paths[contact])
	if len(again) < len(all) {
		return
	}
	q.result.Findings, q.result.Channels = untold, nil
	q.compareAt(again, other)
}

// channelReadings is about how many readings the channels need.
func channelReadings(all []bench.Channel) int {
	if len(all) == 0 {
		return 1
	}
	pairs := len(all) * (len(all) - 1) / 2
	return len(all)*2 + 4 + 3*len(all[0].SenseV) + pairs*3*len(all[0].SenseI)
}

func (q *sequence) compareAt(all []*bench.Channel, contact int) {
	seen := slices.Concat(q.compareVoltages(all, contact), q.compareCurrents(all, contact))
	if q.err == nil {
		q.judge(all, seen)
	}
}

// meetingPlace is the contact that most channels reach at the same time, by paths
// of which nothing bad is known and through none of the multiplexers of avoid.
func (q *sequence) meetingPlace(avoid map[bench.ChannelID]*bench.Path) ([]*bench.Channel, int) {
	var best []*bench.Channel
	at := 0
	for c := 1; c <= q.Def.Contacts; c++ {
		if q.spoilt.contacts[c] {
			continue
		}
		var here []*bench.Channel
		taken := map[string]bool{}
		for _, p := range avoid {
			taken[p.Mux] = p.Mux != ""
		}
		for i := range q.Def.Channels {
			ch := &q.Def.Channels[i]
			p := q.paths[c][ch.ID]
			if p == nil || q.spoilt.paths[p.ID] || q.spoilt.channels[ch.ID] || taken[p.Mux] {
				continue
			}
			taken[p.Mux] = p.Mux != ""
			here = append(here, ch)
		}
		if len(here) > len(best) {
			best, at = here, c
		}
	}
	return best, at
}

// pathsAt are the paths of channels to a contact.
func (q *sequence) pathsAt(contact int, channels ...*bench.Channel) []bench.PathID {
	var out []bench.PathID
	for _, ch := range channels {
		out = append(out, q.paths[contact][ch.ID].ID)
	}
	return out
}

// compareVoltages has the first channel hold a voltage that all sense, in every
// range. No current flows, so nothing drops on a path.
func (q *sequence) compareVoltages(all []*bench.Channel, contact int) []deviation {
	var out []deviation
	for _, full := range scales(all, func(ch *bench.Channel) []bench.Range { return ch.SenseV }) {
		level := partOfScale * full
		// Channels of other cards may reach less far: they are not led to so much.
		able := slices.DeleteFunc(slices.Clone(all), func(ch *bench.Channel) bool { return min(reach(ch), top(ch.SenseV)) < full })
		if len(able) < 2 {
			continue
		}
		q.rest()
		q.connect(q.pathsAt(contact, able...)...)
		for _, ch := range able[1:] {
			q.force(ch, listening(ch, full))
		}
		var got [3]map[bench.ChannelID]seen
		for k, l := range []float64{level, -level, 0} {
			q.force(able[0], volts(able[0], l, full, idleCurrent))
			got[k] = q.read(able...)
			q.ownLevel(able[0], l, full, quantity.Volt, got[k][able[0].ID])
		}
		for a := range all {
			for b := a + 1; b < len(all); b++ {
				x, y := all[a], all[b]
				if !slices.Contains(able, x) || !slices.Contains(able, y) {
					continue
				}
				d := deviation{a: a, b: b, unit: quantity.Volt, fullScale: full,
					gain: (span(got, x.ID, voltage) - span(got, y.ID, voltage)) / (2 * level),
					off:  voltage(got[2][x.ID]) - voltage(got[2][y.ID])}
				rx, _ := bench.RangeFor(x.SenseV, full)
				ry, _ := bench.RangeFor(y.SenseV, full)
				d.allow(rx, ry, level)
				out = append(out, d)
			}
		}
	}
	return out
}

func voltage(s seen) float64 { return s.V.X }
func amperes(s seen) float64 { return s.I.X }

// span is the difference between the readings at both polarities.
func span(got [3]map[bench.ChannelID]seen, ch bench.ChannelID, of func(seen) float64) float64 {
	return of(got[0][ch]) - of(got[1][ch])
}

// allow works out the most that two ranges are stated to differ by: their gains,
// and converter step and noise as a part of the level; and their offsets.
func (d *deviation) allow(a, b bench.Range, level float64) {
	grain := a.Step + b.Step + noiseSure*math.Hypot(a.Noise, b.Noise)
	d.most = a.Gain + b.Gain + grain/level
	d.mostOffset = a.Offset + b.Offset + grain
}

// noiseSure is how many standard deviations of noise are allowed: beyond them is
// one reading in 16,000 of a normal distribution, and a check takes some hundred.
const noiseSure = 4.0

// scales are the full scales of all channels' ranges, ascending.
func scales(all []*bench.Channel, of func(*bench.Channel) []bench.Range) []float64 {
	var out []float64
	for _, ch := range all {
		for _, r := range of(ch) {
			out = append(out, r.FullScale)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// compareCurrents has each channel's current flow into each other one, in every
// range that the paths bear.
func (q *sequence) compareCurrents(all []*bench.Channel, contact int) []deviation {
	var out []deviation
	for a := range all {
		for b := a + 1; b < len(all); b++ {
			q.rest()
			q.connect(q.pathsAt(contact, all[a], all[b])...)
			for _, full := range scales([]*bench.Channel{all[a], all[b]}, func(ch *bench.Channel) []bench.Range { return ch.SenseI }) {
				if d, ok := q.pair(all, a, b, contact, full); ok {
					out = append(out, d)
				}
			}
		}
	}
	return out
}

// pair compares two channels in one current range.
func (q *sequence) pair(all []*bench.Channel, a, b, contact int, full float64) (deviation, bool) {
	x, y := all[a], all[b]
	level := min(partOfScale*full, q.current(x, q.paths[contact][x.ID], q.paths[contact][y.ID]), q.current(y))
	rx, okX := bench.RangeFor(x.SenseI, full)
	ry, okY := bench.RangeFor(y.SenseI, full)
	_, forces := bench.RangeFor(x.ForceI, full)
	if !okX || !okY || !forces || level < full/20 {
		return deviation{}, false // not to be told from the offset at so low a part of the range
	}
	q.force(y, volts(y, 0, scanLevel, full))
	var got [3]map[bench.ChannelID]seen
	for k, l := range []float64{level, -level, 0} {
		q.force(x, amps(x, l, full, senseLimit))
		got[k] = q.read(x, y)
		q.ownLevel(x, l, full, quantity.Ampere, got[k][x.ID])
	}
	q.off(x)
	q.off(y)
	d := deviation{a: a, b: b, unit: quantity.Ampere, fullScale: full,
		gain: (span(got, x.ID, amperes) + span(got, y.ID, amperes)) / (2 * level),
		off:  amperes(got[2][x.ID]) + amperes(got[2][y.ID])}
	d.allow(rx, ry, level)
	return d, true
}

// ownLevel holds what a channel forces against what it senses itself.
func (q *sequence) ownLevel(ch *bench.Channel, level, full float64, unit quantity.Unit, got seen) {
	force, sense, read := ch.ForceV, ch.SenseV, got.V.X
	if unit == quantity.Ampere {
		force, sense, read = ch.ForceI, ch.SenseI, got.I.X
	}
	f, _ := bench.RangeFor(force, full)
	s, _ := bench.RangeFor(sense, f.FullScale)
	most := f.MaxError(level) + s.MaxError(level) + f.Step + s.Step + noiseSure*math.Hypot(f.Noise, s.Noise)
	if q.err != nil || got.limited || math.Abs(read-level) <= most {
		return
	}
	q.found(Finding{Kind: ChannelDisagrees, Fault: true, Channels: []bench.ChannelID{ch.ID},
		Said: fmt.Sprintf("Channel %s senses %s where it forces %s itself: %s apart, where %s is stated.", ch.Name,
			quantity.Format(read, unit, 5), quantity.Format(level, unit, 5), quantity.Format(math.Abs(read-level), unit, 2), quantity.Format(most, unit, 2)),
		Do: doChannel})
}

const doChannel = "Have the channel adjusted; until then do not use it, and look again at what was measured with it."
