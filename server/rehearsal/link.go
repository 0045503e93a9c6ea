package rehearsal

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/rehearsal/circuit"
)

// Identify returns the identity of the bench: a rehearsal bench, with its
// seed.
func (b *Bench) Identify(ctx context.Context) (bench.Identity, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return bench.Identity{
		Name: b.def.Name, Serial: fmt.Sprintf("rehearsal-%d", b.hw.seed), Version: Version, Rehearsal: true,
	}, ctx.Err()
}

// channel finds a channel by its number.
func (b *Bench) channel(id bench.ChannelID) (*channel, error) {
	if id < 1 || int(id) > len(b.channels) {
		return nil, fmt.Errorf("rehearsal: there is no channel %d", id)
	}
	return &b.channels[id-1], nil
}

// Set configures a channel. A Set that is refused changes nothing.
func (b *Bench) Set(ctx context.Context, id bench.ChannelID, s bench.Setup) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	c, err := b.channel(id)
	if err == nil {
		err = ctx.Err()
	}
	if err != nil {
		return err
	}
	if err := c.configure(s, b.ill.drift[id], b.time()); err != nil {
		return fmt.Errorf("rehearsal: channel %s: %w", c.def.Name, err)
	}
	if !c.on {
		return nil
	}
	return b.changed(c)
}

// Output switches a channel's output. It must have been Set before.
func (b *Bench) Output(ctx context.Context, id bench.ChannelID, on bool) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	c, err := b.channel(id)
	if err == nil {
		err = ctx.Err()
	}
	if err != nil {
		return err
	}
	if on && c.set == nil {
		return fmt.Errorf("rehearsal: channel %s: set what it forces before its output is switched on", c.def.Name)
	}
	if c.on == on {
		return nil
	}
	c.on = on
	return b.changed(c)
}

// staleAfter is how long an operating point holds on a bench that changes by
// itself. What changes takes minutes. ns.
const staleAfter = 1e9

// fresh catches up with what changed while nothing was energised, and with
// what changes by itself.
func (b *Bench) fresh() error {
	if b.stale {
		return b.solve(nil, b.staleAt)
	}
	if now := b.now(); b.changing && now-b.solvedAt > staleAfter {
		return b.follow(now)
	}
	return nil
}

// Close closes exactly these paths and opens all others, break before make: it
// takes the bench's switch time once if any path opens, and once more if any
// closes. What is already closed and stays so is not touched.
func (b *Bench) Close(ctx context.Context, paths []bench.PathID) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if err := ctx.Err(); err != nil {
		return err
	}
	want, err := b.wanted(paths)
	if err != nil {
		return err
	}
	for _, closing := range []bool{false, true} {
		if err := b.move(ctx, want, closing); err != nil {
			return err
		}
	}
	return nil
}

// wanted returns which paths are to be closed, by index.
func (b *Bench) wanted(paths []bench.PathID) ([]bool, error) {
	want := make([]bool, len(b.closed))
	taken := map[string]string{}
	for _, id := range paths {
		i, is := b.index[id]
		if !is {
			return nil, fmt.Errorf("rehearsal: there is no path %d", id)
		}
		if want[i] {
			return nil, fmt.Errorf("rehearsal: path %d is named twice", id)
		}
		want[i] = true
		p := &b.def.Paths[i]
		if p.Mux == "" {
			continue
		}
		if other, is := taken[p.Mux]; is {
			return nil, fmt.Errorf("rehearsal: paths %s and %s exclude each other: both are on multiplexer %s", other, p.Address, p.Mux)
		}
		taken[p.Mux] = p.Address
	}
	return want, nil
}

// move opens what is not wanted, or closes what is, and waits for it.
func (b *Bench) move(ctx context.Context, want []bool, closing bool) error {
	var moved []int
	for i := range want {
		if want[i] == closing && b.closed[i] != closing {
			moved = append(moved, i)
			if !closing || b.def.Paths[i].Channel > 0 {
				b.checkCold(i)
			}
		}
	}
	if len(moved) == 0 {
		return nil
	}
	for i := range want {
		if want[i] == closing {
			b.closed[i] = closing
		}
	}
	b.net.switchPaths()
	if err := b.changed(nil); err != nil {
		return err
	}
	for _, i := range moved {
		if closing && b.def.Paths[i].Channel == 0 {
			b.checkCold(i) // by the current that it makes
		}
	}
	return b.sleep(ctx, time.Duration(b.def.SwitchTime*1e9))
}

// coldCurrent is what a switch of the return may break or make without wear. A
// voltage alone is none: a pin that floats may have any. Invented.
const coldCurrent = 100e-6 // A

// checkCold reports a switch that moves under load: of a channel that is on at
// a level, or of the return with a current through it, which is there before it
// opens and after it closes.
func (b *Bench) checkCold(i int) {
	p := &b.def.Paths[i]
	if p.Channel > 0 {
		if c := &b.channels[p.Channel-1]; c.on && c.set.Level != 0 {
			b.report(CodeHotSwitching, p.Channel, "path %s moved while channel %s was on at %g: hot switching wears the switch", p.Address, c.def.Name, c.set.Level)
		}
		return
	}
	if !b.energised() || b.net.force[i] == nil {
		return
	}
	if amps := b.net.force[i].I(); math.Abs(amps) > coldCurrent {
		b.report(CodeHotSwitching, 0, "path %s moved with %.3g A through it: hot switching wears the switch", p.Address, amps)
	}
}

// sleep waits in the bench's time with the bench unlocked. MakeSafe cuts it short.
func (b *Bench) sleep(ctx context.Context, d time.Duration) error {
	epoch := b.epoch
	wait, cut := context.WithCancelCause(ctx)
	b.cut = cut
	b.mu.Unlock()
	err := b.clock.Sleep(wait, d)
	cut(nil)
	b.mu.Lock()
	if b.epoch != epoch {
		return bench.ErrMadeSafe
	}
	b.cut = nil
	return err
}

// longest is the longest aperture, s.
const longest = 3600

// Read integrates channels together over an aperture.
func (b *Bench) Read(ctx context.Context, ids []bench.ChannelID, aperture time.Duration, dst []bench.Sample) ([]bench.Sample, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if aperture <= 0 || aperture > longest*time.Second {
		return dst, fmt.Errorf("rehearsal: the aperture must be above 0 and at most an hour, not %v", aperture)
	}
	for _, id := range ids {
		if _, err := b.channel(id); err != nil {
			return dst, err
		}
	}
	if err := b.fresh(); err != nil {
		return dst, err
	}
	start := b.now()
	window := max(aperture.Seconds(), minAperture)
	if err := b.sleep(ctx, aperture); err != nil {
		return dst, err
	}
	if err := b.fresh(); err != nil {
		return dst, err
	}
	at := b.clock.Now()
	w := exposure{start: start, window: window, hum: meanSine(seconds(start), window, b.def.LineHz, b.phase),
		ripple: b.hw.ripple.mean(seconds(start), window)}
	for _, id := range ids {
		s := b.channels[id-1].sample(b, &w)
		s.Channel, s.At = id, at
		dst = append(dst, s)
	}
	return dst, nil
}

// exposure is one aperture, with what all channels have in common in it.
type exposure struct {
	start       int64   // ns
	window      float64 // s
	hum, ripple float64 // means of a unit of hum; of full scale
}

// sample is one channel's reading over an aperture.
func (c *channel) sample(b *Bench, w *exposure) bench.Sample {
	from := seconds(w.start - c.way.start)
	v, i := c.way.mean(from, from+w.window)
	i *= 1 + b.ill.drift[c.def.ID]
	if w.ripple != 0 && c.on {
		if c.mode == circuit.ForceVoltage {
			v += w.ripple * c.forces.FullScale
		} else {
			i += w.ripple * c.forces.FullScale
		}
	}
	var s bench.Sample
	var overV, overI bool
	t := seconds(w.start)
	s.V, overV = c.readV.sense(v, b.disturbance(c.readV, w), t)
	s.I, overI = c.readI.sense(i, b.disturbance(c.readI, w), t)
	if overV || overI {
		s.Flags |= bench.OverRange
	}
	charging := c.on && c.set.Mode == bench.ForceVoltage && c.way.slewing(from)
	if c.inCompliance || charging {
		s.Flags |= bench.InCompliance
	}
	return s
}

func (b *Bench) disturbance(c *converter, w *exposure) float64 {
	x := b.noise.NormFloat64()*c.noiseOver(w.window, b.def.LineHz) + w.hum*c.hum
	if c.flicker != nil {
		t := seconds(w.start)
		x += c.flicker.mean(t, t+w.window)
	}
	return x
}

// MakeSafe takes all outputs to zero and off and opens all paths, now, even if
// ctx has ended, and cuts short the call that is in flight. A path that is
// stuck closed stays so. Every channel must be Set again before it is used.
func (b *Bench) MakeSafe(context.Context) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.epoch++
	if b.cut != nil {
		b.cut(bench.ErrMadeSafe)
		b.cut = nil
	}
	for k := range b.channels {
		b.channels[k].on, b.channels[k].set, b.channels[k].level = false, nil, 0
	}
	clear(b.closed)
	b.net.switchPaths()
	return b.changed(nil)
}

// Faults returns and clears what the bench has reported.
func (b *Bench) Faults(ctx context.Context) ([]bench.Fault, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	out := slices.Clone(b.reports)
	b.reports = b.reports[:0]
	return out, ctx.Err()
}
