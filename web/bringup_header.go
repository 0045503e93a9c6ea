package web

import (
	"slices"
	"strings"

	"ohmkeep/server/cardinfo"
)

// Headers of the protocol's reference, as the standards write them
// ([SENSe<n>]:CURRent[:DC]:RANGe[:UPPer]), and how a message names them:
// short or long, in any case, with what is optional left out.

// node is one part of a header.
type node struct {
	long, short string // in capitals
	optional    bool
	numbered    bool
}

// pattern is a command of the reference with its header taken apart.
type pattern struct {
	command *cardinfo.Command
	common  string // "*IDN", of a common command
	nodes   []node
}

func patternsOf(ref *cardinfo.Reference) []pattern {
	out := make([]pattern, 0, len(ref.Commands))
	for i := range ref.Commands {
		c := &ref.Commands[i]
		header := strings.TrimSuffix(strings.TrimSpace(c.Header), "?")
		p := pattern{command: c}
		if strings.HasPrefix(header, "*") {
			p.common = strings.ToUpper(header)
		} else {
			p.nodes = nodesOf(header)
		}
		out = append(out, p)
	}
	return out
}

// nodesOf parses a header into its parts. Brackets stand around what may be
// left out.
func nodesOf(header string) []node {
	var out []node
	depth, word := 0, strings.Builder{}
	end := func() {
		if word.Len() == 0 {
			return
		}
		text, numbered := strings.CutSuffix(word.String(), "<n>")
		short := strings.Map(func(r rune) rune {
			if r >= 'a' && r <= 'z' {
				return -1
			}
			return r
		}, text)
		out = append(out, node{long: strings.ToUpper(text), short: short, optional: depth > 0, numbered: numbered})
		word.Reset()
	}
	for _, r := range header {
		switch r {
		case '[':
			end()
			depth++
		case ']':
			end()
			depth--
		case ':':
			end()
		default:
			word.WriteRune(r)
		}
	}
	end()
	return out
}

// match compares a header's words with the pattern; suffixes are those of its
// numbered nodes, "" for none given.
func (p *pattern) match(words []string) (suffixes []string, ok bool) {
	return matchNodes(p.nodes, words, nil)
}

func matchNodes(nodes []node, words, suffixes []string) ([]string, bool) {
	if len(nodes) == 0 {
		return suffixes, len(words) == 0
	}
	n := nodes[0]
	if len(words) > 0 {
		if suffix, ok := n.is(words[0]); ok {
			with := suffixes
			if n.numbered {
				with = append(slices.Clone(suffixes), suffix)
			}
			if out, ok := matchNodes(nodes[1:], words[1:], with); ok {
				return out, true
			}
		}
	}
	if !n.optional {
		return nil, false
	}
	if n.numbered {
		suffixes = append(slices.Clone(suffixes), "")
	}
	return matchNodes(nodes[1:], words, suffixes)
}

func (n *node) is(word string) (suffix string, ok bool) {
	word = strings.ToUpper(word)
	name := word
	if n.numbered {
		name = strings.TrimRight(word, "0123456789")
		suffix = word[len(name):]
	}
	return suffix, name == n.long || name == n.short
}

// unit is one part of a message, between semicolons.
type unit struct {
	text       string // as it stands
	header     string // without its question mark
	query      bool
	parameters string
	command    *cardinfo.Command // nil: not in the reference
	suffix     string            // of its first numbered node; "" is 1
	root       bool              // known, had it begun with a colon
}

// units parses a message into its parts and finds their commands. After a
// header the next one continues at its level, unless it begins with : or *
// (SCPI-1999 volume 1, 6.2.4; a common command leaves the level as it is).
func (d *Decoder) units(message string) []unit {
	var out []unit
	var level []string
	for _, text := range splitOutside(message, ';') {
		text = strings.TrimSpace(text)
		if text == "" {
			continue
		}
		u := unit{text: text}
		header, parameters, _ := strings.Cut(strings.ReplaceAll(text, "\t", " "), " ")
		u.header, u.query = strings.CutSuffix(header, "?")
		u.parameters = strings.TrimSpace(parameters)
		if !strings.HasPrefix(u.header, "*") {
			level = d.find(&u, level)
		} else {
			d.findCommon(&u)
		}
		out = append(out, u)
	}
	return out
}

func (d *Decoder) findCommon(u *unit) {
	for i := range d.patterns {
		if p := &d.patterns[i]; p.common != "" && p.common == strings.ToUpper(u.header) && p.takes(u) {
			u.command = p.command
			return
		}
	}
}

// find looks a header up from a level, and returns the level after it.
func (d *Decoder) find(u *unit, level []string) []string {
	words := strings.Split(strings.TrimPrefix(u.header, ":"), ":")
	full := words
	if !strings.HasPrefix(u.header, ":") {
		full = slices.Concat(level, words)
	}
	d.look(u, full)
	if u.command == nil && len(full) > len(words) {
		probe := *u
		d.look(&probe, words)
		u.root = probe.command != nil
	}
	return full[:len(full)-1]
}

func (d *Decoder) look(u *unit, words []string) {
	for i := range d.patterns {
		p := &d.patterns[i]
		if p.common != "" || !p.takes(u) {
			continue
		}
		if suffixes, ok := p.match(words); ok {
			u.command = p.command
			if len(suffixes) > 0 {
				u.suffix = suffixes[0]
			}
			return
		}
	}
}

// takes reports whether the command exists in the form that is used: as a
// query or as a setting.
func (p *pattern) takes(u *unit) bool {
	if u.query {
		return p.command.Query || p.command.QueryOnly
	}
	return !p.command.QueryOnly
}

// splitOutside splits at a separator that stands in no string and in no
// parentheses.
func splitOutside(text string, at byte) []string {
	var out []string
	from, depth, quote := 0, 0, byte(0)
	for i := 0; i < len(text); i++ {
		c := text[i]
		switch {
		case quote != 0:
			if c == quote {
				quote = 0
			}
		case c == '"' || c == '\'':
			quote = c
		case c == '(':
			depth++
		case c == ')':
			depth = max(0, depth-1)
		case c == at && depth == 0:
			out = append(out, text[from:i])
			from = i + 1
		}
	}
	return append(out, text[from:])
}
