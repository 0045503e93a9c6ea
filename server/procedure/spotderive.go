package procedure

import (
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/budget"
	"ohmkeep/server/dut"
)

// spot gathers the readings of one pin at one point: all its repeats.
type spot struct {
	sensedAt
	pin   int
	group int
	at    *spotPoint
}

// spotPoint is one point of a measurement: the spots of the pins that are
// measured, and what was read back of the levels that are held.
type spotPoint struct {
	before   *spotPoint // the point before it; nil: it is the first
	settle   Settle
	bending  bool // see Point.Bending
	spots    []*spot
	held     []*sensedAt // in the order they were read
	known    *situation  // of what has come in so far; nil: to be worked out
	junction float64     // kT/q of the part, V
}

// seconds is a reading's time since the start of its run.
func seconds(o *Observation) float64 { return float64(o.T) * 1e-9 }

// whole reports whether all repeats have come. What may turn out not to apply is
// held back until then, so that no result is left over that a later reading has
// taken back.
func (s *spot) whole(m *Measurement) bool { return s.v.N() >= m.repeats() && s.i.N() >= m.repeats() }

// clamped reports whether a reading of the spot was at its compliance.
func (s *spot) clamped() bool { return s.flags.Has(bench.InCompliance) }

// situation is what is known of the spot's point; nil where the readings do not
// say by what they were taken.
func (s *spot) situation() *situation {
	if s.sense == nil || s.sense.Segment == nil {
		return nil
	}
	if s.at.known == nil {
		s.at.known = solve(s.sense.Segment, s.at.drive)
		s.at.known.junction = s.at.junction
	}
	return s.at.known
}

// drive is what drive k of the segment read at the point.
func (p *spotPoint) drive(k int) *sensedAt {
	for _, s := range p.spots {
		if s.sense != nil && s.sense.Drive == k {
			return &s.sensedAt
		}
	}
	for _, h := range p.held {
		if h.sense != nil && h.sense.Drive == k {
			return h
		}
	}
	return nil
}

// current is what flows into the pin, A.
func (s *spot) current() budget.Value {
	if at := s.situation(); at != nil {
		return at.i[s.sense.Drive]
	}
	_, i := s.values()
	return i
}

// through is the current into the pin of a part whose pins may be joined with each
// other inside, A: what leaks at those that are left open comes from this one then.
func (s *spot) through() budget.Value {
	if at := s.situation(); at != nil {
		return at.through(s.sense.Drive)
	}
	return s.current()
}

// voltage is that of the pin against the part's ground, V.
func (s *spot) voltage() budget.Value {
	if at := s.situation(); at != nil {
		return at.v[s.sense.Drive].Sub(at.ground())
	}
	v, _ := s.values()
	return v
}

// voltageTo is that of the pin against another, V; 0 is the part's ground.
func (s *spot) voltageTo(pin int) budget.Value {
	at := s.situation()
	if at == nil || pin == 0 {
		return s.voltage()
	}
	return at.v[s.sense.Drive].Sub(at.at(pin))
}

// lost says which held level was not reached: its channel was at its compliance.
func (s *spot) lost() (pin int, is bool) {
	for _, h := range s.at.held {
		if h.flags.Has(bench.InCompliance) && h.sense != nil && !h.sense.Segment.Drives[h.sense.Drive].Witness {
			return h.sense.Segment.Drives[h.sense.Drive].Pin, true
		}
	}
	return 0, false
}

// with is the spot with other readings in place of its own, at the same point.
func (s *spot) with(one *sensedAt) *spot {
	out := &spot{sensedAt: *one, pin: s.pin, group: s.group, at: &spotPoint{before: s.at.before, settle: s.at.settle, held: s.at.held, junction: s.at.junction}}
	for _, o := range s.at.spots {
		if o == s {
			o = out
		}
		out.at.spots = append(out.at.spots, o)
	}
	return out
}

// lost words which held level was not reached; "" where all were.
func (k *kit) lost(spots ...*spot) string {
	for _, s := range spots {
		if pin, is := s.lost(); is {
			return k.lostPin(pin)
		}
		for _, o := range s.at.spots { // a supply that is measured beside it
			if p, known := k.d.Pin(o.pin); o != s && known && p.Function == dut.Supply && o.clamped() {
				return k.lostPin(o.pin)
			}
		}
	}
	return ""
}

// lostPin words that the level of a pin was not reached.
func (k *kit) lostPin(pin int) string {
	return k.label(pin) + " was at its compliance: the condition was not reached"
}

// clampedAny reports whether a reading of any of the spots was at its compliance.
func clampedAny(spots ...*spot) bool {
	return slices.ContainsFunc(spots, func(s *spot) bool { return s.flags.Has(bench.InCompliance) })
}

// spotDeriver derives kinds with few points, whose results each rest on the
// spots of a pin.
type spotDeriver struct {
	kit
	spots  []spot
	points []*spotPoint
	// evaluate turns the spots, in the order of the expansion, into results. It
	// passes over spots that have not been read.
	evaluate func(k *kit, spots []spot) []Result
}

func newSpots(k Kind, kt kit, evaluate func(*kit, []spot) []Result) *spotDeriver {
	s := &spotDeriver{kit: kt, evaluate: evaluate}
	for p := range k.Points(kt.m, kt.d) {
		at := &spotPoint{junction: kt.m.junctionVolts(), settle: p.Settle, bending: p.Bending}
		if n := len(s.points); n > 0 {
			at.before = s.points[n-1]
		}
		s.points = append(s.points, at)
		for _, pin := range p.Read {
			s.spots = append(s.spots, spot{pin: pin, group: int(p.Group), at: at})
		}
	}
	for i := range s.spots {
		at := s.spots[i].at
		at.spots = append(at.spots, &s.spots[i])
	}
	return s
}

func (s *spotDeriver) Add(o Observation) {
	if int(o.Point) >= len(s.points) {
		return // of no point of this measurement
	}
	p := s.points[o.Point]
	p.known = nil
	if o.witnessed() {
		p.readBack(&o)
		return
	}
	for _, at := range p.spots {
		if at.pin == int(o.Pin) {
			at.add(&o)
			return
		}
	}
	if o.Flags.Has(bench.Auxiliary) {
		p.readBack(&o)
	}
}

// readBack takes a reading of a level that is held.
func (p *spotPoint) readBack(o *Observation) {
	for _, h := range p.held {
		if h.sense == o.Sense {
			h.add(o)
			return
		}
	}
	h := &sensedAt{}
	h.add(o)
	p.held = append(p.held, h)
}

func (s *spotDeriver) Results() []Result { return s.evaluate(&s.kit, s.spots) }

// perPin gathers the spots of each pin, in their order.
func perPin(spots []spot) [][]*spot {
	var out [][]*spot
	for i := range spots {
		if n := len(out); n == 0 || out[n-1][0].pin != spots[i].pin {
			out = append(out, nil)
		}
		out[len(out)-1] = append(out[len(out)-1], &spots[i])
	}
	return out
}
