package procedure

import (
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
	"ohmkeep/server/dut"
)

// Derive starts the computation of a measurement's results by its kind, and adds
// to each result the levels that were held while it was measured, as they were
// read back, and a word where the settings spoil it.
func Derive(k Kind, m *Measurement, d *dut.Device, r Rule) Deriver {
	return &heldDeriver{Deriver: &ruinsDeriver{Deriver: k.Derive(m, d, r), m: m}, kept: map[int]*heldPoint{}}
}

// heldDeriver is a kind's deriver that remembers, of each measured pin, the last
// point at which held levels were read back.
type heldDeriver struct {
	Deriver
	now  heldPoint
	kept map[int]*heldPoint // by measured pin
	pins []int              // measured pins with such a point, in the order they came
}

// heldPoint is the first reading of each channel at one point.
type heldPoint struct {
	point uint32
	read  []Observation
	own   int  // of read: those of the measured pins
	fresh bool // levels are to be worked out again
	mixed bool // the pin was measured under different levels: no one set is that of a result
	said  []Held
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
		at := h.kept[int(o.Pin)]
		if at == nil {
			at = &heldPoint{}
			h.kept[int(o.Pin)] = at
			h.pins = append(h.pins, int(o.Pin))
		}
		at.mixed = at.mixed || at.differs(p)
		at.read, at.own, at.fresh = append(at.read[:0], p.read...), p.own, true
	}
}

// differs reports whether a channel that held a level holds another one now.
func (p *heldPoint) differs(now *heldPoint) bool {
	for _, a := range p.read[min(p.own, len(p.read)):] {
		for _, b := range now.read[now.own:] {
			if a.Channel == b.Channel && a.Set != b.Set {
				return true
			}
		}
	}
	return false
}

// Results are those of the kind with the levels that were held.
func (h *heldDeriver) Results() []Result {
	out := h.Deriver.Results()
	if len(h.pins) == 0 {
		return out
	}
	for i := range out {
		r := &out[i]
		levels := h.levels(r.Pin)
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

// levels are those held while a pin was measured; of a result of no measured
// pin, those of the first.
func (h *heldDeriver) levels(pin int) []Held {
	at := h.kept[pin]
	if at == nil {
		at = h.kept[h.pins[0]]
	}
	if at.mixed {
		return nil
	}
	if at.fresh {
		at.said, at.fresh = at.held(), false
	}
	return at.said
}

// held works the held levels out: at the pins, against the part's ground.
func (p *heldPoint) held() []Held {
	seg := p.read[0].Sense.Segment
	read := make([]sensedAt, len(seg.Drives))
	for i := range p.read {
		if o := &p.read[i]; o.Sense.Drive < len(read) {
			read[o.Sense.Drive].add(o)
		}
	}
	at := solve(seg, func(k int) *sensedAt { return &read[k] })
	ground := at.ground()
	var out []Held
	for i := range p.read[p.own:] {
		o := &p.read[p.own+i]
		d := seg.Drives[o.Sense.Drive]
		if d.Mode != bench.ForceVoltage || seg.returnsBy(o.Sense.Drive) {
			continue
		}
		v := at.v[o.Sense.Drive].Sub(ground)
		out = append(out, Held{Pin: d.Pin, Set: o.Set, Value: v.X, U: orZero(v.State(budget.Coverage).U)})
	}
	slices.SortFunc(out, func(a, b Held) int { return a.Pin - b.Pin })
	return out
}

// returnsBy reports whether a drive stands in for the return.
func (s *Segment) returnsBy(drive int) bool {
	return slices.ContainsFunc(s.returns, func(r returned) bool { return r.conn.Drive == drive })
}
