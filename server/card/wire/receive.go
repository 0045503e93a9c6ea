package wire

import (
	"bytes"
	"fmt"

	"ohmkeep/server/cardinfo"
)

const (
	readSize = 4 << 10 // bytes
	// Limits of a gathering: a card that talks without end must not fill the
	// memory.
	maxGathered      = 1000
	maxGatheredBytes = 1 << 20
)

// receive reads and handles the card's bytes until the stream ends.
func (l *Line) receive() {
	defer close(l.read)
	buf := make([]byte, readSize)
	for {
		n, err := l.stream.Read(buf)
		if n > 0 {
			l.o.Log.Add(l.o.Connection, cardinfo.In, buf[:n])
			l.take(buf[:n])
		}
		if err != nil {
			_ = l.finish(err)
			return
		}
	}
}

// take handles the bytes of one read.
func (l *Line) take(p []byte) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for {
		found, line, rest := l.frames.next(p)
		switch found {
		case whole:
			l.line(line)
		case garbled:
			l.counts.garbled++
			switch l.listen {
			case nobody, answer:
				l.out(ErrGarbled)
			case marks:
				l.holds = false
			}
		}
		if p = rest; len(p) == 0 {
			break
		}
	}
	l.settle()
}

// line classifies a received line: an answer, an echo, or one that nobody
// waits for.
func (l *Line) line(text []byte) {
	if len(l.echoes) > 0 && l.echo(text) {
		return
	}
	switch l.listen {
	case nobody:
		l.counts.late++
		l.out(ErrUnexpected)
	case answer:
		if l.holds {
			// One of the two is not the answer, and nobody knows which.
			l.counts.late += 2
			l.out(ErrUnexpected)
			return
		}
		if string(text) == l.asked {
			l.counts.late++
			l.out(errEcho)
			return
		}
		l.held, l.holds = string(text), true
	case marks:
		l.pass(text)
	case gathered:
		l.gather(text)
	}
}

// errEcho is the reason for a line out of step whose card sends back its lines
// unexpectedly.
var errEcho = fmt.Errorf("%w: the card sends back what it is sent", ErrUnexpected)

// echo compares a line with what was sent, and reports whether that was all
// that it can be. l.mu is held.
func (l *Line) echo(text []byte) bool {
	switch {
	case string(text) == l.echoes[0]:
		l.echoes = l.echoes[1:]
		return true
	case l.listen == gathered || l.listen == marks && l.mark.gather:
		return false
	}
	l.counts.garbled++
	l.out(fmt.Errorf("%w: the echo of %q was %q", ErrGarbled, short(l.echoes[0]), short(string(text))))
	return true
}

// settle acts on what came when it has been looked at to its end: an answer is
// only one when nothing came with it, and even part of a line that nobody
// asked for would be taken for the beginning of the next answer. l.mu is held.
func (l *Line) settle() {
	part := l.frames.underWay()
	switch {
	case l.listen == nobody && l.step == nil && part && len(l.echoes) == 0:
		l.out(ErrUnexpected)
	case l.listen == answer && l.holds && part:
		l.counts.late++
		l.out(ErrUnexpected)
	case l.listen == answer && l.holds:
		l.counts.exchanges++
		l.give(outcome{text: l.held})
	case l.listen == marks && l.holds && part:
		l.holds = false
	case l.listen == marks && l.holds:
		l.step = nil
		l.note("in step")
		l.give(outcome{})
	}
}

// expect notes the lines of a message that the card will send back. l.mu is
// held.
func (l *Line) expect(message []byte) {
	if !l.o.Echo {
		return
	}
	for text := range bytes.SplitSeq(message, []byte("\n")) {
		if text = bytes.Trim(text, "\r"); len(text) > 0 {
			l.echoes = append(l.echoes, string(text))
		}
	}
}

// short is the beginning of a text, for a message to a person.
func short(text string) string {
	if len(text) > 60 {
		return text[:60] + "..."
	}
	return text
}
