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
	a := r.bench.Arranged()
	a.Seat, a.Faults = seat, faults
	if q.BenchSeed != nil {
		a.Seed = *q.BenchSeed
	}
	if q.World != nil {
		a.World = *q.World
	}
	return r.bench.Arrange(a)
}

func (r rehearser) Drawn() (seed uint64, w bench.World) {
	a := r.bench.Arranged()
	return a.Seed, a.World
}

func (r rehearser) Worlds() []bench.NamedWorld { return rehearsal.Worlds() }

// seatOf converts a stored seating into what the rehearsal bench takes.
func seatOf(q bench.Seating) (rehearsal.Seat, []bench.BenchFault) {
	return rehearsal.Seat{Model: q.Model, Seed: q.Seed, Options: q.Options, Faults: q.UnitFaults, PinMap: q.PinMap, Insertion: q.Insertion}, q.BenchFaults
}
