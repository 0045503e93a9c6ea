package procedure

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"ohmkeep/server/dut"
)

// Clone returns a copy that shares nothing with p.
func (p Procedure) Clone() Procedure {
	p.Conditions = slices.Clone(p.Conditions)
	for i := range p.Conditions {
		p.Conditions[i] = p.Conditions[i].clone()
	}
	p.Measurements = slices.Clone(p.Measurements)
	for i := range p.Measurements {
		p.Measurements[i] = p.Measurements[i].Clone()
	}
	return p
}

// Clone returns a copy that shares nothing with m.
func (m Measurement) Clone() Measurement {
	m.Pins, m.Hold, m.Own = slices.Clone(m.Pins), slices.Clone(m.Hold), maps.Clone(m.Own)
	if m.At != nil {
		at := m.At.clone()
		m.At = &at
	}
	if m.Sweep != nil {
		s := *m.Sweep
		s.List = slices.Clone(s.List)
		m.Sweep = &s
	}
	if m.Step != nil {
		s := *m.Step
		s.Sweep.List = slices.Clone(s.Sweep.List)
		m.Step = &s
	}
	if m.Limits != nil {
		limits := make(map[string]Limit, len(m.Limits))
		for k, l := range m.Limits {
			limits[k] = Limit{Low: copied(l.Low), High: copied(l.High)}
		}
		m.Limits = limits
	}
	return m
}

func (c Condition) clone() Condition {
	c.Supplies, c.Temperature = slices.Clone(c.Supplies), copied(c.Temperature)
	return c
}

func copied(v *float64) *float64 {
	if v == nil {
		return nil
	}
	c := *v
	return &c
}

// Add returns the procedure with one more measurement of a kind at its end, with
// the kind's values for the device and an id that nothing else has. It fails
// for a kind that does not exist and for a procedure that is full.
func (p Procedure) Add(kind string, d *dut.Device) (Procedure, error) {
	k, ok := KindByKey(kind)
	if !ok {
		return p, fmt.Errorf("there is no kind of measurement %q", clip(kind))
	}
	m := k.Default(d).Clone()
	return p.insert(len(p.Measurements), m)
}

// Copy returns the procedure with a copy of measurement i right behind it.
func (p Procedure) Copy(i int) (Procedure, error) {
	if err := p.at(i); err != nil {
		return p, err
	}
	m := p.Measurements[i].Clone()
	m.Name = within(m.Name, maxName-len(", copy")) + ", copy"
	return p.insert(i+1, m)
}

// insert puts m at a place and gives it an id of its own.
func (p Procedure) insert(at int, m Measurement) (Procedure, error) {
	if len(p.Measurements) >= MaxMeasurements {
		return p, fmt.Errorf("the procedure has %d measurements; at most %d fit: split it", len(p.Measurements), MaxMeasurements)
	}
	p = p.Clone()
	m.ID = p.freeID(m.ID)
	p.Measurements = slices.Insert(p.Measurements, at, m)
	return p, nil
}

// Move returns the procedure with measurement i at place to, the others in
// their order.
func (p Procedure) Move(i, to int) (Procedure, error) {
	for _, n := range []int{i, to} {
		if err := p.at(n); err != nil {
			return p, err
		}
	}
	p = p.Clone()
	m := p.Measurements[i]
	p.Measurements = slices.Insert(slices.Delete(p.Measurements, i, i+1), to, m)
	return p, nil
}

// Remove returns the procedure without measurement i.
func (p Procedure) Remove(i int) (Procedure, error) {
	if err := p.at(i); err != nil {
		return p, err
	}
	p = p.Clone()
	p.Measurements = slices.Delete(p.Measurements, i, i+1)
	return p, nil
}

// SetDisabled returns the procedure with measurement i left out of runs, or not.
func (p Procedure) SetDisabled(i int, disabled bool) (Procedure, error) {
	if err := p.at(i); err != nil {
		return p, err
	}
	p = p.Clone()
	p.Measurements[i].Disabled = disabled
	return p, nil
}

// SetGroup returns the procedure with measurement i under a heading; "" is none.
func (p Procedure) SetGroup(i int, group string) (Procedure, error) {
	if err := p.at(i); err != nil {
		return p, err
	}
	p = p.Clone()
	p.Measurements[i].Group = strings.TrimSpace(group)
	return p, nil
}

// RenumberIDs returns the procedure with ids made anew in order: the kind, and
// a number where a kind comes more than once. The same measurements always get
// the same ids.
func (p Procedure) RenumberIDs() Procedure {
	p = p.Clone()
	total, seen := map[string]int{}, map[string]int{}
	for _, m := range p.Measurements {
		total[m.Kind]++
	}
	for i := range p.Measurements {
		m := &p.Measurements[i]
		seen[m.Kind]++
		m.ID = within(m.Kind, maxID-5)
		if total[m.Kind] > 1 {
			m.ID += "-" + strconv.Itoa(seen[m.Kind])
		}
	}
	return p
}

// at refuses an index that no measurement has.
func (p *Procedure) at(i int) error {
	if i < 0 || i >= len(p.Measurements) {
		return fmt.Errorf("there is no measurement %d: the procedure has %d", i+1, len(p.Measurements))
	}
	return nil
}

// freeID is the wanted id, or it with the lowest free number from 2 behind it.
// A number that it ends with already is counted on.
func (p *Procedure) freeID(wanted string) string {
	taken := map[string]bool{}
	for _, m := range p.Measurements {
		taken[m.ID] = true
	}
	if !taken[wanted] && wanted != "" {
		return wanted
	}
	stem := wanted
	if i := strings.LastIndexByte(wanted, '-'); i > 0 {
		if _, err := strconv.ParseUint(wanted[i+1:], 10, 16); err == nil {
			stem = wanted[:i]
		}
	}
	if stem == "" {
		stem = "measurement"
	}
	for n := 2; ; n++ {
		if id := within(stem, maxID-5) + "-" + strconv.Itoa(n); !taken[id] {
			return id
		}
	}
}

// within is the text, cut to so many characters.
func within(s string, most int) string {
	if r := []rune(s); len(r) > most {
		return string(r[:most])
	}
	return s
}
