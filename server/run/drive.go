package run

import (
	"context"
	"fmt"
	"math"
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

// rampSteps is how many steps a supply's ramp is made of.
const rampSteps = 20

// drive is a channel as a segment uses it.
type drive struct {
	channel    *bench.Channel
	pin        int // the pin whose holds it follows
	path       bench.PathID
	rank       int
	power      *dut.PowerStep // how its supply comes up; nil: at once
	mode       bench.Mode
	remote     bool
	loss       bench.PathError // between the sense point and the pin
	zero       bool            // stands in for the return
	compliance float64         // of a zero drive, A
	full       float64         // forced range, V; 0: smallest for each level (currents)
	sense      float64         // range of what is not forced
}

// pickRanges fixes the ranges for a whole segment. A voltage keeps the range
// of its largest level, since changing it goes through zero and would undo the
// direction of a sweep; a current takes the smallest range for each level,
// since it may run over many decades.
func (d *drive) pickRanges(level, compliance float64) error {
	forced, sensed := d.channel.ForceV, d.channel.SenseI
	if d.mode == bench.ForceCurrent {
		forced, sensed = d.channel.ForceI, d.channel.SenseV
	}
	f, ok := bench.RangeFor(forced, level)
	s, ok2 := bench.RangeFor(sensed, compliance)
	if !ok || !ok2 {
		return fmt.Errorf("pin %d: channel %s has no range for it", d.pin, d.channel.Name)
	}
	if d.mode == bench.ForceVoltage {
		d.full = f.FullScale
	}
	d.sense = s.FullScale
	return nil
}

// setup is what the channel is set to for a level, where was is its present one.
func (d *drive) setup(level, compliance float64, was bench.Setup) bench.Setup {
	s := bench.Setup{Mode: d.mode, Level: level, Range: d.full, Compliance: compliance, SenseRange: d.sense, Remote: d.remote}
	if s.Range == 0 {
		r, _ := bench.RangeFor(d.channel.ForceI, level)
		s.Range = r.FullScale
		if level == 0 && was.Mode == d.mode && was.Range != 0 {
			s.Range = was.Range // zero is zero on every range
		}
	}
	return s
}

// alike reports whether two drives are the same channel used the same way.
func (d *drive) alike(o *drive) bool {
	return d.channel.ID == o.channel.ID && d.path == o.path && d.mode == o.mode && d.remote == o.remote &&
		d.full == o.full && d.sense == o.sense && d.rank == o.rank
}

// keepable is how many of the leading drives may stay up from one segment to
// the next: grounds and supplies that do not change, up to the first that
// does, and none where a path to the return moves. Such a path has no channel of
// its own that could be brought to zero, and through a part that is not sound it
// may carry the whole supply current.
func keepable(from, to *segment) int {
	if !slices.Equal(from.returns, to.returns) {
		return 0
	}
	n := 0
	for n < len(from.drives) && n < len(to.drives) && from.drives[n].rank < rankOther && from.drives[n].alike(to.drives[n]) {
		n++
	}
	return n
}

// LinkError is a failed call to the bench. Unless it was cut short on purpose,
// the state of the outputs is unknown.
type LinkError struct {
	Call string
	Err  error
}

func (e *LinkError) Error() string { return "bench: " + e.Call + ": " + e.Err.Error() }
func (e *LinkError) Unwrap() error { return e.Err }

func linked(call string, err error) error {
	if err != nil {
		return &LinkError{call, err}
	}
	return nil
}

// driver takes the bench from one set of conditions to the next, by the rules
// of cold switching and power order.
type driver struct {
	link   bench.Link
	clock  bench.Clock
	seg    *segment
	up     int           // drives of seg that are up, from the first
	set    []bench.Setup // what they are set to
	want   []bench.Setup // reused
	closed []bench.PathID
}

// targets works out what every drive of a segment is set to at a point.
func (x *driver) targets(seg *segment, pt *procedure.Point) []bench.Setup {
	x.want = slices.Grow(x.want[:0], len(seg.drives))[:len(seg.drives)]
	for k, d := range seg.drives {
		if d.zero {
			x.want[k] = d.setup(0, d.compliance, bench.Setup{})
		}
	}
	i := 0
	for _, h := range pt.Hold {
		if h.Use == procedure.UseOpen {
			continue
		}
		k := seg.conns[i].drive
		i++
		if k < 0 || !h.Use.TakesChannel() {
			continue
		}
		var was bench.Setup
		if seg == x.seg && k < x.up {
			was = x.set[k]
		}
		x.want[k] = seg.drives[k].setup(h.Level, h.Compliance, was)
	}
	return x.want
}

// apply brings the bench to the conditions of a point.
func (x *driver) apply(ctx context.Context, seg *segment, pt *procedure.Point) error {
	want := x.targets(seg, pt)
	if seg == x.seg {
		return x.change(ctx, want)
	}
	kept := 0
	if x.seg != nil {
		kept = min(keepable(x.seg, seg), x.up)
		for k := range kept {
			if x.set[k] != want[k] {
				kept = k
				break
			}
		}
	}
	if err := x.down(ctx, kept); err != nil {
		return err
	}
	if err := x.connect(ctx, seg.assign.Paths); err != nil {
		return err
	}
	x.seg = seg
	for k := kept; k < len(seg.drives); k++ {
		if err := x.bringUp(ctx, seg.drives[k], want[k]); err != nil {
			return err
		}
	}
	return nil
}

// connect closes exactly these paths, if they are not those closed already.
func (x *driver) connect(ctx context.Context, paths []bench.PathID) error {
	if slices.Equal(x.closed, paths) {
		return nil
	}
	if err := linked("switching paths", x.link.Close(ctx, paths)); err != nil {
		return err
	}
	x.closed = append(x.closed[:0], paths...)
	return nil
}

// down takes drives to zero and off in reverse order, until only the first
// keep are up.
func (x *driver) down(ctx context.Context, keep int) error {
	for ; x.up > keep; x.up-- {
		if err := x.off(ctx, x.seg.drives[x.up-1].channel.ID, x.set[x.up-1]); err != nil {
			return err
		}
	}
	x.set = x.set[:keep]
	return nil
}

func (x *driver) off(ctx context.Context, ch bench.ChannelID, s bench.Setup) error {
	if s.Level != 0 {
		s.Level = 0
		if err := linked("setting a channel", x.link.Set(ctx, ch, s)); err != nil {
			return err
		}
	}
	return linked("switching an output off", x.link.Output(ctx, ch, false))
}

// on switches a channel's output on at zero, its compliance already set.
func (x *driver) on(ctx context.Context, ch bench.ChannelID, s bench.Setup) error {
	s.Level = 0
	if err := linked("setting a channel", x.link.Set(ctx, ch, s)); err != nil {
		return err
	}
	return linked("switching an output on", x.link.Output(ctx, ch, true))
}

// bringUp brings the next drive up: on at zero, then to its level, by its
// supply's ramp and delay where it has one.
func (x *driver) bringUp(ctx context.Context, d *drive, s bench.Setup) error {
	if err := x.on(ctx, d.channel.ID, s); err != nil {
		return err
	}
	x.set = append(x.set, s)
	x.up++
	if s.Level == 0 {
		return nil
	}
	if d.power != nil && d.power.Ramp > 0 {
		if err := x.ramp(ctx, d, s); err != nil {
			return err
		}
	} else if err := linked("setting a channel", x.link.Set(ctx, d.channel.ID, s)); err != nil {
		return err
	}
	if d.power == nil {
		return nil
	}
	return x.clock.Sleep(ctx, seconds(d.power.Delay))
}

// ramp raises a supply in equal steps. A level other than that of the power
// order takes its share of the ramp's time, so that the slope is the same.
func (x *driver) ramp(ctx context.Context, d *drive, s bench.Setup) error {
	whole := d.power.Ramp
	if d.power.Level != 0 {
		whole *= math.Abs(s.Level / d.power.Level)
	}
	begun := x.clock.Now()
	for k := 1; k <= rampSteps; k++ {
		part := s
		if k < rampSteps {
			part.Level = s.Level * float64(k) / rampSteps
		}
		if err := linked("setting a channel", x.link.Set(ctx, d.channel.ID, part)); err != nil {
			return err
		}
		due := begun.Add(seconds(whole * float64(k) / rampSteps))
		if err := x.clock.Sleep(ctx, due.Sub(x.clock.Now())); err != nil {
			return err
		}
	}
	return nil
}

// change takes the drives from one point to the next with the same
// connections: first down what falls, last in power order first, then up what
// rises, first in power order first.
func (x *driver) change(ctx context.Context, want []bench.Setup) error {
	for k := len(want) - 1; k >= 0; k-- {
		if math.Abs(want[k].Level) < math.Abs(x.set[k].Level) {
			if err := x.reset(ctx, k, want[k]); err != nil {
				return err
			}
		}
	}
	for k := range want {
		if err := x.reset(ctx, k, want[k]); err != nil {
			return err
		}
	}
	return nil
}

// reset gives a drive that is up a new setup. A change of range goes through
// zero and off, so that the output never shows the old level on the new range.
func (x *driver) reset(ctx context.Context, k int, s bench.Setup) error {
	was := x.set[k]
	if was == s {
		return nil
	}
	ch := x.seg.drives[k].channel.ID
	if was.Range != s.Range || was.Mode != s.Mode || was.SenseRange != s.SenseRange {
		if err := x.off(ctx, ch, was); err != nil {
			return err
		}
		if err := x.on(ctx, ch, s); err != nil {
			return err
		}
	}
	x.set[k] = s
	return linked("setting a channel", x.link.Set(ctx, ch, s))
}

// finish takes everything down in reverse order and opens all paths.
func (x *driver) finish(ctx context.Context) error {
	if err := x.down(ctx, 0); err != nil {
		return err
	}
	x.seg = nil
	return x.connect(ctx, nil)
}
