package wire

import (
	"context"
	"errors"
	"fmt"
	"time"

	"ohmkeep/server/cardinfo"
)

// maxEchoes is the largest number of lines that a card may be behind with
// sending back.
const maxEchoes = 256

// Tell sends a message, or several with LF between, that is not answered. LF
// is added. Errors: ErrOutOfStep, ErrClosed, the context's where it ends
// before the line's turn comes; nothing has been sent then. Where the sending
// itself fails the line ends (ErrClosed), and part may have been sent.
func (l *Line) Tell(ctx context.Context, message string) error {
	if err := l.enter(ctx); err != nil {
		return err
	}
	defer l.leave()
	return l.send(message, l.ready)
}

// Ask sends a message and returns the one line that answers it, without its
// end. The answer may take as long as within. Errors: as of Tell; and
// ErrTimeout, ErrCut, ErrUnexpected, ErrGarbled and the context's, after which
// the line is out of step.
func (l *Line) Ask(ctx context.Context, message string, within time.Duration) (string, error) {
	if err := l.enter(ctx); err != nil {
		return "", err
	}
	defer l.leave()
	err := l.send(message, func() error {
		if err := l.ready(); err != nil {
			return err
		}
		l.listen, l.asked = answer, message
		return nil
	})
	if err != nil {
		return "", err
	}
	l.timer.Reset(within)
	defer l.timer.Stop()
	select {
	case o := <-l.came:
		return o.text, o.err
	case <-l.timer.C:
		return l.giveUp(fmt.Errorf("%w: nothing within %v", ErrTimeout, within))
	case <-ctx.Done():
		return l.giveUp(ctx.Err())
	}
}

// Urgent cuts off what is under way, which returns ErrCut, sends a message at
// once, and brings the line back into step. Only another Urgent that is
// bringing the line into step is not cut off, but waited for. Until it is
// done nobody else can send anything but another urgent message. The message
// is sent whether or not the context has ended already. Nothing that was
// started before it is sent after it.
func (l *Line) Urgent(ctx context.Context, message string, within time.Duration) error {
	l.mu.Lock()
	if l.end != nil {
		defer l.mu.Unlock()
		return l.closed()
	}
	l.urgent++
	if l.listen != marks || !l.mark.urgent {
		l.out(ErrCut)
	}
	l.mu.Unlock()
	defer func() {
		l.mu.Lock()
		l.urgent--
		l.mu.Unlock()
	}()
	// LF first: what is in the card may be half a message.
	if err := l.send("\n"+message, nil); err != nil {
		return err
	}
	if err := l.enter(ctx); err != nil {
		return err
	}
	defer l.leave()
	return l.resync(ctx, within, mark{urgent: true})
}

// Gather sends a message, waits, brings the line into step, and returns all
// lines that came before the answer that shows it in step, at most a thousand
// of them. A card answers in order, so that these are all lines that the
// message has, however late this computer or the card is; wait is only for a
// card that may say something by itself. It may be used on a line that is out
// of step: what comes may then be older than the message. The lines are
// returned beside an error.
func (l *Line) Gather(ctx context.Context, message string, wait time.Duration) ([]string, error) {
	if err := l.enter(ctx); err != nil {
		return nil, err
	}
	defer l.leave()
	err := l.send(message, func() error {
		if l.urgent > 0 {
			return errWhileCut
		}
		l.listen, l.lines, l.size, l.step = gathered, nil, 0, errGathering
		return nil
	})
	if err != nil {
		return nil, err
	}
	l.timer.Reset(wait)
	defer l.timer.Stop()
	select {
	case o := <-l.came:
		err = o.err
	case <-l.timer.C:
	case <-ctx.Done():
		_, err = l.giveUp(ctx.Err())
	}
	if err == nil {
		err = l.resync(ctx, l.o.Timeout, mark{gather: true})
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.listen == gathered {
		l.listen = nobody
	}
	lines := l.lines
	l.lines, l.echoes = nil, nil
	return lines, err
}

var (
	errWhileCut  = fmt.Errorf("%w: %w", ErrOutOfStep, ErrCut)
	errGathering = errors.New("whatever comes was asked for")
)

// ready returns why a message that needs the line in step may not be sent.
func (l *Line) ready() error {
	switch {
	case l.urgent > 0:
		return errWhileCut
	case l.step != nil:
		return fmt.Errorf("%w: %v", ErrOutOfStep, l.step)
	case len(l.echoes) > maxEchoes:
		l.out(fmt.Errorf("%w: the card does not send back what it is sent", ErrTimeout))
		return fmt.Errorf("%w: %v", ErrOutOfStep, l.step)
	}
	return nil
}

// send sends a message with LF after it, where begin, called with l.mu held,
// has nothing against it. No other message can come between the two.
func (l *Line) send(message string, begin func() error) error {
	l.sending <- struct{}{}
	defer func() { <-l.sending }()
	l.message = append(append(l.message[:0], message...), '\n')
	l.mu.Lock()
	err := l.begin(begin)
	l.mu.Unlock()
	if err != nil {
		return err
	}
	// Kept first, so that the answer cannot stand before it in the log.
	l.o.Log.Add(l.o.Connection, cardinfo.Out, l.message)
	l.stuck.Reset(l.o.Timeout)
	n, err := l.stream.Write(l.message)
	l.stuck.Stop()
	if err == nil {
		return nil
	}
	if n < len(l.message) {
		l.note(fmt.Sprintf("only %d of the %d bytes were sent", n, len(l.message)))
	}
	_ = l.finish(fmt.Errorf("sending: %w", err))
	return l.Err()
}

// begin is the part of send that needs l.mu.
func (l *Line) begin(begin func() error) error {
	if l.end != nil {
		return l.closed()
	}
	if begin == nil {
		return nil
	}
	if err := begin(); err != nil {
		return err
	}
	if l.listen != marks {
		l.expect(l.message)
	}
	return nil
}

// giveUp ends the exchange under way for a reason, unless it has ended: then
// its outcome stays.
func (l *Line) giveUp(why error) (string, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.listen == nobody {
		o := <-l.came
		return o.text, o.err
	}
	l.listen, l.held, l.holds = nobody, "", false
	l.out(why)
	return "", why
}
