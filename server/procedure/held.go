package procedure

import (
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
	"ohmkeep/server/dut"
)

// grouped is a kind whose results each rest on the readings of some groups of its
// points alone. The result of any other kind rests on all readings of its pin.
type grouped interface {
	// groups says which groups of points a result rests on.
	groups(m *Measurement, d *dut.Device) func(r *Result) []int
}

// Derive starts the computation of a measurement's results by its kind, and adds
// to each result the levels that were held while its own readings were taken, as
// they were read back, and a word where the settings spoil it.
func Derive(k Kind, m *Measurement, d *dut.Device, r Rule) Deriver {
	h := &heldDeriver{Deriver: &ruinsDeriver{Deriver: k.Derive(m, d, r), m: m}, kept: map[heldKey]*heldSpan{}}
	if by, is := k.(grouped); is {
		h.groups = by.groups(m, d)
	}
	return h
}

// heldDeriver is a kind's deriver that remembers, of each measured pin and group,
// the first and the last point at which held levels were read back.
type heldDeriver struct {
	Deriver
	groups func(r *Result) []int // that a result rests on; nil: on all
	now    heldPoint
	kept   map[heldKey]*heldSpan
	pins   []int // measured pins, in the order in which they came
	most   int   // largest group
}

// heldKey is a measured pin in a group of points.
type heldKey struct{ pin, group int }

// heldSpan is the first and the last point of a pin in a group: what the part
// draws along a curve moves the levels.
type heldSpan struct {
	first, last heldPoint
	said        []heldWithin
	fresh       bool // levels are to be worked out again
}

// heldPoint is the first reading of each channel at one point.
type heldPoint struct {
	point uint32
	read  []Observation
	own   int // of read: those of the measured pins
}

// heldWithin is a level that a pin was held at, and where it was: V.
type heldWithin struct {
	pin            int
	set, low, high float64
	told           bool // low and high hold 95 %
	mixed          bool // held at several levels: no one is that of a result
}

// Add takes a reading. A point whose every reading is auxiliary is beside the
// stated conditions, and says nothing of them.
func (h *heldDeriver) Add(o Observation) {
	h.Deriver.Add(o)
	p := &h.now
	if o.Point != p.point || len(p.read) == 0 {
		p.point, p.own, p.read = o.Point, 0, p.read[:0]
	}
	if o.Sense == nil || o.Sense.Segment == nil || len(p.read) > 0 && !o.Flags.Has(bench.Auxiliary) && p.has(o.Sense) {
		return
	}
	switch back := o.Flags.Has(bench.Auxiliary); {
	case !back:
		p.read = append(p.read, o)
		p.own = len(p.read)
	case p.own > 0 && o.Sense.Segment == p.read[0].Sense.Segment && !p.has(o.Sense):
		p.read = append(p.read, o)
		h.keep(p)
	}
}

func (p *heldPoint) has(s *Sense) bool {
	return slices.ContainsFunc(p.read, func(o Observation) bool { return o.Sense == s })
}

// keep remembers the point for each pin that was measured at it.
func (h *heldDeriver) keep(p *heldPoint) {
	for _, o := range p.read[:p.own] {
		key := heldKey{int(o.Pin), int(o.Group)}
		at := h.kept[key]
		if at == nil {
			at = &heldSpan{}
			h.kept[key] = at
			h.most = max(h.most, key.group)
			if !slices.Contains(h.pins, key.pin) {
				h.pins = append(h.pins, key.pin)
			}
		}
		at.fresh = true
		at.last.take(p)
		if len(at.first.read) == 0 || at.first.point == p.point {
			at.first.take(p)
		}
	}
}

// take makes the point a copy of another, in its own memory.
func (p *heldPoint) take(from *heldPoint) {
	p.point, p.own, p.read = from.point, from.own, append(p.read[:0], from.read...)
}

// Results are those of the kind with the levels that were held.
func (h *heldDeriver) Results() []Result {
	out := h.Deriver.Results()
	for i := range out {
		r := &out[i]
		levels := h.levels(r)
		if len(levels) == 0 {
			continue
		}
		// A budget of its own: the kind may give the same one again, and whoever
		// has had it must not see it change.
		b := Budget{}
		if r.Budget != nil {
			b = *r.Budget
		}
		b.Held = levels
		r.Budget = &b
	}
	return out
}

// levels are those held while a result's readings were taken. One that was held
// at several levels meanwhile is left out, one that moved is told with where it
// went. A result of no measured pin rests on the first.
func (h *heldDeriver) levels(r *Result) []Held {
	if len(h.pins) == 0 {
		return nil
	}
	pin := r.Pin
	if !slices.Contains(h.pins, pin) {
		pin = h.pins[0]
	}
	var all []heldWithin
	add := func(group int) {
		if at := h.kept[heldKey{pin, group}]; at != nil {
			all = spanned(all, at.held())
		}
	}
	if h.groups == nil {
		for g := range h.most + 1 {
			add(g)
		}
	} else {
		for _, g := range h.groups(r) {
			add(g)
		}
	}
	var out []Held
	for _, w := range all {
		if w.mixed {
			continue
		}
		told := Held{Pin: w.pin, Set: w.set, Value: (w.low + w.high) / 2}
		if w.told {
			told.U = (w.high - w.low) / 2
		}
		out = append(out, told)
	}
	return out
}

// spanned are levels with those of more readings: each from where it was lowest to
// where it was highest, in the order of the pins.
func spanned(all, more []heldWithin) []heldWithin {
	all = slices.Clone(all)
	for _, w := range more {
		i := slices.IndexFunc(all, func(o heldWithin) bool { return o.pin == w.pin })
		if i < 0 {
			all = append(all, w)
			continue
		}
		o := &all[i]
		o.mixed = o.mixed || w.mixed || o.set != w.set
		o.low, o.high, o.told = min(o.low, w.low), max(o.high, w.high), o.told && w.told
	}
	slices.SortFunc(all, func(a, b heldWithin) int { return a.pin - b.pin })
	return all
}

// held are the levels of both ends together.
func (s *heldSpan) held() []heldWithin {
	if s.fresh {
		s.said, s.fresh = spanned(s.first.held(), s.last.held()), false
	}
	return s.said
}

// held works the held levels out: at the pins, against the part's ground.
func (p *heldPoint) held() []heldWithin {
	seg := p.read[0].Sense.Segment
	read := make([]sensedAt, len(seg.Drives))
	for i := range p.read {
		if o := &p.read[i]; o.Sense.Drive < len(read) {
			read[o.Sense.Drive].add(o)
		}
	}
	at := solve(seg, func(k int) *sensedAt { return &read[k] })
	ground := at.ground()
	var out []heldWithin
	for i := range p.read[p.own:] {
		o := &p.read[p.own+i]
		d := seg.Drives[o.Sense.Drive]
		if d.Mode != bench.ForceVoltage || d.Witness || seg.returnsBy(o.Sense.Drive) {
			continue
		}
		v := at.v[o.Sense.Drive].Sub(ground)
		u := v.State(budget.Coverage).U
		w := heldWithin{pin: d.Pin, set: o.Set, told: finite(u)}
		w.low, w.high = v.X-orZero(u), v.X+orZero(u)
		out = append(out, w)
	}
	return out
}

// returnsBy reports whether a drive stands in for the return.
func (s *Segment) returnsBy(drive int) bool {
	return slices.ContainsFunc(s.returns, func(r returned) bool { return r.conn.Drive == drive })
}
