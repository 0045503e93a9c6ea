package routes

import (
	"fmt"
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
)

// checkSeating reports, field by field, what cannot be seated: a model, option,
// fault, pin or place on the bench that there is not. A real bench has no
// models; that it cannot be seated is for seat to say.
func (s *Server) checkSeating(q *Seating) error {
	if s.Rehearse == nil {
		return nil
	}
	var ps dut.Problems
	m := s.modelOf(&ps, q)
	if m != nil {
		checkOptions(&ps, m, q.Options)
	}
	kinds := s.Rehearse.UnitFaultKinds()
	for i, f := range q.UnitFaults {
		at := fmt.Sprintf("unitFaults[%d].", i)
		k := faultKind(&ps, at, kinds, f.Kind)
		if k == nil || m == nil {
			continue
		}
		for name, pin := range map[string]int{"pin": f.Pin, "pin2": f.Pin2} {
			if slices.Contains(k.Fields, name) && (pin < 1 || pin > m.Pins) {
				ps.Add(at+name, "pin %d is not on the part, which has %d", pin, m.Pins)
			}
		}
		k.checkValue(&ps, at, f.Value)
		if slices.Contains(k.Fields, "pin2") && f.Pin == f.Pin2 {
			ps.Add(at+"pin2", "two different pins are needed")
		}
	}
	kinds = s.Rehearse.BenchFaultKinds()
	for i, f := range q.BenchFaults {
		at := fmt.Sprintf("benchFaults[%d].", i)
		if k := faultKind(&ps, at, kinds, f.Kind); k != nil {
			k.checkPlace(&ps, at, &f, &s.Bench)
		}
	}
	return ps.Err()
}

// modelOf finds the model that is asked for; nil where the device decides.
func (s *Server) modelOf(ps *dut.Problems, q *Seating) *Model {
	if q.Model == "" {
		if q.Device == "" {
			ps.Add("model", "name a model, or a device that has one")
		}
		return nil
	}
	models := s.Rehearse.Models()
	i := slices.IndexFunc(models, func(m Model) bool { return m.Key == q.Model })
	if i < 0 {
		ps.Add("model", "there is no model %q", brief(q.Model))
		return nil
	}
	return &models[i]
}

func checkOptions(ps *dut.Problems, m *Model, options map[string]float64) {
	for _, key := range sortedKeys(options) {
		if !slices.ContainsFunc(m.Options, func(o ModelOption) bool { return o.Key == key }) {
			ps.Add("options."+brief(key), "is not an option of this model")
		}
	}
}

func faultKind(ps *dut.Problems, at string, kinds []FaultKind, kind string) *FaultKind {
	i := slices.IndexFunc(kinds, func(k FaultKind) bool { return k.Kind == kind })
	if i < 0 {
		ps.Add(at+"kind", "there is no fault %q", brief(kind))
		return nil
	}
	return &kinds[i]
}

// mostOhms bounds the resistance of a fault.
const mostOhms = 1e12

func (k *FaultKind) checkValue(ps *dut.Problems, at string, v float64) {
	if !slices.Contains(k.Fields, "value") {
		return
	}
	if k.Unit != "Ω" {
		if !(v > -1 && v < 1) {
			ps.Add(at+"value", "must be a part of one, between -1 and 1")
		}
		return
	}
	if !(v >= 1e-3 && v <= mostOhms) {
		ps.Add(at+"value", "must be 0.001 to %g ohms", mostOhms)
	}
}

// checkPlace checks where on the bench a fault is.
func (k *FaultKind) checkPlace(ps *dut.Problems, at string, f *BenchFault, d *bench.Definition) {
	has := func(field string) bool { return slices.Contains(k.Fields, field) }
	if has("mux") && !slices.ContainsFunc(d.Paths, func(p bench.Path) bool { return p.Mux == f.Mux }) {
		ps.Add(at+"mux", "there is no multiplexer %q", brief(f.Mux))
	}
	if _, ok := d.PathByID(f.Path); has("path") && !ok {
		ps.Add(at+"path", "there is no path %d", f.Path)
	}
	if _, ok := d.ChannelByID(f.Channel); has("channel") && !ok {
		ps.Add(at+"channel", "there is no channel %d", f.Channel)
	}
	for name, c := range map[string]int{"contact": f.Contact, "contact2": f.Contact2} {
		if has(name) && (c < 1 || c > d.Contacts) {
			ps.Add(at+name, "contact %d is not on the bench, which has %d", c, d.Contacts)
		}
	}
	if has("contact2") && f.Contact == f.Contact2 {
		ps.Add(at+"contact2", "two different contacts are needed")
	}
	k.checkValue(ps, at, f.Value)
}
