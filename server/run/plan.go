package run

import (
	"errors"
	"fmt"
	"hash/maphash"
	"math"
	"slices"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
)

// plan is a whole run worked out before anything is energised: what connects
// where in every measurement, and how long it should take.
type plan struct {
	steps   []*step
	nominal time.Duration
}

// Check works a run out without touching the bench: how long it should take,
// or what stands in its way, which wraps a *bench.Clash where pins cannot be
// connected together and dut.Problems where a measurement is not valid.
func Check(rec *procedure.Record) (time.Duration, error) {
	p, err := guarded(func() (*plan, error) { return makePlan(rec, procedure.KindByKey) })
	if err != nil {
		return 0, err
	}
	return p.nominal, nil
}

// step is one enabled measurement.
type step struct {
	index    int // in the procedure
	m        *procedure.Measurement
	kind     procedure.Kind
	limits   bounds
	segments []*segment
	points   int
	nominal  time.Duration
}

// segment is a stretch of consecutive points with the same connections.
type segment struct {
	points  int
	conns   []*conn
	drives  []*drive       // in power order
	returns []bench.PathID // paths to the return, ascending
	assign  *bench.Assignment
	nominal time.Duration // of all its points, without switching
}

// conn is one connected pin of a segment, with the largest magnitudes that
// any of its points asks for.
type conn struct {
	pin               int
	use               procedure.Use
	kelvin            bool
	level, compliance float64
	levels            uint64 // digest of all levels, to compare pins by
	drive             int    // index in segment.drives, -1: on the return
	path              bench.PathID
}

// planner makes a plan.
type planner struct {
	rec    *procedure.Record
	kinds  func(string) (procedure.Kind, bool)
	solver *bench.Solver
	seed   maphash.Seed
	prev   *segment
}

// makePlan works out a run. The error says which measurement cannot be
// carried out and why.
func makePlan(rec *procedure.Record, kinds func(string) (procedure.Kind, bool)) (*plan, error) {
	p := &planner{rec: rec, kinds: kinds, solver: bench.NewSolver(&rec.Bench, &rec.PinMap), seed: maphash.MakeSeed()}
	out := &plan{}
	for i := range rec.Procedure.Measurements {
		m := &rec.Procedure.Measurements[i]
		if m.Disabled {
			continue
		}
		s, err := p.step(i, m)
		if err != nil {
			return nil, fmt.Errorf("measurement %d, %s: %w", i+1, m.Name, err)
		}
		out.steps = append(out.steps, s)
		out.nominal += s.nominal
	}
	if len(out.steps) == 0 {
		return nil, errors.New("no measurement is enabled")
	}
	return out, nil
}

func (p *planner) step(index int, m *procedure.Measurement) (*step, error) {
	kind, ok := p.kinds(m.Kind)
	if !ok {
		return nil, fmt.Errorf("there is no kind of measurement %q", m.Kind)
	}
	if err := kind.Validate(m, &p.rec.Device).Err(); err != nil {
		return nil, err
	}
	s := &step{index: index, m: m, kind: kind, limits: boundsOf(kind, m, &p.rec.Device)}
	var seg *segment
	for pt := range kind.Points(m, &p.rec.Device) {
		if seg == nil || !seg.holds(pt.Hold) {
			seg = newSegment(pt.Hold)
			s.segments = append(s.segments, seg)
		}
		if err := seg.add(&pt, p.rec.Bench.LineHz, p.seed); err != nil {
			return nil, err
		}
		s.points++
	}
	for _, seg := range s.segments {
		if err := p.connect(seg); err != nil {
			return nil, err
		}
		s.nominal += seg.nominal + p.switching(seg)
		p.prev = seg
	}
	return s, nil
}

func newSegment(holds []procedure.Hold) *segment {
	seg := &segment{}
	for _, h := range holds {
		if h.Use != procedure.UseOpen {
			seg.conns = append(seg.conns, &conn{pin: h.Pin, use: h.Use, kelvin: h.Kelvin, drive: -1})
		}
	}
	return seg
}

// holds reports whether the holds ask for the segment's connections.
func (s *segment) holds(holds []procedure.Hold) bool {
	i := 0
	for _, h := range holds {
		if h.Use == procedure.UseOpen {
			continue
		}
		if i == len(s.conns) {
			return false
		}
		if c := s.conns[i]; c.pin != h.Pin || c.use != h.Use || c.kelvin != h.Kelvin {
			return false
		}
		i++
	}
	return i == len(s.conns)
}

// add counts a point in and refuses what must never reach a channel.
func (s *segment) add(pt *procedure.Point, lineHz float64, seed maphash.Seed) error {
	i := 0
	for _, h := range pt.Hold {
		if h.Use == procedure.UseOpen {
			continue
		}
		c := s.conns[i]
		i++
		if !h.Use.TakesChannel() {
			continue
		}
		if !finite(h.Level) {
			return fmt.Errorf("pin %d: the level is not a finite number", h.Pin)
		}
		if !(h.Compliance > 0) || !finite(h.Compliance) {
			return fmt.Errorf("pin %d: a channel needs a compliance above zero", h.Pin)
		}
		c.level = max(c.level, math.Abs(h.Level))
		c.compliance = max(c.compliance, h.Compliance)
		c.levels = maphash.Comparable(seed, struct {
			before            uint64
			level, compliance float64
		}{c.levels, h.Level, h.Compliance})
	}
	for _, pin := range pt.Read {
		if !slices.ContainsFunc(s.conns, func(c *conn) bool { return c.pin == pin && c.use.TakesChannel() }) {
			return fmt.Errorf("pin %d is read but held by no channel", pin)
		}
	}
	s.points++
	s.nominal += pointTime(pt, lineHz)
	return nil
}

// pointTime is how long a point should take, without switching.
func pointTime(pt *procedure.Point, lineHz float64) time.Duration {
	reading := max(pt.Aperture.ApertureSeconds(lineHz), pt.Interval)
	return seconds(pt.Settle.Time + reading*float64(max(pt.Count, 1)))
}

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

// connect finds the segment's channels and paths, near those of the segment
// before it.
func (p *planner) connect(seg *segment) error {
	needs := make([]bench.Need, 0, len(seg.conns))
	for i, c := range seg.conns {
		n := bench.Need{Pin: c.pin, Line: bench.ToReturn, Kelvin: c.kelvin}
		if c.use.TakesChannel() {
			n.Line, n.Mode, n.Voltage, n.Current = bench.ToChannel, c.use.Mode(), c.level, c.compliance
			if n.Mode == bench.ForceCurrent {
				n.Voltage, n.Current = c.compliance, c.level
			}
			n.Alike = 1 + slices.IndexFunc(seg.conns[:i+1], func(o *conn) bool {
				return o.use == c.use && o.kelvin == c.kelvin && o.levels == c.levels
			})
		}
		needs = append(needs, n)
	}
	var near *bench.Assignment
	if p.prev != nil {
		near = p.prev.assign
	}
	a, err := p.solver.Assign(needs, near)
	if err != nil {
		return err
	}
	seg.assign = a
	for _, c := range seg.conns {
		c.path = a.Path[c.pin]
		if c.use == procedure.UseReturn && c.path != 0 {
			seg.returns = append(seg.returns, c.path)
		}
		if ch, ok := a.Channel[c.pin]; ok {
			if err := p.attach(seg, c, ch); err != nil {
				return err
			}
		}
	}
	seg.order()
	return nil
}

// attach puts a pin on the drive of its channel, which it may share with pins
// that are strapped to the same one.
func (p *planner) attach(seg *segment, c *conn, id bench.ChannelID) error {
	ch, ok := p.rec.Bench.ChannelByID(id)
	if !ok {
		return fmt.Errorf("channel %d is not on the bench", id)
	}
	rank, ramp := p.rank(c)
	for i, d := range seg.drives {
		if d.channel.ID == id {
			c.drive = i
			d.rank = min(d.rank, rank)
			return nil
		}
	}
	d := &drive{channel: ch, pin: c.pin, path: c.path, rank: rank, power: ramp, remote: c.kelvin, mode: c.use.Mode()}
	if c.use == procedure.UseReturn {
		// A channel that stands in for the return may have to carry whatever
		// the part returns: its compliance is all it has.
		d.zero, d.compliance = true, ch.SenseI[len(ch.SenseI)-1].FullScale
		d.remote = ch.RemoteSense
	}
	d.loss = p.rec.Bench.PathErrorOf(ch, c.path, d.remote)
	if err := d.pickRanges(c.level, max(c.compliance, d.compliance)); err != nil {
		return err
	}
	c.drive = len(seg.drives)
	seg.drives = append(seg.drives, d)
	return nil
}

// Ranks of drives: what stands at 0 V comes up first, then the supplies in the
// device's order, then supplies it has no order for, then everything else.
const (
	rankGround = 0
	rankSupply = 1
	rankOther  = 1 << 20
)

func (p *planner) rank(c *conn) (int, *dut.PowerStep) {
	pin, _ := p.rec.Device.Pin(c.pin)
	switch {
	case c.use == procedure.UseReturn || pin.Function == dut.Ground:
		return rankGround, nil
	case c.use != procedure.UseVoltage || pin.Function != dut.Supply:
		return rankOther, nil
	}
	for i := range p.rec.Device.Power {
		if p.rec.Device.Power[i].Pin == c.pin {
			return rankSupply + i, &p.rec.Device.Power[i]
		}
	}
	return rankOther - 1, nil
}

// order sorts the drives into power order.
func (s *segment) order() {
	slices.Sort(s.returns)
	before := slices.Clone(s.drives)
	slices.SortStableFunc(s.drives, func(a, b *drive) int { return a.rank - b.rank })
	for _, c := range s.conns {
		if c.drive >= 0 {
			c.drive = slices.Index(s.drives, before[c.drive])
		}
	}
}

// switching is how long it should take to connect a segment after the one
// before it, with its supplies brought up.
func (p *planner) switching(seg *segment) time.Duration {
	kept, moved := 0, bench.Moved(nil, seg.assign)
	if p.prev != nil {
		kept = keepable(p.prev, seg)
		moved = bench.Moved(p.prev.assign, seg.assign)
	}
	var t float64
	if moved > 0 {
		t = 2 * p.rec.Bench.SwitchTime // break, then make
	}
	for _, d := range seg.drives[kept:] {
		if d.power != nil {
			t += d.power.Ramp + d.power.Delay
		}
	}
	return seconds(t)
}

// bounds are the limits that apply to a read quantity as it stands.
type bounds struct {
	pin       int // 0: every pin
	quantity  procedure.Quantity
	low, high float64
}

// boundsOf takes the band of a measurement's plot for the limits of what is
// read there, if only one of its results is in that unit: with several, such
// as the levels with and without load, a reading alone does not say which
// limits are its own, and only the results are held against theirs.
func boundsOf(kind procedure.Kind, m *procedure.Measurement, d *dut.Device) bounds {
	s := kind.Shape(m, d)
	b := bounds{pin: s.Y.Pin, low: math.Inf(-1), high: math.Inf(1)}
	same := 0
	for _, o := range kind.Outputs() {
		if o.Unit == s.Y.Unit {
			same++
		}
	}
	if same != 1 {
		return b
	}
	b.quantity = s.Y.Quantity
	if s.Band.Low != nil {
		b.low = *s.Band.Low
	}
	if s.Band.High != nil {
		b.high = *s.Band.High
	}
	return b
}

// broken reports whether a reading itself is beyond the limits.
func (b *bounds) broken(r *bench.Reading) bool {
	if b.pin != 0 && b.pin != int(r.Pin) {
		return false
	}
	switch b.quantity {
	case procedure.QuantityVoltage:
		return r.V < b.low || r.V > b.high
	case procedure.QuantityCurrent:
		return r.I < b.low || r.I > b.high
	}
	return false
}
