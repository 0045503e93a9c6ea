package bench

import (
	"maps"
	"math"
	"slices"
)

// Line is what a pin needs to be switched to.
type Line string

const (
	ToChannel Line = "channel"
	ToReturn  Line = "return"
)

// Need is what one pin asks of the bench.
type Need struct {
	Pin  int
	Line Line
	// Mode, Voltage and Current say what a channel must be able to do: force
	// one and limit the other. The magnitudes are the largest that will be
	// asked, in volts and amperes.
	Mode             Mode
	Voltage, Current float64
	Kelvin           bool // force and sense wires up to the contact
	// Alike is the same non-zero number for pins that are driven alike
	// throughout; only such pins may share the channel they are strapped to.
	Alike int
}

// Assignment is who connects where. It is not changed once made.
type Assignment struct {
	// Channel is the channel of every pin that has one, whether by a path or
	// by a strap. Pins on the return are absent.
	Channel map[int]ChannelID
	// Path is the path of every pin that needs one. A strapped pin has none.
	Path map[int]PathID
	// Zero holds the pins that asked for the return but are strapped to a
	// channel: that channel must force 0 V.
	Zero map[int]ChannelID
	// Paths are all paths to close, ascending.
	Paths []PathID
}

// Assign finds which channel and path serves each need, moving as few paths as
// possible from prefer (nil: from none closed). The error is a *Clash.
func Assign(def *Definition, pm *PinMap, needs []Need, prefer *Assignment) (*Assignment, error) {
	return NewSolver(def, pm).Assign(needs, prefer)
}

// Solver answers Assign for one bench and pin map, and remembers its answers.
// It is used by one goroutine at a time.
type Solver struct {
	def      *Definition
	pm       *PinMap
	channels map[ChannelID]*Channel
	reach    map[int][]candidate // by contact, ascending path
	muxNames []string            // by candidate.mux
	straps   map[int]Strap       // by contact; return and channel straps only
	tied     map[ChannelID][]int // pins strapped to a channel
	known    map[string]answer
	trials   int        // changes tried as remedies
	worked   []proposal // those that freed a clash
}

type answer struct {
	assignment *Assignment
	err        error
}

// candidate is a path that could serve a need.
type candidate struct {
	path    PathID
	channel ChannelID
	mux     int // index of its multiplexer, unique for a path without one
	kelvin  bool
}

// maxKnown bounds the remembered answers of a solver.
const maxKnown = 4096

// NewSolver prepares for assignments on a bench. Neither the definition nor
// the pin map may change afterwards.
func NewSolver(def *Definition, pm *PinMap) *Solver {
	s := &Solver{
		def:      def,
		channels: make(map[ChannelID]*Channel, len(def.Channels)),
		reach:    make(map[int][]candidate, def.Contacts),
		known:    map[string]answer{},
	}
	for i := range def.Channels {
		s.channels[def.Channels[i].ID] = &def.Channels[i]
	}
	index := map[string]int{}
	for _, p := range def.Paths {
		m, seen := index[p.Mux]
		if !seen || p.Mux == "" {
			m = len(s.muxNames)
			index[p.Mux] = m
			s.muxNames = append(s.muxNames, p.Mux)
		}
		s.reach[p.Contact] = append(s.reach[p.Contact], candidate{p.ID, p.Channel, m, p.Kelvin})
	}
	for _, cs := range s.reach {
		slices.SortFunc(cs, func(a, b candidate) int { return int(a.path) - int(b.path) })
	}
	return s.on(pm)
}

// on returns the solver of the same bench for another pin map. It shares what
// it remembers, and so must not be asked through Assign for a pin map but its
// own.
func (s *Solver) on(pm *PinMap) *Solver {
	own := *s
	own.pm, own.straps, own.tied = pm, map[int]Strap{}, map[ChannelID][]int{}
	for _, st := range pm.Straps {
		if st.Kind == StrapReturn || st.Kind == StrapChannel {
			own.straps[st.Contact] = st
		}
	}
	for pin, contact := range pm.Contacts {
		if st, ok := own.straps[contact]; ok && st.Kind == StrapChannel {
			own.tied[st.Channel] = append(own.tied[st.Channel], pin)
		}
	}
	for _, pins := range own.tied {
		slices.Sort(pins)
	}
	return &own
}

// Assign finds which channel and path serves each need; see the function of
// the same name.
func (s *Solver) Assign(needs []Need, prefer *Assignment) (*Assignment, error) {
	key := keyOf(needs, prefer)
	if a, ok := s.known[key]; ok {
		return a.assignment, a.err
	}
	a, err := s.solve(needs, prefer)
	if len(s.known) >= maxKnown {
		clear(s.known)
	}
	s.known[key] = answer{a, err}
	return a, err
}

func (s *Solver) solve(needs []Need, prefer *Assignment) (*Assignment, error) {
	a, open, clash := s.connect(needs, prefer)
	if clash == nil && a == nil {
		clash = s.explain(open)
	}
	if clash != nil {
		s.remedy(clash, needs)
		return nil, clash
	}
	return a, nil
}

// possible reports whether the needs can be served at all.
func (s *Solver) possible(needs []Need) bool {
	a, _, _ := s.connect(needs, nil)
	return a != nil
}

// connect finds an assignment, by exact search. Without an answer it gives a
// clash of straps or of single pins, one with the fewest pins of several, or
// else the variables that cannot be served together.
func (s *Solver) connect(needs []Need, prefer *Assignment) (*Assignment, []variable, *Clash) {
	a := &Assignment{Channel: map[int]ChannelID{}, Path: map[int]PathID{}, Zero: map[int]ChannelID{}}
	kept := map[PathID]bool{}
	if prefer != nil {
		for _, p := range prefer.Paths {
			kept[p] = true
		}
	}
	if clash := s.checkPins(needs); clash != nil {
		return nil, nil, clash
	}
	var open []variable
	var worst *Clash
	note := func(c *Clash) {
		if c != nil && (worst == nil || len(c.Pins) < len(worst.Pins)) {
			worst = c
		}
	}
	for _, n := range needs {
		contact := s.pm.Contacts[n.Pin]
		if st, ok := s.straps[contact]; ok {
			note(s.strapped(n, st, needs, a))
			continue
		}
		cands := s.candidates(n, contact)
		if len(cands) == 0 {
			note(s.unreachable(n, contact))
			continue
		}
		open = append(open, variable{need: n, cands: cands})
	}
	if worst != nil {
		return nil, nil, worst
	}
	picks, ok := search(open, kept)
	if !ok {
		return nil, open, nil
	}
	for i, v := range open {
		c := v.cands[picks[i]]
		a.Path[v.need.Pin] = c.path
		a.Paths = append(a.Paths, c.path)
		if c.channel != 0 {
			a.Channel[v.need.Pin] = c.channel
		}
	}
	slices.Sort(a.Paths)
	return a, nil, nil
}

// checkPins refuses a pin that is asked for twice or sits on no contact.
func (s *Solver) checkPins(needs []Need) *Clash {
	seen := make(map[int]bool, len(needs))
	for _, n := range needs {
		if seen[n.Pin] {
			return clashf([]int{n.Pin}, "", "pin %d is asked for twice at once", "name it once", n.Pin)
		}
		seen[n.Pin] = true
		if _, ok := s.pm.Contacts[n.Pin]; !ok {
			return clashf([]int{n.Pin}, "", "pin %d sits on no contact", "leave it out of this measurement", n.Pin)
		}
	}
	return nil
}

// strapped serves a need whose contact is tied to a line by a jumper.
func (s *Solver) strapped(n Need, st Strap, needs []Need, a *Assignment) *Clash {
	if st.Kind == StrapReturn {
		if n.Line == ToReturn {
			return nil
		}
		return clashf([]int{n.Pin}, "", "pin %d needs a channel but its contact is strapped to the return",
			"do not force this pin", n.Pin)
	}
	if n.Line == ToChannel && !s.able(st.Channel, n, true) {
		return s.unable(n, st.Channel)
	}
	for _, pin := range s.tied[st.Channel] {
		i := slices.IndexFunc(needs, func(o Need) bool { return o.Pin == pin })
		if i < 0 {
			return clashf([]int{n.Pin, pin}, "", "pins %d and %d are strapped to one channel, and pin %d is to stay open",
				"leave both out of this measurement", n.Pin, pin, pin)
		}
		if pin != n.Pin && !alike(n, needs[i]) {
			return clashf([]int{n.Pin, pin}, "", "pins %d and %d are strapped to one channel but need different things",
				"leave both out of this measurement", n.Pin, pin)
		}
	}
	a.Channel[n.Pin] = st.Channel
	if n.Line == ToReturn {
		a.Zero[n.Pin] = st.Channel
	}
	return nil
}

// alike reports whether two pins on one channel need the same of it.
func alike(a, b Need) bool {
	if a.Line == ToReturn || b.Line == ToReturn {
		return a.Line == b.Line
	}
	return a.Alike != 0 && a.Alike == b.Alike && a.Mode == b.Mode
}

// candidates lists the paths that can serve a need, ascending.
func (s *Solver) candidates(n Need, contact int) []candidate {
	var out []candidate
	for _, c := range s.reach[contact] {
		if s.serves(c, n) {
			out = append(out, c)
		}
	}
	return out
}

// serves reports whether a path can serve a need. A channel strapped to a pin
// serves no other: that pin would be driven along.
func (s *Solver) serves(c candidate, n Need) bool {
	if n.Kelvin && !c.kelvin {
		return false
	}
	if n.Line == ToReturn {
		return c.channel == 0
	}
	return c.channel != 0 && len(s.tied[c.channel]) == 0 && s.able(c.channel, n, c.kelvin)
}

// able reports whether a channel has the ranges and the sense terminals that
// a need asks for. A strap is taken to carry both wires to the contact.
func (s *Solver) able(id ChannelID, n Need, kelvin bool) bool {
	ch, ok := s.channels[id]
	if !ok || n.Kelvin && !(ch.RemoteSense && kelvin) {
		return false
	}
	// What is not forced is limited in the other force function's range and
	// sensed besides, so both must hold the compliance.
	_, v := RangeFor(ch.ForceV, n.Voltage)
	_, i := RangeFor(ch.ForceI, n.Current)
	sense, sensed := ch.SenseI, n.Current
	if n.Mode == ForceCurrent {
		sense, sensed = ch.SenseV, n.Voltage
	}
	_, seen := RangeFor(sense, sensed)
	return v && i && seen
}

// Moved counts the paths that open or close between two assignments; nil is
// none closed.
func Moved(from, to *Assignment) int {
	closed := map[PathID]bool{}
	if from != nil {
		for _, p := range from.Paths {
			closed[p] = true
		}
	}
	moved := len(closed)
	if to != nil {
		for _, p := range to.Paths {
			if closed[p] {
				moved--
			} else {
				moved++
			}
		}
	}
	return moved
}

// Equal reports whether both connect every pin to the same channel by the
// same path.
func (a *Assignment) Equal(b *Assignment) bool {
	return a == b || a != nil && b != nil &&
		maps.Equal(a.Channel, b.Channel) && maps.Equal(a.Path, b.Path) && maps.Equal(a.Zero, b.Zero)
}

// keyOf spells needs and preference as bytes, to find an earlier answer by.
func keyOf(needs []Need, prefer *Assignment) string {
	b := make([]byte, 0, 28*len(needs)+32)
	word := func(u uint64) {
		for ; u > 0x7f; u >>= 7 {
			b = append(b, byte(u)|0x80)
		}
		b = append(b, byte(u))
	}
	word(uint64(len(needs)))
	for _, n := range needs {
		bits := uint64(0)
		for i, set := range []bool{n.Line == ToReturn, n.Mode == ForceCurrent, n.Kelvin} {
			if set {
				bits |= 1 << i
			}
		}
		word(uint64(n.Pin))
		word(bits)
		word(math.Float64bits(n.Voltage))
		word(math.Float64bits(n.Current))
		word(uint64(n.Alike))
	}
	if prefer != nil {
		for _, p := range prefer.Paths {
			word(uint64(p))
		}
	}
	return string(b)
}
