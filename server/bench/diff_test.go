package bench_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
)

func TestDiff(t *testing.T) {
	def := &bench.Definition{Contacts: 8, Channels: []bench.Channel{{ID: 1, Name: "1A"}}}
	d := &dut.Device{Pins: []dut.Pin{{Number: 1, Name: "IN"}, {Number: 2, Name: "GND"}, {Number: 3, Name: "OUT"}}}
	a := &bench.PinMap{Contacts: map[int]int{1: 1, 2: 2}, Straps: []bench.Strap{
		{Contact: 2, Kind: bench.StrapReturn}, {Contact: 1, Kind: bench.StrapResistor, Resistance: 1e3}}}
	b := &bench.PinMap{Contacts: map[int]int{1: 5, 2: 2, 3: 3}, Straps: []bench.Strap{
		{Contact: 1, Kind: bench.StrapResistor, Resistance: 1e3}, {Contact: 2, Kind: bench.StrapChannel, Channel: 1},
		{Contact: 1, Kind: bench.StrapResistor, Resistance: 1e3}}}
	want := []dut.Change{
		{Field: "contacts[1]", What: "contact of pin 1 IN", Before: "1", After: "5"},
		{Field: "contacts[3]", What: "contact of pin 3 OUT", After: "3"},
		{Field: "straps", What: "strap on contact 1", After: "1.00 kΩ to the return"},
		{Field: "straps", What: "strap on contact 2", Before: "to the return", After: "to channel 1A"},
	}
	if diff := cmp.Diff(want, bench.Diff(def, d, a, b)); diff != "" {
		t.Error(diff)
	}
	if same := bench.Diff(def, d, a, a); len(same) != 0 {
		t.Errorf("a map differs from itself: %v", same)
	}
}
