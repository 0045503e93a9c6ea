package main

import (
	"ohmkeep/server/bench"
	"ohmkeep/server/rehearsal"
	"ohmkeep/server/rehearsal/model"
)

// rehearser adapts a rehearsal bench to the interface of the lab.
type rehearser struct{ bench *rehearsal.Bench }

func (r rehearser) Models() []bench.Model {
	var out []bench.Model
	for _, m := range model.All() {
		x := bench.Model{Key: m.Key, Title: m.Title, Pins: m.Pins}
		for _, o := range m.Options {
			x.Options = append(x.Options, bench.ModelOption{Key: o.Key, Title: o.Title, Unit: o.Unit, Default: o.Default})
		}
		out = append(out, x)
	}
	return out
}

func (r rehearser) UnitFaultKinds() []bench.FaultKind {
	var out []bench.FaultKind
	for _, k := range model.FaultKinds() {
		x := bench.FaultKind{Kind: k.Kind, Title: k.Title, Fields: []string{"pin"}}
		if k.TwoPins {
			x.Fields = append(x.Fields, "pin2")
		}
		if k.Ohms {
			x.Fields, x.Unit = append(x.Fields, "value"), "Ω"
		}
		out = append(out, x)
	}
	return out
}

func (r rehearser) BenchFaultKinds() []bench.FaultKind {
	return rehearsal.FaultKinds()
}

func (r rehearser) Seat(q bench.Seating) error {
	seat, faults := seatOf(q)
	return r.bench.Replace(seat, faults)
}

// seatOf converts a stored seating into what the rehearsal bench takes.
func seatOf(q bench.Seating) (rehearsal.Seat, []bench.BenchFault) {
	seat := rehearsal.Seat{Model: q.Model, Seed: q.Seed, Options: q.Options, PinMap: q.PinMap}
	for _, f := range q.UnitFaults {
		seat.Faults = append(seat.Faults, model.Fault{Kind: f.Kind, Pin: f.Pin, Pin2: f.Pin2, Value: f.Value})
	}
	return seat, q.BenchFaults
}
