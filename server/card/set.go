package card

import (
	"context"
	"fmt"
	"strings"
	"time"

	"ohmkeep/server/bench"
)

// Set configures a channel, and returns when the card has confirmed that it
// did. Where only the level differs from what is set, only that is sent.
func (l *Link) Set(ctx context.Context, id bench.ChannelID, setup bench.Setup) error {
	began := l.safes.Load()
	a, err := l.channel(id)
	if err != nil {
		return err
	}
	want, err := resolve(a.conn.layout.channels[a.index], setup)
	if err != nil {
		return fmt.Errorf("card: channel %s: %w", a.conn.layout.channels[a.index].Name, err)
	}
	return a.conn.do(ctx, began, func(ctx context.Context, s *session) error {
		ch := &s.channels[a.index]
		message, err := a.conn.say.set(ch, want)
		if err != nil {
			return err
		}
		if err := a.conn.confirm(ctx, s, message, settingTime); err != nil {
			return err
		}
		ch.take(want, setup)
		return nil
	})
}

// Output switches a channel's output. It must have been Set before.
func (l *Link) Output(ctx context.Context, id bench.ChannelID, on bool) error {
	began := l.safes.Load()
	a, err := l.channel(id)
	if err != nil {
		return err
	}
	c := a.conn
	return c.do(ctx, began, func(ctx context.Context, s *session) error {
		ch := &s.channels[a.index]
		name, text := "outputOff", c.say.OutputOff
		if on {
			if ch.set == nil {
				return fmt.Errorf("card: channel %s: set what it forces before its output is switched on", ch.def.Name)
			}
			name, text = "outputOn", c.say.OutputOn
			s.live.Store(true)
		}
		message, err := c.say.ofChannel(name, text, ch.number)
		if err != nil {
			return err
		}
		if err := c.confirm(ctx, s, message, settingTime); err != nil {
			return err
		}
		ch.on = on
		s.stillLive()
		return nil
	})
}

// Close closes exactly these paths and opens all others, break before make: on
// all cards what is to open has opened before anything closes. What is closed
// and stays so is not touched.
func (l *Link) Close(ctx context.Context, paths []bench.PathID) error {
	began := l.safes.Load()
	want, err := wanted(&l.def, l.paths, paths)
	if err != nil {
		return err
	}
	for _, closing := range []bool{false, true} {
		err := l.each(l.conns, func(_ int, c *conn) error {
			return c.do(ctx, began, func(ctx context.Context, s *session) error { return c.move(ctx, s, want, closing) })
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// move opens what is not wanted, or closes what is.
func (c *conn) move(ctx context.Context, s *session, want map[bench.PathID]bool, closing bool) error {
	var moved []switched
	for _, p := range c.layout.paths {
		if want[p.id] == closing && s.closed[p.id] != closing {
			moved = append(moved, p)
		}
	}
	if len(moved) == 0 {
		return nil
	}
	name, text := "openPaths", c.say.OpenPaths
	if closing {
		name, text = "closePaths", c.say.ClosePaths
		s.live.Store(true)
	}
	messages, err := c.say.lists(name, text, moved)
	if err != nil {
		return err
	}
	took := settingTime + time.Duration(len(messages))*seconds(c.link.def.SwitchTime)
	if err := c.confirm(ctx, s, strings.Join(messages, "\n"), took); err != nil {
		return err
	}
	for _, p := range moved {
		if closing {
			s.closed[p.id] = true
		} else {
			delete(s.closed, p.id)
		}
	}
	s.stillLive()
	return nil
}
