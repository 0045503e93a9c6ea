package scpi

// Unit is one command of a message, read.
type Unit struct {
	ID     ID
	Query  bool
	Suffix int // of <n>: 1 where it was left out; 0 where the header has none
	Values []Value
}

// Parser goes through messages for one tree, and is used again for each. It
// is not for use by several goroutines at a time.
type Parser struct {
	tree   *Tree
	rest   string
	more   bool // a unit must come
	path   place
	err    error
	unit   Unit
	values []Value
	items  []Item
}

// NewParser makes a parser.
func NewParser(t *Tree) *Parser {
	return &Parser{tree: t, values: make([]Value, 0, 4), items: make([]Item, 0, 16)}
}

// Start begins a message: a line without its LF. A CR at its end is ignored.
// A message with a character that may not be in one has no units: -101.
func (p *Parser) Start(message string) {
	if n := len(message); n > 0 && message[n-1] == '\r' {
		message = message[:n-1]
	}
	p.rest, p.err, p.path = message, nil, p.tree.start()
	for i := range len(message) {
		if c := message[i]; c != '\t' && (c < ' ' || c > '~') {
			p.err = InvalidCharacter
		}
	}
	p.more = skip(message, 0) < len(message)
}

// Err is the Code that ended the message; nil where it was read to its end.
func (p *Parser) Err() error { return p.err }

// Unit is the unit that Next has read. It and what it holds is valid until
// the next Next.
func (p *Parser) Unit() *Unit { return &p.unit }

// Next reads the next unit. It is false at the end of the message and at the
// first mistake.
func (p *Parser) Next() bool {
	if p.err != nil || !p.more {
		return false
	}
	p.err = p.next()
	return p.err == nil
}

func (p *Parser) next() error {
	h, err := p.tree.scanHeader(p.rest[skip(p.rest, 0):], p.path)
	if err != nil {
		return err
	}
	params := h.entry.params
	if h.query {
		params = h.entry.query
	}
	p.values, p.items = p.values[:0], p.items[:0]
	rest, err := p.scanValues(h.rest, params)
	if err != nil {
		return err
	}
	p.path = h.path
	p.unit = Unit{ID: h.entry.ID, Query: h.query, Values: p.values}
	if h.entry.suffix {
		p.unit.Suffix = h.suffix
	}
	if p.more = rest != ""; p.more {
		p.rest = rest[1:]
	}
	return nil
}

// scanValues reads parameters up to the end of the unit and returns what is
// left, from the ";" on.
func (p *Parser) scanValues(s string, params []param) (string, error) {
	s = s[skip(s, 0):]
	for i := 0; s != "" && s[0] != ';'; i++ {
		if i >= len(params) {
			return s, ParameterNotAllowed
		}
		var v Value
		var err error
		if v, s, err = p.scanValue(s, &params[i]); err != nil {
			return s, err
		}
		p.values = append(p.values, v)
		s = s[skip(s, 0):]
		switch {
		case s == "" || s[0] == ';':
		case s[0] != ',':
			return s, InvalidSeparator
		default:
			if s = s[skip(s, 1):]; s == "" || s[0] == ';' {
				return s, SyntaxError
			}
		}
	}
	if n := len(p.values); n < len(params) && !params[n].Optional {
		return s, MissingParameter
	}
	return s, nil
}

// place is the node below which the path rule looks for the next header, with
// the numeric suffix on the way there.
type place struct {
	node   *node
	suffix int
}

func (t *Tree) start() place { return place{&t.root, 1} }

// header is a header, found.
type header struct {
	entry  *entry
	query  bool
	suffix int
	path   place
	rest   string
}

// scanHeader finds the header at the beginning of s.
func (t *Tree) scanHeader(s string, path place) (header, error) {
	if s == "" {
		return header{}, SyntaxError
	}
	if s[0] == '*' {
		return t.scanCommon(s[1:], path)
	}
	if s[0] == ':' {
		s, path = s[1:], t.start()
	}
	h := header{path: path}
	at, outOfRange := path, false
	for {
		m, rest, err := scanMnemonic(s)
		if err != nil {
			return h, err
		}
		h.path = at
		if outOfRange = t.descend(&at, m) || outOfRange; at.node == nil {
			return h, UndefinedHeader
		}
		if s = rest; s == "" || s[0] != ':' {
			break
		}
		s = s[1:]
	}
	h.suffix = at.suffix
	return h, t.finish(&h, s, at.node, outOfRange)
}

// descend goes one mnemonic down; the node is nil where there is none. It
// reports whether the mnemonic's suffix is out of range.
func (t *Tree) descend(at *place, m mnemonic) bool {
	children := at.node.children
	at.node = nil
	for i := range children {
		c := &children[i]
		if c.long != m.key && c.short != m.key {
			continue
		}
		at.node = c.node
		if m.suffix < 0 {
			if c.suffix {
				at.suffix = 1
			}
			return false
		}
		at.suffix = m.suffix
		return !c.suffix || m.suffix < 1 || m.suffix > t.suffixes
	}
	return false
}

func (t *Tree) scanCommon(s string, path place) (header, error) {
	h := header{path: path}
	m, s, err := scanMnemonic(s)
	if err != nil {
		return h, err
	}
	for i := range t.common {
		if c := &t.common[i]; c.long == m.key && m.suffix < 0 {
			return h, t.finish(&h, s, c.node, false)
		}
	}
	return h, UndefinedHeader
}

// finish reads the "?" and chooses the command.
func (t *Tree) finish(h *header, s string, n *node, outOfRange bool) error {
	h.entry, h.rest = n.sets, s
	if s != "" && s[0] == '?' {
		h.entry, h.rest, h.query = n.asks, s[1:], true
	}
	switch {
	case h.rest != "" && h.rest[0] != ';' && !isSpace(h.rest[0]):
		return HeaderSeparatorError
	case h.entry == nil:
		return UndefinedHeader
	case outOfRange:
		return SuffixOutOfRange
	}
	return nil
}

// mnemonic is one word of a header as sent.
type mnemonic struct {
	key    key
	suffix int // -1 for none
}

// scanMnemonic reads a word of a header and its numeric suffix.
func scanMnemonic(s string) (mnemonic, string, error) {
	n := word(s)
	switch {
	case n == 0 && (s == "" || known(s[0])):
		return mnemonic{}, s, SyntaxError
	case n == 0:
		return mnemonic{}, s, InvalidCharacter
	case n > maxMnemonic:
		return mnemonic{}, s, MnemonicTooLong
	}
	if rest := s[n:]; rest != "" && !isSpace(rest[0]) && rest[0] != ':' && rest[0] != ';' && rest[0] != '?' {
		if known(rest[0]) {
			return mnemonic{}, s, HeaderSeparatorError
		}
		return mnemonic{}, s, InvalidCharacter
	}
	letters := n
	for letters > 1 && isDigit(s[letters-1]) {
		letters--
	}
	m := mnemonic{keyOf(s[:letters]), -1}
	if letters < n {
		m.suffix = 0
		for _, c := range []byte(s[letters:n]) {
			m.suffix = min(m.suffix*10+int(c-'0'), maxChannel+1)
		}
	}
	return m, s[n:], nil
}

// known reports whether a character that is not part of a word has a meaning
// somewhere in a message.
func known(c byte) bool {
	switch c {
	case ' ', '\t', '"', '#', '\'', '(', ')', '*', '+', ',', '-', '.', '/', ':', ';', '?', '!', '@':
		return true
	}
	return isDigit(c)
}
