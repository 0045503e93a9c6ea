package procedure

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
)

// A plan is a procedure worked out for a bench before anything is energised: what
// connects where in every measurement, in which ranges, in which order it comes
// up, and how long it should take. The check before power and the executor
// both go by it, so that what was checked is what is done.

// Plan is a whole procedure worked out.
type Plan struct {
	Steps   []*PlanStep
	Nominal time.Duration
}

// PlanStep is one enabled measurement.
type PlanStep struct {
	Index       int // in the procedure
	Measurement *Measurement
	Kind        Kind
	Segments    []*Segment
	Points      int
	Nominal     time.Duration
}

// Planner works out one measurement after another, each near the connections
// of the one before it. It is used by one goroutine at a time.
type Planner struct {
	device *dut.Device
	bench  *bench.Definition
	solver *bench.Solver
	prev   *Segment
	// errors and contacts say what is between a channel and a pin.
	errors   *bench.Errors
	contacts map[int]int // pin number to contact
	occupied map[int]bool
	pathsOf  map[int][]*bench.Path // by contact
	strapped map[bench.ChannelID]bool
	empty    []star // contacts that nothing is on
	beside   []arm  // switches at the others
}

// NewPlanner prepares for a device on a bench. None of what it is given may
// change afterwards.
func NewPlanner(d *dut.Device, pm *bench.PinMap, b *bench.Definition) *Planner {
	p := &Planner{device: d, bench: b, solver: bench.NewSolver(b, pm),
		errors: bench.NewErrors(b), contacts: pm.Contacts, occupied: map[int]bool{}, pathsOf: map[int][]*bench.Path{}, strapped: map[bench.ChannelID]bool{}}
	for _, s := range pm.Straps {
		if s.Kind == bench.StrapChannel {
			p.strapped[s.Channel] = true
		}
	}
	for _, contact := range pm.Contacts {
		p.occupied[contact] = true
	}
	for i := range b.Paths {
		o := &b.Paths[i]
		p.pathsOf[o.Contact] = append(p.pathsOf[o.Contact], o)
	}
	p.empty, p.beside = p.emptyContacts(), p.openAtPins()
	return p
}

// MakePlan works out a procedure; kinds finds a kind of measurement. The error
// says which measurement cannot be carried out and why: it wraps a *bench.Clash
// where pins cannot be connected together and dut.Problems where a measurement
// is not valid.
func MakePlan(proc *Procedure, d *dut.Device, pm *bench.PinMap, b *bench.Definition, kinds func(string) (Kind, bool)) (*Plan, error) {
	p := NewPlanner(d, pm, b)
	out := &Plan{}
	for i := range proc.Measurements {
		m := &proc.Measurements[i]
		if m.Disabled {
			continue
		}
		s, err := p.measurement(i, m, kinds)
		if err != nil {
			return nil, fmt.Errorf("measurement %d, %s: %w", i+1, m.Name, err)
		}
		out.Steps = append(out.Steps, s)
		out.Nominal += s.Nominal
	}
	if len(out.Steps) == 0 {
		return nil, errors.New("no measurement is enabled")
	}
	return out, nil
}

func (p *Planner) measurement(index int, m *Measurement, kinds func(string) (Kind, bool)) (*PlanStep, error) {
	kind, ok := kinds(m.Kind)
	if !ok {
		return nil, fmt.Errorf("there is no kind of measurement %q", m.Kind)
	}
	if err := kind.Validate(m, p.device).Err(); err != nil {
		return nil, err
	}
	return p.Step(index, m, kind, nil)
}

// Step works out one measurement whose fields are valid. Each, where given, is
// shown every point with the segment that it belongs to.
func (p *Planner) Step(index int, m *Measurement, kind Kind, each func(*Segment, *Point)) (*PlanStep, error) {
	s := &PlanStep{Index: index, Measurement: m, Kind: kind}
	var seg *Segment
	for pt := range kind.Points(m, p.device) {
		if seg == nil || !seg.holds(pt.Hold) {
			seg = newSegment(pt.Hold)
			s.Segments = append(s.Segments, seg)
		}
		if err := seg.add(&pt, p.bench.LineHz); err != nil {
			return nil, err
		}
		if each != nil {
			shown := pt // a copy, so that points that nobody looks at are not allocated
			each(seg, &shown)
		}
		s.Points++
	}
	for _, seg := range s.Segments {
		if err := p.connect(seg); err != nil {
			return nil, err
		}
		s.Nominal += seg.Nominal + p.switching(seg)
		p.prev = seg
	}
	return s, nil
}

// connect finds the segment's channels and paths, near those of the segment
// before it.
func (p *Planner) connect(seg *Segment) error {
	needs := make([]bench.Need, 0, len(seg.Conns))
	for _, c := range seg.Conns {
		n := bench.Need{Pin: c.Pin, Line: bench.ToReturn, Kelvin: c.Kelvin}
		if c.Use.TakesChannel() {
			n.Line, n.Mode, n.Voltage, n.Current = bench.ToChannel, c.Use.Mode(), c.Level, c.Compliance
			if n.Mode == bench.ForceCurrent {
				n.Voltage, n.Current = c.Compliance, c.Level
			}
			n.Alike = 1 + c.like
		}
		needs = append(needs, n)
	}
	var near *bench.Assignment
	if p.prev != nil {
		near = p.prev.Assign
	}
	a, err := p.solver.Assign(needs, near)
	if err != nil {
		return err
	}
	seg.Assign = a
	for _, c := range seg.Conns {
		c.Path = a.Path[c.Pin]
		if c.Use == UseReturn && c.Path != 0 {
			seg.Returns = append(seg.Returns, c.Path)
		}
		if ch, ok := a.Channel[c.Pin]; ok {
			if err := p.attach(seg, c, ch); err != nil {
				return err
			}
		}
	}
	p.attachWitness(seg)
	seg.order()
	p.surround(seg)
	return nil
}

// attach puts a pin on the drive of its channel, which it may share with pins
// that are strapped to the same one.
func (p *Planner) attach(seg *Segment, c *Conn, id bench.ChannelID) error {
	ch, ok := p.bench.ChannelByID(id)
	if !ok {
		return fmt.Errorf("channel %d is not on the bench", id)
	}
	rank, ramp := p.rank(c)
	for i, d := range seg.Drives {
		if d.Channel.ID == id {
			c.Drive = i
			d.rank = min(d.rank, rank)
			return nil
		}
	}
	d := &Drive{Channel: ch, Pin: c.Pin, Path: c.Path, rank: rank, Power: ramp, Remote: c.Kelvin, Mode: c.Use.Mode()}
	if c.Use == UseReturn {
		// A channel that stands in for the return may have to carry whatever
		// the part returns: its compliance is all it has.
		d.Zero, d.Compliance = true, ch.SenseI[len(ch.SenseI)-1].FullScale
		d.Remote = ch.RemoteSense
	}
	if err := d.pickRanges(c.Level, max(c.Compliance, d.Compliance)); err != nil {
		return err
	}
	c.Drive = len(seg.Drives)
	seg.Drives = append(seg.Drives, d)
	return nil
}

// Ranks of drives: what stands at 0 V comes up first, then the supplies in the
// device's order, then supplies it has no order for, then everything else.
const (
	rankGround = 0
	rankSupply = 1
	rankOther  = 1 << 20
)

func (p *Planner) rank(c *Conn) (int, *dut.PowerStep) {
	pin, _ := p.device.Pin(c.Pin)
	switch {
	case c.Use == UseReturn || pin.Function == dut.Ground:
		return rankGround, nil
	case c.Use != UseVoltage || pin.Function != dut.Supply:
		return rankOther, nil
	}
	for i := range p.device.Power {
		if p.device.Power[i].Pin == c.Pin {
			return rankSupply + i, &p.device.Power[i]
		}
	}
	return rankOther - 1, nil
}

// order sorts the drives into power order.
func (s *Segment) order() {
	slices.Sort(s.Returns)
	before := slices.Clone(s.Drives)
	slices.SortStableFunc(s.Drives, func(a, b *Drive) int { return a.rank - b.rank })
	for _, c := range s.Conns {
		if c.Drive >= 0 {
			c.Drive = slices.Index(s.Drives, before[c.Drive])
		}
	}
}

// switching is how long it should take to connect a segment after the one
// before it, with its supplies brought up.
func (p *Planner) switching(seg *Segment) time.Duration {
	kept, moved := 0, bench.Moved(nil, seg.Assign)
	if p.prev != nil {
		kept = Keepable(p.prev, seg)
		moved = bench.Moved(p.prev.Assign, seg.Assign)
	}
	var t float64
	if moved > 0 {
		t = 2 * p.bench.SwitchTime // break, then make
	}
	for _, d := range seg.Drives[kept:] {
		if d.Power != nil {
			t += d.Power.Ramp + d.Power.Delay
		}
	}
	return durationOf(t)
}

// Keepable is how many of the leading drives may stay up from one segment to
// the next: grounds and supplies that do not change, up to the first that
// does, and none where a path to the return moves. Such a path has no channel of
// its own that could be brought to zero, and through a part that is not sound it
// may carry the whole supply current.
func Keepable(from, to *Segment) int {
	if !slices.Equal(from.Returns, to.Returns) {
		return 0
	}
	n := 0
	for n < len(from.Drives) && n < len(to.Drives) && from.Drives[n].rank < rankOther && from.Drives[n].alike(to.Drives[n]) {
		n++
	}
	return n
}
