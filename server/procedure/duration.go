package procedure

import (
	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
)

// tally counts what a measurement comes to.
type tally struct {
	points   int64
	switches int64   // points before which paths move
	reads    int64   // integrations; channels read together count once
	readings int64   // what is stored: one for each pin read
	waits    float64 // seconds between readings that keep an interval, aperture included
	timed    int64   // integrations within waits
	hastened int64   // of reads: those over a part of the aperture (see hurry)
	settling float64 // seconds from applying to reading, until stable aside
}

// counter is a kind that can say what a measurement comes to without expanding
// it: for those that may have very many points.
type counter interface {
	count(m *Measurement, d *dut.Device) tally
}

// tally counts a valid measurement, by its points where the kind is no counter.
func (m *Measurement) tally(d *dut.Device) tally {
	k, ok := KindByKey(m.Kind)
	if !ok {
		return tally{}
	}
	if c, can := k.(counter); can {
		return c.count(m, d)
	}
	var t tally
	var before []Hold
	for p := range k.Points(m, d) {
		t.points++
		if t.points == 1 || !samePaths(before, p.Hold) {
			t.switches++
		}
		before = p.Hold
		t.settling += p.Settle.Time
		t.reads += int64(p.Count)
		if p.Aperture != m.Aperture {
			t.hastened += int64(p.Count)
		}
		t.readings += int64(p.Count) * int64(len(p.Read))
		if p.Interval > 0 {
			t.waits += float64(p.Count-1) * p.Interval
			t.timed += int64(p.Count - 1)
		}
	}
	return t
}

// samePaths reports whether two sets of holds connect the same pins in the same way.
func samePaths(a, b []Hold) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if a[i].Pin != b[i].Pin || a[i].Use.TakesChannel() != b[i].Use.TakesChannel() || a[i].Kelvin != b[i].Kelvin {
			return false
		}
	}
	return true
}

// Estimate is the time that a measurement takes, by parts, in seconds.
type Estimate struct {
	Points, Readings int64
	Switching        float64 // paths opening and closing
	Settling         float64
	Reading          float64 // apertures, and the waits of an interval
	Ramp             float64 // supplies coming up and going down
}

// Total is the sum of the parts, in seconds.
func (e Estimate) Total() float64 { return e.Switching + e.Settling + e.Reading + e.Ramp }

// Estimate is how long the measurement should take on a bench. Settling until
// stable is taken as its time and one reading more, its best case. It must only
// be called on a valid measurement; it does not expand long sweeps.
func (m *Measurement) Estimate(d *dut.Device, b *bench.Definition) Estimate {
	if m.Disabled {
		return Estimate{}
	}
	t := m.tally(d)
	aperture := m.Aperture.ApertureSeconds(b.LineHz)
	e := Estimate{
		Points: t.points, Readings: t.readings,
		Switching: float64(2*t.switches) * b.SwitchTime, // break, then make
		Settling:  t.settling,
		Reading:   (float64(t.reads-t.timed)-float64(t.hastened)*(1-hurryVoltage.aperture))*aperture + max(t.waits, float64(t.timed)*aperture),
	}
	if m.Settle.UntilStable {
		e.Settling += float64(t.points) * aperture
	}
	if m.Powered {
		for _, s := range d.Power {
			e.Ramp += 2*s.Ramp + s.Delay // up, and down in the same time
		}
	}
	return e
}

// Estimate is the measurements' estimates in order. It must only be called on a
// valid procedure.
func (p *Procedure) Estimate(d *dut.Device, b *bench.Definition) []Estimate {
	out := make([]Estimate, len(p.Measurements))
	for i := range p.Measurements {
		out[i] = p.Measurements[i].Estimate(d, b)
	}
	return out
}
