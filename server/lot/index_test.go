package lot

import (
	"fmt"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
)

func source(revision int64, ids ...string) *Source {
	p := procedure.Procedure{Key: "p"}
	for _, id := range ids {
		p.Measurements = append(p.Measurements, procedure.Measurement{ID: id, Name: "Name of " + id})
	}
	return SourceOf(&p, revision)
}

func TestIdentity(t *testing.T) {
	r := procedure.Result{Measurement: 1, Key: "high", Name: "High", Pin: 3, Group: "up", Condition: "VCC 4.5 V", Value: 1, Unit: quantity.Volt}
	want := Identity{"p", "b", "high", 3, "up", "VCC 4.5 V", quantity.Volt}
	if got := source(1, "a", "b").Identity(&r); got != want {
		t.Errorf("%+v, want %+v", got, want)
	}
	other := r
	other.Value, other.Name, other.U, other.Outcome, other.Note = 2, "Another name", 3, "fail", "x"
	if got := source(2, "c", "b").Identity(&other); got != want {
		t.Errorf("what was measured changes the identity: %+v", got)
	}
	for name, change := range map[string]func(*procedure.Result){
		"measurement": func(r *procedure.Result) { r.Measurement = 0 },
		"key":         func(r *procedure.Result) { r.Key = "low" },
		"pin":         func(r *procedure.Result) { r.Pin = 4 },
		"curve":       func(r *procedure.Result) { r.Group = "down" },
		"condition":   func(r *procedure.Result) { r.Condition = "VCC 5 V" },
		"unit":        func(r *procedure.Result) { r.Unit = quantity.Ohm },
	} {
		changed := r
		change(&changed)
		if source(1, "a", "b").Identity(&changed) == want {
			t.Errorf("another %s is the same result", name)
		}
	}
	elsewhere := source(1, "a", "b")
	elsewhere.Procedure = "q"
	if elsewhere.Identity(&r) == want {
		t.Error("another procedure's result is the same")
	}
}

// A measurement without an id, or one that the procedure does not have, is
// known by its place, and never taken for one that has an id.
func TestIdentityWithoutID(t *testing.T) {
	s := source(1, "", "b")
	seen := map[string]bool{}
	for _, place := range []int{-1, 0, 1, 2, 3} {
		id := s.Identity(&procedure.Result{Measurement: place}).Measurement
		if seen[id] || (place == 1) != (id == "b") {
			t.Errorf("place %d has the id %q", place, id)
		}
		seen[id] = true
	}
}

// TestOrder: the newest revision's results come first and in its order, also
// where older runs are looked at first.
func TestOrder(t *testing.T) {
	old, edited := source(1, "a", "b"), source(2, "c", "b", "a")
	run := func(x *Index, s *Source, order int64) {
		for m := range s.Measurements {
			for pin := range 2 {
				x.Number(s, &procedure.Result{Measurement: m, Key: "r", Pin: pin + 1}, order)
				order++
			}
		}
		if s == old { // a result that the newer runs do not have
			x.Number(s, &procedure.Result{Measurement: 0, Key: "gone"}, order)
		}
	}
	want := "c1 c2 b1 b2 a1 a2 a-gone"
	for name, runs := range map[string][]*Source{"newest first": {edited, old, old}, "oldest first": {old, old, edited}, "mixed": {old, edited, old}} {
		var x Index
		for i, s := range runs {
			run(&x, s, int64(100*(len(runs)-i)))
		}
		var got []string
		for _, n := range x.Order() {
			c := x.Column(n)
			if c.Key == "gone" {
				got = append(got, c.Measurement+"-gone")
			} else {
				got = append(got, fmt.Sprint(c.Measurement, c.Pin))
			}
			if c.MeasurementName != "Name of "+c.Measurement {
				t.Errorf("%s: %s is called %q", name, c.Measurement, c.MeasurementName)
			}
		}
		if fmt.Sprint(got) != "["+want+"]" {
			t.Errorf("%s: %v, want %s", name, got, want)
		}
	}
}

// TestNumbersAreIdentities: whatever runs of whatever revisions come in
// whatever order, two results have one number exactly where they have one
// identity.
func TestNumbersAreIdentities(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ids := rapid.SliceOfN(rapid.SampledFrom([]string{"", "a", "b", "c"}), 1, 3)
		sources := []*Source{source(1, ids.Draw(t, "ids")...), source(2, ids.Draw(t, "ids")...), source(3, ids.Draw(t, "ids")...)}
		sources[2].Procedure = rapid.SampledFrom([]string{"p", "q"}).Draw(t, "procedure")
		var x Index
		known := map[Identity]int{}
		for range rapid.IntRange(1, 40).Draw(t, "results") {
			s := rapid.SampledFrom(sources).Draw(t, "source")
			r := procedure.Result{
				Measurement: rapid.IntRange(0, 3).Draw(t, "measurement"), Pin: rapid.IntRange(0, 2).Draw(t, "pin"),
				Key: rapid.SampledFrom([]string{"r", "s"}).Draw(t, "key"), Unit: rapid.SampledFrom([]quantity.Unit{"V", "A"}).Draw(t, "unit"),
			}
			n := x.Number(s, &r, rapid.Int64Range(1, 1000).Draw(t, "order"))
			id := s.Identity(&r)
			if want, seen := known[id]; seen && n != want || !seen && n != len(known) {
				t.Fatalf("%+v has number %d of %d, want %d", id, n, len(known), want)
			}
			known[id] = n
			if got := x.Column(n).Identity; got != id {
				t.Fatalf("number %d is %+v, want %+v", n, got, id)
			}
		}
		order := x.Order()
		if slices.Sort(order); len(order) != x.Len() || len(order) != len(known) {
			t.Fatalf("%d in order, %d numbers", len(order), x.Len())
		}
		for i, n := range order {
			if i != n {
				t.Fatalf("order has %v", order)
			}
		}
	})
}

// BenchmarkNumber is the cost of finding a result's column again.
func BenchmarkNumber(b *testing.B) {
	s := source(1, "a", "b", "c")
	var results []procedure.Result
	for i := range 39 {
		results = append(results, procedure.Result{Measurement: i / 13, Key: "r", Pin: i % 13, Condition: "VCC 4.5 V", Unit: quantity.Volt})
	}
	var x Index
	b.ReportAllocs()
	for i := range b.N {
		x.Number(s, &results[i%len(results)], int64(i))
	}
}
