package procedure

import (
	"slices"
	"testing"
)

// Drives come up in the order of the device's power steps whichever way round it
// stands, and everything else after them, a witness beside its pin last.
func TestDrivesComeUpInPowerOrder(t *testing.T) {
	for _, turned := range []bool{false, true} {
		d, want := twoSupplies(), []int{6, 2, 1, 1}
		if turned {
			slices.Reverse(d.Power)
			want = []int{2, 6, 1, 1}
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
			if c := s.conn(i); c.Pin != drive.Pin || c.Path != drive.Path && !drive.Witness {
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
