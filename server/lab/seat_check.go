package lab

import (
	"errors"
	"fmt"
	"maps"
	"slices"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
)

// checkSeating reports, field by field, what cannot be seated: a model, option,
// fault, pin or place on the bench that there is not. The bench must be one to
// rehearse on.
func (b *Bench) checkSeating(q *bench.Seating) error {
	var ps dut.Problems
	m := b.modelOf(&ps, q)
	if m != nil {
		checkOptions(&ps, m, q.Options)
		b.checkPlaces(&ps, m, q)
	}
	kinds := b.Rehearse.UnitFaultKinds()
	for i, f := range q.UnitFaults {
		at := fmt.Sprintf("unitFaults[%d].", i)
		k := faultKind(&ps, at, kinds, f.Kind)
		if k == nil || m == nil {
			continue
		}
		checkNumbers(k, &ps, at, "pin", "the part", m.Pins, f.Pin, f.Pin2)
		checkValue(k, &ps, at, f.Value)
	}
	kinds = b.Rehearse.BenchFaultKinds()
	for i, f := range q.BenchFaults {
		at := fmt.Sprintf("benchFaults[%d].", i)
		if k := faultKind(&ps, at, kinds, f.Kind); k != nil {
			checkPlace(k, &ps, at, &f, &b.Definition)
		}
	}
	checkBench(&ps, q)
	return ps.Err()
}

// mostSeed is the largest seed of a bench: exact in JSON and in browsers.
const mostSeed = 1<<53 - 1

// checkBench checks which bench is drawn, and in which world.
func checkBench(ps *dut.Problems, q *bench.Seating) {
	if q.BenchSeed != nil && *q.BenchSeed > mostSeed {
		ps.Add("benchSeed", "must be 0 to %d", uint64(mostSeed))
	}
	if q.World == nil {
		return
	}
	for _, p := range q.World.Check() {
		ps.Add("world."+p.Field, "%s", p.Message)
	}
}

// modelOf finds the model that is asked for; nil where the device decides.
func (b *Bench) modelOf(ps *dut.Problems, q *bench.Seating) *bench.Model {
	if q.Model == "" {
		if q.Device == "" {
			ps.Add("model", "name a model, or a device that has one")
		}
		return nil
	}
	models := b.Rehearse.Models()
	i := slices.IndexFunc(models, func(m bench.Model) bool { return m.Key == q.Model })
	if i < 0 {
		ps.Add("model", "there is no model %q", dut.Excerpt(q.Model))
		return nil
	}
	return &models[i]
}

// checkPlaces checks the pin map of a model without a device.
func (b *Bench) checkPlaces(ps *dut.Problems, m *bench.Model, q *bench.Seating) {
	if q.Device != "" || len(q.PinMap.Contacts) == 0 && len(q.PinMap.Straps) == 0 {
		return
	}
	pins := make([]int, m.Pins)
	for i := range pins {
		pins[i] = i + 1
	}
	var found dut.Problems
	errors.As(q.PinMap.Validate(&b.Definition, pins), &found)
	for _, p := range found {
		ps.Add("pinMap."+p.Field, "%s", p.Message)
	}
}

func checkOptions(ps *dut.Problems, m *bench.Model, options map[string]float64) {
	for _, key := range slices.Sorted(maps.Keys(options)) {
		if !slices.ContainsFunc(m.Options, func(o bench.ModelOption) bool { return o.Key == key }) {
			ps.Add("options."+dut.Excerpt(key), "is not an option of this model")
		}
	}
}

func faultKind(ps *dut.Problems, at string, kinds []bench.FaultKind, kind string) *bench.FaultKind {
	i := slices.IndexFunc(kinds, func(k bench.FaultKind) bool { return k.Kind == kind })
	if i < 0 {
		ps.Add(at+"kind", "there is no fault %q", dut.Excerpt(kind))
		return nil
	}
	return &kinds[i]
}

// checkNumbers checks one or two pins or contacts, by what the kind uses.
func checkNumbers(k *bench.FaultKind, ps *dut.Problems, at, what, where string, most, first, second int) {
	bad := func(n int) bool { return n < 1 || n > most }
	if slices.Contains(k.Fields, what) && bad(first) {
		ps.Add(at+what, "%s %d is not on %s, which has %d", what, first, where, most)
	}
	switch {
	case !slices.Contains(k.Fields, what+"2"):
	case bad(second):
		ps.Add(at+what+"2", "%s %d is not on %s, which has %d", what, second, where, most)
	case first == second:
		ps.Add(at+what+"2", "two different %ss are needed", what)
	}
}

// The bounds of a fault's value: ohms, or a part of one.
const (
	leastOhms = 1e-3
	mostOhms  = 1e12
	mostDrift = 0.5
)

func checkValue(k *bench.FaultKind, ps *dut.Problems, at string, v float64) {
	if !slices.Contains(k.Fields, "value") {
		return
	}
	if k.Unit != "Ω" {
		if !(v >= -mostDrift && v <= mostDrift) {
			ps.Add(at+"value", "must be -%g to %g of the value", mostDrift, mostDrift)
		}
		return
	}
	if !(v >= leastOhms && v <= mostOhms) {
		ps.Add(at+"value", "must be %g to %g ohms", leastOhms, mostOhms)
	}
}

// checkPlace checks where on the bench a fault is.
func checkPlace(k *bench.FaultKind, ps *dut.Problems, at string, f *bench.BenchFault, d *bench.Definition) {
	has := func(field string) bool { return slices.Contains(k.Fields, field) }
	if has("mux") && !slices.ContainsFunc(d.Paths, func(p bench.Path) bool { return p.Mux == f.Mux }) {
		ps.Add(at+"mux", "there is no multiplexer %q", dut.Excerpt(f.Mux))
	}
	if _, ok := d.PathByID(f.Path); has("path") && !ok {
		ps.Add(at+"path", "there is no path %d", f.Path)
	}
	if _, ok := d.ChannelByID(f.Channel); has("channel") && !ok {
		ps.Add(at+"channel", "there is no channel %d", f.Channel)
	}
	checkNumbers(k, ps, at, "contact", "the bench", d.Contacts, f.Contact, f.Contact2)
	checkValue(k, ps, at, f.Value)
}
