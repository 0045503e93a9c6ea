package web

import (
	"bytes"
	"fmt"
	"regexp"
	"slices"
	"strings"

	"ohmkeep/server/cardinfo"
)

// Meaning is the explanation of one part of a line, in words.
type Meaning struct {
	Text  string `json:"text"`
	Wrong bool   `json:"wrong,omitempty"` // not in the protocol, or an error
}

// Decoder explains the traffic between host and cards by the protocol's
// reference. It follows each connection: an answer is read as that to the
// question before it. It is for one goroutine, and one conversation after
// another; what it keeps of each connection is bounded.
type Decoder struct {
	ref      *cardinfo.Reference
	patterns []pattern
	on       map[string]*conversation
}

// conversation is the decoder's state of one connection.
type conversation struct {
	out, in []byte // of lines that have not ended
	sent    string // the last message, for its echo
	pair    string // the answer that gets them in step; "" where none is waited for
	asked   []unit // queries of the last message that had any; nil once answered
}

// longestLine is the largest part of an unended line that is kept, in bytes.
const longestLine = 4096

// NewDecoder makes a decoder that goes by a reference of the protocol.
func NewDecoder(ref *cardinfo.Reference) *Decoder {
	return &Decoder{ref: ref, patterns: patternsOf(ref), on: map[string]*conversation{}}
}

// Event explains the lines that end within an event; none where no line does.
func (d *Decoder) Event(e cardinfo.Event) []Meaning {
	c := d.on[e.Connection]
	if c == nil {
		c = &conversation{}
		d.on[e.Connection] = c
	}
	switch e.Dir {
	case cardinfo.Out:
		return d.lines(&c.out, e.Bytes, func(line string) []Meaning { return d.sent(c, line) })
	case cardinfo.In:
		return d.lines(&c.in, e.Bytes, func(line string) []Meaning { return d.came(c, line) })
	}
	if words := string(e.Bytes); strings.HasPrefix(words, "the connection has ended") || strings.HasPrefix(words, "lost:") {
		*c = conversation{} // its half lines go with it
	}
	return nil
}

// lines assembles bytes into lines and explains each.
func (d *Decoder) lines(kept *[]byte, more []byte, read func(string) []Meaning) []Meaning {
	var out []Meaning
	for {
		before, after, ended := bytes.Cut(more, []byte("\n"))
		*kept = append(*kept, before...)
		if over := len(*kept) - longestLine; over > 0 {
			*kept = append([]byte(nil), (*kept)[over:]...)
		}
		if !ended {
			return out
		}
		line := strings.TrimSpace(string(*kept))
		*kept = (*kept)[:0]
		if line != "" {
			out = append(out, read(line)...)
		}
		more = after
	}
}

func (d *Decoder) sent(c *conversation, line string) []Meaning {
	c.sent = line
	if pair := inStep.FindStringSubmatch(line); pair != nil {
		c.asked, c.pair = nil, pair[1]+";"+pair[2]
		return []Meaning{{Text: "Asks for a pair of numbers that nothing else answers, to get in step again"}}
	}
	units := d.units(line)
	var asked []unit
	for _, u := range units {
		if u.query {
			asked = append(asked, u)
		}
	}
	if asked != nil {
		c.asked, c.pair = asked, ""
	}
	return meanings(units)
}

func (d *Decoder) came(c *conversation, line string) []Meaning {
	if line == c.sent {
		return []Meaning{{Text: "echo of what was sent"}}
	}
	if c.pair != "" {
		if line == c.pair {
			c.pair = ""
			return []Meaning{{Text: "the pair: host and card are in step"}}
		}
		return []Meaning{{Text: "older than the pair that is waited for: thrown away", Wrong: true}}
	}
	asked := c.asked
	c.asked = nil
	parts := splitOutside(line, ';')
	if len(asked) == 0 {
		return []Meaning{{Text: "a line that nothing asked for", Wrong: true}}
	}
	if len(asked) != len(parts) {
		return []Meaning{{Text: fmt.Sprintf("%s; %s expected: not the answer to what was asked last",
			count(len(parts), "answer", "answers"), count(len(asked), "is", "are")), Wrong: true}}
	}
	var out []Meaning
	for i, part := range parts {
		out = append(out, d.answer(&asked[i], strings.TrimSpace(part)))
	}
	return out
}

// Message explains a message that has not been sent.
func (d *Decoder) Message(message string) []Meaning { return meanings(d.units(message)) }

// Exchange explains an exchange: the message, the answers to it and the errors
// that the card queued.
func (d *Decoder) Exchange(x *cardinfo.Exchange) []Meaning {
	c := &conversation{}
	out := d.sent(c, x.Sent)
	for _, a := range x.Answers {
		out = append(out, d.came(c, a)...)
	}
	for _, e := range x.Errors {
		out = append(out, d.errorEntry(e))
	}
	return out
}

// OnlyAsks reports whether a message does no more than ask: every part of it
// is a query that the reference knows. What is not known counts as doing more,
// and so does a self-test, which may switch outputs on an instrument of another
// make.
func (d *Decoder) OnlyAsks(message string) bool {
	if strings.ContainsAny(message, "\r\n") {
		return false
	}
	units := d.units(message)
	for _, u := range units {
		if !u.query || u.command == nil || strings.EqualFold(u.header, "*TST") {
			return false
		}
	}
	return len(units) > 0
}

// NamesAnyOf reports whether a message has a header that a dialect's text has
// too. Blanks of the text, such as {channel}, stand for any number.
func (d *Decoder) NamesAnyOf(message, text string) bool {
	own := map[*cardinfo.Command]bool{}
	for line := range strings.Lines(blanks.Replace(text)) {
		for _, u := range d.units(line) {
			own[u.command] = u.command != nil
		}
	}
	return slices.ContainsFunc(d.units(message), func(u unit) bool { return own[u.command] })
}

var blanks = strings.NewReplacer("{channel}", "1", "{channels}", "1")

func meanings(units []unit) []Meaning {
	var out []Meaning
	for i := range units {
		out = append(out, units[i].meaning())
	}
	return out
}

// meaning explains one part of a message.
func (u *unit) meaning() Meaning {
	switch {
	case u.command == nil && u.root:
		return Meaning{u.header + " is not known at this level: begin it with a colon", true}
	case u.command == nil:
		return Meaning{u.header + " is not in the protocol", true}
	}
	text := u.does()
	if strings.Contains(u.command.Header, "<n>") {
		text += ", channel " + orOne(u.suffix)
	}
	if u.parameters != "" {
		text += ": " + u.parameterWords()
	}
	return Meaning{Text: text}
}

// does returns the effect of a command in a few words. A setting that is asked
// for is not set.
func (u *unit) does() string {
	text, _, _ := strings.Cut(firstSentence(u.command.Meaning), ": ")
	text, _, _ = strings.Cut(text, "; ")
	text = unitAtEnd.ReplaceAllString(text, "")
	if !u.query || u.command.QueryOnly {
		return text
	}
	what, sets := strings.CutPrefix(text, "Sets ")
	switch {
	case sets && strings.HasPrefix(what, "the "):
		return "Asks for " + what
	case sets:
		return "Asks " + what
	}
	return "Asks how this stands: " + strings.ToLower(text[:1]) + text[1:]
}

// inStep matches the synchronising message: a host that has lost count of
// answers sends it to get in step again; see the protocol's rule.
var inStep = regexp.MustCompile(`^\*ESE (\d+);\*ESE\?;\*ESE (\d+);\*ESE\?;\*ESE 0$`)

// unitAtEnd is the unit that a meaning names, and what it adds to it.
var unitAtEnd = regexp.MustCompile(`, [VAs](, .*)?$`)

func orOne(suffix string) string {
	if suffix == "" {
		return "1"
	}
	return suffix
}

// firstSentence returns the first sentence of a text, without its full stop.
func firstSentence(text string) string {
	text = strings.TrimSpace(text)
	if i := strings.Index(text, ". "); i > 0 {
		text = text[:i]
	}
	return strings.TrimSuffix(text, ".")
}
