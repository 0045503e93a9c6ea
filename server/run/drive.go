package run

import (
	"context"
	"math"
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
)

// rampSteps is the number of steps of a supply's ramp.
const rampSteps = 20

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

// driver is the switching of a run: it takes the bench from one set of
// conditions to the next, by the rules of cold switching and power order.
type driver struct {
	link   bench.Link
	clock  bench.Clock
	seg    *procedure.Segment
	up     int           // drives of seg that are up, from the first
	set    []bench.Setup // what they are set to
	want   []bench.Setup // reused
	closed []bench.PathID
}

// targets works out what every drive of a segment is set to at a point.
func (x *driver) targets(seg *procedure.Segment, pt *procedure.Point) []bench.Setup {
	x.want = slices.Grow(x.want[:0], len(seg.Drives))[:len(seg.Drives)]
	for k, d := range seg.Drives {
		if d.Zero {
			x.want[k] = d.Setup(0, d.Compliance, bench.Setup{})
		}
	}
	i := 0
	for _, h := range pt.Hold {
		if h.Use == procedure.UseOpen {
			continue
		}
		k := seg.Conns[i].Drive
		i++
		if k < 0 || !h.Use.TakesChannel() {
			continue
		}
		var was bench.Setup
		if seg == x.seg && k < x.up {
			was = x.set[k]
		}
		x.want[k] = seg.Drives[k].Setup(h.Level, h.Compliance, was)
	}
	for k, d := range seg.Drives {
		if d.Witness {
			of := x.want[seg.Follows(k)]
			x.want[k] = d.Setup(of.Level, of.Compliance, bench.Setup{})
		}
	}
	return x.want
}

// apply brings the bench to the conditions of a point.
func (x *driver) apply(ctx context.Context, seg *procedure.Segment, pt *procedure.Point) error {
	want := x.targets(seg, pt)
	if seg == x.seg {
		return x.change(ctx, want)
	}
	kept := 0
	if x.seg != nil {
		kept = min(procedure.Keepable(x.seg, seg), x.up)
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
	if err := x.connect(ctx, seg.Assign.Paths); err != nil {
		return err
	}
	x.seg = seg
	for k := kept; k < len(seg.Drives); k++ {
		if err := x.bringUp(ctx, seg.Drives[k], want[k]); err != nil {
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
		if err := x.off(ctx, x.seg.Drives[x.up-1].Channel.ID, x.set[x.up-1]); err != nil {
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
func (x *driver) bringUp(ctx context.Context, d *procedure.Drive, s bench.Setup) error {
	if err := x.on(ctx, d.Channel.ID, s); err != nil {
		return err
	}
	x.set = append(x.set, s)
	x.up++
	if s.Level == 0 {
		return nil
	}
	if d.Power != nil && d.Power.Ramp > 0 {
		if err := x.ramp(ctx, d, s); err != nil {
			return err
		}
	} else if err := linked("setting a channel", x.link.Set(ctx, d.Channel.ID, s)); err != nil {
		return err
	}
	if d.Power == nil {
		return nil
	}
	return x.clock.Sleep(ctx, seconds(d.Power.Delay))
}

// ramp raises a supply in equal steps. A level other than that of the power
// order takes its share of the ramp's time, so that the slope is the same.
func (x *driver) ramp(ctx context.Context, d *procedure.Drive, s bench.Setup) error {
	whole := d.Power.Ramp
	if d.Power.Level != 0 {
		whole *= math.Abs(s.Level / d.Power.Level)
	}
	begun := x.clock.Now()
	for k := 1; k <= rampSteps; k++ {
		part := s
		if k < rampSteps {
			part.Level = s.Level * float64(k) / rampSteps
		}
		if err := linked("setting a channel", x.link.Set(ctx, d.Channel.ID, part)); err != nil {
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
	ch := x.seg.Drives[k].Channel.ID
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
