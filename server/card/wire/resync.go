package wire

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"sync/atomic"
	"time"
)

// mark is the pair of numbers that a resync sends and waits for, which the
// card gives back by way of its standard event status enable register.
type mark struct {
	sent   string
	back   string
	older  []string // of the same resync, that were not answered in time
	urgent bool
	gather bool // what comes before the pair was asked for
}

// The numbers of a pair have three digits each, so that no part of an answer
// to an older pair can look like a newer one.
const (
	lowest  = 100
	numbers = 256 - lowest
	pairs   = numbers * numbers
	stride  = 10007 // has no divisor in common with pairs: all come before one comes again
)

var (
	firstPair = rand.Uint64N(pairs) // what is left of an earlier program must not match
	pairsUsed atomic.Uint64
)

// newMark makes a pair that has not been used for the last 24,335.
func newMark() (sent, back string) {
	k := (firstPair + pairsUsed.Add(1)*stride) % pairs
	a, b := lowest+k/numbers, lowest+k%numbers
	return fmt.Sprintf("*ESE %d;*ESE?;*ESE %d;*ESE?;*ESE 0", a, b), fmt.Sprintf("%d;%d", a, b)
}

// tries is the number of times that a resync asks: at 0, 1, 3 and 7 sixteenths
// of its time, so that a card has more than half of it for the last.
const tries = 4

// Resync brings the line into step: it asks for a pair of numbers that was
// not used before, and throws away every line until exactly that pair comes.
// A card answers in order, so that nothing older can come after it. Where it
// does not come the card is asked again, for another pair, since it may have
// lost the question, as a card does that is starting. Errors: ErrTimeout,
// ErrCut, ErrClosed, the context's. within 0 is the Timeout of the Options.
func (l *Line) Resync(ctx context.Context, within time.Duration) error {
	if err := l.enter(ctx); err != nil {
		return err
	}
	defer l.leave()
	return l.resync(ctx, within, mark{})
}

// resync is Resync for whoever has the turn. The kind says whether it is
// urgent and whether it gathers.
func (l *Line) resync(ctx context.Context, within time.Duration, kind mark) error {
	if within <= 0 {
		within = l.o.Timeout
	}
	pause, left := within/16, within
	for try := 1; ; try++ {
		if try == tries {
			pause = left
		}
		left -= pause
		again, err := l.ask(ctx, &kind, pause)
		if !again {
			return err
		}
		if try == tries {
			return fmt.Errorf("%w: not in step again within %v", ErrTimeout, within)
		}
		pause *= 2
	}
}

// ask asks for one pair, and reports whether to ask again.
func (l *Line) ask(ctx context.Context, kind *mark, pause time.Duration) (again bool, err error) {
	m := *kind
	m.sent, m.back = newMark()
	kind.older = append(kind.older, m.back)
	// LF first: what is in the card may be half a message.
	err = l.send("\n"+m.sent, func() error {
		if m.gather && l.listen == nobody {
			return (<-l.came).err // it was ended before the pair was asked for
		}
		if l.urgent > 0 && !m.urgent {
			return errWhileCut
		}
		if l.step == nil {
			l.step = errResync
		}
		if !m.gather {
			// A line under way may never end; what is left of it is thrown away too.
			l.frames.drop()
			l.echoes = nil
		}
		l.held, l.holds = "", false
		l.mark, l.listen = m, marks
		return nil
	})
	if err != nil {
		return false, err
	}
	l.timer.Reset(pause)
	defer l.timer.Stop()
	select {
	case o := <-l.came:
		return false, o.err
	case <-l.timer.C:
		err = nil
	case <-ctx.Done():
		err = ctx.Err()
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.listen == nobody {
		return false, (<-l.came).err
	}
	l.listen = nobody
	if kind.gather {
		l.listen = gathered
	}
	return err == nil, err
}

var errResync = fmt.Errorf("%w: not in step again", ErrTimeout)

// pass looks for the mark in a line received during a resync.
func (l *Line) pass(text []byte) {
	// A line after the mark is nobody's answer: l.holds is true only where the
	// mark is the last that came.
	l.holds = matches(text, l.mark.back)
	if l.holds || bytes.HasPrefix(text, []byte("*ESE ")) {
		return // the other is an echo
	}
	for _, old := range l.mark.older {
		if matches(text, old) {
			return
		}
	}
	if l.mark.gather {
		// A line without an end runs into the mark, and is no line.
		if !bytes.HasSuffix(text, []byte(l.mark.back)) {
			l.gather(text)
		}
		return
	}
	l.counts.late++
}

// gather keeps a line that was asked for by Gather, within its limits. l.mu is
// held.
func (l *Line) gather(text []byte) {
	if len(l.lines) < maxGathered && l.size+len(text) <= maxGatheredBytes {
		l.lines, l.size = append(l.lines, string(text)), l.size+len(text)
	}
}

// matches compares an answer with a pair; a card may write a sign.
func matches(text []byte, pair string) bool {
	return string(text) == pair || string(bytes.ReplaceAll(text, []byte("+"), nil)) == pair
}
