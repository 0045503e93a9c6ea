package procedure

import (
	"ohmkeep/server/bench"
)

// BenchUse is the part of a bench that a run uses: what has to be sound for its results.
type BenchUse struct {
	Contacts map[int]bool             // on which a pin of the device sits
	Held     map[int]bool             // of those: that a path or a strap led to
	Paths    map[bench.PathID]bool    // that were closed
	Channels map[bench.ChannelID]bool // that held a pin
	Muxes    map[string]bool          // that have a switch at one of the contacts
}

// BenchUseOf works out what a run with this record uses, as its plan has it. Where no
// plan can be made of the record any more, every path and channel that reaches one
// of the contacts counts.
func BenchUseOf(rec *Record) *BenchUse {
	u := newBenchUse()
	for _, contact := range rec.PinMap.Contacts {
		u.Contacts[contact] = true
	}
	for i := range rec.Bench.Paths {
		if p := &rec.Bench.Paths[i]; u.Contacts[p.Contact] && p.Mux != "" {
			u.Muxes[p.Mux] = true
		}
	}
	for _, s := range rec.PinMap.Straps {
		u.Held[s.Contact] = u.Contacts[s.Contact]
		if s.Kind == bench.StrapChannel && u.Contacts[s.Contact] {
			u.Channels[s.Channel] = true
		}
	}
	if !u.planned(rec) {
		u.all(&rec.Bench)
	}
	return u
}

// planned takes in what the plan closes and drives, and reports whether there is
// one. Measurements are shortened: repeats connect nothing else.
func (u *BenchUse) planned(rec *Record) bool {
	planner := NewPlanner(&rec.Device, &rec.PinMap, &rec.Bench)
	some := false
	for i := range rec.Procedure.Measurements {
		m := rec.Procedure.Measurements[i]
		kind, ok := KindByKey(m.Kind)
		if m.Disabled {
			continue
		}
		if !ok || kind.Validate(&m, &rec.Device).Err() != nil {
			return false
		}
		kind.Shorten(&m)
		step, err := planner.Step(i, &m, kind, nil)
		if err != nil {
			return false
		}
		for _, seg := range step.Segments {
			some = true
			u.segment(seg, &rec.Bench)
		}
	}
	return some
}

func (u *BenchUse) segment(seg *Segment, def *bench.Definition) {
	for _, id := range seg.Assign.Paths {
		u.Paths[id] = true
		if p, ok := def.PathByID(id); ok {
			u.Held[p.Contact] = true
		}
	}
	for _, d := range seg.Drives {
		u.Channels[d.Channel.ID] = true
	}
}

// all takes in whatever reaches one of the contacts.
func (u *BenchUse) all(def *bench.Definition) {
	for contact := range u.Contacts {
		u.Held[contact] = true
	}
	for i := range def.Paths {
		if p := &def.Paths[i]; u.Contacts[p.Contact] {
			u.Paths[p.ID] = true
			if p.Channel != 0 {
				u.Channels[p.Channel] = true
			}
		}
	}
}

// WholeBench is the use of everything: of a run of which it is not known what it
// used.
func WholeBench(def *bench.Definition) *BenchUse {
	u := newBenchUse()
	for i := range def.Paths {
		p := &def.Paths[i]
		u.Contacts[p.Contact], u.Muxes[p.Mux] = true, true
	}
	u.all(def)
	return u
}

func newBenchUse() *BenchUse {
	return &BenchUse{Contacts: map[int]bool{}, Held: map[int]bool{}, Paths: map[bench.PathID]bool{}, Channels: map[bench.ChannelID]bool{}, Muxes: map[string]bool{}}
}
