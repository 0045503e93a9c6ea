package demo

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/rehearsal"
	"ohmkeep/server/rehearsal/model"
)

// device, pin map and procedure of the scenario by their keys.
func (s *Documents) device(t testing.TB, key string) *dut.Device {
	t.Helper()
	i := slices.IndexFunc(s.Devices, func(d dut.Device) bool { return d.Key == key })
	if i < 0 {
		t.Fatalf("there is no device %q", key)
	}
	return &s.Devices[i]
}

func (s *Documents) pinMap(t testing.TB, device string) *bench.PinMap {
	t.Helper()
	i := slices.IndexFunc(s.PinMaps, func(m bench.PinMap) bool { return m.Device == device })
	if i < 0 {
		t.Fatalf("there is no pin map of %q", device)
	}
	return &s.PinMaps[i]
}

func (s *Documents) procedure(t testing.TB, key string) *procedure.Procedure {
	t.Helper()
	i := slices.IndexFunc(s.Procedures, func(p procedure.Procedure) bool { return p.Key == key })
	if i < 0 {
		t.Fatalf("there is no procedure %q", key)
	}
	return &s.Procedures[i]
}

func TestDocumentsAreValid(t *testing.T) {
	s, def := Scenario(), rehearsal.DefaultBench()
	if len(s.Devices) != 4 || len(s.PinMaps) != 4 || len(s.Procedures) != 5 {
		t.Fatalf("%d devices, %d pin maps, %d procedures", len(s.Devices), len(s.PinMaps), len(s.Procedures))
	}
	if def.Key != BenchKey || def.Contacts != contacts {
		t.Errorf("the pin maps are for bench %q with %d contacts, the default one is %q with %d", BenchKey, contacts, def.Key, def.Contacts)
	}
	for _, d := range s.Devices {
		if err := d.Validate(); err != nil {
			t.Errorf("%s: %v", d.Key, err)
		}
		m, ok := model.Find(d.Model)
		if !ok || m.Pins != len(d.Pins) {
			t.Errorf("%s: model %q has %d pins, the device %d", d.Key, d.Model, m.Pins, len(d.Pins))
		}
		if n := strings.Count(d.Description, ". ") + 1; d.Description == "" || n > 2 {
			t.Errorf("%s: %d sentences of description", d.Key, n)
		}
		var pins []int
		for _, p := range d.Pins {
			pins = append(pins, p.Number)
		}
		if err := s.pinMap(t, d.Key).Validate(&def, pins); err != nil {
			t.Errorf("pin map of %s: %v", d.Key, err)
		}
		if !slices.ContainsFunc(s.Procedures, func(p procedure.Procedure) bool { return p.Device == d.Key }) {
			t.Errorf("%s has no procedure", d.Key)
		}
	}
	for _, p := range s.Procedures {
		if err := p.Validate(s.device(t, p.Device)); err != nil {
			t.Errorf("%s: %v", p.Key, err)
		}
	}
}

// TestSeats holds the places of dual-row parts against the socket: two rows
// that face each other, 1 beside 48.
func TestSeats(t *testing.T) {
	s := Scenario()
	for key, want := range map[string]map[int]int{
		"tarnel-6":    {1: 1, 7: 7, 8: 42, 14: 48},
		"quorrel-2":   {1: 1, 4: 4, 5: 45, 8: 48},
		"dunmoss-8":   {1: 1, 8: 8, 9: 41, 16: 48},
		"averlock-48": {1: 1, 24: 24, 25: 25, 48: 48},
	} {
		m := s.pinMap(t, key)
		for pin, contact := range want {
			if m.Contacts[pin] != contact {
				t.Errorf("%s: pin %d on contact %d, want %d", key, pin, m.Contacts[pin], contact)
			}
		}
	}
}

// needsOf is what a point asks of the bench. Pins at the same level, limit and
// use are driven alike at this point.
func needsOf(p procedure.Point) []bench.Need {
	var out []bench.Need
	for _, h := range p.Hold {
		n := bench.Need{Pin: h.Pin, Line: bench.ToReturn, Kelvin: h.Kelvin}
		if h.Use.TakesChannel() {
			n.Line, n.Mode = bench.ToChannel, h.Use.Mode()
			n.Voltage, n.Current = math.Abs(h.Level), h.Compliance
			if n.Mode == bench.ForceCurrent {
				n.Voltage, n.Current = n.Current, n.Voltage
			}
			n.Alike = 1 + slices.IndexFunc(p.Hold, func(o procedure.Hold) bool {
				return o.Use == h.Use && o.Level == h.Level && o.Compliance == h.Compliance && o.Kelvin == h.Kelvin
			})
		}
		if h.Use != procedure.UseOpen {
			out = append(out, n)
		}
	}
	return out
}

func TestEveryPointCanBeConnected(t *testing.T) {
	s, def := Scenario(), rehearsal.DefaultBench()
	for _, p := range s.Procedures {
		d := s.device(t, p.Device)
		solver := bench.NewSolver(&def, s.pinMap(t, p.Device))
		for i := range p.Measurements {
			m := &p.Measurements[i]
			k, ok := procedure.KindByKey(m.Kind)
			if !ok {
				t.Fatalf("%s: no kind %q", p.Key, m.Kind)
			}
			points := 0
			for pt := range k.Points(m, d) {
				points++
				if _, err := solver.Assign(needsOf(pt), nil); err != nil {
					t.Errorf("%s, %s, point %d: %v", p.Key, m.Name, points, err)
					break
				}
			}
			if points == 0 {
				t.Errorf("%s, %s: no points", p.Key, m.Name)
			}
		}
	}
}

// nominal is how long a procedure takes at least: what settles and integrates.
func nominal(p *procedure.Procedure, d *dut.Device, lineHz float64) time.Duration {
	var seconds float64
	for i := range p.Measurements {
		k, _ := procedure.KindByKey(p.Measurements[i].Kind)
		for pt := range k.Points(&p.Measurements[i], d) {
			seconds += pt.Settle.Time + float64(pt.Count)*max(pt.Aperture.ApertureSeconds(lineHz), pt.Interval)
		}
	}
	return time.Duration(seconds * float64(time.Second))
}

// bounds of the time that a run takes on the default bench.
var bounds = map[string][2]time.Duration{
	"tarnel-6-quick": {3 * time.Second, 12 * time.Second},
	LotProcedure:     {25 * time.Second, 60 * time.Second},
}

func TestNominalDuration(t *testing.T) {
	s, lineHz := Scenario(), rehearsal.DefaultBench().LineHz
	for _, p := range s.Procedures {
		took := nominal(&p, s.device(t, p.Device), lineHz)
		t.Logf("%s: %v", p.Key, took.Round(100*time.Millisecond))
		b, ok := bounds[p.Key]
		if !ok {
			b = [2]time.Duration{time.Second, 60 * time.Second}
		}
		if took < b[0] || took > b[1] {
			t.Errorf("%s takes %v, outside %v", p.Key, took, b)
		}
	}
}
