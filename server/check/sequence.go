package check

import (
	"context"
	"math"
	"slices"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
)

// Levels that a check uses. They are low: nothing but plugs and switches is
// measured, and a switch whose rating is not stated must bear them.
const (
	safeCurrent = 10e-3  // A, through a path whose rating is not stated
	idleCurrent = 100e-6 // A, range of a channel that only senses: its loop is quick and its offset small
	senseLimit  = 2.0    // V, the most across what is measured with a current
	scanLevel   = 1.0    // V, across switches that should be open
	scanLimit   = 1e-3   // A, what one that is closed may pass then
	leakLevel   = 5.0    // V, across open switches whose leakage is measured
	constants   = 12     // time constants that are waited for: 6e-6 of a step is left
)

// sequence is a step at work: what is set and closed, and the first error, after
// which nothing more is done.
type sequence struct {
	Rig
	ctx          context.Context
	err          error
	result       StepResult
	errors       *bench.Errors
	paths        []map[bench.ChannelID]*bench.Path // by contact: the path of each line
	up           map[bench.ChannelID]bench.Setup   // outputs that are on
	closed       []bench.PathID
	aperture     time.Duration
	samples      []bench.Sample
	of           int                              // readings that the step needs, about
	lines        map[bench.ChannelID]budget.Value // leakage of lines, S
	spoilt       spoilt
	joined       []int        // contacts that something joins with others
	openContacts map[int]bool // that nothing in the socket touches
	touching     map[int]bool // by contact: whether it has a way to another one, as far as measured
	plug         plugKind     // that the step asks for
	// lastConductance is what passes measured last, S.
	lastConductance float64
}

func newSequence(ctx context.Context, rig Rig, step Step) *sequence {
	q := &sequence{Rig: rig, ctx: ctx, errors: bench.NewErrors(rig.Def.Stated()), up: map[bench.ChannelID]bench.Setup{}, spoilt: spoiltBy(rig.Def, rig.Before, step),
		lines: map[bench.ChannelID]budget.Value{}, touching: map[int]bool{}}
	q.paths = make([]map[bench.ChannelID]*bench.Path, rig.Def.Contacts+1)
	for c := range q.paths {
		q.paths[c] = map[bench.ChannelID]*bench.Path{}
	}
	for i := range rig.Def.Paths {
		p := &rig.Def.Paths[i]
		if q.paths[p.Contact][p.Channel] == nil {
			q.paths[p.Contact][p.Channel] = p
		}
	}
	q.aperture = time.Duration(float64(time.Second) / rig.Def.LineHz)
	return q
}

// do carries a call to the link out, unless one has failed already.
func (q *sequence) do(f func() error) {
	if q.err == nil {
		q.err = f()
	}
}

// connect closes exactly these paths, with all outputs at zero (cold switching).
func (q *sequence) connect(paths ...bench.PathID) {
	want := slices.Sorted(slices.Values(paths))
	if slices.Equal(want, q.closed) {
		return
	}
	q.zero()
	q.do(func() error { return q.Link.Close(q.ctx, want) })
	q.closed = want
}

// zero takes the outputs that are on to zero.
func (q *sequence) zero() {
	for _, ch := range q.on() {
		s := q.up[ch]
		if s.Level != 0 {
			s.Level = 0
			q.do(func() error { return q.Link.Set(q.ctx, ch, s) })
			q.up[ch] = s
		}
	}
}

// on lists the channels whose outputs are on, in order.
func (q *sequence) on() []bench.ChannelID {
	var out []bench.ChannelID
	for ch := range q.up {
		out = append(out, ch)
	}
	slices.Sort(out)
	return out
}

// rest takes all outputs to zero and off.
func (q *sequence) rest() {
	q.zero()
	for _, ch := range q.on() {
		q.do(func() error { return q.Link.Output(q.ctx, ch, false) })
		delete(q.up, ch)
	}
}

// off takes one output to zero and off.
func (q *sequence) off(ch *bench.Channel) {
	s, is := q.up[ch.ID]
	if !is {
		return
	}
	if s.Level != 0 {
		s.Level = 0
		q.do(func() error { return q.Link.Set(q.ctx, ch.ID, s) })
	}
	q.do(func() error { return q.Link.Output(q.ctx, ch.ID, false) })
	delete(q.up, ch.ID)
}

// force sets a channel, whose output comes on at zero.
func (q *sequence) force(ch *bench.Channel, s bench.Setup) {
	if was, is := q.up[ch.ID]; is && was == s {
		return
	}
	if _, is := q.up[ch.ID]; !is {
		cold := s
		cold.Level = 0
		q.do(func() error { return q.Link.Set(q.ctx, ch.ID, cold) })
		q.do(func() error { return q.Link.Output(q.ctx, ch.ID, true) })
		q.up[ch.ID] = cold
	}
	if q.up[ch.ID] != s {
		q.do(func() error { return q.Link.Set(q.ctx, ch.ID, s) })
		q.up[ch.ID] = s
	}
}

// seen is what one channel read, with the errors of its ranges.
type seen struct {
	V, I     budget.Value // V, A
	limited  bool         // at its compliance
	overflow bool         // beyond its range
}

// read waits until what is set has settled and reads these channels together.
func (q *sequence) read(channels ...*bench.Channel) map[bench.ChannelID]seen {
	out := map[bench.ChannelID]seen{}
	q.do(func() error { return q.Clock.Sleep(q.ctx, q.settle()) })
	var ids []bench.ChannelID
	for _, ch := range channels {
		ids = append(ids, ch.ID)
	}
	q.do(func() error {
		var err error
		q.samples, err = q.Link.Read(q.ctx, ids, q.aperture, q.samples[:0])
		return err
	})
	if q.err != nil {
		q.samples = q.samples[:0]
	}
	for _, s := range q.samples {
		ch := channelOf(channels, s.Channel)
		_, v, i, _ := ch.RangesFor(q.up[ch.ID])
		out[ch.ID] = seen{
			V:       q.errors.SenseV(ch, v).Reading(s.V, 1, math.NaN(), 1),
			I:       q.errors.SenseI(ch, i).Reading(s.I, 1, math.NaN(), 1),
			limited: s.Flags.Has(bench.InCompliance), overflow: s.Flags.Has(bench.OverRange),
		}
	}
	for _, ch := range channels { // so that what follows an error finds its readings
		if _, is := out[ch.ID]; !is {
			out[ch.ID] = seen{}
		}
	}
	q.result.Readings++
	if q.Progress != nil && q.err == nil {
		q.Progress(min(q.result.Readings, q.of), q.of)
	}
	return out
}

func channelOf(channels []*bench.Channel, id bench.ChannelID) *bench.Channel {
	return channels[slices.IndexFunc(channels, func(c *bench.Channel) bool { return c.ID == id })]
}

// settle is how long what is set needs: the slowest loop and path, and the time
// that a small current takes to charge what is connected.
func (q *sequence) settle() time.Duration {
	longest := 0.0
	for id, s := range q.up {
		ch, _ := q.Def.ChannelByID(id)
		force, _, sense, ok := ch.RangesFor(s)
		if !ok {
			continue
		}
		loop, volts, amps := sense.LoopTime, math.Abs(s.Level), s.Compliance
		if s.Mode == bench.ForceCurrent {
			loop, volts, amps = force.LoopTime, s.Compliance, max(math.Abs(s.Level), force.FullScale/10)
		}
		charge := 4 * q.Def.Capacitance * volts / amps // a channel's line joins up to a few contacts
		longest = max(longest, charge+constants*(loop+q.Def.Capacitance*(ch.SourceR+mostResistance)))
	}
	return time.Duration(longest * float64(time.Second))
}

// mostResistance is that of a path whose settling is waited for, Ω.
const mostResistance = 1e3

// volts is a channel that holds a voltage in one range for all levels up to most.
func volts(ch *bench.Channel, level, most, limit float64) bench.Setup {
	r, ok := bench.RangeFor(ch.ForceV, most)
	if !ok {
		r = ch.ForceV[len(ch.ForceV)-1]
	}
	return bench.Setup{Mode: bench.ForceVoltage, Level: level, Range: r.FullScale, Compliance: min(limit, highest(ch))}
}

// amps is the same of a current.
func amps(ch *bench.Channel, level, most, limit float64) bench.Setup {
	r, ok := bench.RangeFor(ch.ForceI, most)
	if !ok {
		r = ch.ForceI[len(ch.ForceI)-1]
	}
	return bench.Setup{Mode: bench.ForceCurrent, Level: level, Range: r.FullScale, Compliance: min(limit, farthestOf(ch))}
}

// listening is a channel that senses a voltage and lets no current pass.
func listening(ch *bench.Channel, limit float64) bench.Setup { return amps(ch, 0, idleCurrent, limit) }

// lowest is the smallest current limit that a channel has a range for, A.
func lowest(ch *bench.Channel) float64 {
	return max(ch.SenseI[0].FullScale, ch.ForceI[0].FullScale)
}

// highest is the largest current limit that a channel has a range for, A.
func highest(ch *bench.Channel) float64 { return min(top(ch.SenseI), top(ch.ForceI)) }

// farthestOf is the largest voltage limit that a channel has a range for, V.
func farthestOf(ch *bench.Channel) float64 { return min(reach(ch), top(ch.SenseV)) }

// reach is the largest voltage that a channel forces, V.
func reach(ch *bench.Channel) float64 { return top(ch.ForceV) }

// top is the full scale of the largest range, V or A.
func top(ranges []bench.Range) float64 { return ranges[len(ranges)-1].FullScale }

// current is what may flow through these paths and out of this channel, A.
func (q *sequence) current(ch *bench.Channel, paths ...*bench.Path) float64 {
	most := min(top(ch.ForceI), safeCurrent)
	for _, p := range paths {
		if p != nil && p.MaxCurrent > 0 {
			most = min(most, p.MaxCurrent)
		}
	}
	return most
}

// half is the half-width of the interval that holds 95 %; what has no end is
// infinite. A bench that states no errors at all has none.
func half(v budget.Value) float64 {
	if len(v.Terms) == 0 {
		return 0
	}
	return v.State(budget.Coverage).U
}

// sure is the half-width that one of some hundred decisions does not leave by
// chance: twice that of 95 %, which is noiseSure standard uncertainties.
func sure(v budget.Value) float64 { return noiseSure / 2 * half(v) }

// finite reports whether a value can be kept: a number, with an interval that
// has both ends.
func finite(v budget.Value) bool {
	u := half(v)
	return !math.IsNaN(v.X) && !math.IsInf(v.X, 0) && !math.IsNaN(u) && !math.IsInf(u, 0)
}
