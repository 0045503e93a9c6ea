// Package conformance checks a card against the protocol: every command,
// limit, error, time and the watchdog, one finding a point, each with what was
// expected, what came and the raw exchange.
//
// It is made so that it can do no harm: it asks before it sets anything, does
// not go on where an output is on or a path closed, puts at most 0.1 V on an
// output that is on with the smallest compliance there is, and makes the card
// safe at the end, and when it is stopped.
package conformance

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"ohmkeep/server/card/wire"
	"ohmkeep/server/cardinfo"
)

// Errors of Run. Those of the line come beside them.
var (
	// ErrEnergised: an output is on or a path closed, or the card does not say
	// so; nothing was sent but questions.
	ErrEnergised = errors.New("conformance: the card is not at rest")
	// ErrSilent: the card answers no more, so that it was not confirmed safe.
	ErrSilent = errors.New("conformance: the card no longer answers")
	// ErrUnsafe: the card did not confirm that it is safe at the end.
	ErrUnsafe = errors.New("conformance: the card did not confirm that it is safe: check the bench")
)

// Options are what is known of the card before the check. The zero value is a
// card of which nothing is known: what can be asked is asked, and what cannot
// is skipped.
type Options struct {
	// Connection is what the events of the log are under.
	Connection string
	// Channels are those of the card; nil: as many as *OPT? says, and their
	// ranges are found out by asking.
	Channels []Channel
	// Paths are the paths to use, as items of a channel list ("1!12"); nil:
	// what the card knows of contacts 1 and 2 of each line.
	Paths []Path
	// Watchdog is what the card's watchdog must be; 0: what *OPT? says.
	Watchdog time.Duration
	// SwitchTime is what paths take to open or to close; 0: 50 ms.
	SwitchTime time.Duration
	// Timeout is how much longer than its own time an answer may take before
	// it is given up; 0: 1 s. The points about time have limits of their own.
	Timeout time.Duration
	// Baud is the speed of a serial line, bits/s, 10 bits a byte; 0: the line
	// takes no time.
	Baud int
	// Echo is true where the card sends back what it is sent.
	Echo bool
	// Log is what the line logs to; nil: findings have no raw exchange.
	Log *wire.Log
	// Stream is what the line talks over, for messages in pieces; nil: the
	// points that need it are skipped.
	Stream io.Writer
	// Dial opens a second connection to the card; nil: skipped.
	Dial wire.Dialer
	// Restart has the card switched off and on, and returns the line to it
	// afterwards, which may be the same; nil: skipped.
	Restart func(context.Context) (*wire.Line, io.Writer, error)
	// Groups are the groups to go through; nil: all.
	Groups []string
	// Anyway goes on where an output is on or a path is closed: the card is
	// made safe first.
	Anyway bool
}

func (o Options) filled() Options {
	if o.Timeout == 0 {
		o.Timeout = time.Second
	}
	if o.SwitchTime == 0 {
		o.SwitchTime = 50 * time.Millisecond
	}
	if o.Log == nil {
		o.Log = wire.NewLog(1 << 16)
	}
	return o
}

// Cautions are what a person must know before a check begins.
func Cautions() []string {
	return []string{
		"Leave the socket empty: the check closes paths and switches outputs on.",
		fmt.Sprintf("An output that is on has at most %g V, and at most %g µA or, where the smallest range cannot hold so little, a hundredth of that range.", maxLevel, maxCompliance*1e6),
		"Levels beyond that are set only while every output is off and every path open, to see what the card refuses, and are taken back at once.",
		"It asks first, and does not begin while an output is on or a path is closed.",
		"It waits the watchdog out several times, and makes the card safe at the end, and when it is stopped.",
		"No other program may use the card meanwhile.",
	}
}

// Run goes through the points and tells found of each. It returns an error
// where the check could not be carried out to its end, or where the card was
// not confirmed safe at the end; a card that fails is no error. One Run at a
// time may use the line.
func Run(ctx context.Context, line *wire.Line, o Options, found func(cardinfo.Finding)) error {
	for _, name := range o.Groups {
		if !slices.Contains(Groups(), name) {
			return fmt.Errorf("conformance: there is no group %q", name)
		}
	}
	beating, rest := context.WithCancel(ctx)
	defer rest()
	c := &check{line: line, o: o.filled(), found: found, pulse: newPulse(beating)}
	if err := c.open(ctx); err != nil {
		return err
	}
	err := c.all(ctx)
	return errors.Join(err, c.end(ctx))
}

// Groups names the groups of points, in order.
func Groups() []string {
	var names []string
	for _, p := range points() {
		if !slices.Contains(names, p.group) {
			names = append(names, p.group)
		}
	}
	return names
}

// points are all points in order. A new group is one line here.
func points() []point {
	return slices.Concat(
		identityPoints(),
		messagePoints(),
		commandPoints(),
		syntaxPoints(),
		numberPoints(),
		errorPoints(),
		statusPoints(),
		settingPoints(),
		outputPoints(),
		readingPoints(),
		abortPoints(),
		pathPoints(),
		resetPoints(),
		timingPoints(),
		hostPoints(),
		watchdogPoints(),
		restartPoints(),
	)
}

// check is a check under way.
type check struct {
	line  *wire.Line
	o     Options
	found func(cardinfo.Finding)
	pulse *pulse
	card  card
	// before names the last point carried out, for when the card is gone after it.
	before string
	gone   error
	// restarts are the points after which the card had restarted.
	restarts []string
}

// all carries out every point; a point for each channel once a channel.
func (c *check) all(ctx context.Context) error {
	for _, p := range points() {
		if len(c.o.Groups) > 0 && !slices.Contains(c.o.Groups, p.group) {
			continue
		}
		numbers := []int{c.card.first()}
		if p.each {
			numbers = c.card.numbers()
		}
		for _, n := range numbers {
			if err := ctx.Err(); err != nil {
				return fmt.Errorf("conformance: stopped: %w", err)
			}
			c.one(ctx, p, n)
		}
	}
	return c.gone
}

// tries is the number of attempts at a point where this computer itself was
// too slow for it.
const tries = 5

// one carries out a point for a channel and tells of it.
func (c *check) one(ctx context.Context, p point, channel int) {
	values := c.card.values(channel)
	f := cardinfo.Finding{Group: p.group, Title: values.show(p.title)}
	if p.each && len(c.card.channels) > 1 {
		f.Title = fmt.Sprintf("channel %d: %s", channel, f.Title)
	}
	if c.gone != nil {
		f.Verdict, f.Expected, f.Came = cardinfo.Skipped, p.words(values), fmt.Sprintf("the card answers no more since %q", c.before)
		c.found(f)
		return
	}
	for try := 1; ; try++ {
		c.pulse.take()
		t := &trial{check: c, ctx: ctx, channel: channel, values: values}
		t.run(p, &f)
		if ctx.Err() != nil {
			return // stopped: what came of it says nothing about the card
		}
		held := c.pulse.take()
		if f.Verdict != cardinfo.Fail || held < heldUp {
			break
		}
		if try == tries {
			f.Came += fmt.Sprintf(" (this computer was held up for %v meanwhile, in each of %d tries; try again when it is quiet)", held.Round(time.Millisecond), tries)
			break
		}
		c.gone = nil
	}
	c.found(f)
	c.before = f.Title
}
