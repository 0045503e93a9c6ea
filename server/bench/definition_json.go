package bench

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"

	"ohmkeep/server/dut"
)

// Document is the bench as one JSON text, as it is exported: the same bytes for
// the same content, and a line for each range and each path, so that a
// difference between two revisions is a difference between lines. It fails for
// numbers that JSON cannot carry.
func (d Definition) Document() ([]byte, error) {
	body, err := dut.WriteJSON(d.WithoutNil())
	if err != nil {
		return nil, fmt.Errorf("bench: write the definition: %w", err)
	}
	dec := json.NewDecoder(bytes.NewReader(body))
	dec.UseNumber()
	root, err := readNode(dec)
	if err != nil {
		return nil, fmt.Errorf("bench: write the definition: %w", err)
	}
	var out bytes.Buffer
	root.write(&out, "")
	out.WriteByte('\n')
	return out.Bytes(), nil
}

// WithoutNil is the definition with empty lists in place of nil ones, which
// JSON would have as null.
func (d Definition) WithoutNil() Definition {
	channels := make([]Channel, len(d.Channels))
	for i, c := range d.Channels {
		for _, list := range c.tables() {
			if *list == nil {
				*list = []Range{}
			}
		}
		channels[i] = c
	}
	d.Channels = channels
	if d.Paths == nil {
		d.Paths = []Path{}
	}
	var connections []Connection
	for _, c := range d.Connections {
		if c.Cards == nil {
			c.Cards = []int{}
		}
		connections = append(connections, c)
	}
	d.Connections = connections
	return d
}

// tables are the channel's tables of ranges: force V, force I, sense V, sense I.
func (c *Channel) tables() []*[]Range { return []*[]Range{&c.ForceV, &c.ForceI, &c.SenseV, &c.SenseI} }

// node is a JSON value with the order of its members kept.
type node struct {
	open, shut string // of an object or a list; "" for anything else
	names      []string
	kids       []node
	text       string
}

func readNode(dec *json.Decoder) (node, error) {
	token, err := dec.Token()
	if err != nil {
		return node{}, err
	}
	var n node
	switch token {
	case json.Delim('{'):
		n.open, n.shut = "{", "}"
	case json.Delim('['):
		n.open, n.shut = "[", "]"
	default:
		text, err := dut.WriteJSON(token)
		return node{text: string(text)}, err
	}
	for dec.More() {
		if n.open == "{" {
			name, err := dec.Token()
			if err != nil {
				return n, err
			}
			n.names = append(n.names, fmt.Sprint(name))
		}
		kid, err := readNode(dec)
		if err != nil {
			return n, err
		}
		n.kids = append(n.kids, kid)
	}
	_, err = dec.Token()
	return n, err
}

// flat tells whether the value stands on one line: it holds nothing that holds
// something.
func (n *node) flat() bool {
	for i := range n.kids {
		if len(n.kids[i].kids) > 0 {
			return false
		}
	}
	return true
}

func (n *node) write(out *bytes.Buffer, indent string) {
	if n.open == "" {
		out.WriteString(n.text)
		return
	}
	before, between, after := "", ", ", ""
	if !n.flat() || indent == "" {
		before, between, after = "\n"+indent+"  ", ",\n"+indent+"  ", "\n"+indent
	}
	out.WriteString(n.open)
	for i := range n.kids {
		if i == 0 {
			out.WriteString(before)
		} else {
			out.WriteString(between)
		}
		if n.names != nil {
			name, _ := dut.WriteJSON(n.names[i]) // a string can always be written
			out.Write(name)
			out.WriteString(": ")
		}
		n.kids[i].write(out, indent+strings.Repeat(" ", 2))
	}
	if len(n.kids) > 0 {
		out.WriteString(after)
	}
	out.WriteString(n.shut)
}
