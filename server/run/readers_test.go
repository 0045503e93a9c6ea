package run

import (
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"ohmkeep/server/bench"
	"ohmkeep/server/procedure"
)

// What is kept from one point to the next is what would be worked out anew,
// whatever changes between them: level, range, compliance, pins, aperture,
// connections.
func TestReadersAreThoseOfThePoint(t *testing.T) {
	kept := 0
	rapid.Check(t, func(t *rapid.T) {
		def := fakeRecord().Bench
		segment := func(swapped bool) *procedure.Segment {
			seg := &procedure.Segment{}
			for i, pin := range []int{pinA, pinB, pinC} {
				k := i
				if swapped {
					k = 2 - i
				}
				seg.Conns = append(seg.Conns, &procedure.Conn{Pin: pin, Drive: k})
				seg.Drives = append(seg.Drives, &procedure.Drive{Channel: &def.Channels[i/2]})
			}
			return seg
		}
		segments := []*procedure.Segment{segment(false), segment(true)}
		set := make([]bench.Setup, 3)
		var r readers
		for range rapid.IntRange(1, 20).Draw(t, "points") {
			seg := segments[rapid.SampledFrom([]int{0, 0, 0, 1}).Draw(t, "segment")]
			pt := procedure.Point{Read: rapid.SampledFrom([][]int{{pinA}, {pinA, pinB, pinC}, {pinC, pinA}}).Draw(t, "read")}
			for k := range set {
				s := &set[k]
				s.Level = rapid.SampledFrom([]float64{s.Level, s.Level, s.Level, s.Level, s.Level, 0, 1e-5, 1, -1.5, 15}).Draw(t, "level")
				if rapid.IntRange(0, 3).Draw(t, "changed") == 0 {
					*s = bench.Setup{Mode: rapid.SampledFrom([]bench.Mode{bench.ForceVoltage, bench.ForceCurrent}).Draw(t, "mode"), Level: s.Level,
						Range: rapid.SampledFrom([]float64{0, 2, 20}).Draw(t, "range"), Compliance: rapid.SampledFrom([]float64{1e-5, 1e-2}).Draw(t, "compliance"),
						SenseRange: rapid.SampledFrom([]float64{0, 1e-2}).Draw(t, "sense range")}
				}
			}
			cycles := rapid.SampledFrom([]float64{1, 1, 1, 10}).Draw(t, "cycles")
			if r.same(seg, &pt, set, cycles) {
				kept++
			}
			back := rapid.Bool().Draw(t, "back")
			r.find(seg, &pt, set, cycles, back)
			var anew readers
			anew.find(seg, &pt, set, cycles, back)
			if !reflect.DeepEqual(r.reads, anew.reads) || !slices.Equal(r.channels, anew.channels) {
				t.Fatalf("%+v of channels %v, want %+v of %v", r.reads, r.channels, anew.reads, anew.channels)
			}
		}
	})
	if kept == 0 && !testing.Short() { // of the few short draws there may be none
		t.Error("nothing was ever kept: the test shows nothing")
	}
}

// A memory keeps its own copy of what it is given, since that is written over.
func TestMemoryOutlivesTheBatches(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	m := NewMemory(0)
	if err := m.Begin(t.Context(), fakeRecord()); err != nil {
		t.Fatal(err)
	}
	var want []bench.Reading
	buffer := make([]bench.Reading, 50)
	for range 20 {
		part := buffer[:1+random.IntN(len(buffer))]
		for i := range part {
			part[i] = bench.Reading{T: random.Int64(), V: random.Float64()}
		}
		want = append(want, part...)
		if err := m.Append(t.Context(), "run", procedure.Batch{Readings: []procedure.MeasurementReadings{{Readings: part}}}); err != nil {
			t.Fatal(err)
		}
		clear(buffer)
	}
	var got []bench.Reading
	for _, p := range m.Held().Readings {
		got = append(got, p.Readings...)
	}
	if !slices.Equal(got, want) {
		t.Error("what was stored was written over with the batch")
	}
}
