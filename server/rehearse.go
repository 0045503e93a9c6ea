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
	return model.FaultKinds()
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
	return rehearsal.Seat{Model: q.Model, Seed: q.Seed, Options: q.Options, Faults: q.UnitFaults, PinMap: q.PinMap}, q.BenchFaults
}
