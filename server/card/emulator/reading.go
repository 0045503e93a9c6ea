package emulator

import (
	"context"
	"errors"
	"math"
	"strconv"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/protocol"
	"ohmkeep/server/card/scpi"
)

// errCut is the error of a reading that ABORt, or the end of the conversation,
// cut short.
var errCut = errors.New("emulator: cut short")

// taken is the reading of one channel.
type taken struct {
	v, i, level float64
	status      int
}

// read measures channels together. Those of one aperture and count are one
// Read of the link for each count, and the mean of them.
func (c *Card) read(ctx context.Context, items []scpi.Item) error {
	at := make([]int, len(items))
	for k, item := range items {
		i, is := c.number[item.A]
		if !is || item.B >= 0 {
			return scpi.DataOutOfRange
		}
		at[k] = i
	}
	if len(at) == 0 {
		return scpi.DataOutOfRange
	}
	out, err := c.integrate(ctx, at)
	if err != nil {
		return err
	}
	c.limits()
	for k, i := range at {
		ch := &c.channels[i]
		if ch.on {
			out[k].status |= protocol.OutputOn
		}
		if c.status.Queue.Len() > 0 {
			out[k].status |= protocol.ErrorWaits
		}
		forced, _ := ch.set.sides()
		out[k].level = forced.level
	}
	c.last = out
	return nil
}

// integrate reads channels from the same moment on, each over its aperture as
// often as its count says. Where all have the same, that is one Read of the
// link for each count; where they differ, those that go on are read on, and
// what is read of a channel is the mean over its time.
func (c *Card) integrate(ctx context.Context, at []int) ([]taken, error) {
	out := make([]taken, len(at))
	for passed := time.Duration(0); ; {
		var of []int // places in at
		var ids []bench.ChannelID
		step := time.Duration(math.MaxInt64)
		for k, i := range at {
			s := &c.channels[i].set
			if left := s.window()*time.Duration(s.repeats()) - passed; left > 0 {
				of, ids = append(of, k), append(ids, c.channels[i].def.ID)
				step = min(step, left, s.window())
			}
		}
		if len(of) == 0 {
			return out, nil
		}
		samples, err := c.sample(ctx, ids, step)
		if err != nil {
			return nil, err
		}
		for j, k := range of {
			s := &c.channels[at[k]].set
			part := float64(step) / float64(s.window()) // 1 where all have the same aperture
			v, i := samples[j].V*part/float64(s.repeats()), samples[j].I*part/float64(s.repeats())
			if passed > 0 { // not added to 0, which would lose the sign of -0
				v, i = out[k].v+v, out[k].i+i
			}
			out[k].v, out[k].i = v, i
			c.note(at[k], samples[j].Flags, &out[k])
		}
		passed += step
	}
}

// sample is one Read of the link.
func (c *Card) sample(ctx context.Context, ids []bench.ChannelID, window time.Duration) ([]bench.Sample, error) {
	samples, err := c.link.Read(ctx, ids, window, nil)
	if err != nil && ctx.Err() != nil && !errors.Is(err, bench.ErrMadeSafe) {
		return nil, errCut
	}
	if err == nil && len(samples) != len(ids) {
		err = errors.New("the link read other channels than asked")
	}
	return samples, c.called(err)
}

// note keeps the flags of a sample.
func (c *Card) note(i int, flags bench.Flags, t *taken) {
	ch := &c.channels[i]
	ch.limited = ch.on && flags.Has(bench.InCompliance)
	if flags.Has(bench.InCompliance) {
		t.status |= protocol.AtLimit
	}
	if flags.Has(bench.OverRange) {
		t.status |= protocol.OverRange
	}
}

// look finds the channels that are on and at their limit now. A link says so
// only of a reading: the shortest there is.
func (c *Card) look(ctx context.Context, at ...int) error {
	var ids []bench.ChannelID
	var on []int
	for _, i := range at {
		if c.channels[i].on {
			ids, on = append(ids, c.channels[i].def.ID), append(on, i)
		}
	}
	if len(ids) == 0 {
		return nil
	}
	samples, err := c.sample(ctx, ids, time.Duration(math.Round(protocol.MinAperture*1e9)))
	if err != nil {
		return err
	}
	for k, i := range on {
		c.note(i, samples[k].Flags, &taken{})
	}
	c.limits()
	return nil
}

// appendTaken formats a reading as an answer: v,i,status,level of each
// channel.
func appendTaken(dst []byte, ts []taken) []byte {
	for k, t := range ts {
		if k > 0 {
			dst = append(dst, ',')
		}
		dst = append(scpi.AppendNR3(dst, t.v), ',')
		dst = append(scpi.AppendNR3(dst, t.i), ',')
		dst = append(strconv.AppendInt(dst, int64(t.status), 10), ',')
		dst = scpi.AppendNR3(dst, t.level)
	}
	return dst
}
