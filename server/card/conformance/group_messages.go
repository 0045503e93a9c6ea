package conformance

import (
	"strings"
	"time"

	"ohmkeep/server/cardinfo"
)

// messageEnd is one byte of a message: its LF.
const messageEnd = 1

func messagePoints() []point {
	const group = "messages"
	dropped := func(title, message string, number int) point {
		return point{group: group, title: title, steps: []step{
			carried("*ESE 3"), refused(message, number), ask("*ESE?", is("3")),
		}}
	}
	return []point{
		{group: group, title: "a CR before the LF is ignored", steps: []step{
			carried("*ESE 3\r"), ask("*ESE?\r", is("3")),
		}},
		{group: group, title: "an empty line is nothing", steps: []step{
			lines("\n\r\n\n*SRE?\n\r\n", is("0")), noError(),
		}},
		{group: group, title: "white space before and after is ignored, TAB is white space", steps: []step{
			carried("  *ESE\t 3 \t"), ask("\t*ESE? ", is("3")),
		}},
		{group: group, title: "messages that come together are carried out in order", steps: []step{
			lines("*ESE 3\n*ESE?\n*ESE 5\n*ESE?\n*SRE?", is("3"), is("5"), is("0")), noError(),
		}},
		{group: group, title: "all answers of a message come in one line", steps: []step{
			lines("*ESE 3;*ESE?;*SRE?;:SYST:ERR:COUN?", is("3;0;0")), noError(),
		}},
		{group: group, title: "a message without a query is not answered", steps: []step{
			silent("*ESE 3"), noError(),
		}},
		{group: group, title: "a message may come in pieces", steps: []step{
			pieces("*ES", "E 3\n*E", "SE", "?"), noError(),
		}},
		{group: group, title: "a message may come byte by byte", steps: []step{
			pieces(strings.Split("*ESE 3\r\n*ESE?", "")...), noError(),
		}},
		{group: group, title: "the longest message is taken", steps: []step{
			long("*ESE 3;*ESE?", 0, true),
		}},
		{group: group, title: "a message that is one byte too long is dropped whole", steps: []step{
			carried("*ESE 5"), long("*ESE 3;*ESE?", 1, false), errorIs(-363), ask("*ESE?", is("5")),
		}},
		{group: group, title: "a message that is far too long is one error", steps: []step{
			carried("*ESE 5"), long("*ESE 3;*ESE?", 4000, false), errorIs(-363), ask("*ESE?", is("5")),
		}},
		dropped("a control character drops the message", "*ESE 5;*ESE \x015", -101),
		dropped("a zero byte drops the message", "*ESE 5;*ESE?\x00", -101),
		dropped("a DEL drops the message", "*ESE 5\x7f", -101),
		dropped("a byte beyond ASCII drops the message", "*ESE 5;*ESE?;\xb5", -101),
	}
}

// pieces sends parts of messages with a pause after each; the last one ends
// with a query of *ESE, which the messages set to 3.
func pieces(parts ...string) step {
	words := "in pieces: "
	for _, p := range parts {
		words += strings.NewReplacer("\n", "<LF>", "\r", "<CR>").Replace(p) + "|"
	}
	return step{strings.TrimSuffix(words, "|") + " → 3", func(t *trial) (string, error) {
		if err := t.canWrite(); err != nil {
			return "", err
		}
		last := len(parts) - 1
		for _, p := range parts[:last] {
			if err := t.raw(p); err != nil {
				return "", err
			}
			if err := t.wait(2 * time.Millisecond); err != nil {
				return "", err
			}
		}
		answer, err := t.ask(parts[last])
		if err == nil && answer != "3" {
			err = wrong(answer)
		}
		return answer, err
	}}
}

// canWrite says why bytes cannot be sent past the line.
func (t *trial) canWrite() error {
	switch {
	case t.o.Stream == nil:
		return skip("messages in pieces need the stream below the line, which this check was not given")
	case t.o.Echo:
		return skip("messages in pieces are not tried with a card that echoes")
	}
	return nil
}

// raw sends bytes as they are.
func (t *trial) raw(text string) error {
	t.o.Log.Add(t.o.Connection, cardinfo.Out, []byte(text))
	_, err := t.o.Stream.Write([]byte(text))
	return err
}

// long fills a message up with spaces to what the card takes, or beyond.
func long(message string, beyond int, answered bool) step {
	words := message + " and spaces to the longest message of {message} bytes → 3"
	if !answered {
		words = message + " and spaces to more than {message} bytes → no answer"
	}
	return step{words, func(t *trial) (string, error) {
		text := message + strings.Repeat(" ", t.card.message-messageEnd-len(message)+beyond)
		if !answered {
			// No listening here: that ends with a resync, which changes *ESE. An
			// answer would stand in the place of the next one.
			return "", t.tell(text)
		}
		answer, err := t.ask(text)
		if err == nil && answer != "3" {
			err = wrong(answer)
		}
		return answer, err
	}}
}
