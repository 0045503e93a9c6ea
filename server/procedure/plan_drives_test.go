package procedure

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"ohmkeep/server/bench"
)

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
// sense sees all of it but for what the resistor between its terminals carries
// through the sense wire.
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
	seg := planOf(t, d, b, m).Steps[0].Segments[0]
	if got := seg.Drives[0].Series.X; math.Abs(got-(0.5+4)) > 1e-12 {
		t.Errorf("two-wire: %g Ω in series, want 0.5 of the channel and 4 of the path", got)
	}
	there := solve(seg, func(int) *sensedAt {
		r := &sensedAt{sense: seg.Sense(0, bench.Setup{Mode: bench.ForceCurrent, Level: 1e-3, Compliance: 5}, 1)}
		r.v.Add(0, 1)
		r.i.Add(0, 1e-3)
		return r
	})
	// To within what the open switches beside it draw at 1 V.
	if got := there.at(4).X; math.Abs(got-4e-3) > 1e-9 {
		t.Errorf("the second terminal sits at %g V, want 4 Ω times 1 mA", got)
	}
	if got := there.v[0].Sub(there.at(4)).X; math.Abs(got-(1-8.5e-3)) > 1e-9 {
		t.Errorf("%g V between the terminals, want 8.5 mV less than was read", got)
	}
	m.Method = FourWire
	// R²/T, with T anywhere from a half to one and a half of 100 kΩ and R within a
	// quarter of 4 Ω: the mean of 1/x over that is ln 3, and that of x² is 1 + 0.25²/3.
	if got, want := planOf(t, d, b, m).Steps[0].Segments[0].Drives[0].Series.X, 4*4/100e3*math.Log(3)*(1+0.0625/3); math.Abs(got-want) > 1e-12 {
		t.Errorf("four-wire: %g Ω in series, want %g", got, want)
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
	if got, want := drivePins(s), []int{5, 6, 1, 1}; !slices.Equal(got, want) {
		t.Errorf("drives of pins %v, want %v", got, want)
	}
	if got := s.current(); math.Abs(got-(20e-3+1e-6)) > 1e-15 {
		t.Errorf("%g A into the part: a drive at 0 V brings nothing, and neither does a witness", got)
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
	if got, want := s.Drives[2].Series.X, 0.5+4.0; math.Abs(got-want) > 1e-12 {
		t.Errorf("%g Ω in series, want %g", got, want)
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
