package procedure

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
)

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
