package web

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"ohmkeep/server/quantity"
)

// What parameters and answers say, in words.

// last returns the last node of the command's header that cannot be left out,
// in capitals: RANGE of …:RANGe[:UPPer].
func (u *unit) last() string {
	nodes := nodesOf(strings.TrimSuffix(u.command.Header, "?"))
	for i := len(nodes) - 1; i >= 0; i-- {
		if !nodes[i].optional {
			return nodes[i].long
		}
	}
	return ""
}

// of returns the unit of the command's numbers: its answer names it last.
func (u *unit) of() quantity.Unit {
	switch answer := u.command.Answer; {
	case strings.HasSuffix(answer, ", V"):
		return quantity.Volt
	case strings.HasSuffix(answer, ", A"):
		return quantity.Ampere
	case strings.HasSuffix(answer, ", s"):
		return quantity.Second
	}
	return quantity.One
}

func (u *unit) parameterWords() string {
	if strings.HasPrefix(u.header, "*") {
		if n, err := strconv.Atoi(u.parameters); err == nil {
			if bits, known := statusBits[strings.ToUpper(u.header)]; known {
				return bitWords(n, bits)
			}
		}
		return u.parameters
	}
	switch parameters := u.command.Parameters; {
	case strings.Contains(parameters, "channel_list") && strings.HasPrefix(strings.ToUpper(u.command.Header), "ROUTE"):
		return pathWordsOf(u.parameters)
	case parameters == "<Boolean>":
		return booleanWord(u.parameters)
	}
	return numberWords(u.parameters, u.of())
}

func booleanWord(text string) string {
	switch strings.ToUpper(text) {
	case "1", "ON":
		return "on"
	case "0", "OFF":
		return "off"
	}
	return text
}

// pathWordsOf returns in words what a list of paths, (@1!12,0!7), connects.
func pathWordsOf(list string) string {
	items := strings.Split(strings.Trim(strings.ReplaceAll(list, " ", ""), "(@)"), ",")
	for i, item := range items {
		line, contact, ok := strings.Cut(item, "!")
		switch {
		case !ok:
		case line == "0":
			items[i] = "return to contact " + contact
		default:
			items[i] = "channel " + line + " to contact " + contact
		}
	}
	return strings.Join(items, ", ")
}

// numberWords returns a number of the protocol as an engineering value;
// another text is given back as it is. The special values are those of
// SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5.
func numberWords(text string, unit quantity.Unit) string {
	v, err := strconv.ParseFloat(text, 64)
	switch {
	case err != nil || math.IsInf(v, 0) || math.IsNaN(v):
		return text
	case v == 9.9e37:
		return "+infinity"
	case v == -9.9e37:
		return "−infinity"
	case v == 9.91e37:
		return "not a number"
	case unit == quantity.One:
		return text
	}
	return short(v, unit)
}

// statusBits names the bits of the registers, from bit 0 on. Standard event
// status and status byte: IEEE 488.2, 11.5.1 and 11.2; those of the status
// byte and the two registers that SCPI-1999 adds: volume 1, 9.1 to 9.4.
var statusBits = map[string][]string{
	"*ESR": eventBits, "*ESE": eventBits, "*STB": byteBits, "*SRE": byteBits,
	"QUESTIONABLE": {"a voltage at its limit", "a current at its limit"},
	"OPERATION":    {"", "settling", "", "", "measuring"},
}

var (
	eventBits = []string{"operation complete", "request control", "query error", "device error", "execution error", "command error", "user request", "power on"}
	byteBits  = []string{"", "", "an error is in the queue", "questionable", "an answer is ready", "standard event", "service request", "operation"}
)

// readingBits are those of a reading's status in the protocol.
var readingBits = []string{"at its limit", "over range", "output on", "an error is in the queue"}

// mostBits is the width of the widest register of the protocol, in bits.
const mostBits = 16

// bitWords names the bits that are set in a register; a text that is no
// register's value is given back as it is.
func bitWords(n int, names []string) string {
	switch {
	case n == 0:
		return "0: none set"
	case n < 0 || n>>mostBits != 0:
		return strconv.Itoa(n)
	}
	var words []string
	for bit := 0; n>>bit != 0; bit++ {
		if n>>bit&1 == 0 {
			continue
		}
		word := "bit " + strconv.Itoa(bit)
		if bit < len(names) && names[bit] != "" {
			word = names[bit]
		}
		words = append(words, word)
	}
	return strconv.Itoa(n) + ": " + strings.Join(words, ", ")
}

// answer explains the answer to a query.
func (d *Decoder) answer(u *unit, text string) Meaning {
	if u.command == nil {
		return Meaning{Text: "answer to " + u.header + "?: " + text}
	}
	header := strings.ToUpper(u.command.Header)
	switch {
	case strings.HasPrefix(u.header, "*"):
		return Meaning{Text: u.commonAnswer(text)}
	case strings.Contains(header, ":ERROR") && u.last() == "ERROR":
		return d.errorEntry(text)
	case u.last() == "READ" || u.last() == "FETCH":
		return readingAnswer(u.parameters, text)
	case strings.HasPrefix(header, "STATUS:"):
		return Meaning{Text: u.registerAnswer(header, text)}
	case strings.HasPrefix(header, "ROUTE"):
		return Meaning{Text: u.pathAnswer(text)}
	}
	return Meaning{Text: u.settingAnswer(text)}
}

func (u *unit) commonAnswer(text string) string {
	name := strings.ToUpper(u.header)
	if bits, known := statusBits[name]; known {
		if n, err := strconv.Atoi(text); err == nil && n >= 0 {
			return bitWords(n, bits)
		}
	}
	switch name {
	case "*IDN":
		labels, parts := []string{"maker", "model", "serial", "version"}, strings.SplitN(text, ",", 4)
		for i := range parts {
			parts[i] = labels[i] + " " + strings.TrimSpace(parts[i])
		}
		return strings.Join(parts, ", ")
	case "*TST":
		if text == "0" {
			return "self-test passed"
		}
		return "self-test failed: " + text
	case "*OPC":
		return "everything before it is done"
	}
	return text
}

func (u *unit) registerAnswer(header, text string) string {
	n, err := strconv.Atoi(text)
	if err != nil || n < 0 {
		return text
	}
	for _, register := range []string{"QUESTIONABLE", "OPERATION"} {
		if strings.Contains(header, register) {
			return bitWords(n, statusBits[register])
		}
	}
	return text
}

func (u *unit) pathAnswer(text string) string {
	if strings.HasPrefix(text, "(") {
		if text == "(@)" {
			return "no path is closed"
		}
		return "closed: " + pathWordsOf(text)
	}
	parts := strings.Split(text, ",")
	for i, p := range parts {
		switch strings.TrimSpace(p) {
		case "1":
			parts[i] = "closed"
		case "0":
			parts[i] = "open"
		}
	}
	return strings.Join(parts, ", ")
}

// settingAnswer reads a number with the unit of the command, and 0 and 1 as the
// reference words them: "1 on, 0 off".
func (u *unit) settingAnswer(text string) string {
	if text == "0" || text == "1" {
		for word := range strings.SplitSeq(u.command.Answer, ", ") {
			if says, ok := strings.CutPrefix(word, text+" "); ok {
				return says
			}
		}
	}
	return numberWords(text, u.of())
}

// readingAnswer explains a reading: v, i, status and level for each channel.
func readingAnswer(channels, text string) Meaning {
	parts := strings.Split(text, ",")
	if len(parts)%4 != 0 {
		return Meaning{fmt.Sprintf("%s; a reading has four for each channel", count(len(parts), "value", "values")), true}
	}
	names := strings.Split(strings.Trim(strings.ReplaceAll(channels, " ", ""), "(@)"), ",")
	var out []string
	for i := 0; i+3 < len(parts); i += 4 {
		words := numberWords(strings.TrimSpace(parts[i]), quantity.Volt) + ", " + numberWords(strings.TrimSpace(parts[i+1]), quantity.Ampere)
		status, err := strconv.Atoi(strings.TrimSpace(parts[i+2]))
		if err != nil || status < 0 {
			words += ", status " + strings.TrimSpace(parts[i+2])
		} else {
			words += ", status " + bitWords(status, readingBits)
		}
		words += ", set to " + strings.TrimSpace(parts[i+3])
		if k := i / 4; channels == "" && k == 0 {
			words = "channel 1: " + words
		} else if len(names) == len(parts)/4 {
			words = "channel " + names[k] + ": " + words
		}
		out = append(out, words)
	}
	return Meaning{Text: strings.Join(out, "; ")}
}

// errorEntry explains an entry of the error queue, and when a card reports it.
func (d *Decoder) errorEntry(text string) Meaning {
	number, words, _ := strings.Cut(text, ",")
	n, err := strconv.Atoi(strings.TrimSpace(number))
	switch {
	case err != nil:
		return Meaning{"not an entry of the error queue", true}
	case n == 0:
		return Meaning{Text: "no error"}
	}
	out := fmt.Sprintf("error %d, %s", n, strings.Trim(words, `"`))
	for _, e := range d.ref.Errors {
		if e.Number == n && e.When != "" {
			out += ": " + firstSentence(e.When)
		}
	}
	return Meaning{out, true}
}
