package card

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/card/scpi"
)

// longest is the maximum length of a message with its LF, in bytes.
const longest = 1024

// dialect makes the messages of a connection.
type dialect struct {
	bench.Commands
	fields []string // what a reading brings for each channel
	lineHz float64
}

func newDialect(c bench.Commands, lineHz float64) dialect {
	d := dialect{Commands: c.Filled(), lineHz: lineHz}
	for name := range strings.SplitSeq(d.Fields, ",") {
		d.fields = append(d.fields, strings.TrimSpace(name))
	}
	return d
}

// places are the values that replace the placeholders of a message's text.
type places map[string]string

func fill(what, text string, p places) (string, error) {
	message, err := bench.Fill(text, p)
	if err != nil {
		return "", fmt.Errorf("card: the text %q: %w", what, err)
	}
	for line := range strings.SplitSeq(message, "\n") {
		if len(line) >= longest {
			return "", fmt.Errorf("card: the text %q makes a message of %d bytes; at most %d are understood", what, len(line), longest-1)
		}
	}
	return message, nil
}

// set returns the messages that change a channel from its known to its wanted
// settings: the level alone where nothing else differs, and everything
// otherwise.
func (d *dialect) set(c *channel, want setting) (string, error) {
	level, force := d.LevelVoltage, d.ForceVoltage
	levelName, forceName := "levelVoltage", "forceVoltage"
	if want.mode == bench.ForceCurrent {
		level, force, levelName, forceName = d.LevelCurrent, d.ForceCurrent, "levelCurrent", "forceCurrent"
	}
	if force == bench.None {
		return "", fmt.Errorf("card: this connection has no command to force a %s", want.mode)
	}
	p := places{"channel": strconv.Itoa(c.number), "level": scpi.FormatNR3(want.level)}
	if c.set != nil && level != bench.None {
		same := *c.set
		same.level = want.level
		if same == want {
			return fill(levelName, level, p)
		}
	}
	p["range"], p["senseRange"] = scpi.FormatNR3(want.force), scpi.FormatNR3(want.sense)
	p["compliance"] = scpi.FormatNR3(want.compliance)
	message, err := fill(forceName, force, p)
	if err != nil || !c.def.RemoteSense || c.set != nil && c.set.remote == want.remote {
		return message, err
	}
	return d.withSense(message, p, want.remote)
}

// withSense adds the choice of the sense terminals. It becomes part of a
// message of one line, so that all of it takes effect together.
func (d *dialect) withSense(message string, p places, remote bool) (string, error) {
	name, text := "localSense", d.LocalSense
	if remote {
		name, text = "remoteSense", d.RemoteSense
	}
	if text == bench.None {
		return message, nil
	}
	sense, err := fill(name, text, p)
	if err != nil {
		return "", err
	}
	joined := message + ";:" + strings.TrimPrefix(sense, ":")
	if strings.Contains(joined, "\n") || strings.HasPrefix(sense, "*") || len(joined) >= longest {
		return sense + "\n" + message, nil
	}
	return joined, nil
}

// ofChannel is a text that has no place but the channel.
func (d *dialect) ofChannel(what, text string, number int) (string, error) {
	return fill(what, text, places{"channel": strconv.Itoa(number)})
}

// apertures sets the aperture of channels; "" where there is no such command.
func (d *dialect) apertures(numbers []int, aperture time.Duration) (string, error) {
	if d.Aperture == bench.None {
		return "", nil
	}
	var messages []string
	for _, n := range numbers {
		message, err := fill("aperture", d.Aperture, places{
			"channel":  strconv.Itoa(n),
			"aperture": scpi.FormatNR3(aperture.Seconds()),
			"cycles":   scpi.FormatNR3(aperture.Seconds() * d.lineHz),
		})
		if err != nil {
			return "", err
		}
		if len(messages) == 0 || messages[len(messages)-1] != message { // the text may name no channel
			messages = append(messages, message)
		}
	}
	return strings.Join(messages, "\n"), nil
}

// reads returns the messages that read channels, and the number of channels of
// each.
func (d *dialect) reads(numbers []int) (messages []string, each int, err error) {
	if strings.Contains(d.Read, "{channels}") {
		list := make([]scpi.Item, 0, len(numbers))
		for _, n := range numbers {
			list = append(list, scpi.Item{A: n, B: -1})
		}
		message, err := fill("read", d.Read, places{"channels": scpi.FormatChannelList(list), "channel": strconv.Itoa(numbers[0])})
		return []string{message}, len(numbers), err
	}
	for _, n := range numbers {
		message, err := d.ofChannel("read", d.Read, n)
		if err != nil {
			return nil, 0, err
		}
		messages = append(messages, message)
	}
	return messages, 1, nil
}

// lists returns the messages that open or close paths: as few as their length
// allows, one to a line.
func (d *dialect) lists(what, text string, paths []switched) ([]string, error) {
	if text == bench.None {
		return nil, fmt.Errorf("card: this connection has no command %q, but paths", what)
	}
	var messages []string
	for len(paths) > 0 {
		n, bytes := 0, len(text)+len("(@)")
		for n < len(paths) && (n == 0 || bytes+len(paths[n].text)+1 < longest) {
			bytes += len(paths[n].text) + 1
			n++
		}
		var items []string
		for _, p := range paths[:n] {
			items = append(items, p.text)
		}
		message, err := fill(what, text, places{"paths": "(@" + strings.Join(items, ",") + ")"})
		if err != nil {
			return nil, err
		}
		messages, paths = append(messages, message), paths[n:]
	}
	return messages, nil
}

// tellsState reports whether a reading shows that a card is as it was set.
func (d *dialect) tellsState() bool {
	return slices.Contains(d.fields, "status") || slices.Contains(d.fields, "level")
}

// onlyAsks reports whether every unit of a message is a query.
func onlyAsks(message string) bool {
	for line := range strings.SplitSeq(message, "\n") {
		units, err := scpi.SplitUnits(nil, line)
		if err != nil {
			return false
		}
		for _, u := range units {
			header := strings.TrimSpace(u)
			// White space is IEEE 488.2, 7.4.1.2.
			if end := strings.IndexFunc(header, func(r rune) bool { return r <= ' ' || r == '(' }); end >= 0 {
				header = header[:end]
			}
			if header != "" && !strings.HasSuffix(header, "?") {
				return false
			}
		}
	}
	return true
}
