package conformance

import (
	"context"
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"time"

	"ohmkeep/server/card/scpi"
	"ohmkeep/server/cardinfo"
)

const opening, ending = "before anything is set", "at the end"

// open asks who the card is and whether it is at rest, and only then resets it.
func (c *check) open(ctx context.Context) error {
	if !c.line.InStep() {
		if err := c.patiently(ctx, func() error { return c.line.Resync(ctx, c.allow("*ESE?;*ESE?")) }); err != nil {
			return fmt.Errorf("%w: %w", ErrSilent, err)
		}
	}
	c.card = card{message: 1024}
	c.first(ctx, "the card says who it is", "*IDN? → maker,model,serial,version", func(t *trial) (string, error) {
		answer, err := t.ask("*IDN?")
		c.card.identity = answer
		return answer, err
	})
	c.first(ctx, "the card says what it has", "*OPT? → CHANNELS <k>,WATCHDOG <s>,MESSAGE <bytes>", c.readOptions)
	if err := c.chooseChannels(ctx); err != nil {
		return err
	}
	if err := c.atRest(ctx); err != nil && !c.o.Anyway {
		return err
	}
	if err := c.reset(ctx); err != nil {
		return err
	}
	return c.learn(ctx)
}

// first carries out a question of the opening, as a finding.
func (c *check) first(ctx context.Context, title, expected string, f func(*trial) (string, error)) bool {
	return c.special(ctx, opening, title, expected, f)
}

// special carries out a finding of its own, outside the groups. It reports
// whether the card did as it should.
func (c *check) special(ctx context.Context, group, title, expected string, f func(*trial) (string, error)) bool {
	found := cardinfo.Finding{Group: group, Title: title, Expected: expected}
	err := c.patiently(ctx, func() error { return c.once(ctx, &found, f) })
	c.found(found)
	return err == nil
}

// once is one attempt at a special finding.
func (c *check) once(ctx context.Context, found *cardinfo.Finding, f func(*trial) (string, error)) error {
	t := &trial{check: c, ctx: ctx, values: values{}, noted: map[string]string{}}
	mark, start := c.o.Log.Last(), time.Now()
	var err error
	if !c.line.InStep() {
		err = c.line.Resync(ctx, c.allow("*ESE?;*ESE?"))
	}
	if err == nil {
		found.Came, err = f(t)
	}
	found.Verdict = cardinfo.Pass
	if err != nil {
		found.Verdict, found.Came = cardinfo.Fail, t.describe(err)
		if errors.As(err, new(skip)) {
			found.Verdict = cardinfo.Skipped
		}
	}
	found.Took, found.Events = time.Since(start), c.events(mark)
	return err
}

var optionForm = regexp.MustCompile(`^CHANNELS (\d+),WATCHDOG ([0-9.E+-]+),MESSAGE (\d+)$`)

// readOptions reads *OPT?.
func (c *check) readOptions(t *trial) (string, error) {
	answer, err := t.ask("*OPT?")
	if err != nil {
		return "", err
	}
	m := optionForm.FindStringSubmatch(answer)
	if m == nil {
		return "", wrong(answer)
	}
	watchdog, err := readNumber(m[2])
	if err != nil {
		return "", wrong(err.Error())
	}
	c.card.announced, _ = strconv.Atoi(m[1])
	c.card.message, _ = strconv.Atoi(m[3])
	c.card.watchdog = seconds(watchdog)
	if c.o.Watchdog > 0 && c.o.Watchdog != c.card.watchdog {
		return "", wrongf("%s, and the watchdog is to be %v", answer, c.o.Watchdog)
	}
	return answer, nil
}

// chooseChannels takes the channels that are known, or as many as the card says.
func (c *check) chooseChannels(ctx context.Context) error {
	if c.o.Watchdog > 0 {
		c.card.watchdog = c.o.Watchdog
	}
	c.card.channels, c.card.paths = c.o.Channels, c.o.Paths
	if len(c.card.channels) > 0 {
		return ctx.Err()
	}
	c.card.learned = true
	const most = 64 // channels are no more
	if c.card.announced < 1 || c.card.announced > most {
		return fmt.Errorf("%w: it does not say how many channels it has, so that nothing can be known of their outputs", ErrEnergised)
	}
	for n := 1; n <= c.card.announced; n++ {
		c.card.channels = append(c.card.channels, Channel{Number: n})
	}
	return ctx.Err()
}

// atRest asks whether every output is off and every path open.
func (c *check) atRest(ctx context.Context) error {
	off := c.first(ctx, "every output is off", "OUTP<n>? → 0", c.outputsOff)
	open := c.first(ctx, "no path is closed", "ROUT:CLOS:STAT? → (@)", c.pathsOpen)
	switch {
	case !off:
		return fmt.Errorf("%w: an output is on, or the card does not say that it is off", ErrEnergised)
	case !open:
		return fmt.Errorf("%w: a path is closed, or the card does not say that none is", ErrEnergised)
	}
	return nil
}

func (c *check) outputsOff(t *trial) (string, error) {
	for _, n := range c.card.numbers() {
		answer, err := t.ask(fmt.Sprintf("OUTP%d?", n))
		if err != nil {
			return "", err
		}
		if answer != "0" {
			return "", wrongf("OUTP%d? → %s", n, answer)
		}
	}
	return "0 for each", nil
}

// pathsOpen asks for the closed paths. A card without paths does not know the
// question, and does not answer it.
func (c *check) pathsOpen(t *trial) (string, error) {
	if c.card.hasPaths {
		answer, err := t.ask("ROUT:CLOS:STAT?")
		if err == nil && answer != "(@)" {
			err = wrong(answer)
		}
		return answer, err
	}
	lines, err := t.gather("ROUT:CLOS:STAT?", t.pause()+c.o.SwitchTime)
	if err != nil {
		return "", err
	}
	switch {
	case len(lines) == 1 && lines[0] == "(@)":
		c.card.hasPaths = true
		return lines[0], nil
	case len(lines) == 0 && len(c.o.Paths) == 0:
		const most = 64 // entries of a queue are no more
		for range most {
			answer, err := t.ask("SYST:ERR?")
			if err != nil {
				return "", err
			}
			switch code, err := entry(answer); {
			case err != nil:
				return "", err
			case code == scpi.UndefinedHeader:
				c.card.noPaths = "the card has no paths: ROUT is an undefined header"
				return "no paths: " + answer, nil
			case code == scpi.NoError:
				return "", wrong("no answer, and no error -113 that would say that there are no paths")
			}
		}
		return "", wrong("the error queue has no end")
	}
	return "", wrongf("%q", lines)
}

// reset resets the card, and asks whether it is safe: nothing else can be
// tried with a card that cannot be made safe.
func (c *check) reset(ctx context.Context) error {
	ok := c.first(ctx, "*RST makes it safe", "*RST;*CLS;*OPC? → 1, outputs off, paths open", func(t *trial) (string, error) {
		answer, err := t.ask("*RST;*CLS;*OPC?")
		if err != nil {
			return "", err
		}
		if answer != "1" {
			return "", wrong(answer)
		}
		return c.safe(t)
	})
	if !ok {
		return errors.Join(ErrUnsafe, ctx.Err())
	}
	return nil
}

// safe asks whether outputs are off and paths open.
func (c *check) safe(t *trial) (string, error) {
	if came, err := c.outputsOff(t); err != nil {
		return came, err
	}
	if c.card.noPaths != "" {
		return "outputs off", nil
	}
	if came, err := c.pathsOpen(t); err != nil {
		return came, err
	}
	return "outputs off, paths open", nil
}

// end makes the card safe and asks whether it is, also when the check was stopped.
func (c *check) end(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*c.allow("ABOR;*RST"))
	defer cancel()
	c.special(ctx, ending, "the card did not restart by itself", "bit 7 of *ESR? stays 0", func(*trial) (string, error) {
		if len(c.restarts) > 0 {
			return "", wrongf("it had restarted after %q", c.restarts)
		}
		return "no restart was seen", nil
	})
	ok := c.special(ctx, ending, "the card is safe", "ABOR;*RST, then OUTP<n>? → 0 and ROUT:CLOS:STAT? → (@)", func(t *trial) (string, error) {
		if err := c.line.Urgent(ctx, "ABOR;*RST", c.allow("ABOR;*RST")); err != nil {
			return "", err
		}
		return c.safe(t)
	})
	if !ok {
		return ErrUnsafe
	}
	return nil
}
