package scpi

import (
	"errors"
	"fmt"
	"slices"
	"strings"
)

// ID names a command of a tree; 0 is none.
type ID int

// Form is the set of forms that a command has: setting, query or both.
type Form uint8

const (
	Sets Form = 1 << iota // without "?"
	Asks                  // with "?"
	Both = Sets | Asks
)

// Command is the declaration of a command, from which a tree is built.
type Command struct {
	ID ID
	// Header is written as the standards write it, without "?": capitals are
	// the short form, brackets hold one mnemonic each that may be left out, and
	// one "<n>" at most stands where a numeric suffix may:
	// "[SENSe<n>]:CURRent[:DC]".
	Header string
	Form   Form
	Params []Param // of the command form
	Query  []Param // of the query form
}

// ShortForm is a mnemonic's short form, in capitals: its first four letters,
// or three where the fourth is a vowel; a mnemonic of four letters is its own.
// SCPI-1999 volume 1, 6.2.1.
func ShortForm(mnemonic string) string {
	short := strings.ToUpper(mnemonic)
	if len(short) <= 4 {
		return short
	}
	if strings.ContainsRune("AEIOU", rune(short[3])) {
		return short[:3]
	}
	return short[:4]
}

// Tree is the headers of a card, for its parser. It is built once and may be
// used by any number of parsers at a time.
type Tree struct {
	root     node
	common   []child
	commands map[ID]*entry
	suffixes int // <n> is 1 … suffixes
}

// node is where a path of mnemonics ends, as sent: every header is in the
// tree in all the ways in which it may be written, so that the path rule
// needs to know nothing of what was left out.
type node struct {
	children []child
	sets     *entry
	asks     *entry
}

// child is a mnemonic below a node.
type child struct {
	long, short key
	suffix      bool // a number may follow
	node        *node
}

// entry is a command with its header as it is written when it is generated.
type entry struct {
	Command
	before, after string // the short form around the numeric suffix
	suffix        bool
	params, query []param
}

// checkWords checks that the words of parameters are written as they must be.
func checkWords(c Command) error {
	for _, p := range slices.Concat(c.Params, c.Query) {
		for _, w := range p.Words {
			if q := (part{name: w}); word(w) != len(w) || !q.wellWritten() {
				return errNotation
			}
		}
	}
	return nil
}

// part is one mnemonic of a header's notation.
type part struct {
	name     string
	optional bool
	suffix   bool
}

// NewTree builds a tree. Where two commands can be written in the same way
// (because of what may be left out of them), the first one is meant. A
// command that could not be written at all is an error, as is a notation
// that cannot be read.
func NewTree(commands []Command) (*Tree, error) {
	t := &Tree{commands: map[ID]*entry{}, suffixes: maxChannel}
	for _, c := range commands {
		if _, twice := t.commands[c.ID]; twice || c.ID == 0 || c.Form&Both == 0 {
			return nil, fmt.Errorf("scpi: %s: its ID must be its own, and it must have a form", c.Header)
		}
		if err := t.add(c); err != nil {
			return nil, fmt.Errorf("scpi: %s: %w", c.Header, err)
		}
	}
	for _, e := range t.commands {
		if err := t.canBeWritten(e); err != nil {
			return nil, fmt.Errorf("scpi: %s: %w", e.Header, err)
		}
	}
	return t, nil
}

// WithSuffixes is the same tree for a card whose <n> goes from 1 to most.
func (t *Tree) WithSuffixes(most int) *Tree {
	other := *t
	other.suffixes = most
	return &other
}

// Command returns a command of the tree.
func (t *Tree) Command(id ID) (Command, bool) {
	e, ok := t.commands[id]
	if !ok {
		return Command{}, false
	}
	return e.Command, true
}

func (t *Tree) add(c Command) error {
	if err := checkWords(c); err != nil {
		return err
	}
	e := &entry{Command: c, params: compile(c.Params), query: compile(c.Query)}
	t.commands[c.ID] = e
	if name, common := strings.CutPrefix(c.Header, "*"); common {
		if word(name) != len(name) || name == "" || len(name) > maxMnemonic {
			return errNotation
		}
		e.before = "*" + strings.ToUpper(name)
		below(&t.common, part{name: name}).keep(e)
		return nil
	}
	parts, err := readNotation(c.Header)
	if err != nil {
		return err
	}
	e.write(parts)
	t.root.grow(parts, false, e)
	return nil
}

// grow adds every way to write the parts below a node.
func (n *node) grow(parts []part, any bool, e *entry) {
	if len(parts) == 0 {
		if any {
			n.keep(e)
		}
		return
	}
	below(&n.children, parts[0]).grow(parts[1:], true, e)
	if parts[0].optional {
		n.grow(parts[1:], any, e)
	}
}

// keep makes a command what the path to a node means, if it is the first.
func (n *node) keep(e *entry) {
	if e.Form&Sets != 0 && n.sets == nil {
		n.sets = e
	}
	if e.Form&Asks != 0 && n.asks == nil {
		n.asks = e
	}
}

// below finds or adds the child for a mnemonic.
func below(children *[]child, p part) *node {
	long := keyOf(p.name)
	i := slices.IndexFunc(*children, func(c child) bool { return c.long == long })
	if i < 0 {
		i = len(*children)
		*children = append(*children, child{long: long, short: keyOf(ShortForm(p.name)), node: &node{}})
	}
	c := &(*children)[i]
	c.suffix = c.suffix || p.suffix
	return c.node
}

var errNotation = errors.New("the notation cannot be read")

// readNotation takes a header's notation apart.
func readNotation(header string) ([]part, error) {
	var parts []part
	suffixes, needed := 0, 0
	for s := header; s != ""; {
		p, rest, ok := readPart(s, len(parts) == 0)
		if !ok {
			return nil, errNotation
		}
		if p.suffix {
			suffixes++
		}
		if !p.optional {
			needed++
		}
		parts, s = append(parts, p), rest
	}
	if suffixes > 1 || needed == 0 {
		return nil, errNotation
	}
	return parts, nil
}

// readPart reads the first part of a notation: "[SOURce<n>]" or "OUTPut<n>",
// and after the first one "[:LEVel]" or ":VOLTage".
func readPart(s string, first bool) (p part, rest string, ok bool) {
	s, p.optional = strings.CutPrefix(s, "[")
	s, colon := strings.CutPrefix(s, ":")
	n := word(s)
	p.name, s = s[:n], s[n:]
	s, p.suffix = strings.CutPrefix(s, "<n>")
	closed := true
	if p.optional {
		s, closed = strings.CutPrefix(s, "]")
	}
	return p, s, closed && colon != first && p.wellWritten()
}

// wellWritten checks that a mnemonic's capitals are its short form and that
// nothing in it can be taken for a numeric suffix.
func (p part) wellWritten() bool {
	short := ShortForm(p.name)
	rest := p.name[len(short):]
	return p.name != "" && len(p.name) <= maxMnemonic && p.name[:len(short)] == short && rest == strings.ToLower(rest) && !strings.ContainsAny(p.name, "0123456789_")
}

// write works out how a header is generated: in short form, with all that has
// a numeric suffix and without what else may be left out.
func (e *entry) write(parts []part) {
	for _, p := range parts {
		if p.optional && !p.suffix {
			continue
		}
		to := &e.before
		if e.suffix {
			to = &e.after
		}
		*to += ":" + ShortForm(p.name)
		e.suffix = e.suffix || p.suffix
	}
}

// canBeWritten checks that what is generated for a command means that command.
func (t *Tree) canBeWritten(e *entry) error {
	for _, ask := range []bool{false, true} {
		if ask && e.Form&Asks == 0 || !ask && e.Form&Sets == 0 {
			continue
		}
		text := e.before + e.after
		if ask {
			text += "?"
		}
		h, err := t.scanHeader(text, t.start())
		if err != nil || h.entry != e {
			return errors.New("another command is written in the same way")
		}
	}
	return nil
}
