package conformance

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"ohmkeep/server/card/scpi"
	"ohmkeep/server/card/wire"
	"ohmkeep/server/cardinfo"
)

// point is one requirement on a card, with the steps that check it. Before it
// the card is reset and its status cleared.
type point struct {
	group, title string
	// each is true where every channel is to do it; else the first does.
	each  bool
	steps []step
}

// step is one part of a point: what is done and expected, in words with places
// for values in braces, and the doing of it, which returns what came. Its
// error is a wrong, a skip or one of the line's.
type step struct {
	words string
	do    func(*trial) (string, error)
}

// words describes what a point expects, for a person.
func (p point) words(values values) string {
	var w []string
	for _, s := range p.steps {
		if text := values.show(s.words); text != "" {
			w = append(w, text)
		}
	}
	return strings.Join(w, "; ")
}

// wrong is the error of a card that did what it should not.
type wrong string

func (w wrong) Error() string { return string(w) }

func wrongf(format string, args ...any) error { return wrong(fmt.Sprintf(format, args...)) }

// skip is the error of a point that could not be carried out.
type skip string

func (s skip) Error() string { return string(s) }

// trial is a point being carried out.
type trial struct {
	*check
	ctx     context.Context
	channel int
	values  values
	// noted is what a step keeps for a later one.
	noted map[string]string
	// took is what a point about time measured; 0: the whole point's time.
	took time.Duration
}

// run carries a point out into f.
func (t *trial) run(p point, f *cardinfo.Finding) {
	t.noted = map[string]string{}
	f.Expected, f.Came, f.Verdict = p.words(t.values), "", cardinfo.Pass
	if err := t.begin(); err != nil {
		t.gone = fmt.Errorf("%w: %w", ErrSilent, err)
		f.Verdict, f.Came = cardinfo.Fail, "the card does not answer any more: "+t.describe(err)
		if t.before != "" {
			f.Came += fmt.Sprintf("; the last point before was %q", t.before)
		}
		return
	}
	mark, start := t.o.Log.Last(), time.Now()
	for _, s := range p.steps {
		came, err := s.do(t)
		if came != "" {
			f.Came = came
		}
		if err != nil {
			f.Verdict, f.Came = cardinfo.Fail, t.describe(err)
			if errors.As(err, new(skip)) {
				f.Verdict = cardinfo.Skipped
			} else {
				f.Expected = t.values.show(s.words)
			}
			break
		}
	}
	f.Took = time.Since(start)
	if t.took != 0 {
		f.Took = t.took
	}
	f.Events = t.events(mark)
	if f.Verdict == cardinfo.Fail {
		// An answer too many would stand in the place of all that come after.
		_ = t.line.Resync(t.ctx, t.allow("*ESE?;*ESE?")) // begin looks whether it is in step
	}
}

// begin brings the card to where every point starts: reset, no error, no
// status. It notices whether the card has restarted.
func (t *trial) begin() error {
	const message = "*ESR?;*RST;*CLS;*ESE 0;*SRE 0;*ESR?"
	var err error
	for range tries {
		if !t.line.InStep() {
			if err = t.line.Resync(t.ctx, t.allow(message)); err != nil {
				continue
			}
		}
		var answer string
		if answer, err = t.line.Ask(t.ctx, message, t.allow(message)); err == nil {
			first, _, _ := strings.Cut(answer, ";")
			if events, err := register(first); err == nil && events&scpi.EventPowerOn != 0 && t.before != "" {
				t.restarts = append(t.restarts, t.before)
			}
			return nil
		}
	}
	return err
}

// describe puts an error into words.
func (t *trial) describe(err error) string {
	switch {
	case errors.As(err, new(wrong)), errors.As(err, new(skip)):
		return err.Error()
	case errors.Is(err, wire.ErrTimeout):
		return fmt.Sprintf("no answer within %v beyond what the card needs", t.o.Timeout)
	case errors.Is(err, wire.ErrUnexpected):
		return "a line that answers nothing that was asked"
	case errors.Is(err, wire.ErrGarbled):
		return "a line that is too long, or bytes that are no text"
	case errors.Is(err, wire.ErrClosed):
		return "the connection ended"
	}
	return err.Error()
}

// maxEvents is the largest number of events in the raw exchange of a finding.
const maxEvents = 256

// events returns the newest traffic on the connection since mark.
func (c *check) events(mark uint64) []cardinfo.Event {
	var out []cardinfo.Event
	for _, e := range c.o.Log.Recent(mark, 4*maxEvents) {
		if e.Connection == c.o.Connection {
			out = append(out, e)
		}
	}
	return out[max(0, len(out)-maxEvents):]
}

// Time limits of the protocol, and which of them a message may need.
const (
	ownTime     = 20 * time.Millisecond // settings, outputs, queries
	resetTime   = 50 * time.Millisecond // *RST and ABORt
	readingTime = 50 * time.Millisecond // beside the aperture
)

// allow returns the time after which the answer to a message is given up:
// generous, since the points about time have limits of their own.
func (c *check) allow(message string) time.Duration {
	units := time.Duration(strings.Count(message, ";") + strings.Count(message, "\n") + 1)
	return units*resetTime + 2*c.o.SwitchTime + c.lineTime(len(message)+200) + c.o.Timeout
}

// lineTime returns the time that a serial line takes for some bytes.
func (c *check) lineTime(bytes int) time.Duration {
	if c.o.Baud == 0 {
		return 0
	}
	return time.Duration(float64(bytes*10) / float64(c.o.Baud) * float64(time.Second))
}

// tell sends a message that is not to be answered.
func (t *trial) tell(message string) error {
	message, err := t.values.fill(message)
	if err != nil {
		return err
	}
	return t.line.Tell(t.ctx, message)
}

// ask sends a message and returns its answer.
func (t *trial) ask(message string) (string, error) { return t.askFor(message, 0) }

// askFor is ask of a message that takes long by itself.
func (t *trial) askFor(message string, long time.Duration) (string, error) {
	message, err := t.values.fill(message)
	if err != nil {
		return "", err
	}
	return t.line.Ask(t.ctx, message, t.allow(message)+long)
}

// gather sends a message and returns every line that comes within wait.
func (t *trial) gather(message string, wait time.Duration) ([]string, error) {
	message, err := t.values.fill(message)
	if err != nil {
		return nil, err
	}
	return t.line.Gather(t.ctx, message, wait)
}

// wait lets time go by on purpose.
func (t *trial) wait(d time.Duration) error {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-t.ctx.Done():
		return t.ctx.Err()
	case <-timer.C:
		return nil
	}
}
