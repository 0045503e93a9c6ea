package procedure

import (
	"fmt"
	"reflect"
	"slices"
	"strings"

	"ohmkeep/server/dut"
)

// MaxConditions is the largest number of conditions of a procedure.
const MaxConditions = 64

// Temperatures that a person may type in, in degrees Celsius.
const (
	coldest = -273.15
	hottest = 1000.0
)

// Condition is one of a list that a procedure repeats over.
type Condition struct {
	// Supplies come up at these levels instead of those of their power steps.
	Supplies []SupplyLevel `json:"supplies,omitempty"`
	// Temperature is what the operator says it is, in °C. Nothing sets it.
	Temperature *float64 `json:"temperature,omitempty"`
	// Group limits the condition to the measurements under that heading; "" is
	// all of them.
	Group string `json:"group,omitempty"`
	Note  string `json:"note,omitempty"`
}

// ConditionField is the path of a field of a condition, as forms name it:
// "conditions[1].temperature", "conditions[1].supply.14" for the level of supply
// pin 14.
func ConditionField(i int, part string) string { return fmt.Sprintf("conditions[%d].%s", i, part) }

// SupplyLevel is the voltage of a supply pin under a condition.
type SupplyLevel struct {
	Pin   int     `json:"pin"`
	Level float64 `json:"level"` // V
}

// Words is the condition as results carry it: "VCC 4.5 V, 85 °C".
func (c *Condition) Words(d *dut.Device) string {
	var parts []string
	for _, s := range c.Supplies {
		parts = append(parts, supplyName(d, s.Pin)+" "+volts(s.Level))
	}
	if c.Temperature != nil {
		parts = append(parts, celsius(*c.Temperature))
	}
	return strings.Join(parts, ", ")
}

func celsius(t float64) string { return fmt.Sprintf("%.4g °C", t) }

// supplyName is a supply's name, with its pin number where two share it.
func supplyName(d *dut.Device, pin int) string {
	p, _ := d.Pin(pin)
	for _, n := range d.PinsOf(dut.Supply) {
		if q, _ := d.Pin(n); n != pin && q.Name == p.Name {
			return p.Label()
		}
	}
	return p.Name
}

// powerStep is how a supply pin comes up in the measurement: as the device says,
// at the level of the condition.
func (m *Measurement) powerStep(d *dut.Device, pin int) (dut.PowerStep, bool) {
	s, ok := powerStep(d, pin)
	if ok && m.At != nil {
		for _, l := range m.At.Supplies {
			if l.Pin == pin {
				s.Level = l.Level
			}
		}
	}
	return s, ok
}

// Expand returns the procedure with every measurement repeated for each of the
// conditions that make a difference to it, all measurements under one condition
// before the next: what is carried out, and what the results of a run refer to.
// The list of conditions stays in it, as what it was made from. A measurement
// without the supplies up is repeated for temperatures only, one that nothing
// changes is not repeated, and one that is switched off stays as it is. To
// expand what is expanded changes nothing.
func Expand(p Procedure, d *dut.Device) Procedure {
	if len(p.Conditions) == 0 {
		return p
	}
	var all []Measurement
	seen := make([][]Condition, len(p.Measurements))
	ids := map[string]bool{}
	for _, m := range p.Measurements {
		ids[m.ID] = true
	}
	for k := range p.Conditions {
		for i := range p.Measurements {
			m := &p.Measurements[i]
			at, changes := p.Conditions[k].on(m, d)
			switch {
			case !changes:
				// What nothing changes stands once, where it stood.
				if k > 0 || m.affected(p.Conditions, d) {
					continue
				}
				all = append(all, m.Clone())
			case !slices.ContainsFunc(seen[i], func(c Condition) bool { return reflect.DeepEqual(c, at) }):
				seen[i] = append(seen[i], at)
				all = append(all, m.under(at, k, d, ids))
			}
		}
	}
	p.Measurements = all
	return p
}

// affected reports whether any of the conditions changes the measurement.
func (m *Measurement) affected(conditions []Condition, d *dut.Device) bool {
	return slices.ContainsFunc(conditions, func(c Condition) bool {
		_, changes := c.on(m, d)
		return changes
	})
}

// on is what is left of a condition that changes the measurement.
func (c *Condition) on(m *Measurement, d *dut.Device) (at Condition, changes bool) {
	if m.Disabled || m.At != nil || c.Group != "" && c.Group != m.Group {
		return at, false
	}
	at.Temperature = copied(c.Temperature)
	for _, s := range c.Supplies {
		_, held := m.holdOf(s.Pin)
		_, steps := powerStep(d, s.Pin)
		own := m.forces(d, s.Pin)
		fixed := own.Known && !own.Follows || s.Pin == m.Against
		if m.Powered && !held && steps && !fixed {
			at.Supplies = append(at.Supplies, s)
		}
	}
	return at, at.Temperature != nil || len(at.Supplies) > 0
}

// under is the measurement under a condition, the k-th of the list.
func (m *Measurement) under(at Condition, k int, d *dut.Device, ids map[string]bool) Measurement {
	out := m.Clone()
	out.At = &at
	words := ", " + at.Words(d)
	out.Name = within(m.Name, max(1, maxName-len([]rune(words)))) + words
	out.Name = within(out.Name, maxName)
	for n := k + 1; ; n++ {
		out.ID = fmt.Sprintf("%s-c%d", within(m.ID, maxID-8), n)
		if !ids[out.ID] {
			ids[out.ID] = true
			return out
		}
	}
}

// conditions checks the list, and every measurement under each of its entries.
func (c *checker) conditions(p *Procedure) {
	if n := len(p.Conditions); n > MaxConditions {
		c.ps.Add("conditions", "has %d conditions; at most %d", n, MaxConditions)
		return
	}
	for i := range p.Conditions {
		at := fmt.Sprintf("conditions[%d]", i)
		c.condition(at, &p.Conditions[i])
		g := p.Conditions[i].Group
		if g != "" && !slices.ContainsFunc(p.Measurements, func(m Measurement) bool { return m.Group == g }) {
			c.ps.Add(at+".group", "no measurement stands under the heading %q", clip(g))
		}
		for k := range i {
			if reflect.DeepEqual(p.Conditions[i], p.Conditions[k]) {
				c.ps.Add(at, "is the same as condition %d: remove one", k+1)
			}
		}
	}
	if len(c.ps) > 0 || len(p.Conditions) == 0 {
		return // the rest would only repeat it
	}
	expanded := Expand(*p, c.d)
	if n := len(expanded.Measurements); n > MaxMeasurements {
		c.ps.Add("conditions", "the procedure comes to %d measurements under all conditions; at most %d: use fewer, or split it", n, MaxMeasurements)
		return
	}
	said := map[dut.Problem]bool{}
	for i := range expanded.Measurements {
		m := &expanded.Measurements[i]
		if m.At == nil {
			continue
		}
		for _, q := range m.Validate(c.d) {
			q.Message = "at " + m.At.Words(c.d) + ": " + q.Message
			q.Field = "conditions"
			if !said[q] {
				said[q] = true
				c.ps.Add("conditions", "measurement %q %s", clip(m.Name), q.Message)
			}
		}
	}
}

// condition checks one condition against the ratings.
func (c *checker) condition(at string, x *Condition) {
	if len(x.Supplies) == 0 && x.Temperature == nil {
		c.ps.Add(at, "changes nothing: give a supply level or a temperature")
	}
	c.text(at+".note", x.Note, 0, maxNote)
	if t := x.Temperature; t != nil && !(*t >= coldest && *t <= hottest) {
		c.ps.Add(at+".temperature", "must be %g to %g °C", coldest, hottest)
	}
	seen := map[int]bool{}
	for k, s := range x.Supplies {
		field := fmt.Sprintf("%s.supplies[%d]", at, k)
		p, ok := c.d.Pin(s.Pin)
		if !ok || p.Function != dut.Supply {
			c.ps.Add(field+".pin", "pin %d is not a supply pin of this device", s.Pin)
			continue
		}
		if _, steps := powerStep(c.d, s.Pin); !steps {
			c.ps.Add(field+".pin", "pin %s has no power step: give it one on the device", p.Label())
		}
		if seen[s.Pin] {
			c.ps.Add(field+".pin", "pin %s is named twice", p.Label())
		}
		seen[s.Pin] = true
		if !(s.Level >= p.MinV && s.Level <= p.MaxV) {
			c.ps.Add(field+".level", "%s is outside the rating of pin %s, %s to %s",
				volts(s.Level), p.Label(), volts(p.MinV), volts(p.MaxV))
		}
	}
}
