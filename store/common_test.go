package store_test

import (
	"fmt"
	"math"
	"strconv"
	"testing"
	"time"

	"ohmkeep/server/bench"
	"ohmkeep/server/dut"
	"ohmkeep/server/problem"
	"ohmkeep/server/procedure"
	"ohmkeep/server/quantity"
	"ohmkeep/store"
)

var start = time.Date(2021, 4, 5, 6, 7, 8, 9, time.UTC)

func device(key string) dut.Device {
	return dut.Device{Key: key, Name: "Part " + key, Package: dut.Package{Family: dut.SingleRow, Pins: 2},
		Pins: []dut.Pin{
			{Number: 1, Name: "A", Function: dut.Analog, MinV: -5, MaxV: 5, MaxI: 0.1},
			{Number: 2, Name: "B", Function: dut.Analog, MinV: -5, MaxV: 5, MaxI: 0.1},
		}}
}

func proc(key, device string) procedure.Procedure {
	low := 90.0
	return procedure.Procedure{Key: key, Name: "Check " + key, Device: device, Guard: 1,
		Measurements: []procedure.Measurement{
			{ID: "m1", Name: "Resistance", Kind: "resistance", Pins: []int{1}, Limits: map[string]procedure.Limit{"r": {Low: &low}}},
			{ID: "m2", Name: "Watch", Kind: "watch", Pins: []int{1, 2}},
		}}
}

func record(id, serial string) *procedure.Record {
	d := device("r-one")
	return &procedure.Record{ID: id, Device: d, Procedure: proc("r-check", d.Key),
		PinMap:   bench.PinMap{Device: d.Key, Bench: "b-one", Contacts: map[int]int{1: 5, 2: 6}},
		Bench:    bench.Definition{Key: "b-one", Name: "Bench one", Contacts: 48, LineHz: 50},
		Identity: bench.Identity{Name: "rehearsal", Serial: "7", Version: "1", Rehearsal: true},
		Unit:     dut.Unit{Serial: serial, Lot: "L1"}, Operator: "someone", Rehearsal: true,
		Seated: map[string]any{"model": "resistor", "seed": 42}, Status: procedure.Running, Started: start}
}

func begin(t testing.TB, s *store.Store, r *procedure.Record) {
	t.Helper()
	if err := s.Begin(t.Context(), r); err != nil {
		t.Fatal(err)
	}
}

// reading is a reading that its number determines, for one of pins pins.
func reading(i, pins int) bench.Reading {
	x := float64(i) * 1e-3
	r := bench.Reading{T: int64(i) * 1_000_000, Set: math.Round(x), V: math.Sin(x) * 1.23456789, I: math.Cos(x) / 987654.321,
		Point: uint32(i / pins), Group: uint16(i % pins), Pin: uint8(1 + i%pins), Channel: bench.ChannelID(1 + i%4)}
	if i%1000 == 17 {
		r.Flags = bench.InCompliance
	}
	return r
}

func readings(from, n, pins int) []bench.Reading {
	out := make([]bench.Reading, n)
	for i := range out {
		out[i] = reading(from+i, pins)
	}
	return out
}

func batch(measurement int, rs []bench.Reading) procedure.Batch {
	return procedure.Batch{Readings: []procedure.MeasurementReadings{{Measurement: measurement, Readings: rs}}}
}

func appendAll(t testing.TB, s *store.Store, run string, b procedure.Batch) {
	t.Helper()
	if err := s.Append(t.Context(), run, b); err != nil {
		t.Fatal(err)
	}
}

// readAll returns every reading of a measurement from an index on.
func readAll(t testing.TB, s *store.Store, run string, measurement int, from int64) []bench.Reading {
	t.Helper()
	var out []bench.Reading
	next := from
	err := s.Readings(t.Context(), run, measurement, from, func(first int64, c *store.Columns) error {
		if measurement != store.AllMeasurements && first != next {
			return fmt.Errorf("starts at %d instead of %d", first, next)
		}
		for i := range c.Len() {
			out = append(out, c.At(i))
		}
		next += int64(c.Len())
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func wantCode(t testing.TB, err error, code problem.Code) {
	t.Helper()
	if store.CodeOf(err) != code {
		t.Fatalf("got %v (code %q), want code %q", err, store.CodeOf(err), code)
	}
}

func result(m int, key string, pin int, value float64) procedure.Result {
	low := -1.5
	return procedure.Result{Measurement: m, Key: key, Name: "Name of " + key, Pin: pin, Value: value, Unit: quantity.Ohm,
		U: 0.01, Low: &low, Outcome: "pass"}
}

func itoa(n int) string { return strconv.Itoa(n) }
