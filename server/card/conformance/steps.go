package conformance

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"ohmkeep/server/card/scpi"
)

// anyError is every bit of the standard event status register that an error
// sets.
const anyError = scpi.EventQuery | scpi.EventDevice | scpi.EventExecution | scpi.EventCommand

// register reads the answer of a register of eight bits.
func register(answer string) (uint8, error) {
	n, err := strconv.ParseUint(answer, 10, 8)
	if err != nil {
		return 0, wrongf("%q is no register of eight bits", answer)
	}
	return uint8(n), nil
}

// do is a step made of a function.
func do(words string, f func(*trial) (string, error)) step { return step{words, f} }

// tell sends messages that have no answer.
func tell(messages ...string) step {
	return step{strings.Join(messages, ", "), func(t *trial) (string, error) {
		for _, m := range messages {
			if err := t.tell(m); err != nil {
				return "", err
			}
		}
		return "", nil
	}}
}

// carried sends messages that must be carried out without an error.
func carried(messages ...string) step {
	return step{strings.Join(messages, ", ") + " → no error", func(t *trial) (string, error) {
		for _, m := range messages {
			if err := t.tell(m); err != nil {
				return "", err
			}
			if err := t.errorsAre(); err != nil {
				return "", fmt.Errorf("after %s: %w", t.values.show(m), err)
			}
		}
		return "no error", nil
	}}
}

// refused sends a message that must be refused with one of these errors, and
// with nothing else: no answer, no second error, the bit of its class.
func refused(message string, numbers ...int) step {
	return step{message + " → " + anyOf(numbers), func(t *trial) (string, error) {
		if err := t.tell(message); err != nil {
			return "", err
		}
		return anyOf(numbers), t.errorsAre(numbers...)
	}}
}

func anyOf(numbers []int) string {
	var words []string
	for _, n := range numbers {
		words = append(words, strconv.Itoa(n))
	}
	return strings.Join(words, " or ")
}

// noError checks that the error queue is empty.
func noError() step {
	return step{"no error", func(t *trial) (string, error) { return "", t.errorsAre() }}
}

// errorIs asks that what went before left this one error.
func errorIs(numbers ...int) step {
	return step{"error " + anyOf(numbers), func(t *trial) (string, error) { return anyOf(numbers), t.errorsAre(numbers...) }}
}

// errorsAre asks for the error queue and the event status register, and
// compares: one entry of the numbers given, or none.
func (t *trial) errorsAre(numbers ...int) error {
	answer, err := t.ask("*ESR?;:SYST:ERR?;:SYST:ERR?")
	if err != nil {
		return err
	}
	got := splitAnswer(answer)
	if len(got) != 3 {
		return wrongf("%q to *ESR?;:SYST:ERR?;:SYST:ERR?", answer)
	}
	events, err := register(got[0])
	if err != nil {
		return err
	}
	first, err := entry(got[1])
	if err != nil {
		return err
	}
	left := wrongf("%s; event status %s", got[1], got[0])
	switch {
	case len(numbers) == 0 && (first != 0 || events&anyError != 0):
		return left
	case len(numbers) == 0:
		return nil
	case !slices.Contains(numbers, int(first)):
		return left
	case events&anyError != first.Class():
		return wrongf("%s, where bit %d alone of the errors is right", left.Error(), first.Class())
	}
	if second, err := entry(got[2]); err != nil || second != 0 {
		return wrongf("%s, and then %s", got[1], got[2])
	}
	return nil
}

// splitAnswer takes an answer apart at its semicolons outside quotes.
func splitAnswer(answer string) []string {
	var parts []string
	from, quoted := 0, false
	for i := range len(answer) {
		switch {
		case answer[i] == '"':
			quoted = !quoted
		case answer[i] == ';' && !quoted:
			parts, from = append(parts, answer[from:i]), i+1
		}
	}
	return append(parts, answer[from:])
}

// entry reads an entry of the error queue: a number and, in quotes, what the
// standard calls it, with more after a semicolon.
func entry(answer string) (scpi.Code, error) {
	e, err := scpi.ParseError(answer)
	if err != nil {
		return 0, wrongf("%q is not a number and a text in quotes", answer)
	}
	if text := e.Code.Text(); text != "" && e.Text != text && !strings.HasPrefix(e.Text, text+";") {
		return 0, wrongf("%s, where the standard's text is %q", answer, text)
	}
	return e.Code, nil
}

// ask sends a query and looks at its answer.
func ask(message string, wants want) step {
	return step{message + " → " + wants.words, func(t *trial) (string, error) {
		answer, err := t.ask(message)
		if err != nil {
			return "", err
		}
		return answer, wants.check(t, answer)
	}}
}

// check applies a want to an answer, with the answer in the error.
func (w want) check(t *trial, answer string) error {
	if err := w.ok(t, answer); err != nil {
		return wrongf("%s: %v", answer, err)
	}
	return nil
}

// keeps is a setting and a query that must answer it, without an error.
func keeps(set, query string, wants want) step {
	s := ask(query, wants)
	return step{set + ", " + s.words, func(t *trial) (string, error) {
		if err := t.tell(set); err != nil {
			return "", err
		}
		answer, err := s.do(t)
		if err != nil {
			return answer, err
		}
		return answer, t.errorsAre()
	}}
}

// silent sends a message and waits for a while: no line must come.
func silent(message string) step {
	return step{message + " → no answer", func(t *trial) (string, error) {
		lines, err := t.gather(message, t.pause())
		if err != nil {
			return "", err
		}
		if len(lines) > 0 {
			return "", wrongf("%q", lines)
		}
		return "no answer", nil
	}}
}

// lines sends a message and waits for a while: these lines must come.
func lines(message string, wants ...want) step {
	var words []string
	for _, w := range wants {
		words = append(words, w.words)
	}
	return step{fmt.Sprintf("%q → %s", message, strings.Join(words, " and then ")), func(t *trial) (string, error) {
		got, err := t.gather(message, t.pause())
		if err != nil {
			return "", err
		}
		if len(got) != len(wants) {
			return "", wrongf("%d lines: %q", len(got), got)
		}
		for i, w := range wants {
			if err := w.check(t, got[i]); err != nil {
				return "", err
			}
		}
		return fmt.Sprintf("%q", got), nil
	}}
}

// pause is the time for which the check listens to a card that should say
// nothing, or no more: several times what it may take.
func (t *trial) pause() time.Duration { return 3*ownTime + t.lineTime(200) }
