package emulator

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/scpi"
)

// called handles the outcome of a call to the link: the faults that the bench
// reports, and its error, after which nothing is sure and everything is
// switched off.
func (c *Card) called(err error) error {
	faults, asked := c.link.Faults(context.Background())
	for _, f := range faults {
		c.report(scpi.HardwareError.With(plain(f.Message)))
	}
	if err == nil {
		err = asked
	}
	if err == nil {
		return nil
	}
	c.trip("")
	return scpi.HardwareError.With(plain(err.Error()))
}

// plain is a text with nothing but printable ASCII.
func plain(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r > '~' {
			return '?'
		}
		return r
	}, s)
}

// report queues an error.
func (c *Card) report(err error) {
	var e scpi.Error
	switch x := err.(type) {
	case scpi.Error:
		e = x
	case scpi.Code:
		e = x.Plain()
	default:
		e = scpi.HardwareError.With(plain(err.Error()))
	}
	c.status.Report(e)
	c.log.Debug("error queued", "error", e)
}

// reset is *RST: outputs to zero and off, all paths open, all settings at
// their defaults, no trips. Queue and enables stay.
func (c *Card) reset() error {
	err := c.makeSafe()
	for i := range c.channels {
		ch := &c.channels[i]
		ch.set, ch.tripped = ch.defaults(), false
	}
	c.last = nil
	return err
}

// makeSafe takes all outputs to zero and off and opens all paths. Where the
// link fails to, they count as they were, so that the watchdog tries again.
func (c *Card) makeSafe() error {
	if err := c.link.MakeSafe(context.Background()); err != nil {
		return scpi.HardwareError.With("not made safe: " + plain(err.Error()))
	}
	for i := range c.channels {
		ch := &c.channels[i]
		ch.on, ch.told, ch.limited = false, false, false
		ch.set.volts.level, ch.set.amps.level = 0, 0
	}
	clear(c.closed)
	c.limits()
	return nil
}

// trip makes everything safe because the card itself saw the need; the
// channels that were on stay off until they are cleared.
func (c *Card) trip(info string) {
	for i := range c.channels {
		if c.channels[i].on {
			c.channels[i].tripped = true
		}
	}
	if info != "" {
		c.report(scpi.TimeOut.With(info))
	}
	if err := c.makeSafe(); err != nil {
		c.report(err)
	}
}

// output switches an output.
func (c *Card) output(ch *channel, on bool) error {
	if on {
		if !ch.set.protected() || ch.tripped {
			return scpi.SettingsConflict
		}
		if err := c.tell(ch); err != nil {
			return err
		}
	}
	if err := c.called(c.link.Output(context.Background(), ch.def.ID, on)); err != nil {
		return err
	}
	ch.on = on
	if !on {
		ch.limited = false
		c.limits()
	}
	return nil
}

// limits brings the condition of the questionable status up to date: bit 0
// where a voltage is at its limit, bit 1 a current.
func (c *Card) limits() {
	var bits uint16
	for i := range c.channels {
		switch ch := &c.channels[i]; {
		case !ch.limited:
		case ch.set.mode == bench.ForceCurrent:
			bits |= scpi.QuestionableVoltage
		default:
			bits |= scpi.QuestionableCurrent
		}
	}
	c.status.Questionable.Set(bits)
}

// closedItems are the closed paths in ascending order.
func (c *Card) closedItems() []scpi.Item {
	var items []scpi.Item
	for item, i := range c.address {
		if c.closed[i] {
			items = append(items, item)
		}
	}
	slices.SortFunc(items, scpi.Item.Compare)
	return items
}

// route closes or opens paths: one Close of the link, with the set as it
// becomes.
func (c *Card) route(items []scpi.Item, closing bool) error {
	at, err := c.paths(items)
	if err != nil {
		return err
	}
	want := append([]bool(nil), c.closed...)
	for _, i := range at {
		want[i] = closing
	}
	if closing && c.clash(want) {
		return scpi.SettingsConflict
	}
	return c.close(want)
}

// paths finds the paths of a list.
func (c *Card) paths(items []scpi.Item) ([]int, error) {
	at := make([]int, len(items))
	for k, item := range items {
		i, is := c.address[item]
		if !is {
			return nil, scpi.DataOutOfRange.With(fmt.Sprintf("there is no path %s", scpi.FormatChannelList([]scpi.Item{item})))
		}
		at[k] = i
	}
	return at, nil
}

// clash reports whether two of the paths are on one multiplexer.
func (c *Card) clash(want []bool) bool {
	taken := map[string]bool{}
	for i, p := range c.def.Paths {
		if !want[i] || p.Mux == "" {
			continue
		}
		if taken[p.Mux] {
			return true
		}
		taken[p.Mux] = true
	}
	return false
}

// close makes exactly these paths closed.
func (c *Card) close(want []bool) error {
	ids := []bench.PathID{}
	for i, p := range c.def.Paths {
		if want[i] {
			ids = append(ids, p.ID)
		}
	}
	if err := c.called(c.link.Close(context.Background(), ids)); err != nil {
		return err
	}
	copy(c.closed, want)
	return nil
}
