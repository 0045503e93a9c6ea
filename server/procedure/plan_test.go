package procedure

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
)

// planOf is the plan of measurements of a device, pin n on contact n of the bench
// of the check.
func planOf(t testing.TB, d *dut.Device, b *bench.Definition, ms ...Measurement) *Plan {
	t.Helper()
	p, err := MakePlan(&Procedure{Measurements: ms}, d, straight(d), b, KindByKey)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// straight puts every pin on the contact of its number.
func straight(d *dut.Device) *bench.PinMap {
	pm := &bench.PinMap{Device: d.Key, Bench: "bench", Contacts: map[int]int{}}
	for _, p := range d.Pins {
		pm.Contacts[p.Number] = p.Number
	}
	return pm
}

// twoSupplies is two inverters with a second supply on pin 2, up after pin 6.
func twoSupplies() *dut.Device {
	d := inverterDevice()
	d.Pins[1] = dut.Pin{Number: 2, Name: "VIO", Function: dut.Supply, MinV: -0.5, MaxV: 7, MaxI: 50e-3}
	d.Power = append(d.Power, dut.PowerStep{Pin: 2, Level: 3.3, Limit: 10e-3, Ramp: 20e-3, Delay: 7e-3})
	return d
}

// leaking is a leakage of pins with the supplies up.
func leaking(pins ...int) Measurement {
	m := base("leakage")
	m.Pins, m.Level, m.Compliance, m.Powered = pins, 3, 1e-6, true
	return m
}

// drivePins is the pins of drives in the order in which they come up.
func drivePins(s *Segment) (out []int) {
	for _, d := range s.Drives {
		out = append(out, d.Pin)
	}
	return out
}

// Drives come up in the order of the device's power steps whichever way round it
// stands, and everything else after them.
func TestDrivesComeUpInPowerOrder(t *testing.T) {
	for _, turned := range []bool{false, true} {
		d, want := twoSupplies(), []int{6, 2, 1}
		if turned {
			slices.Reverse(d.Power)
			want = []int{2, 6, 1}
		}
		s := planOf(t, d, checkBench(), leaking(1)).Steps[0].Segments[0]
		if got := drivePins(s); !slices.Equal(got, want) {
			t.Errorf("turned %v: drives of pins %v, want %v", turned, got, want)
		}
		for i, drive := range s.Drives {
			step, ok := powerStep(d, drive.Pin)
			if (drive.Power != nil) != ok || ok && *drive.Power != step {
				t.Errorf("pin %d comes up by %+v, want %+v (%v)", drive.Pin, drive.Power, step, ok)
			}
			if c := s.conn(i); c.Pin != drive.Pin || c.Path != drive.Path {
				t.Errorf("drive of pin %d follows %+v", drive.Pin, c)
			}
		}
	}
}

// A supply that a measurement forces itself has no power step to come up by, and
// stands between those that have one and the rest.
func TestRankOfDrives(t *testing.T) {
	d := twoSupplies()
	p := NewPlanner(d, straight(d), checkBench())
	for _, c := range []struct {
		name string
		conn Conn
		rank int
		ramp float64
	}{
		{"a ground", Conn{Pin: 3, Use: UseReturn}, rankGround, 0},
		{"an input at the return", Conn{Pin: 1, Use: UseReturn}, rankGround, 0},
		{"the first supply", Conn{Pin: 6, Use: UseVoltage}, rankSupply, 10e-3},
		{"the second supply", Conn{Pin: 2, Use: UseVoltage}, rankSupply + 1, 20e-3},
		{"a supply by a current", Conn{Pin: 6, Use: UseCurrent}, rankOther, 0},
		{"an input", Conn{Pin: 1, Use: UseVoltage}, rankOther, 0},
	} {
		rank, step := p.rank(&c.conn)
		ramp := 0.0
		if step != nil {
			ramp = step.Ramp
		}
		if rank != c.rank || ramp != c.ramp {
			t.Errorf("%s: rank %d, ramp %g; want %d, %g", c.name, rank, ramp, c.rank, c.ramp)
		}
	}
	d.Power = d.Power[:1]
	if rank, step := p.rank(&Conn{Pin: 2, Use: UseVoltage}); rank != rankOther-1 || step != nil {
		t.Errorf("a supply without a power step: rank %d, %+v", rank, step)
	}
}

// Between segments that change an input alone both supplies stay up; the first
// supply that changes takes all behind it down.
func TestWhatStaysUp(t *testing.T) {
	d := twoSupplies()
	higher := func(pin int, v float64) *Condition { return &Condition{Supplies: []SupplyLevel{{pin, v}}} }
	for _, c := range []struct {
		name   string
		change func(m *Measurement)
		want   int
	}{
		{"the same again", func(*Measurement) {}, 2},
		{"another input", func(m *Measurement) { m.Pins = []int{5}; m.Rest = UseOpen }, 2},
		{"the level within its range", func(m *Measurement) { m.At = higher(2, 3) }, 2},
		{"the second supply in another range", func(m *Measurement) { m.At = higher(2, 1.5); m.Level = 1.5 }, 1},
		{"the second supply with another limit", func(m *Measurement) {
			m.Hold = []Hold{{2, UseVoltage, 3.3, 40e-3, false}}
		}, 1},
		{"the first supply in another range", func(m *Measurement) { m.At = higher(6, 1.8); m.Level = 1 }, 0},
		{"the first supply is held by a current", func(m *Measurement) {
			m.Hold = []Hold{{6, UseCurrent, 1e-3, 5, false}}
		}, 0},
		{"the supplies are down", func(m *Measurement) {
			m.Kind, m.Use, m.Duration, m.Powered, m.Level = "watch", UseVoltage, 1, false, 0.4
		}, 0},
		{"a path to the return moves", func(m *Measurement) { m.Rest = UseReturn }, 0},
	} {
		first := leaking(1)
		first.Rest = UseOpen
		second := first.Clone()
		c.change(&second)
		p := planOf(t, d, checkBench(), first, second)
		from, to := p.Steps[0].Segments[0], p.Steps[1].Segments[0]
		if got := Keepable(from, to); got != c.want {
			t.Errorf("%s: %d drives stay up, want %d (%v, then %v)", c.name, got, c.want, drivePins(from), drivePins(to))
		}
		if got := Keepable(from, from); got != 2 {
			t.Errorf("%s: %d drives stay up from a segment to itself, want the supplies", c.name, got)
		}
	}
}

// From one input to the next one path opens and one closes; what stays connected
// keeps its channel and its path.
func TestFewestPathsMove(t *testing.T) {
	d := twoSupplies()
	m := leaking(1, 5, 4)
	m.Rest = UseOpen
	segs := planOf(t, d, checkBench(), m).Steps[0].Segments
	if len(segs) != 3 {
		t.Fatalf("%d segments for three pins", len(segs))
	}
	for i, s := range segs[1:] {
		if n := bench.Moved(segs[i].Assign, s.Assign); n != 2 {
			t.Errorf("segment %d moves %d paths, want one opened and one closed", i+1, n)
		}
		for _, pin := range []int{2, 3, 6} {
			if segs[i].Assign.Path[pin] != s.Assign.Path[pin] {
				t.Errorf("segment %d moves pin %d", i+1, pin)
			}
		}
	}
}

// No choice of channels for the next segment moves fewer paths than the plan
// does, by trying them all.
func TestNoAssignmentMovesFewer(t *testing.T) {
	d, b := networkDevice(), checkBench()
	rapid.Check(t, func(t *rapid.T) {
		// Which channel reaches which contact is drawn, so that keeping may be
		// impossible; the return is reached from everywhere.
		own := *b
		own.Paths = slices.DeleteFunc(slices.Clone(b.Paths), func(p bench.Path) bool {
			return p.Channel != 0 && p.Contact <= 4 && rapid.IntRange(0, 3).Draw(t, "missing") == 0
		})
		held := func(label string) (pins []int) {
			return rapid.SliceOfNDistinct(rapid.IntRange(1, 4), 1, 3, rapid.ID).Draw(t, label)
		}
		planner := NewPlanner(d, straight(d), &own)
		before := plannedOn(t, planner, held("first"))
		pins := held("second")
		after := plannedOn(t, planner, pins)
		if before == nil || after == nil {
			return // cannot be connected on what is left
		}
		best := fewestMoves(&own, before.Assign, pins)
		if got := bench.Moved(before.Assign, after.Assign); got != best {
			t.Fatalf("moves %d paths to hold %v, %d would do", got, pins, best)
		}
	})
}

// plannedOn plans the watch of pins, nil where that cannot be connected.
func plannedOn(t *rapid.T, p *Planner, pins []int) *Segment {
	m := base("watch")
	m.Pins, m.Use, m.Level, m.Compliance, m.Duration, m.Interval = pins, UseVoltage, 1, 1e-3, 1, 0.1
	k, _ := KindByKey(m.Kind)
	s, err := p.Step(0, &m, k, nil)
	var clash *bench.Clash
	if errors.As(err, &clash) {
		return nil
	} else if err != nil {
		t.Fatal(err)
	}
	return s.Segments[0]
}

// fewestMoves tries every channel for every pin.
func fewestMoves(b *bench.Definition, from *bench.Assignment, pins []int) int {
	best := math.MaxInt
	var try func(i int, taken map[bench.ChannelID]bool, paths []bench.PathID)
	try = func(i int, taken map[bench.ChannelID]bool, paths []bench.PathID) {
		if i == len(pins) {
			best = min(best, bench.Moved(from, &bench.Assignment{Paths: paths}))
			return
		}
		for _, p := range b.Paths {
			if p.Channel != 0 && p.Contact == pins[i] && !taken[p.Channel] {
				taken[p.Channel] = true
				try(i+1, taken, append(slices.Clone(paths), p.ID))
				delete(taken, p.Channel)
			}
		}
	}
	try(0, map[bench.ChannelID]bool{}, nil)
	return best
}

// The nominal time of a plan in a closed form: for each pin, two points of settle
// and aperture each; two switch times wherever paths move; and the ramps and
// delays of supplies only when they come up.
func TestNominalTime(t *testing.T) {
	const lineHz = 50
	for _, c := range []struct {
		name          string
		settle        float64
		cycles        float64
		repeats       int
		rest          Use
		pins          []int
		switches, ups int // segments before which paths move, and supplies come up
	}{
		{"one pin", 1e-3, 1, 1, UseOpen, []int{1}, 1, 1},
		{"two pins, the supplies stay up", 30e-3, 1, 1, UseOpen, []int{1, 5}, 2, 1},
		{"ten readings of ten cycles", 1e-3, 10, 10, UseOpen, []int{1}, 1, 1},
		{"the inputs at the return take the supplies down", 1e-3, 1, 1, UseReturn, []int{1, 5}, 2, 2},
	} {
		d, b := twoSupplies(), checkBench()
		m := leaking(c.pins...)
		m.Settle.Time, m.Aperture.Cycles, m.Repeats, m.Rest = c.settle, c.cycles, c.repeats, c.rest
		points := 2 * float64(len(c.pins))
		want := points*(c.settle+float64(c.repeats)*c.cycles/lineHz) +
			float64(c.switches)*2*b.SwitchTime + float64(c.ups)*(10e-3+5e-3+20e-3+7e-3)
		p := planOf(t, d, b, m)
		if got := p.Nominal.Seconds(); math.Abs(got-want) > 1e-8 {
			t.Errorf("%s: %.9f s, in a closed form %.9f s", c.name, got, want)
		}
		// The same once more costs no switching and no ramp where the last
		// segment is as the first.
		twice := planOf(t, d, b, m, m)
		if len(c.pins) == 1 {
			again := points * (c.settle + float64(c.repeats)*c.cycles/lineHz)
			if got := (twice.Nominal - p.Nominal).Seconds(); math.Abs(got-again) > 1e-8 {
				t.Errorf("%s: once more takes %.9f s, want %.9f s", c.name, got, again)
			}
		}
	}
}

// The nominal time of a point is its settle, then a reading an aperture or an
// interval, whichever is longer.
func TestNominalOfPoint(t *testing.T) {
	for _, c := range []struct {
		p    Point
		want time.Duration
	}{
		{Point{Settle: Settle{Time: 0.5}, Aperture: Aperture{Cycles: 2}, Count: 3}, 500*time.Millisecond + 3*40*time.Millisecond},
		{Point{Aperture: Aperture{Seconds: 1e-3}, Count: 5, Interval: 0.25}, 1250 * time.Millisecond},
		{Point{Aperture: Aperture{Seconds: 2}, Count: 2, Interval: 0.25}, 4 * time.Second},
		{Point{Aperture: Aperture{Cycles: 1}}, 20 * time.Millisecond}, // no count: one reading
	} {
		if got := c.p.Nominal(50); got != c.want {
			t.Errorf("%+v: %v, want %v", c.p, got, c.want)
		}
	}
}

// What has no plan says which measurement and why.
func TestNoPlan(t *testing.T) {
	d := inverterDevice()
	odd, crowded, bad, off := leaking(1), leaking(1), leaking(1), leaking(1)
	odd.Kind = "odd"
	crowd(&crowded, 2, 4, 5)
	bad.Compliance = 0
	off.Disabled = true
	for _, c := range []struct {
		says string
		ms   []Measurement
	}{
		{`measurement 2, Test: there is no kind of measurement "odd"`, []Measurement{leaking(1), odd}},
		{"measurement 1, Test: compliance", []Measurement{bad}},
		{"measurement 3, Test: ", []Measurement{off, leaking(1), crowded}},
		{"no measurement is enabled", []Measurement{off}},
		{"no measurement is enabled", nil},
	} {
		_, err := MakePlan(&Procedure{Measurements: c.ms}, d, straight(d), checkBench(), KindByKey)
		if err == nil || !strings.HasPrefix(err.Error(), c.says) {
			t.Errorf("%v, want %q", err, c.says)
		}
	}
	_, err := MakePlan(&Procedure{Measurements: []Measurement{crowded}}, d, straight(d), checkBench(), KindByKey)
	if clash := (*bench.Clash)(nil); !errors.As(err, &clash) {
		t.Errorf("five channels of four: %v is no clash", err)
	}
	_, err = MakePlan(&Procedure{Measurements: []Measurement{bad}}, d, straight(d), checkBench(), KindByKey)
	if ps := (dut.Problems)(nil); !errors.As(err, &ps) {
		t.Errorf("no compliance: %v is no list of problems", err)
	}
}

// A segment refuses what must never reach a channel, whoever made the point.
func TestSegmentRefuses(t *testing.T) {
	good := Point{Hold: []Hold{{3, UseReturn, 0, 0, false}, {1, UseVoltage, 1, 1e-3, false}}, Read: []int{1}, Count: 1}
	with := func(change func(p *Point)) Point {
		p := good
		p.Hold, p.Read = slices.Clone(p.Hold), slices.Clone(p.Read)
		change(&p)
		return p
	}
	for _, c := range []struct {
		says string
		p    Point
	}{
		{"", good},
		{"", with(func(p *Point) { p.Hold = append(p.Hold, Hold{Pin: 5, Use: UseOpen, Level: math.NaN()}) })},
		{"level is not a finite number", with(func(p *Point) { p.Hold[1].Level = math.NaN() })},
		{"level is not a finite number", with(func(p *Point) { p.Hold[1].Level = math.Inf(-1) })},
		{"compliance above zero", with(func(p *Point) { p.Hold[1].Compliance = 0 })},
		{"compliance above zero", with(func(p *Point) { p.Hold[1].Compliance = math.NaN() })},
		{"compliance above zero", with(func(p *Point) { p.Hold[1].Compliance = math.Inf(1) })},
		{"pin 3 is read but held by no channel", with(func(p *Point) { p.Read = []int{3} })},
		{"pin 5 is read but held by no channel", with(func(p *Point) { p.Read = []int{1, 5} })},
	} {
		s := newSegment(c.p.Hold)
		err := s.add(&c.p, 50)
		if c.says == "" && err != nil || c.says != "" && (err == nil || !strings.Contains(err.Error(), c.says)) {
			t.Errorf("%v, want %q", err, c.says)
		}
	}
}

// A voltage keeps the range of its largest level for the whole segment; a current
// takes the smallest for each level, and keeps its range at zero.
func TestRangesOfDrives(t *testing.T) {
	d := networkDevice()
	volts := sweepMeasurement(UseVoltage, Sweep{Spacing: List, List: []float64{0.1, 1, 5}}, 50e-6)
	amps := sweepMeasurement(UseCurrent, Sweep{Spacing: List, List: []float64{0.5e-6, 5e-6, 0, 5e-3}}, 1.5)
	v := planOf(t, d, checkBench(), volts).Steps[0].Segments[0].Drives[0]
	a := planOf(t, d, checkBench(), amps).Steps[0].Segments[0].Drives[0]
	var was bench.Setup
	for _, level := range volts.Sweep.List {
		s := v.Setup(level, 50e-6, was)
		if s.Range != 10 || s.SenseRange != 100e-6 || s.Level != level || s.Mode != bench.ForceVoltage {
			t.Errorf("%g V: %+v", level, s)
		}
		was = s
	}
	was = bench.Setup{}
	for i, want := range []float64{1e-6, 100e-6, 100e-6, 10e-3} {
		s := a.Setup(amps.Sweep.List[i], 1.5, was)
		if s.Range != want || s.SenseRange != 2 || s.Mode != bench.ForceCurrent {
			t.Errorf("%g A: %+v, want the range of %g A", amps.Sweep.List[i], s, want)
		}
		was = s
	}
	if s := a.Setup(0, 1.5, bench.Setup{Mode: bench.ForceVoltage, Range: 10}); s.Range != 1e-6 {
		t.Errorf("zero after a forced voltage: %+v, want the smallest range", s)
	}
}

// What a local sense does not see of the way there and back: the channel's own
// resistance, the path to the pin and the worst of those to the return. A remote
// sense sees all of it.
func TestWayBackIsCountedIn(t *testing.T) {
	d, b := networkDevice(), checkBench()
	for i := range b.Paths {
		if b.Paths[i].Channel == 0 {
			b.Paths[i].Resistance = float64(b.Paths[i].Contact) // 4 Ω to the return from contact 4
		}
	}
	m := base("resistance")
	m.Pins, m.Against, m.Use, m.Level, m.Compliance, m.Method = []int{1}, 4, UseCurrent, 1e-3, 5, TwoWire
	m.Hold = []Hold{{Pin: 2, Use: UseReturn}}
	if got := planOf(t, d, b, m).Steps[0].Segments[0].Drives[0].Loss.Series; math.Abs(got-(0.5+4+4)) > 1e-12 {
		t.Errorf("two-wire: %g Ω in series, want 0.5 of the channel, 4 there and 4 back", got)
	}
	m.Method = FourWire
	if got := planOf(t, d, b, m).Steps[0].Segments[0].Drives[0].Loss.Series; got != 0 {
		t.Errorf("four-wire: %g Ω in series", got)
	}
}

// A pin at the return that a strap ties to a channel has that channel force 0 V
// with all the current it can take, before anything else comes up.
func TestZeroDriveStandsInForTheReturn(t *testing.T) {
	d, b := inverterDevice(), checkBench()
	pm := straight(d)
	pm.Straps = []bench.Strap{{Contact: 5, Kind: bench.StrapChannel, Channel: 4}}
	m := leaking(1)
	m.Rest = UseReturn
	p, err := MakePlan(&Procedure{Measurements: []Measurement{m}}, d, pm, b, KindByKey)
	if err != nil {
		t.Fatal(err)
	}
	s := p.Steps[0].Segments[0]
	z := s.Drives[0]
	if !z.Zero || z.Pin != 5 || z.Channel.ID != 4 || z.Path != 0 || z.Compliance != 100e-3 || !z.Remote {
		t.Errorf("the first drive is %+v, want channel 4 at 0 V for pin 5", z)
	}
	if got, want := drivePins(s), []int{5, 6, 1}; !slices.Equal(got, want) {
		t.Errorf("drives of pins %v, want %v", got, want)
	}
	if got := s.current(); math.Abs(got-(20e-3+1e-6)) > 1e-15 {
		t.Errorf("%g A into the part: a drive at 0 V brings nothing", got)
	}
	if got, want := s.power(), 5*20e-3+3*1e-6; math.Abs(got-want) > 1e-15 {
		t.Errorf("%g W, want %g W", got, want)
	}
	b.Channels[3].RemoteSense = false
	p, err = MakePlan(&Procedure{Measurements: []Measurement{m}}, d, pm, b, KindByKey)
	if err != nil {
		t.Fatal(err)
	}
	// Without remote sense its own resistance is in the way back of the others.
	s = p.Steps[0].Segments[0]
	if got, want := s.Drives[2].Loss.Series, 0.5+4+4.0; math.Abs(got-want) > 1e-12 {
		t.Errorf("%g Ω in series, want %g: the path to the return is longer than the channel's 0.5", got, want)
	}
}

// Pins that straps tie to one channel share its drive while they are driven
// alike, and cannot be connected where they are not.
func TestStrappedPinsShareADrive(t *testing.T) {
	d, b := networkDevice(), checkBench()
	pm := straight(d)
	for _, contact := range []int{1, 2} {
		pm.Straps = append(pm.Straps, bench.Strap{Contact: contact, Kind: bench.StrapChannel, Channel: 3})
	}
	m := base("watch")
	m.Pins, m.Use, m.Level, m.Compliance, m.Duration, m.Interval = []int{1, 2, 3}, UseVoltage, 1, 1e-3, 1, 0.1
	p, err := MakePlan(&Procedure{Measurements: []Measurement{m}}, d, pm, b, KindByKey)
	if err != nil {
		t.Fatal(err)
	}
	s := p.Steps[0].Segments[0]
	if len(s.Drives) != 2 || s.Conns[0].Drive != s.Conns[1].Drive || s.Conns[2].Drive == s.Conns[0].Drive {
		t.Errorf("drives of pins %v, connections %s", drivePins(s), connected(s))
	}
	apart := m.Clone()
	apart.Pins, apart.Hold = []int{1}, []Hold{{2, UseVoltage, 2, 1e-3, false}}
	_, err = MakePlan(&Procedure{Measurements: []Measurement{apart}}, d, pm, b, KindByKey)
	if clash := (*bench.Clash)(nil); !errors.As(err, &clash) || !slices.Contains(clash.Pins, 1) || !slices.Contains(clash.Pins, 2) {
		t.Errorf("1 V and 2 V on one channel: %v", err)
	}
}

func connected(s *Segment) string {
	var out []string
	for _, c := range s.Conns {
		out = append(out, fmt.Sprintf("%d by drive %d", c.Pin, c.Drive))
	}
	return strings.Join(out, ", ")
}
