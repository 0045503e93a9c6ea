package emulator

import (
	"context"
	"fmt"
	"math/rand/v2"
	"strings"

	"ohmkeep/server/card/scpi"
)

const (
	// unsolicited is a line sent without a question, as a fault.
	unsolicited = "Rehearsal card: nobody asked"
	// banner is the line that the card sends when it starts anew.
	banner = "\r\nRehearsal card\r\nstarting\r\nready\r\n"
)

// handle carries out one message and answers it, with what was ordered to go
// wrong. Its error ends the conversation.
func (c *Card) handle(ctx context.Context, h *host, m message) error {
	defer func() { c.pulse.end(c.clock.Now()) }()
	c.messages++
	n := c.messages
	f, faulty := c.orders.pick(n, m.text, func(need need) bool { return c.can(need, m) })
	if faulty {
		if instead, err := c.before(ctx, h, m, f, n); instead || err != nil {
			return err
		}
	}
	answer := c.execute(ctx, h, m)
	c.pulse.end(c.clock.Now())
	if len(answer) == 0 {
		return nil
	}
	chunks := []chunk{{bytes: append(answer, '\n')}}
	if d, _ := describe(f.Kind); faulty && (d.needs == anAnswer || d.needs == aReading) {
		if chunks = c.spoil(f, answer); chunks == nil {
			chunks = []chunk{{bytes: append(answer, '\n')}} // it did not fit after all
		} else {
			c.happened(f, n, m)
		}
	}
	h.out.send(chunks...)
	return nil
}

// can reports whether a fault can happen at a message.
func (c *Card) can(need need, m message) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	switch need {
	case anAnswer:
		return m.err == nil && strings.Contains(m.text, "?")
	case aReading:
		return m.err == nil && strings.HasPrefix(strings.ToUpper(strings.TrimLeft(m.text, " \t:")), "READ")
	case anOutput:
		return len(c.live()) > 0
	case energy:
		return c.energised()
	}
	return true
}

// live are the channels whose output is on.
func (c *Card) live() []*channel {
	var out []*channel
	for i := range c.channels {
		if c.channels[i].on {
			out = append(out, &c.channels[i])
		}
	}
	return out
}

func (c *Card) happened(f fault, n int, m message) {
	c.orders.happened(f, n, m.text)
	c.log.Info("fault injected", "kind", f.Kind, "message", n, "text", m.text)
}

// before applies the faults that come before a message is carried out, or
// instead of it.
func (c *Card) before(ctx context.Context, h *host, m message, f fault, n int) (instead bool, err error) {
	switch f.Kind {
	case Slow, Freeze:
		c.happened(f, n, m)
		_ = c.clock.Sleep(ctx, f.delay()) // the end of the context is seen by who waits for the next message
	case Echo:
		c.happened(f, n, m)
		h.out.send(chunk{bytes: []byte(m.text + "\n")})
	case Unsolicited:
		c.happened(f, n, m)
		h.out.send(chunk{bytes: []byte(unsolicited + "\n")})
	case Trip, Watchdog, Meddle:
		c.mu.Lock()
		defer c.mu.Unlock()
		c.happened(f, n, m)
		c.misbehave(f.Kind)
	case Reboot:
		c.happened(f, n, m)
		return true, c.reboot(ctx, h, f)
	case HangUp:
		c.happened(f, n, m)
		return true, ErrCut
	case PowerCut:
		c.happened(f, n, m)
		err := c.powerOn()
		c.hosts.Lock()
		c.dark = c.clock.Now().Add(f.delay())
		c.hosts.Unlock()
		if err != nil {
			return true, err
		}
		return true, ErrCut
	}
	return false, nil
}

// misbehave applies the faults of the outputs: what the card, or another host,
// does to them.
func (c *Card) misbehave(k Kind) {
	if k == Watchdog {
		c.fire()
		return
	}
	live := c.live()
	var ch *channel
	half := false
	c.orders.draw(func(r *rand.Rand) { ch, half = live[r.IntN(len(live))], r.IntN(2) == 0 })
	forced, _ := ch.set.sides()
	if k == Meddle && half && forced.level != 0 {
		forced.level /= 2
		ch.told = false
		if err := c.tell(ch); err != nil {
			c.report(err)
		}
		return
	}
	err := c.called(c.link.Output(context.Background(), ch.def.ID, false))
	if err != nil {
		c.report(err)
		return
	}
	ch.on, ch.limited = false, false
	c.limits()
	if k == Trip {
		ch.tripped, ch.told = true, false
		ch.set.volts.level, ch.set.amps.level = 0, 0
		c.report(scpi.HardwareError.With(fmt.Sprintf("trip of channel %d", ch.number)))
	}
}

// reboot starts the card anew. What comes meanwhile is lost.
func (c *Card) reboot(ctx context.Context, h *host, f fault) error {
	if err := c.powerOn(); err != nil {
		return err
	}
	_ = c.clock.Sleep(ctx, f.delay())
	h.forget()
	h.out.send(chunk{bytes: []byte(banner)})
	return nil
}

// spoil returns what is sent instead of an answer; nil where the fault does
// not fit it.
func (c *Card) spoil(f fault, answer []byte) []chunk {
	line := string(answer)
	one := func(s string) []chunk { return []chunk{{bytes: []byte(s)}} }
	switch f.Kind {
	case Late:
		return []chunk{{after: f.delay(), bytes: []byte(line + "\n")}}
	case Silent:
		return []chunk{{}}
	case Split:
		return pieces(line+"\n", f)
	case CRLF:
		return one(line + "\r\n")
	case Half:
		return one(line[:(len(line)+1)/2])
	case Merged:
		return one(line)
	case Wrong:
		return one(miscount(line) + "\n")
	case NaN:
		return one(replaced(line, func(float64) float64 { return nan }) + "\n")
	case OutOfRange:
		return one(replaced(line, func(v float64) float64 { return v + beyond }) + "\n")
	}
	var out []chunk
	c.orders.draw(func(r *rand.Rand) {
		switch f.Kind {
		case Garbled:
			out = one(garbled(line, r) + "\n")
		case Noise:
			out = one(noisy(line, r) + "\n")
		case Digits:
			if other, ok := misdigit(line, r); ok {
				out = one(other + "\n")
			}
		}
	})
	return out
}
