package run

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/demo"
	"ohmkeep/server/dut"
	"ohmkeep/server/procedure"
	"ohmkeep/server/rehearsal"
	"ohmkeep/server/rehearsal/model"
)

// drawing is the generator of random procedures for random devices. It is
// seeded, so that a number names a case.
type drawing struct {
	*rand.Rand
	d  dut.Device
	pm bench.PinMap
}

func (r *drawing) chance(p float64) bool { return r.Float64() < p }

func choose[T any](r *drawing, of ...T) T { return of[r.IntN(len(of))] }

// between draws a number evenly from a range.
func (r *drawing) between(low, high float64) float64 { return low + (high-low)*r.Float64() }

// device draws one of the demonstration's devices with its pin map, or a small
// one, with ratings and a power order of its own.
func (r *drawing) device() {
	docs := demo.Scenario()
	if k := r.IntN(len(docs.Devices) + 5); k < len(docs.Devices) {
		r.d, r.pm = docs.Devices[k], docs.PinMaps[k]
	} else {
		r.small(k - len(docs.Devices))
	}
	if r.chance(0.6) {
		r.rerate()
	}
	if r.chance(0.15) {
		r.strap()
	}
}

// small makes a device for one of the models, on contacts anywhere.
func (r *drawing) small(k int) {
	analog := func(n int, name string) dut.Pin {
		return dut.Pin{Number: n, Name: name, Function: dut.Analog, MinV: -9, MaxV: 9, MaxI: 50e-3}
	}
	ground := func(n int) dut.Pin { return dut.Pin{Number: n, Name: "GND", Function: dut.Ground, MaxI: 100e-3} }
	d := dut.Device{Key: "small", Name: "Small", Package: dut.Package{Family: dut.SingleRow}}
	switch k {
	case 0:
		d, _ = hex()
	case 1:
		d.Model, d.Pins = "nmos", []dut.Pin{analog(1, "G"), analog(2, "D"), analog(3, "S")}
	case 2:
		d.Model, d.Pins = "npn", []dut.Pin{analog(1, "B"), analog(2, "C"), analog(3, "E")}
		d.Pins[2].Function = dut.Ground
	case 3:
		d.Model = "check-load"
		d.Pins = []dut.Pin{analog(1, "A"), ground(2), analog(3, "As"), analog(4, "Bs")}
	default:
		d.Model = "resistor-network"
		for n := 1; n <= 16; n++ {
			d.Pins = append(d.Pins, analog(n, fmt.Sprint("R", n)))
		}
		d.Pins[8].Function = dut.Ground
	}
	d.Package.Pins = len(d.Pins)
	r.d = d
	r.pm = bench.PinMap{Device: d.Key, Bench: "rehearsal", Contacts: map[int]int{}}
	for i, c := range r.Perm(48)[:len(d.Pins)] {
		r.pm.Contacts[i+1] = c + 1
	}
}

// rerate gives the pins other ratings, as another data sheet would.
func (r *drawing) rerate() {
	r.d.Pins, r.d.Power = slices.Clone(r.d.Pins), slices.Clone(r.d.Power)
	maxV, maxI, above := r.between(3, 9), math.Pow(10, r.between(-3, -1)), r.between(0.2, 0.7)
	for i := range r.d.Pins {
		p := &r.d.Pins[i]
		if p.Function == dut.Ground {
			p.MaxI = choose(r, p.MaxI, 2*maxI, 100e-3)
			continue
		}
		p.MaxV, p.MaxI = choose(r, maxV, p.MaxV), choose(r, maxI, p.MaxI, maxI/2)
		if p.Clamp != 0 {
			p.AboveClamp = above
		}
		if p.Clamp != 0 && r.chance(0.2) { // a rating so near 0 V says that there is a diode to ground
			p.MinV = choose(r, -0.3, -0.5, -1.5, p.MinV)
		}
	}
	for i := range r.d.Power {
		s := &r.d.Power[i]
		s.Level = choose(r, s.Level, r.between(1.5, 6), maxV)
		s.Limit = choose(r, s.Limit, maxI, r.between(0.1, 1)*maxI)
		s.Ramp, s.Delay = choose(r, 0, 5e-3), choose(r, 0, 1e-3)
	}
}

// strap puts a resistor between two contacts, or from one to the return.
func (r *drawing) strap() {
	s := bench.Strap{Kind: bench.StrapResistor, Resistance: math.Pow(10, r.between(1, 5))}
	pins := r.Perm(len(r.d.Pins))
	s.Contact = r.pm.Contacts[r.d.Pins[pins[0]].Number]
	if r.chance(0.7) {
		s.To = r.pm.Contacts[r.d.Pins[pins[1]].Number]
	}
	r.pm.Straps = append(slices.Clone(r.pm.Straps), s)
}

// pins draws some of the given pins.
func (r *drawing) pins(from []int, most int) []int {
	if len(from) == 0 {
		return nil
	}
	var out []int
	for _, i := range r.Perm(len(from))[:min(len(from), 1+r.IntN(most))] {
		out = append(out, from[i])
	}
	return out
}

func (r *drawing) signals() []int {
	return r.d.PinsOf(dut.Input, dut.Output, dut.Bidirectional, dut.Analog, dut.Supply)
}

// volt is a level near one of a pin's ratings, or anywhere within them.
func (r *drawing) volt(pin int) float64 {
	p, _ := r.d.Pin(pin)
	supply := 0.0
	for _, s := range r.d.Power {
		if s.Pin == p.Clamp {
			supply = s.Level
		}
	}
	v := choose(r, p.MaxV, p.MinV, supply, supply+p.AboveClamp, supply+p.AboveClamp/2, 0, r.between(p.MinV, p.MaxV), r.between(p.MinV, p.MaxV))
	if r.chance(0.05) {
		v += choose(r, 0.01, -0.01, 0.5)
	}
	return v
}

// amp is a current near the pin's rating, or anywhere in decades below.
func (r *drawing) amp(pin int) float64 {
	p, _ := r.d.Pin(pin)
	i := choose(r, p.MaxI, p.MaxI/2, p.MaxI*math.Pow(10, r.between(-4, 0)), 1e-6)
	if r.chance(0.03) {
		i *= 1.1
	}
	return i
}

func (r *drawing) hold(pin int) procedure.Hold {
	h := procedure.Hold{Pin: pin, Use: choose(r, procedure.UseVoltage, procedure.UseVoltage, procedure.UseReturn, procedure.UseOpen, procedure.UseCurrent)}
	p, _ := r.d.Pin(pin)
	switch h.Use {
	case procedure.UseVoltage:
		h.Level, h.Compliance = r.volt(pin), r.amp(pin)
	case procedure.UseCurrent:
		h.Level, h.Compliance = choose(r, 1.0, -1.0)*r.amp(pin), r.between(0.1, 1)*p.MaxV
	}
	return h
}

func (r *drawing) sweep(pin int, use procedure.Use) procedure.Sweep {
	s := procedure.Sweep{Spacing: procedure.Linear, From: r.volt(pin), To: r.volt(pin), Points: 2 + r.IntN(6), Back: r.chance(0.3)}
	if use == procedure.UseCurrent {
		s.From, s.To = choose(r, 1.0, -1.0, 0)*r.amp(pin), choose(r, 1.0, -1.0)*r.amp(pin)
	}
	if r.chance(0.2) {
		s = procedure.Sweep{Spacing: procedure.List, List: []float64{s.From, s.To, s.From / 2}, Back: s.Back}
	}
	return s
}

// measurement draws one of any kind.
func (r *drawing) measurement(id int) procedure.Measurement {
	kinds := procedure.Kinds()
	k := kinds[r.IntN(len(kinds))]
	m := k.Default(&r.d)
	m.ID, m.Name = fmt.Sprint("m", id), fmt.Sprint("Measurement ", id)
	m.Limits = nil
	if m.Kind != "supply-current" || r.chance(0.3) {
		m.Pins = r.pins(r.signals(), 3)
	}
	if len(m.Pins) == 0 {
		return m
	}
	r.force(&m, k)
	uses := map[string]bool{}
	for _, f := range k.Fields() {
		uses[f.Name] = true
	}
	if uses["powered"] && r.chance(0.5) {
		m.Powered = len(r.d.Power) > 0
	}
	if uses["rest"] {
		m.Rest = choose(r, "", procedure.UseReturn, procedure.UseOpen)
	}
	if uses["hold"] && r.chance(0.6) {
		for _, n := range r.pins(r.signals(), 3) {
			if !slices.Contains(m.Pins, n) && n != m.Observe && n != m.Against {
				m.Hold = append(m.Hold, r.hold(n))
			}
		}
	}
	if uses["repeats"] {
		m.Repeats = r.IntN(3)
	}
	m.Settle = procedure.Settle{Time: choose(r, 0, 1e-4, 50e-3)}
	m.Aperture = procedure.Aperture{Cycles: 0.02}
	return m
}

// force draws what the measured pins are forced with.
func (r *drawing) force(m *procedure.Measurement, k procedure.Kind) {
	pin := m.Pins[0]
	p, _ := r.d.Pin(pin)
	volt := func() { m.Level, m.Compliance = r.volt(pin), r.amp(pin) }
	amp := func() { m.Level, m.Compliance = choose(r, 1.0, -1.0)*r.amp(pin), r.between(0.2, 1)*p.MaxV }
	switch k.Key() {
	case "contact":
		m.Level, m.Compliance = choose(r, 100e-6, r.amp(pin)), choose(r, 2, p.MaxV)
	case "shorts":
		m.Level, m.Compliance = choose(r, 0.2, -0.2), r.amp(pin)
	case "leakage":
		volt()
	case "supply-current":
		if r.chance(0.3) {
			volt()
		}
	case "output-level":
		amp()
	case "threshold":
		s := r.sweep(pin, procedure.UseVoltage)
		s.Points = max(s.Points, 3)
		m.Sweep, m.Compliance = &s, r.amp(pin)
		if o := r.pins(r.signals(), 1); len(o) > 0 {
			m.Observe = o[0]
		}
	case "voltage":
		m.Compliance = r.between(0.2, 1) * p.MaxV
	case "resistance", "sweep", "watch":
		r.curve(m, k.Key(), volt, amp)
	}
}

func (r *drawing) curve(m *procedure.Measurement, kind string, volt, amp func()) {
	m.Use = choose(r, procedure.UseVoltage, procedure.UseCurrent)
	if m.Use == procedure.UseVoltage {
		volt()
	} else {
		amp()
	}
	m.Against = 0
	if others := r.signals(); kind != "watch" && (r.chance(0.5) || len(r.d.PinsOf(dut.Ground)) == 0) {
		m.Against = others[r.IntN(len(others))]
	}
	switch kind {
	case "resistance":
		m.Method = choose(r, procedure.TwoWire, procedure.TwoWire, procedure.FourWire, procedure.CurrentReversal)
	case "watch":
		m.Duration, m.Interval = 2e-3, 1e-3
		if r.chance(0.5) {
			m.Pins = m.Pins[:1]
		}
	case "sweep":
		m.Level = 0
		s := r.sweep(m.Pins[0], m.Use)
		m.Sweep, m.Step = &s, nil
		if n := r.signals(); r.chance(0.4) {
			pin := n[r.IntN(len(n))]
			m.Step = &procedure.Step{Pin: pin, Use: procedure.UseVoltage, Compliance: r.amp(pin), Sweep: r.sweep(pin, procedure.UseVoltage)}
		}
	}
}

// draw makes the record of a case, and what sits in the socket for it.
func draw(seed uint64, def *bench.Definition) (*procedure.Record, rehearsal.Seat) {
	r := &drawing{Rand: rand.New(rand.NewPCG(seed, 1))}
	r.device()
	rec := &procedure.Record{Device: r.d, PinMap: r.pm, Bench: *def}
	rec.Procedure = procedure.Procedure{Key: "drawn", Name: "Drawn", Device: r.d.Key}
	for i := range 1 + r.IntN(3) {
		rec.Procedure.Measurements = append(rec.Procedure.Measurements, r.measurement(i+1))
	}
	seat := rehearsal.Seat{Model: r.d.Model, Seed: r.Uint64() >> 11, PinMap: r.pm}
	if r.chance(0.3) {
		seat.Faults = r.faults()
	}
	return rec, seat
}

// faults draws one or two things wrong with the unit. Pins in each other's
// place are none of them: that is a part put in wrongly, of which the ratings
// of a pin say nothing.
func (r *drawing) faults() (out []bench.UnitFault) {
	for range 1 + r.IntN(2) {
		f := bench.UnitFault{Kind: choose(r, model.OpenBond, model.PinsShorted, model.LeakyPin, model.ContactResistance),
			Pin: 1 + r.IntN(len(r.d.Pins)), Value: math.Pow(10, r.between(-1, 6))}
		if f.Kind == model.PinsShorted {
			if f.Pin2 = 1 + r.IntN(len(r.d.Pins)); f.Pin2 == f.Pin {
				continue
			}
		}
		out = append(out, f)
	}
	return out
}
