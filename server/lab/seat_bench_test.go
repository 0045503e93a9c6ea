package lab

import (
	"encoding/json"
	"testing"

	"ohmkeep/server/bench"
	"ohmkeep/server/problem"
	"ohmkeep/server/rehearsal"
)

// TestSeatDrawsABench: a seating says which bench it is on, and one that does
// not stays on the one that is; each insertion is the next one.
func TestSeatDrawsABench(t *testing.T) {
	r := newRig(t)
	seated := func() *bench.Seating {
		q, err := r.Seated(t.Context(), r.b)
		must(t, err)
		return q
	}
	load := bench.Seating{Model: "check-load", Serial: "S1"}
	must(t, r.Seat(t.Context(), r.b, ada, load))
	if q := seated(); *q.BenchSeed != 1 || *q.World != rehearsal.ServedWorld() || q.Insertion != 1 {
		t.Errorf("the first seating: %d, %+v, insertion %d", *q.BenchSeed, q.World, q.Insertion)
	}
	seed, world := uint64(7), rehearsal.RealWorld()
	other := load
	other.BenchSeed, other.World = &seed, &world
	must(t, r.Seat(t.Context(), r.b, ada, other))
	must(t, r.Seat(t.Context(), r.b, ada, load))
	if q := seated(); *q.BenchSeed != 7 || *q.World != world || q.Insertion != 3 {
		t.Errorf("afterwards: %d, %+v, insertion %d", *q.BenchSeed, q.World, q.Insertion)
	}
	if got, w := r.b.Rehearse.Drawn(); got != 7 || w != world {
		t.Errorf("the bench is %d with %+v", got, w)
	}
	load.Insertion = 2
	must(t, r.Seat(t.Context(), r.b, ada, load))
	if q := seated(); q.Insertion != 2 {
		t.Errorf("insertion 2 was asked for, and is %d", q.Insertion)
	}
}

// TestSeatRefusesABench: a bench that cannot be is refused at its field, and
// the one that is stays.
func TestSeatRefusesABench(t *testing.T) {
	r := newRig(t)
	huge := uint64(1 << 53)
	bad := rehearsal.ServedWorld()
	bad.Ambient = 1000
	odd := rehearsal.ServedWorld()
	odd.Distribution = "bell"
	for field, q := range map[string]bench.Seating{
		"benchSeed":          {Model: "check-load", BenchSeed: &huge},
		"world.ambient":      {Model: "check-load", World: &bad},
		"world.distribution": {Model: "check-load", World: &odd},
	} {
		err := r.Seat(t.Context(), r.b, ada, q)
		e := problem.Of(err)
		if e == nil || e.Code != problem.Invalid || len(e.Fields) != 1 || e.Fields[0].Field != field {
			t.Errorf("%s: %v", field, err)
		}
	}
	if seed, w := r.b.Rehearse.Drawn(); seed != 1 || w != rehearsal.ServedWorld() {
		t.Errorf("the bench is %d with %+v", seed, w)
	}
}

// TestRerunIsOnTheSameBench: a run keeps which bench it was on, and its
// repetition is on that one, whatever was drawn in between.
func TestRerunIsOnTheSameBench(t *testing.T) {
	r := newRig(t)
	seed := uint64(33)
	must(t, r.Seat(t.Context(), r.b, ada, bench.Seating{Model: "check-load", BenchSeed: &seed}))
	id := r.ended(t)
	kept := func(id string) (q bench.Seating) {
		rec, err := r.Store.GetRun(t.Context(), id)
		must(t, err)
		raw, _ := rec.Seated.(json.RawMessage)
		must(t, json.Unmarshal(raw, &q))
		return q
	}
	first := kept(id)
	if first.BenchSeed == nil || *first.BenchSeed != 33 || first.World == nil {
		t.Fatalf("the run keeps %+v", first)
	}
	another := uint64(34)
	must(t, r.Seat(t.Context(), r.b, ada, bench.Seating{Model: "check-load", BenchSeed: &another}))
	again, err := r.Rerun(t.Context(), r.b, ada, id, nil)
	must(t, err)
	r.wait(t)
	if q := kept(again); *q.BenchSeed != 33 || *q.World != *first.World || q.Insertion != first.Insertion {
		t.Errorf("it was on bench %d, insertion %d; the first on 33, insertion %d", *q.BenchSeed, q.Insertion, first.Insertion)
	}
}
