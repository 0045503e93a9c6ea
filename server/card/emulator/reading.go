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

// errCut is a reading that ABORt cut short, or the end of the conversation.
var errCut = errors.New("emulator: cut short")

// taken is what was read of a channel.
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
	out := make([]taken, len(at))
	done := make([]bool, len(at))
	for k := range at {
		if done[k] {
			continue
		}
		if err := c.together(ctx, at, done, out, &c.channels[at[k]].set); err != nil {
			return err
		}
	}
	c.limits()
	for k, i := range at {
		if ch := &c.channels[i]; ch.on {
			out[k].status |= protocol.OutputOn
		}
		if c.status.Queue.Len() > 0 {
			out[k].status |= protocol.ErrorWaits
		}
		forced, _ := c.channels[i].set.sides()
		out[k].level = forced.level
	}
	c.last = out
	return nil
}

// together reads those of the channels that have the same aperture and count
// as s.
func (c *Card) together(ctx context.Context, at []int, done []bool, out []taken, s *settings) error {
	var ids []bench.ChannelID
	var of []int
	for k, i := range at {
		set := &c.channels[i].set
		if !done[k] && set.window() == s.window() && set.repeats() == s.repeats() {
			ids, of, done[k] = append(ids, c.channels[i].def.ID), append(of, k), true
		}
	}
	var sumV, sumI = make([]float64, len(ids)), make([]float64, len(ids))
	n := s.repeats()
	for range n {
		samples, err := c.sample(ctx, ids, s.window())
		if err != nil {
			return err
		}
		for j, k := range of {
			c.note(at[k], samples[j].Flags, &out[k])
			sumV[j] += samples[j].V
			sumI[j] += samples[j].I
		}
	}
	for j, k := range of {
		out[k].v, out[k].i = sumV[j]/float64(n), sumI[j]/float64(n)
	}
	return nil
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

// note takes in the flags of a sample.
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

// look finds out which channels that are on are at their limit now. A link
// says so only of a reading: the shortest there is.
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

// appendTaken is what was read as an answer: v,i,status,level of each channel.
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
